//! Whether two figures move together: Spearman's correlation of ranks, with its interval.

use statrs::distribution::{ContinuousCDF, Normal};

use super::{neighbour_correlation, ranks};
use crate::unit::Interval;

/// Fewest pairs that say anything *(ours)*.
pub const FEWEST: usize = 10;

/// A correlation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correlation {
    /// Spearman's rho, from -1 to 1.
    pub rho: f64,
    /// Limits of it.
    pub interval: Interval,
    /// Pairs, as many as count when neighbours resemble each other.
    pub independent: f64,
}

/// Of pairs in their order in time; `None` for fewer than [`FEWEST`], and when either figure never moves.
///
/// Limits by R. A. Fisher's transformation with the variance `(1 + rho^2 / 2) / (n - 3)` (D. G. Bonett and T. A. Wright, Psychometrika 65 (2000)
/// 23). Two series whose neighbours correlate count for `n (1 - a b) / (1 + a b)` pairs (M. S. Bartlett 1935). From memory.
pub fn spearman(pairs: &[(f64, f64)], confidence: f64) -> Option<Correlation> {
    if pairs.len() < FEWEST {
        return None;
    }
    let of = |values: Vec<f64>| ranks(&values);
    let (x, y) = (of(pairs.iter().map(|p| p.0).collect()), of(pairs.iter().map(|p| p.1).collect()));
    let centre = (pairs.len() as f64 + 1.0) / 2.0;
    let sum = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| (a - centre) * (b - centre)).sum::<f64>();
    let scale = (sum(&x, &x) * sum(&y, &y)).sqrt();
    if scale == 0.0 {
        return None;
    }
    let rho = (sum(&x, &y) / scale).clamp(-1.0, 1.0);
    let both = neighbour_correlation(&x) * neighbour_correlation(&y);
    let independent = (pairs.len() as f64 * (1.0 - both) / (1.0 + both)).max(4.0);
    let reach = Normal::standard().inverse_cdf(0.5 + confidence / 2.0) * ((1.0 + rho * rho / 2.0) / (independent - 3.0)).sqrt();
    let z = rho.clamp(-1.0 + 1e-12, 1.0 - 1e-12).atanh();
    let interval = Interval { low: Some((z - reach).tanh()), high: Some((z + reach).tanh()), confidence };
    Some(Correlation { rho, interval, independent })
}

#[cfg(test)]
mod tests {
    use super::super::tests::Noise;
    use super::*;

    /// Ten pairs of IQ and hours before the screen, the example that textbooks and encyclopedias use (from memory): rho = -29/165.
    #[test]
    fn the_textbook_s_ten_pairs() {
        let x = [86.0, 97.0, 99.0, 100.0, 101.0, 103.0, 106.0, 110.0, 112.0, 113.0];
        let y = [2.0, 20.0, 28.0, 27.0, 50.0, 29.0, 7.0, 17.0, 6.0, 12.0];
        let told = spearman(&x.into_iter().zip(y).collect::<Vec<_>>(), 0.95).expect("ten pairs");
        assert!((told.rho + 29.0 / 165.0).abs() < 1e-12, "{}", told.rho);
    }

    #[test]
    fn two_series_that_wander_apart_are_not_said_to_move_together() {
        // At 95 %, 20 of 400 are expected to show one, deviation 4.4; neighbours correlated 0.8 would give some 160 uncorrected.
        let shown = (0..400u64)
            .filter(|seed| {
                let (a, b) = (Noise(seed * 3 + 1).dependent(150, 0.8), Noise(seed * 5 + 90_001).dependent(150, 0.8));
                let told = spearman(&a.into_iter().zip(b).collect::<Vec<_>>(), 0.95).expect("pairs");
                told.interval.low.is_some_and(|low| low > 0.0) || told.interval.high.is_some_and(|high| high < 0.0)
            })
            .count();
        assert!(shown <= 45, "{shown} of 400");
    }

    #[test]
    fn what_never_moves_moves_with_nothing() {
        assert_eq!(spearman(&[(1.0, 2.0); 50], 0.95), None);
        assert_eq!(spearman(&[(1.0, 2.0); 5], 0.95), None);
    }
}
