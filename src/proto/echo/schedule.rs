//! When probes are due: periodic with a random start (RFC 3432 section 3) or Poisson (RFC 2330 section 11.1.1).
//!
//! All randomness follows from the seed that is given, so that a schedule can be repeated in a test.

use std::time::{Duration, Instant};

/// How the gaps between probes are drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Pattern {
    /// Equal gaps; the start is drawn uniformly from the first gap, so that the stream keeps no fixed phase to anything
    /// on the path that is itself periodic.
    #[default]
    Periodic,
    /// Exponential gaps with the same mean, cut at five times it (RFC 7312 section 4.6: a long idle gap would change the
    /// state of what is measured).
    Poisson,
}

/// The due times of one stream.
#[derive(Debug, Clone)]
pub struct Schedule {
    pattern: Pattern,
    interval: Duration,
    seed: Seed,
    next_at: Instant,
    left: u64,
}

/// Gaps longer than this many times the mean are cut.
const LONGEST_GAP: f64 = 5.0;

impl Schedule {
    /// A schedule of `count` probes from `start` on. A zero `interval` is taken as 1 ns.
    pub fn new(pattern: Pattern, interval: Duration, count: u64, seed: u64, start: Instant) -> Self {
        let interval = interval.max(Duration::from_nanos(1));
        let mut seed = Seed(seed);
        let next_at = start + interval.mul_f64(seed.uniform());
        Self { pattern, interval, seed, next_at, left: count }
    }

    /// When the next probe is due; `None` after the last.
    pub fn next_at(&self) -> Option<Instant> {
        (self.left > 0).then_some(self.next_at)
    }

    /// Takes one probe if it is due, and says how many due times before it were missed by a whole gap or more: a caller
    /// that was held up doesn't send them in a burst, which would be another stream than the one asked for.
    pub fn take(&mut self, now: Instant) -> Option<Due> {
        self.next_at().filter(|at| *at <= now)?;
        let mut missed = 0;
        self.advance();
        while let Some(at) = self.next_at().filter(|at| *at <= now) {
            debug_assert!(at <= now);
            missed += 1;
            self.advance();
        }
        Some(Due { missed })
    }

    /// No probe is due any more.
    pub fn stop(&mut self) {
        self.left = 0;
    }

    fn advance(&mut self) {
        self.left -= 1;
        self.next_at += match self.pattern {
            Pattern::Periodic => self.interval,
            Pattern::Poisson => {
                // Inverse of G(t) = 1 - exp(-t / mean).
                let gap = -(1.0 - self.seed.uniform()).ln();
                self.interval.mul_f64(gap.min(LONGEST_GAP))
            }
        };
    }
}

/// One probe that is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Due {
    /// Due times that were missed.
    pub missed: u64,
}

/// Numbers that follow from a seed (the splitmix64 sequence: Steele, Lea, Flood, "Fast splittable pseudorandom number
/// generators", 2014). Good enough to spread probes; not for secrets.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Seed(pub(crate) u64);

impl Seed {
    /// The next 64 bits.
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform in 0..1.
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GAP: Duration = Duration::from_millis(20);

    fn due_times(pattern: Pattern, count: u64, seed: u64, start: Instant) -> Vec<Duration> {
        let mut schedule = Schedule::new(pattern, GAP, count, seed, start);
        let mut times = Vec::new();
        while let Some(at) = schedule.next_at() {
            times.push(at - start);
            assert_eq!(schedule.take(at), Some(Due { missed: 0 }));
        }
        times
    }

    #[test]
    fn periodic_gaps_are_equal_and_the_start_is_anywhere_in_the_first() {
        let start = Instant::now();
        let mut starts = Vec::new();
        for seed in 0..200 {
            let times = due_times(Pattern::Periodic, 10, seed, start);
            assert!(times.windows(2).all(|w| w[1] - w[0] == GAP));
            starts.push(times[0].as_secs_f64() / GAP.as_secs_f64());
        }
        // 200 uniform draws: each quarter holds 50 +- 6.1 (binomial); five standard deviations.
        for quarter in 0..4 {
            let inside = starts.iter().filter(|s| (**s * 4.0) as usize == quarter).count();
            assert!((20..=80).contains(&inside), "quarter {quarter}: {inside}");
        }
    }

    #[test]
    fn poisson_gaps_have_the_mean_and_the_spread_of_the_exponential() {
        let times = due_times(Pattern::Poisson, 10_000, 7, Instant::now());
        let gaps: Vec<f64> = times.windows(2).map(|w| (w[1] - w[0]).as_secs_f64() / GAP.as_secs_f64()).collect();
        let mean = gaps.iter().sum::<f64>() / gaps.len() as f64;
        // Mean of the exponential cut at 5 is 1 - exp(-5) = 0.9933; its standard error over 10,000 gaps is below 0.01.
        assert!((mean - 0.9933).abs() < 0.05, "{mean}");
        // P(gap > mean) = exp(-1) = 0.3679; standard error 0.0048.
        let above = gaps.iter().filter(|g| **g > 1.0).count() as f64 / gaps.len() as f64;
        assert!((above - 0.3679).abs() < 0.025, "{above}");
        assert!(gaps.iter().all(|g| *g <= LONGEST_GAP + 1e-6));
    }

    #[test]
    fn a_caller_that_was_held_up_skips_what_it_missed() {
        let start = Instant::now();
        let mut schedule = Schedule::new(Pattern::Periodic, GAP, 10, 1, start);
        let first = schedule.next_at().unwrap();
        assert_eq!(schedule.take(first - Duration::from_nanos(1)), None);
        assert_eq!(schedule.take(first + GAP * 3), Some(Due { missed: 3 }));
        assert_eq!(schedule.next_at(), Some(first + GAP * 4));
        assert_eq!(schedule.take(first + GAP * 100), Some(Due { missed: 5 }));
        assert_eq!(schedule.next_at(), None);
        assert_eq!(schedule.take(first + GAP * 200), None);
    }
}
