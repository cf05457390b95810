//! The mean of a series whose neighbours depend on each other, with its interval (method of batch means). Pure.

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::unit::Interval;

/// Batches that a series is cut into: so few that each is long, so many that Student's t is near its limit.
const BATCHES: usize = 20;
/// Fewer batches than this carry no interval.
const FEWEST: usize = 3;

/// Interval of the mean that batches of equal length estimate, by Student's t; no bounds from fewer than three.
pub fn of_batches(batches: &[f64], confidence: f64) -> Interval {
    let n = batches.len() as f64;
    if batches.len() < FEWEST {
        return Interval { low: None, high: None, confidence };
    }
    let centre = batches.iter().sum::<f64>() / n;
    let variance = batches.iter().map(|b| (b - centre).powi(2)).sum::<f64>() / (n - 1.0);
    let half = StudentsT::new(0.0, 1.0, n - 1.0).map_or(f64::INFINITY, |t| t.inverse_cdf(0.5 + confidence / 2.0))
        * (variance / n).sqrt();
    let bound = |x: f64| x.is_finite().then_some(x);
    Interval { low: bound(centre - half), high: bound(centre + half), confidence }
}

/// Mean of a series in its order, with the interval of 20 batches; `None` when it is empty. A series of fewer than 60 values has
/// batches of three.
pub fn of_series(values: &[f64], confidence: f64) -> Option<(f64, Interval)> {
    if values.is_empty() {
        return None;
    }
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let length = (values.len() / BATCHES).max(3);
    // A last, shorter batch would weigh too much.
    let batches: Vec<f64> = values.chunks_exact(length).map(mean).collect();
    Some((mean(values), of_batches(&batches, confidence)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook section 1.3.5.2: mean and 95 % interval of n = 5 by t(0.975, 4) = 2.776.
    #[test]
    fn the_interval_is_student_s() {
        let interval = of_batches(&[1.0, 2.0, 3.0, 4.0, 5.0], 0.95);
        let half = 2.776_445 * (2.5_f64 / 5.0).sqrt();
        assert!((interval.low.unwrap() - (3.0 - half)).abs() < 1e-5 && (interval.high.unwrap() - (3.0 + half)).abs() < 1e-5);
        assert_eq!(of_batches(&[1.0, 2.0], 0.95).low, None);
        assert_eq!(of_series(&[], 0.95), None);
        assert_eq!(of_series(&[7.0], 0.95), Some((7.0, Interval { low: None, high: None, confidence: 0.95 })));
    }

    /// A queue's delay: each value is nine tenths of the one before plus noise. 95 % intervals must cover the mean in at least 1700 of 2000
    /// runs; plain intervals that take neighbours for independent cover it in less than half.
    #[test]
    fn dependence_widens_the_interval() {
        use rand::rngs::StdRng;
        use rand::{RngExt, SeedableRng};
        let mut rng = StdRng::seed_from_u64(7);
        let mut covered = 0;
        for _ in 0..2000 {
            let mut at = 0.0;
            let values: Vec<f64> = (0..1000)
                .map(|_| {
                    at = 0.9 * at + rng.random_range(-1.0..1.0);
                    at
                })
                .collect();
            let interval = of_series(&values, 0.95).unwrap().1;
            covered += u32::from(interval.low.unwrap() <= 0.0 && interval.high.unwrap() >= 0.0);
        }
        assert!(covered >= 1800, "{covered} of 2000");
    }
}
