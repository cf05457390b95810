//! By how much more a check samples than its depth asks for: what a visit that goes on with an earlier one needs.
//!
//! Pure. The hard thing is to stay within what the far end allows: it closes a session that was idle too long.

use std::collections::BTreeMap;
use std::time::Duration;

/// How long one check may sample at most when it is enlarged: the far end closes a session after 15 minutes without a request, and a stream
/// makes none.
pub const LONGEST: Duration = Duration::from_secs(12 * 60);

/// Factors by check; 1 for those that are not named.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sizes(BTreeMap<String, f64>);

impl Sizes {
    /// Every check as its depth asks for.
    pub const NONE: Self = Self(BTreeMap::new());

    /// Asks a check for at least so many times its usual sample. Less than the usual one is never taken.
    pub fn enlarge(&mut self, check: &str, by: f64) {
        if by.is_finite() && by > self.of(check) {
            self.0.insert(check.to_owned(), by);
        }
    }

    /// The factor of a check, 1 or more.
    pub fn of(&self, check: &str) -> f64 {
        self.0.get(check).copied().unwrap_or(1.0)
    }

    /// A usual count, enlarged.
    pub fn count(&self, check: &str, usual: u64) -> u64 {
        // A factor that was made from a quotient of counts comes back a hair above or below it.
        (usual as f64 * self.of(check) - 1e-6).ceil() as u64
    }

    /// A usual length of time, enlarged.
    pub fn time(&self, check: &str, usual: Duration) -> Duration {
        usual.mul_f64(self.of(check))
    }
}

/// By how much a sample that takes this time usually may be enlarged at most.
pub fn most(usual: Duration) -> f64 {
    (LONGEST.as_secs_f64() / usual.as_secs_f64().max(0.001)).max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_check_is_asked_for_the_most_that_any_figure_needs_and_never_for_less_than_usual() {
        let mut sizes = Sizes::default();
        assert_eq!((sizes.count("twoway", 300), sizes.of("twoway")), (300, 1.0));
        sizes.enlarge("twoway", 3880.0 / 300.0);
        sizes.enlarge("twoway", 2.0);
        sizes.enlarge("echo", 0.1);
        sizes.enlarge("dns", f64::INFINITY);
        assert_eq!((sizes.count("twoway", 300), sizes.count("echo", 125), sizes.count("dns", 30)), (3880, 125, 30));
        assert_eq!(sizes.time("twoway", Duration::from_secs(3)), Duration::from_secs_f64(38.8));
    }

    #[test]
    fn every_quotient_of_counts_gives_its_count_back() {
        for usual in [30, 80, 125, 300, 500, 1000, 15_000] {
            for wanted in (usual..60 * usual).step_by(7) {
                let mut sizes = Sizes::default();
                sizes.enlarge("echo", wanted as f64 / usual as f64);
                assert_eq!(sizes.count("echo", usual), wanted, "{usual}");
            }
        }
    }

    #[test]
    fn a_sample_is_not_enlarged_beyond_what_a_session_lasts() {
        assert_eq!(most(Duration::from_secs(9)), 80.0);
        assert_eq!(most(Duration::from_secs(3600)), 1.0);
    }
}
