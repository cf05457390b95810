//! Whether paired differences lie around zero: Wilcoxon's signed ranks, with the shift and its interval.
//!
//! F. Wilcoxon, Biometrics Bulletin 1 (1945) 80; the shift is the median of all means of two differences (J. L. Hodges and E. L. Lehmann
//! 1963), its interval by J. W. Tukey's inversion (M. Hollander and D. A. Wolfe, Nonparametric Statistical Methods, section 3.3; from memory).

use statrs::distribution::{ContinuousCDF, Normal};

use super::ranks;
use crate::unit::Interval;

/// Up to here the distribution is counted exactly, ties included.
const EXACT: usize = 50;

/// What the differences say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shift {
    /// The difference that pairs have in the middle.
    pub shift: f64,
    /// Limits of it; missing when the pairs are too few for any.
    pub interval: Interval,
    /// Two-sided probability of such ranks without a difference.
    pub p: f64,
    /// Pairs that differ.
    pub pairs: usize,
}

/// Of differences of independent pairs; `None` without any. Pairs that don't differ count for the shift, not for the test.
pub fn signed_rank(differences: &[f64], confidence: f64) -> Option<Shift> {
    if differences.is_empty() {
        return None;
    }
    let moved: Vec<f64> = differences.iter().copied().filter(|d| *d != 0.0).collect();
    let sizes: Vec<f64> = moved.iter().map(|d| d.abs()).collect();
    let ranks = ranks(&sizes);
    let positive: f64 = ranks.iter().zip(&moved).filter(|(_, d)| **d > 0.0).map(|(rank, _)| rank).sum();
    let total: f64 = ranks.iter().sum();
    let p = if moved.is_empty() { 1.0 } else { (2.0 * lower_tail(&ranks, positive.min(total - positive))).min(1.0) };
    let n = differences.len();
    let mut means = Vec::with_capacity(n * (n + 1) / 2);
    for (i, one) in differences.iter().enumerate() {
        means.extend(differences[i..].iter().map(|other| (one + other) / 2.0));
    }
    let shift = super::median(&mut means)?;
    // How many of the smallest means may be left out on each side.
    let out = left_out(n, (1.0 - confidence) / 2.0);
    let mut at = |place: usize| *means.select_nth_unstable_by(place, f64::total_cmp).1;
    let interval = match out {
        Some(out) => {
            let last = n * (n + 1) / 2 - 1 - out;
            Interval { low: Some(at(out)), high: Some(at(last)), confidence }
        }
        None => Interval { low: None, high: None, confidence },
    };
    Some(Shift { shift, interval, p, pairs: moved.len() })
}

/// Probability that the sum of positive ranks is at most `sum`.
fn lower_tail(ranks: &[f64], sum: f64) -> f64 {
    if ranks.len() <= EXACT {
        // Ranks of ties are halves: count in halves.
        let halves: Vec<usize> = ranks.iter().map(|rank| (rank * 2.0).round() as usize).collect();
        let ways = ways(&halves);
        let upto = ((sum * 2.0).round() as usize).min(ways.len() - 1);
        return ways[..=upto].iter().sum();
    }
    let mean: f64 = ranks.iter().sum::<f64>() / 2.0;
    let variance: f64 = ranks.iter().map(|rank| rank * rank).sum::<f64>() / 4.0;
    Normal::standard().cdf(((sum + 0.5 - mean) / variance.sqrt()).min(0.0))
}

/// Probability of each sum when each rank is in or out with one half.
fn ways(halves: &[usize]) -> Vec<f64> {
    let mut ways = vec![0.0; halves.iter().sum::<usize>() + 1];
    ways[0] = 1.0;
    let mut most = 0;
    for rank in halves {
        most += rank;
        for sum in (0..=most).rev() {
            let with = if sum >= *rank { ways[sum - rank] } else { 0.0 };
            ways[sum] = (ways[sum] + with) / 2.0;
        }
    }
    ways
}

/// The largest count `c` with `P(sum < c + 1) <= tail`, as the place of the lower limit among the means from 0.
fn left_out(n: usize, tail: f64) -> Option<usize> {
    if n <= EXACT {
        let ways = ways(&(1..=n).collect::<Vec<_>>());
        let mut below = 0.0;
        let fits = |p: &&f64| {
            below += **p;
            below <= tail
        };
        return ways.iter().take_while(fits).count().checked_sub(1);
    }
    let n = n as f64;
    let mean = n * (n + 1.0) / 4.0;
    let deviation = (n * (n + 1.0) * (2.0 * n + 1.0) / 24.0).sqrt();
    Some((mean + Normal::standard().inverse_cdf(tail) * deviation).floor().max(0.0) as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Hollander and Wolfe, example 3.1 (depression scale before and after a tranquilliser, nine patients, from memory): T+ = 5,
    /// one-sided P = 0.0195, shift -0.46, interval of 96.1 % from -0.786 to -0.010.
    #[test]
    #[expect(clippy::approx_constant, reason = "a patient's figure that only looks like the number")]
    fn the_handbook_s_nine_patients() {
        let before = [1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30];
        let after = [0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29];
        let differences: Vec<f64> = after.iter().zip(before).map(|(a, b)| a - b).collect();
        let told = signed_rank(&differences, 0.95).expect("pairs");
        assert!((told.p - 2.0 * 0.01953).abs() < 1e-4, "{}", told.p);
        assert!((told.shift + 0.46).abs() < 5e-4, "{}", told.shift);
        let (low, high) = (told.interval.low.unwrap(), told.interval.high.unwrap());
        assert!((low + 0.786).abs() < 5e-4 && (high + 0.010).abs() < 5e-4, "{low} {high}");
    }

    #[test]
    fn six_pairs_are_the_fewest_that_can_prove_anything_at_95_percent() {
        let all = |n: i32| signed_rank(&(1..=n).map(f64::from).collect::<Vec<_>>(), 0.95).unwrap();
        // 2 / 2^5 and 2 / 2^6.
        assert!((all(5).p - 0.0625).abs() < 1e-12 && all(5).interval.low.is_none());
        assert!((all(6).p - 0.03125).abs() < 1e-12 && all(6).interval.low == Some(1.0));
    }

    #[test]
    fn exact_and_approximate_tails_meet() {
        let ranks = |n: usize| (1..=n).map(|r| r as f64).collect::<Vec<_>>();
        let exact: f64 = ways(&(1..=50).collect::<Vec<_>>())[..=430].iter().sum();
        let mean = 50.0 * 51.0 / 4.0;
        let deviation = (50.0f64 * 51.0 * 101.0 / 24.0).sqrt();
        let normal = Normal::standard().cdf((430.5 - mean) / deviation);
        assert!((exact - lower_tail(&ranks(50), 430.0)).abs() < 1e-12);
        assert!((exact / normal - 1.0).abs() < 0.05, "{exact} {normal}");
        assert_eq!(signed_rank(&[0.0, 0.0], 0.95).unwrap().p, 1.0);
        assert_eq!(signed_rank(&[], 0.95), None);
    }
}
