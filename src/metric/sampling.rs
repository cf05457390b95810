//! How the number of samples behind a figure came about, which decides what its interval has to hold through.
//!
//! Who fixed the number beforehand needs an interval that is right once; who looks on the way and stops when enough is seen needs one that is right at every
//! moment. Whoever turns samples into readings passes this on instead of a bare confidence. It must not know who looks, or for what.

use super::loss_interval;
use super::quantile::{self, RankInterval};
use super::sequential;
use crate::unit::{Interval, Stretch};

/// The confidence asked for, and how the number of samples was decided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampling {
    /// Confidence of the intervals.
    pub confidence: f64,
    /// Samples that were planned, where what they showed decided how many were taken; `None` where the number was fixed.
    pub planned: Option<u64>,
}

impl From<f64> for Sampling {
    /// A confidence alone means a number of samples that was fixed beforehand.
    fn from(confidence: f64) -> Self {
        Self { confidence, planned: None }
    }
}

/// Figures of two streams at most are asked about at each of their looks.
const MOMENTS: f64 = 2.0 * Stretch::LOOKS as f64;

impl Sampling {
    /// A number of samples that follows from what they show; so many were planned.
    pub fn sequential(confidence: f64, planned: u64) -> Self {
        Self { confidence, planned: Some(planned) }
    }

    /// The interval of a share, for hits that cluster by this design effect.
    pub fn share(self, hits: u64, of: u64, design_effect: f64) -> Interval {
        match self.planned {
            None => loss_interval::clustered(hits, of, design_effect, self.confidence),
            Some(planned) => sequential::share(hits, of, design_effect, planned, self.confidence),
        }
    }

    /// The ranks that bound a quantile of `n` samples, which count for so many less by the design effect.
    pub fn ranks(self, n: u64, design_effect: f64, q: f64) -> RankInterval {
        match self.planned {
            None => quantile::rank_interval_of_clustered(n, design_effect, q, self.confidence),
            Some(planned) => sequential::rank_interval(n, design_effect, q, planned, self.confidence),
        }
    }

    /// Whether so few hits, which cluster by this effect, refute that their share is `p`.
    pub(super) fn are_too_few(self, hits: u64, of: u64, design_effect: f64, p: f64) -> bool {
        match self.planned {
            None => quantile::are_too_few(hits, of, design_effect, p, self.confidence),
            Some(planned) => sequential::are_too_few(hits, of, design_effect, p, planned, self.confidence),
        }
    }

    /// The interval of a figure that no confidence sequence is at hand for. What is wrong at one of so many moments at most is made so seldom at each that it is
    /// not more often at any (C. E. Bonferroni).
    pub fn other<T>(self, interval: impl FnOnce(f64) -> Option<(T, Interval)>) -> Option<(T, Interval)> {
        let confidence = self.planned.map_or(self.confidence, |_| 1.0 - (1.0 - self.confidence) / MOMENTS);
        let (value, found) = interval(confidence)?;
        Some((value, Interval { confidence: self.confidence, ..found }))
    }
}
