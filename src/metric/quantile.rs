//! Percentiles of delays, lost packets included, and how sure they are.
//!
//! A percentile is the smallest sample `x` whose share of samples at or below it reaches the wanted share (RFC 2330
//! section 11.3): the value at rank `ceil(q n)`. A lost packet counts as an infinite delay (RFC 2681 section 4), so
//! a percentile that falls among the lost has no finite value: `None`. The hard thing is to say how sure a percentile
//! is without assuming a distribution: the order-statistic interval does, and says when the samples can't.

mod sketch;

use hdrhistogram::Histogram;

use super::dependence::design_effect;
use super::incomplete_beta::binomial_cdf;
use super::sampling::Sampling;
use crate::unit::Interval;

/// Rank (from 1) of quantile `q` among `n` samples: `ceil(q n)`, at least 1. `None` when there are no samples.
///
/// RFC 2330 section 11.3 prints minus infinity for its 15th percentile of six samples, against its own definition
/// (F(-5) = 1/6 >= 15 %); this follows the definition.
pub fn nearest_rank(n: u64, q: f64) -> Option<u64> {
    if n == 0 {
        return None;
    }
    // The product of 0.07 and 100 is just above 7 in binary: take off what rounding may have added.
    let rank = (q.clamp(0.0, 1.0) * n as f64 * (1.0 - 1e-13)).ceil() as u64;
    Some(rank.clamp(1, n))
}

/// Quantile `q` of ascending `sorted` samples and `lost` ones above them all. `None` when empty or among the lost.
pub fn of_sorted(sorted: &[f64], lost: u64, q: f64) -> Option<f64> {
    let rank = nearest_rank(sorted.len() as u64 + lost, q)?;
    sorted.get(rank as usize - 1).copied()
}

/// The median: the middle sample, or the mean of the two middle ones (RFC 2330 section 11.3). `None` when empty or
/// when a lost sample takes part.
pub fn median_of_sorted(sorted: &[f64], lost: u64) -> Option<f64> {
    let n = sorted.len() + lost as usize;
    if n == 0 {
        return None;
    }
    let upper = *sorted.get(n / 2)?;
    if n % 2 == 1 { Some(upper) } else { Some((sorted[n / 2 - 1] + upper) / 2.0) }
}

/// Ranks (from 1) whose samples bound a quantile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RankInterval {
    /// Rank of the lower bound; `None` when there are too few samples for one.
    pub low: Option<u64>,
    /// Rank of the upper bound; `None` when there are too few samples for one.
    pub high: Option<u64>,
    /// Probability that the samples at these ranks enclose the quantile; at least the confidence asked for.
    pub coverage: f64,
}

/// The distribution-free two-sided interval for quantile `q` of `n` independent samples.
///
/// The number of samples at or below the quantile is binomial(n, q); `low` is the largest rank `l` with
/// `P(X <= l - 1) <= alpha/2`, `high` the smallest `u` with `P(X <= u - 1) >= 1 - alpha/2` (H. A. David and
/// H. N. Nagaraja, Order Statistics, section 7.1).
pub fn rank_interval(n: u64, q: f64, confidence: f64) -> RankInterval {
    let tail = (1.0 - confidence) / 2.0;
    // Number of k in 0..n with P(X <= k) below the target; the distribution function rises, so bisect.
    let count_below = |test: &dyn Fn(f64) -> bool| {
        let (mut from, mut to) = (0, n);
        while from < to {
            let middle = from + (to - from) / 2;
            if test(binomial_cdf(middle, n, q)) { from = middle + 1 } else { to = middle }
        }
        from
    };
    // `l - 1` is the last k with P <= tail, so `l` is how many there are.
    let low = Some(count_below(&|p| p <= tail)).filter(|&l| l >= 1);
    // `u - 1` is the first k with P >= 1 - tail; only ranks up to n exist.
    let first = count_below(&|p| p < 1.0 - tail);
    let high = (first < n).then_some(first + 1);
    let at_or_below = |rank: u64| if rank == 0 { 0.0 } else { binomial_cdf(rank - 1, n, q) };
    let coverage = high.map_or(1.0, at_or_below) - low.map_or(0.0, at_or_below);
    RankInterval { low, high, coverage }
}

/// The order-statistic interval of quantile `q` for ascending `sorted` samples and `lost` infinite ones.
///
/// A bound is missing when the samples can't carry it, or when it lies among the lost.
pub fn interval_of_sorted(sorted: &[f64], lost: u64, q: f64, sampling: impl Into<Sampling>) -> Interval {
    let sampling = sampling.into();
    bounds(sorted, sampling.ranks(sorted.len() as u64 + lost, 1.0, q), sampling)
}

/// The order-statistic interval of quantile `q` for samples in the order in which they were taken, `None` for lost
/// (infinite) ones, with regard to how samples above the quantile cluster ([`super::dependence`]).
///
/// A queue that is long stays so for a while: then fewer samples than there are count as independent, and the ranks lie
/// further apart. A bound is missing when the samples can't carry it, or when it lies among the lost.
pub fn interval_of_series(series: &[Option<f64>], q: f64, sampling: impl Into<Sampling>) -> Interval {
    let sampling = sampling.into();
    let mut sorted: Vec<f64> = series.iter().copied().flatten().collect();
    sorted.sort_by(f64::total_cmp);
    bounds(&sorted, ranks_of_series(series, &sorted, q, sampling), sampling)
}

/// The finite samples at these ranks.
fn bounds(sorted: &[f64], ranks: RankInterval, sampling: Sampling) -> Interval {
    let at = |rank: Option<u64>| rank.and_then(|rank| sorted.get(rank as usize - 1).copied());
    Interval { low: at(ranks.low), high: at(ranks.high), confidence: sampling.confidence }
}

/// The ranks of [`interval_of_series`]; `sorted` holds the finite samples, ascending.
pub fn ranks_of_series(series: &[Option<f64>], sorted: &[f64], q: f64, sampling: impl Into<Sampling>) -> RankInterval {
    let sampling = sampling.into();
    let n = series.len() as u64;
    let estimate = of_sorted(sorted, n - sorted.len() as u64, q);
    let above = |sample: &Option<f64>| match (sample, estimate) {
        (Some(sample), Some(estimate)) => *sample > estimate,
        (None, Some(_)) => true,
        // The quantile itself is among the lost: what clusters then are the losses.
        (sample, None) => sample.is_none(),
    };
    let effect = design_effect(series.iter().map(above));
    let ranks = sampling.ranks(n, effect, q);
    if independent(n, effect) == n {
        return ranks;
    }
    let is_finite = |rank: &u64| *rank <= sorted.len() as u64;
    let high = ranks.high.filter(is_finite).or_else(|| high_from_the_top(series, sorted, q, sampling));
    RankInterval { high, ..ranks }
}

/// Samples that `n` clustered ones count for.
fn independent(n: u64, design_effect: f64) -> u64 {
    ((n as f64 / design_effect) as u64).clamp(n.min(1), n)
}

/// [`rank_interval`] for samples that cluster: of so many fewer, told as ranks of all.
pub(super) fn rank_interval_of_clustered(n: u64, design_effect: f64, q: f64, confidence: f64) -> RankInterval {
    let fewer = independent(n, design_effect);
    let ranks = rank_interval(fewer, q, confidence);
    if fewer == n {
        return ranks;
    }
    let scale = n as f64 / fewer as f64;
    // Outward: the lower bound's samples are those up to its rank less one.
    let low = ranks.low.map(|rank| (((rank - 1) as f64 * scale) as u64 + 1).clamp(1, n));
    let high = ranks.high.map(|rank| ((rank as f64 * scale).ceil() as u64).clamp(1, n));
    RankInterval { low, high, coverage: ranks.coverage }
}

/// An upper bound for quantile `q` where samples cluster so much at the quantile itself that the usual ranks reach none.
///
/// What lies far above it may cluster less: nothing does above the largest. From the top down, a sample bounds the quantile
/// while so few lie above it, in independent samples by their own clustering, that a share of `1 - q` is refuted. The first
/// that fails ends the search, so that looking at many costs no confidence (tests in a fixed sequence; W. Maurer,
/// L. A. Hothorn and W. Lehmacher, 1995; from memory).
fn high_from_the_top(series: &[Option<f64>], sorted: &[f64], q: f64, sampling: Sampling) -> Option<u64> {
    let refuted = |bound: f64| {
        let above: Vec<bool> = series.iter().map(|sample| sample.is_none_or(|sample| sample > bound)).collect();
        let effect = design_effect(above.iter().copied());
        let hits = above.iter().filter(|above| **above).count() as u64;
        sampling.are_too_few(hits, above.len() as u64, effect, 1.0 - q)
    };
    let enough = sorted.iter().rev().take_while(|bound| refuted(**bound)).count();
    (enough > 0).then(|| (sorted.len() - enough + 1) as u64)
}

/// Whether so few hits, which cluster by this effect, refute that their share is `p`.
pub(super) fn are_too_few(hits: u64, of: u64, design_effect: f64, p: f64, confidence: f64) -> bool {
    let independent = |count: u64| count as f64 / design_effect;
    binomial_cdf(independent(hits).ceil() as u64, independent(of) as u64, p) <= (1.0 - confidence) / 2.0
}

/// Delays in nanoseconds, counted in buckets of at most 0.1 % width, with exact minimum and maximum.
///
/// For streams too long to keep every sample. The range grows by itself; nothing is clamped.
#[derive(Debug, Clone)]
pub struct DelayHistogram {
    buckets: Histogram<u64>,
    min_ns: Option<u64>,
    max_ns: Option<u64>,
    sum_ns: u128,
    lost: u64,
}

impl Default for DelayHistogram {
    fn default() -> Self {
        Self::new()
    }
}

impl DelayHistogram {
    /// An empty histogram.
    pub fn new() -> Self {
        let buckets = Histogram::new(3).expect("three digits are in the library's range of 0 to 5");
        Self { buckets, min_ns: None, max_ns: None, sum_ns: 0, lost: 0 }
    }

    /// Counts one delay in nanoseconds.
    pub fn record(&mut self, ns: u64) {
        // With automatic growth this fails only where the bucket index exceeds `usize`, which no 64-bit value reaches.
        if self.buckets.record(ns).is_err() {
            debug_assert!(false, "the histogram refused {ns} ns");
            self.lost += 1;
            return;
        }
        self.min_ns = Some(self.min_ns.map_or(ns, |min| min.min(ns)));
        self.max_ns = Some(self.max_ns.map_or(ns, |max| max.max(ns)));
        self.sum_ns += u128::from(ns);
    }

    /// Counts one packet that never came: an infinite delay.
    pub fn record_lost(&mut self) {
        self.lost += 1;
    }

    /// Adds all samples of another histogram.
    pub fn merge(&mut self, other: &Self) {
        if self.buckets.add(&other.buckets).is_err() {
            debug_assert!(false, "histograms of the same form always add");
            return;
        }
        self.min_ns = [self.min_ns, other.min_ns].into_iter().flatten().min();
        self.max_ns = [self.max_ns, other.max_ns].into_iter().flatten().max();
        self.sum_ns += other.sum_ns;
        self.lost += other.lost;
    }

    /// Delays recorded, without the lost.
    pub fn len(&self) -> u64 {
        self.buckets.len()
    }

    /// True when no delay was recorded.
    pub fn is_empty(&self) -> bool {
        self.buckets.is_empty()
    }

    /// Lost packets recorded.
    pub fn lost(&self) -> u64 {
        self.lost
    }

    /// Smallest delay in milliseconds, exact.
    pub fn min(&self) -> Option<f64> {
        self.min_ns.map(to_ms)
    }

    /// Largest finite delay in milliseconds, exact.
    pub fn max(&self) -> Option<f64> {
        self.max_ns.map(to_ms)
    }

    /// Mean of the finite delays in milliseconds, exact.
    pub fn mean(&self) -> Option<f64> {
        (!self.is_empty()).then(|| self.sum_ns as f64 / self.len() as f64 / 1e6)
    }

    /// Quantile `q` in milliseconds, the lost counted as infinite; `None` when empty or among the lost.
    ///
    /// Within 0.05 % of the exact sample: the middle of its bucket.
    pub fn quantile(&self, q: f64) -> Option<f64> {
        let rank = nearest_rank(self.len() + self.lost, q)?;
        self.at_rank(rank).map(|ns| to_ms(self.clamp(self.buckets.median_equivalent(ns))))
    }

    /// The order-statistic interval of quantile `q` in milliseconds; see [`interval_of_sorted`]. Bounds are taken at the
    /// outer edges of their buckets, so that rounding never narrows the interval.
    pub fn quantile_interval(&self, q: f64, confidence: f64) -> Interval {
        let ranks = rank_interval(self.len() + self.lost, q, confidence);
        Interval {
            low: ranks.low.and_then(|r| self.at_rank(r)).map(|ns| to_ms(self.clamp(self.buckets.lowest_equivalent(ns)))),
            high: ranks.high.and_then(|r| self.at_rank(r)).map(|ns| to_ms(self.clamp(self.buckets.highest_equivalent(ns)))),
            confidence,
        }
    }

    /// A value in the bucket of the sample at `rank`; `None` among the lost.
    fn at_rank(&self, rank: u64) -> Option<u64> {
        let n = self.len();
        // Half a rank below, so that the library's own rounding up always lands on `rank`.
        (rank <= n).then(|| self.buckets.value_at_quantile((rank as f64 - 0.5) / n as f64))
    }

    fn clamp(&self, ns: u64) -> u64 {
        ns.clamp(self.min_ns.unwrap_or(0), self.max_ns.unwrap_or(u64::MAX))
    }
}

fn to_ms(ns: u64) -> f64 {
    ns as f64 / 1e6
}

#[cfg(test)]
mod tests;
