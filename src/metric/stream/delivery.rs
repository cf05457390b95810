//! Delivery second by second: delay factor and media loss rate of RFC 4445, and the octets, kept in a list that does not grow.

use crate::metric::media_delivery::{self, delay_factor, media_loss_rate};
use crate::metric::quantile::DelayHistogram;

/// The interval of RFC 4445 section 3: one second.
const INTERVAL_NS: i64 = 1_000_000_000;
/// Entries of the list; when it is full, two become one.
const ENTRIES: usize = 3600;
/// Arrivals of one second that are kept: 1 Gbit/s in the usual datagrams. Of more the delay factor is not told.
const ARRIVALS: usize = 100_000;

/// One second, or several.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Entry {
    /// Seconds from the first arrival to its begin.
    pub at_s: u64,
    /// How many seconds it stands for.
    pub seconds: u64,
    /// Largest delay factor, milliseconds; `None` where nothing arrived.
    pub delay_factor_ms: Option<f64>,
    /// Media packets lost or out of order.
    pub lost: u64,
    /// Media bits that arrived.
    pub bits: f64,
}

/// What was found so far.
#[derive(Debug, Clone, Default)]
pub struct Found {
    /// Over time.
    pub entries: Vec<Entry>,
    /// Delay factors of all seconds, nanoseconds.
    pub delay_factor: DelayHistogram,
    /// Largest media loss rate of a second, media packets per second.
    pub worst_loss_rate: f64,
    /// Media packets lost or out of order in all.
    pub lost: u64,
    /// Seconds in which any were.
    pub seconds_with_loss: u64,
    /// Seconds looked at.
    pub seconds: u64,
}

/// The measurement.
#[derive(Debug, Clone, Default)]
pub struct Delivery {
    /// Begin of the first second, and of this one.
    began_ns: Option<(i64, i64)>,
    arrivals: Vec<media_delivery::Arrival>,
    beyond: bool,
    bits: f64,
    lost: u64,
    rate: Option<f64>,
    found: Found,
}

impl Delivery {
    /// Media of so many bits arrived at `at_ns`, and `lost` media packets were found missing before it. `rate` is the stream's own, bits per second, as far as
    /// it is known by now.
    pub fn on_arrival(&mut self, at_ns: i64, bits: f64, lost: u64, rate: Option<f64>) {
        let (first, mut begin) = *self.began_ns.get_or_insert((at_ns, at_ns));
        let passed = at_ns.saturating_sub(begin).div_euclid(INTERVAL_NS);
        if passed > 0 {
            self.end_second();
            if passed > 1 {
                self.enter(Entry { at_s: 0, seconds: passed as u64 - 1, delay_factor_ms: None, lost: 0, bits: 0.0 });
            }
            begin += passed * INTERVAL_NS;
            self.began_ns = Some((first, begin));
        }
        self.rate = rate.or(self.rate);
        self.bits += bits;
        self.lost += lost;
        self.beyond |= self.arrivals.len() == ARRIVALS;
        if !self.beyond {
            let at_s = (at_ns - begin).max(0) as f64 / 1e9;
            self.arrivals.push(media_delivery::Arrival { at_s, bits });
        }
    }

    /// What was found. The second that is open counts where something was lost in it, or where it is the only one.
    pub fn found(&self) -> Found {
        let mut whole = self.clone();
        if whole.lost > 0 || (whole.found.seconds == 0 && !whole.arrivals.is_empty()) {
            whole.end_second();
        }
        whole.found
    }

    fn end_second(&mut self) {
        let rate = self.rate.or_else(|| own_rate(&self.arrivals));
        let factor = rate.filter(|_| !self.beyond).and_then(|rate| delay_factor(&self.arrivals, rate));
        if let Some(factor) = factor {
            self.found.delay_factor.record((factor * 1e9) as u64);
        }
        let lost = std::mem::take(&mut self.lost);
        self.found.lost += lost;
        self.found.seconds_with_loss += u64::from(lost > 0);
        self.found.worst_loss_rate =
            media_loss_rate(lost, 1.0).map_or(self.found.worst_loss_rate, |rate| rate.max(self.found.worst_loss_rate));
        let bits = std::mem::take(&mut self.bits);
        self.enter(Entry { at_s: 0, seconds: 1, delay_factor_ms: factor.map(|factor| factor * 1e3), lost, bits });
        self.arrivals.clear();
        self.beyond = false;
    }

    fn enter(&mut self, mut entry: Entry) {
        entry.at_s = self.found.seconds;
        self.found.seconds += entry.seconds;
        if self.found.entries.len() == ENTRIES {
            let pairs = self.found.entries.chunks(2).map(|pair| pair.iter().copied().reduce(joined));
            self.found.entries = pairs.flatten().collect();
        }
        self.found.entries.push(entry);
    }
}

fn joined(one: Entry, other: Entry) -> Entry {
    let both = one.delay_factor_ms.into_iter().chain(other.delay_factor_ms).reduce(f64::max);
    Entry {
        at_s: one.at_s,
        seconds: one.seconds + other.seconds,
        delay_factor_ms: both,
        lost: one.lost + other.lost,
        bits: one.bits + other.bits,
    }
}

/// Rate of the arrivals themselves, where the stream has no clock: what came behind the first one.
fn own_rate(arrivals: &[media_delivery::Arrival]) -> Option<f64> {
    let (first, rest) = arrivals.split_first()?;
    let span = rest.last()?.at_s - first.at_s;
    (span > 0.0).then(|| rest.iter().map(|one| one.bits).sum::<f64>() / span)
}

#[cfg(test)]
mod tests {
    use super::*;

    const BITS: f64 = 7.0 * 188.0 * 8.0;
    const RATE: f64 = 3.75e6;

    fn fed(seconds: f64, rate: Option<f64>, mut each: impl FnMut(usize, i64) -> Option<(i64, u64)>) -> Found {
        let mut delivery = Delivery::default();
        for at in 0..(seconds * RATE / BITS) as usize {
            let due = (at as f64 * BITS / RATE * 1e9) as i64;
            if let Some((at_ns, lost)) = each(at, due) {
                delivery.on_arrival(at_ns, BITS, lost, rate);
            }
        }
        delivery.found()
    }

    #[test]
    fn each_second_has_its_delay_factor_and_its_loss() {
        // RFC 4445 section 3 by arithmetic: a paced stream needs one datagram, 2.8 ms; a lost datagram counts seven.
        let found = fed(4.5, Some(RATE), |at, due| match at {
            400 => None,
            401 => Some((due, 7)),
            _ => Some((due, 0)),
        });
        let lost: Vec<u64> = found.entries.iter().map(|entry| entry.lost).collect();
        assert_eq!(lost, [0, 7, 0, 0]);
        assert_eq!((found.lost, found.worst_loss_rate, found.seconds_with_loss, found.seconds), (7, 7.0, 1, 4));
        for (entry, wanted) in found.entries.iter().zip([2.807, 5.615, 2.807, 2.807]) {
            assert!((entry.delay_factor_ms.unwrap() - wanted).abs() < 0.01, "{entry:?}");
        }
    }

    #[test]
    fn without_a_clock_the_arrivals_tell_their_rate() {
        let found = fed(3.0, None, |_, due| Some((due, 0)));
        assert!(found.entries.iter().all(|entry| (entry.delay_factor_ms.unwrap() - 2.807).abs() < 0.05), "{found:?}");
    }

    #[test]
    fn silence_has_no_delay_factor_and_a_day_does_not_fill_the_memory() {
        let mut delivery = Delivery::default();
        for at in [0, 3_500_000_000, 86_400_000_000_000] {
            delivery.on_arrival(at, BITS, 0, Some(RATE));
        }
        let entries: Vec<(u64, u64, bool)> =
            delivery.found().entries.iter().map(|one| (one.at_s, one.seconds, one.delay_factor_ms.is_some())).collect();
        assert_eq!(entries, [(0, 1, true), (1, 2, false), (3, 1, true), (4, 86_396, false)]);
        let mut long = Delivery::default();
        (0..20_000).for_each(|second| long.on_arrival(second * INTERVAL_NS, BITS, u64::from(second == 9_999), Some(RATE)));
        let found = long.found();
        assert!(found.entries.len() <= ENTRIES && found.seconds == 19_999);
        assert_eq!(found.entries.iter().map(|one| one.seconds).sum::<u64>(), 19_999);
        assert_eq!((found.lost, found.entries.iter().map(|one| one.lost).sum::<u64>()), (1, 1));
    }
}
