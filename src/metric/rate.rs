//! From octets per 100 ms to a rate with an interval: which start is left out, and how sure the mean is.
//!
//! RFC 6349 section 3.3 wants the steady state, without slow start; it gives no rule for where that begins, so ours is
//! stated here: see [`start_up`].

use super::mean::of_batches;
use crate::unit::Interval;

/// Buckets of one batch: 500 ms. Neighbouring 100 ms buckets depend on each other through TCP's window and the line's queue;
/// over 500 ms, many round trips on any access line, that has mostly faded (method of batch means).
pub const BATCH: usize = 5;
/// At least so many buckets are left out: the first 300 ms hold the bucket of a shaper that had filled while idle.
pub const LEAST_START_UP: usize = 3;
/// A start has ended when the mean of the next batch has reached this share of what the second half brings.
const REACHED: f64 = 0.95;

/// How many buckets belong to the start: the first position, at least [`LEAST_START_UP`], from which the mean of a batch
/// reaches 95 % of the median of the second half; `most` when there is none before it.
pub fn start_up(buckets: &[u64], most: usize) -> usize {
    let mut late: Vec<u64> = buckets[buckets.len() / 2..].to_vec();
    late.sort_unstable();
    let Some(median) = late.get(late.len() / 2).map(|octets| *octets as f64) else { return 0 };
    let has_risen = |at: &usize| {
        let batch = &buckets[*at..buckets.len().min(at + BATCH)];
        !batch.is_empty() && mean(batch) >= REACHED * median
    };
    (LEAST_START_UP..most.min(buckets.len())).find(has_risen).unwrap_or(most).min(buckets.len())
}

/// Mean octets per bucket with its interval by batch means and Student's t; `None` without a bucket. Fewer than three
/// batches carry no interval.
pub fn steady(buckets: &[u64], confidence: f64) -> Option<(f64, Interval)> {
    if buckets.is_empty() {
        return None;
    }
    let value = mean(buckets);
    // A last, shorter batch would weigh too much.
    let batches: Vec<f64> = buckets.chunks_exact(BATCH).map(mean).collect();
    let centre = batches.iter().sum::<f64>() / batches.len() as f64;
    let Interval { low, high, .. } = of_batches(&batches, confidence);
    // Around the mean of all buckets, those of the shorter batch among them.
    let around = |bound: Option<f64>| bound.map(|bound| (bound - centre + value).max(0.0));
    Some((value, Interval { low: around(low), high: around(high), confidence }))
}

/// Jain's fairness index of shares (R. Jain, D. Chiu, W. Hawe, DEC-TR-301, 1984): 1 when all are equal, 1/n when one has
/// everything; `None` without a share above zero.
pub fn fairness(shares: &[f64]) -> Option<f64> {
    let sum: f64 = shares.iter().sum();
    let squares: f64 = shares.iter().map(|s| s * s).sum();
    (squares > 0.0).then(|| sum * sum / (shares.len() as f64 * squares))
}

fn mean(octets: &[u64]) -> f64 {
    octets.iter().map(|o| *o as f64).sum::<f64>() / octets.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_start_ends_where_the_rate_has_risen() {
        let slow = [[0, 10, 20, 40, 60, 80].as_slice(), &[100; 30]].concat();
        let rows: &[(&str, Vec<u64>, usize)] = &[
            ("at once full: the shaper's idle bucket is left out", vec![100; 40], LEAST_START_UP),
            ("slow start of six buckets: the batch from the fifth on brings 96 %", slow, 5),
            ("never steady: the bound", (0..40).map(|i| i * i).collect(), 20),
            ("empty", vec![], 0),
            ("one bucket", vec![7], 1),
        ];
        for (row, buckets, want) in rows {
            assert_eq!(start_up(buckets, 20), *want, "{row}");
        }
    }

    #[test]
    fn the_interval_is_students_t_over_batches() {
        // Batch means 90, 100, 110: mean 100, s = 10, t(0.975; 2) = 4.302653 (NIST/SEMATECH e-Handbook section 1.3.6.7.2
        // prints 4.303), half width 4.302653 x 10 / sqrt(3) = 24.8414.
        let buckets = [[90; 5], [100; 5], [110; 5]].concat();
        let (value, interval) = steady(&buckets, 0.95).unwrap();
        assert!((value - 100.0).abs() < 1e-12);
        assert!((interval.high.unwrap() - 124.8414).abs() < 1e-3, "{interval:?}");
        assert!((interval.low.unwrap() - 75.1586).abs() < 1e-3);
    }

    #[test]
    fn two_batches_carry_no_interval() {
        assert_eq!(steady(&[5; 14], 0.95).unwrap().1.low, None);
        assert!(steady(&[], 0.95).is_none());
    }

    #[test]
    fn fairness_is_one_for_equals_and_one_over_n_for_a_single_taker() {
        assert_eq!(fairness(&[5.0; 4]), Some(1.0));
        assert_eq!(fairness(&[9.0, 0.0, 0.0, 0.0]), Some(0.25));
        assert_eq!(fairness(&[0.0; 3]), None);
    }
}
