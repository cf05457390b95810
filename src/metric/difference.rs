//! Whether two estimates differ beyond chance: the interval of their difference from the interval of each.
//!
//! The limits of each estimate may be of any kind and lopsided (exact limits of a share, order statistics of a quantile), as long as the two were taken
//! from different samples. It knows no readings.

use statrs::distribution::{ContinuousCDF, Normal};

use super::loss_interval::clopper_pearson;

/// An estimate with its limits; a missing one is unbounded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Lower limit.
    pub low: Option<f64>,
    /// Upper limit.
    pub high: Option<f64>,
}

/// The limits of `second - first`: squares of the distances to the limits add up (G. Y. Zou and A. Donner, Statistics in Medicine 27 (2008) 1693;
/// for shares R. G. Newcombe's method 10, Statistics in Medicine 17 (1998) 873). Unbounded where the limit that it needs is.
pub fn interval(first: &Estimate, second: &Estimate) -> (Option<f64>, Option<f64>) {
    let distance = second.value - first.value;
    let reach = |a: Option<f64>, b: Option<f64>| Some((a? - first.value).hypot(b? - second.value));
    let below = reach(first.high, second.low);
    let above = reach(first.low, second.high);
    (below.map(|reach| distance - reach), above.map(|reach| distance + reach))
}

impl Estimate {
    /// The estimate with limits of another confidence, both two-sided, as if its error were normal: distances grow as the quantiles of the normal
    /// distribution do. An approximation for all but means.
    #[must_use]
    pub fn at_confidence(self, has: f64, wanted: f64) -> Self {
        let factor = half_width(wanted) / half_width(has);
        let moved = |limit: Option<f64>| limit.map(|limit| self.value + (limit - self.value) * factor);
        Self { low: moved(self.low), high: moved(self.high), ..self }
    }

    /// The same for a share of `samples`: exact limits (Clopper and Pearson), as much wider on each side as the given ones are than exact ones of
    /// independent samples.
    #[must_use]
    pub fn share_at_confidence(self, samples: u64, has: f64, wanted: f64) -> Self {
        let hits = (self.value * samples as f64).round() as u64;
        let (plain, other) = (clopper_pearson(hits, samples, has), clopper_pearson(hits, samples, wanted));
        let moved = |given: Option<f64>, plain: Option<f64>, other: Option<f64>| {
            let (given, plain, other) = ((given? - self.value).abs(), (plain? - self.value).abs(), other? - self.value);
            let wider = if plain > 0.0 { (given / plain).max(1.0) } else { 1.0 };
            Some((self.value + other * wider).clamp(0.0, 1.0))
        };
        Self { low: moved(self.low, plain.low, other.low), high: moved(self.high, plain.high, other.high), ..self }
    }
}

/// Half the width of a two-sided interval of a normal error, in standard deviations.
fn half_width(confidence: f64) -> f64 {
    Normal::standard().inverse_cdf(0.5 + confidence.clamp(0.0, 1.0 - 1e-12) / 2.0)
}

/// The confidence that each of `comparisons` needs so that all hold together with `confidence` (Bonferroni's inequality).
pub fn each_of(comparisons: usize, confidence: f64) -> f64 {
    1.0 - (1.0 - confidence) / comparisons.max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metric::loss_interval::wilson;
    use crate::metric::quantile;

    /// Newcombe's table II, method 10, contrast (a): 56 of 70 against 48 of 80 differ by 0.2 (0.0524 to 0.3339); from memory.
    #[test]
    fn newcombes_example() {
        let of = |hits, n| {
            let limits = wilson(hits, n, 0.95);
            Estimate { value: hits as f64 / n as f64, low: limits.low, high: limits.high }
        };
        let (low, high) = interval(&of(48, 80), &of(56, 70));
        assert!((low.unwrap() - 0.0524).abs() < 5e-5 && (high.unwrap() - 0.3339).abs() < 5e-5, "{low:?} {high:?}");
    }

    /// Two means with the same deviation: the distance grows by the square root of two, as that of a difference of normal variables does.
    #[test]
    fn limits_of_means_add_as_variances_do() {
        let one = Estimate { value: 10.0, low: Some(9.0), high: Some(11.0) };
        let two = Estimate { value: 14.0, low: Some(13.0), high: Some(15.0) };
        let (low, high) = interval(&one, &two);
        assert!((low.unwrap() - (4.0 - 2f64.sqrt())).abs() < 1e-12 && (high.unwrap() - (4.0 + 2f64.sqrt())).abs() < 1e-12);
        // 1.959964 and 2.575829 deviations (any table of the normal distribution).
        let wider = one.at_confidence(0.95, 0.99);
        assert!((wider.high.unwrap() - (10.0 + 2.575_829 / 1.959_964)).abs() < 1e-5, "{wider:?}");
    }

    #[test]
    fn a_missing_limit_leaves_its_side_open() {
        let one = Estimate { value: 1.0, low: Some(0.5), high: None };
        let two = Estimate { value: 3.0, low: Some(2.0), high: Some(4.0) };
        assert_eq!(interval(&one, &two).0, None, "the first may be anything above");
        assert!(interval(&one, &two).1.is_some());
    }

    #[test]
    fn shares_get_the_exact_limits_of_the_confidence_and_keep_what_bursts_widened() {
        let exact = clopper_pearson(3, 1000, 0.95);
        let share = Estimate { value: 0.003, low: exact.low, high: exact.high }.share_at_confidence(1000, 0.95, 0.999);
        let wanted = clopper_pearson(3, 1000, 0.999);
        assert!(
            (share.low.unwrap() - wanted.low.unwrap()).abs() < 1e-12
                && (share.high.unwrap() - wanted.high.unwrap()).abs() < 1e-12
        );
        let wide = Estimate { value: 0.003, low: Some(0.0), high: Some(0.003 + 2.0 * (exact.high.unwrap() - 0.003)) };
        let wide = wide.share_at_confidence(1000, 0.95, 0.999);
        assert!((wide.high.unwrap() - 0.003 - 2.0 * (wanted.high.unwrap() - 0.003)).abs() < 1e-12, "{wide:?}");
    }

    /// Two samples of one distribution differ beyond chance as seldom as promised: shares, medians and 95th percentiles of a skewed one. Of 1,000 pairs at
    /// 95 %, binomial chance leaves at most 74 above 5 % with 0.9997 (mean 50, deviation 6.9, and three and a half of them).
    #[test]
    fn samples_of_one_line_seldom_differ() {
        let mut chance = crate::unit::chance::Chance(7);
        let mut uniform = move || chance.uniform();
        let mut differs = [0; 3];
        for _ in 0..1000 {
            let mut share = || {
                let hits = (0..500).filter(|_| uniform() < 0.01).count() as u64;
                let limits = clopper_pearson(hits, 500, 0.95);
                Estimate { value: hits as f64 / 500.0, low: limits.low, high: limits.high }
            };
            let shares = [share(), share()];
            let mut delays = |q| {
                let mut sample: Vec<f64> = (0..400).map(|_| 20.0 - 3.0 * (1.0 - uniform()).ln()).collect();
                sample.sort_by(f64::total_cmp);
                let limits = quantile::interval_of_sorted(&sample, 0, q, 0.95);
                Estimate { value: quantile::of_sorted(&sample, 0, q).unwrap(), low: limits.low, high: limits.high }
            };
            let pairs = [shares, [delays(0.5), delays(0.5)], [delays(0.95), delays(0.95)]];
            for (count, [one, two]) in differs.iter_mut().zip(pairs) {
                let (low, high) = interval(&one, &two);
                *count += usize::from(low.is_some_and(|low| low > 0.0) || high.is_some_and(|high| high < 0.0));
            }
        }
        assert!(differs.iter().all(|count| *count <= 74), "{differs:?}");
    }
}
