//! Where the bucket is empty, how steep the line is behind it and how high it began.

use super::{BATCHES, Kind, NOISE_NS, Passage, Passed};
use crate::metric::mean;
use crate::metric::shaping::HELD;
use crate::unit::Interval;

/// Bins of the search for the knee.
const BINS: usize = 400;
/// Fewer octets over the line than this many packets are no knee.
const LEAST_RISE: f64 = 2.0;
/// What is looked at behind the knee for the burst, at least: a slope that is a thousandth wrong has not moved far by then.
const NEAR_NS: i64 = 20_000_000;
/// And at least so many packets' time.
const NEAR_PACKETS: f64 = 60.0;

/// Where the last slope begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Knee {
    /// Since the train began.
    pub(super) at_ns: i64,
    /// Bits per second on the way there, if it took long enough to have a rate.
    pub(super) rate_before: Option<f64>,
}

/// Sums for lines of least squares over bins.
struct Sums(Vec<[f64; 5]>);

impl Sums {
    fn new(points: &[(f64, f64)]) -> Self {
        let mut sums = vec![[0.0; 5]];
        let mut last = [0.0; 5];
        for (x, y) in points {
            for (sum, value) in last.iter_mut().zip([1.0, *x, *y, x * x, x * y]) {
                *sum += value;
            }
            sums.push(last);
        }
        Self(sums)
    }

    /// Slope and height of the line through points `from..to`.
    fn line(&self, from: usize, to: usize) -> (f64, f64) {
        let [n, x, y, xx, xy] = std::array::from_fn(|i| self.0[to][i] - self.0[from][i]);
        let spread = n * xx - x * x;
        let slope = if spread.abs() > f64::EPSILON { (n * xy - x * y) / spread } else { 0.0 };
        (slope, if n > 0.0 { (y - slope * x) / n } else { 0.0 })
    }
}

/// Squared distance of points from two lines that part at `at`.
fn misfit(points: &[(f64, f64)], sums: &Sums, at: usize) -> f64 {
    let distance = |from: usize, to: usize| -> f64 {
        let (slope, height) = sums.line(from, to);
        points[from..to].iter().map(|(x, y)| (y - height - slope * x).powi(2)).sum()
    };
    distance(0, at) + distance(at, points.len())
}

/// The knee of what passed over time: where two lines fit best. `None` without two points.
pub(super) fn find(passed: &[Passed], octets: f64) -> Option<Knee> {
    let (first, last) = (passed.first()?, passed.last()?);
    let width = (last.at_ns - first.at_ns) / BINS as i64;
    if width <= 0 {
        return None;
    }
    // Octets that had passed by the end of each bin.
    let mut points = Vec::with_capacity(BINS);
    let mut count = 0;
    for bin in 1..=BINS {
        let until = first.at_ns + width * bin as i64;
        while count < passed.len() && passed[count].at_ns <= until {
            count += 1;
        }
        points.push((until as f64, count as f64 * octets));
    }
    let sums = Sums::new(&points);
    let at = (2..BINS - BINS / 5).min_by(|a, b| misfit(&points, &sums, *a).total_cmp(&misfit(&points, &sums, *b)))?;
    let ((before, low), (behind, high)) = (sums.line(0, at), sums.line(at, BINS));
    let is_knee = before > behind * (2.0 - HELD) && high - low > LEAST_RISE * octets;
    if !is_knee {
        return Some(Knee { at_ns: 0, rate_before: None });
    }
    let crossing = ((high - low) / (before - behind)) as i64;
    Some(Knee { at_ns: crossing.max(0), rate_before: (crossing > 4 * width).then_some(before * 8e9) })
}

/// The slope behind the knee, bits per second, over the stretches in which the bucket was empty for certain: from packet to packet that
/// waited (`waits`), else from loss to loss; and its interval by batch means. `None` when there were none.
pub(super) fn rate_behind(
    train: &[Passage],
    passed: &[Passed],
    knee: &Knee,
    waits: bool,
    octets: f64,
    confidence: f64,
) -> Option<(f64, Interval)> {
    let stretches = if waits { busy(passed, knee.at_ns) } else { dropping(train, passed, knee.at_ns) };
    let (packets, span) = stretches.iter().fold((0.0, 0.0), |(packets, span), one| (packets + one.0, span + one.1));
    if packets < 50.0 || span <= 0.0 {
        return None;
    }
    let rate = |packets: f64, span: f64| packets * octets * 8e9 / span;
    let value = rate(packets, span);
    let batches: Vec<f64> = stretches
        .chunks(stretches.len().div_ceil(BATCHES))
        .map(|chunk| rate(chunk.iter().map(|one| one.0).sum(), chunk.iter().map(|one| one.1).sum::<f64>().max(1.0)))
        .collect();
    let centre = batches.iter().sum::<f64>() / batches.len() as f64;
    let Interval { low, high, .. } = mean::of_batches(&batches, confidence);
    let around = |bound: Option<f64>| bound.map(|bound| bound - centre + value);
    Some((value, Interval { low: around(low), high: around(high), confidence }))
}

/// Packets and nanoseconds of stretches in which packets waited one behind the other, about 10 ms each.
fn busy(passed: &[Passed], from_ns: i64) -> Vec<(f64, f64)> {
    let mut stretches = Vec::new();
    let mut begin: Option<(usize, i64)> = None;
    for (at, one) in passed.iter().enumerate().filter(|(_, one)| one.at_ns > from_ns + NOISE_NS) {
        let Some((start, start_ns)) = begin.filter(|_| one.waited_ns > NOISE_NS) else {
            begin = (one.waited_ns > NOISE_NS).then_some((at, one.at_ns));
            continue;
        };
        let span = one.at_ns - start_ns;
        if span >= 10_000_000 {
            stretches.push(((at - start) as f64, span as f64));
            begin = Some((at, one.at_ns));
        }
    }
    stretches
}

/// Packets that passed, and nanoseconds, from one loss to a later one, as long as no pause of the sender let the bucket fill between.
fn dropping(train: &[Passage], passed: &[Passed], from_ns: i64) -> Vec<(f64, f64)> {
    let Some(first) = train.first() else { return Vec::new() };
    let spacing = (train[train.len() - 1].sent_ns - first.sent_ns) / (train.len() as i64 - 1).max(1);
    let has_passed: std::collections::HashSet<usize> = passed.iter().map(|one| one.index).collect();
    let mut stretches = Vec::new();
    let mut begin: Option<(f64, i64)> = None;
    let (mut count, mut before_ns) = (0.0, first.sent_ns);
    for (index, one) in train.iter().enumerate() {
        let at_ns = one.sent_ns - first.sent_ns;
        if one.sent_ns - before_ns > 4 * spacing {
            begin = None;
        }
        before_ns = one.sent_ns;
        if has_passed.contains(&index) {
            count += 1.0;
        } else if at_ns >= from_ns {
            match begin {
                // Longer stretches mean less for the part of a packet that the bucket held at either end.
                Some((start, start_ns)) if at_ns - start_ns >= 10_000_000 => {
                    stretches.push((count - start, (at_ns - start_ns) as f64));
                    begin = Some((count, at_ns));
                }
                Some(_) => {}
                None => begin = Some((count, at_ns)),
            }
        }
    }
    stretches
}

/// Octets of the bucket: what of it was used just behind the knee, where it was empty.
pub(super) fn burst(
    train: &[Passage],
    passed: &[Passed],
    knee: &Knee,
    kind: Kind,
    rate: f64,
    octets: f64,
) -> Option<(f64, Interval)> {
    let per_ns = rate / 8e9;
    let span = knee.at_ns.max(NEAR_NS).max((NEAR_PACKETS * octets / per_ns) as i64);
    // From the first packet behind the knee that found the bucket empty: a stall may have come between.
    let mut first_ns = None;
    let mut near = |at_ns: i64| at_ns >= knee.at_ns && at_ns < *first_ns.get_or_insert(at_ns) + span;
    let mut ahead = Vec::new();
    // How much of the bucket is used: what passed, less what came in again. It is full when nothing is used, and stays so in a pause.
    let (mut used, mut last_ns) = (0.0, 0);
    let mut until = |at_ns: i64, used: &mut f64| {
        *used = f64::max(*used - per_ns * (at_ns - last_ns) as f64, 0.0);
        last_ns = at_ns;
    };
    match kind {
        // Each packet that had to wait went as soon as the bucket held its octets; a timer that came late shows less than there was.
        Kind::Shaper => {
            for one in passed {
                let has_waited = one.waited_ns > NOISE_NS / 4;
                // One that did not wait went when it was sent; its stamp may be late.
                until(if has_waited { one.at_ns } else { one.at_ns - one.waited_ns }, &mut used);
                used += octets;
                if has_waited && near(one.at_ns) {
                    ahead.push(used);
                }
            }
        }
        // A packet that was dropped found less than its octets in the bucket: between nothing and all of them, so half is added.
        Kind::Policer => {
            let first = train.first()?.sent_ns;
            for one in train {
                let at_ns = one.sent_ns - first;
                until(at_ns, &mut used);
                if one.arrived_ns.is_some() {
                    used += octets;
                } else if near(at_ns) {
                    ahead.push(used + octets / 2.0);
                }
            }
        }
    }
    if ahead.len() < 10 {
        return None;
    }
    ahead.sort_by(f64::total_cmp);
    let part = |share: f64| ahead[((ahead.len() - 1) as f64 * share) as usize];
    let value = part(if kind == Kind::Shaper { 0.9 } else { 0.5 });
    let interval = Interval { low: Some(part(0.05) - octets / 2.0), high: Some(part(0.95) + octets / 2.0), confidence: 0.9 };
    Some((value, interval))
}
