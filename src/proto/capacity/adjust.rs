//! Load-rate adjustment, algorithm B (RFC 9097 section 8.1 and appendix A).

use super::Terms;
use super::table::GIGABIT;

/// Moves along the rate table as reports come in.
#[derive(Debug, Clone)]
pub struct Adjuster {
    row: usize,
    last_row: usize,
    is_fixed: bool,
    low_ms: f64,
    high_ms: f64,
    sequence_errors: u64,
    bad_reports: u32,
    fast_rows: usize,
    slow: u32,
}

/// What a report said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// Nothing stands in the way.
    Good,
    /// Delay between the thresholds.
    Neither,
    /// Loss, or delay above the upper threshold.
    Bad,
}

impl Adjuster {
    /// Begins at a row; the table is used up to `last_row`.
    pub fn new(terms: &Terms, row: usize, last_row: usize, is_fixed: bool) -> Self {
        Self {
            row: row.min(last_row),
            last_row,
            is_fixed,
            low_ms: terms.low.as_secs_f64() * 1e3,
            high_ms: terms.high.as_secs_f64() * 1e3,
            sequence_errors: terms.sequence_errors.into(),
            bad_reports: terms.bad_reports.into(),
            fast_rows: terms.fast_rows.into(),
            slow: 0,
        }
    }

    /// The row now.
    pub fn row(&self) -> usize {
        self.row
    }

    /// Takes a report in: sequence errors, and the delay above its least in milliseconds, where any was seen.
    pub fn on_report(&mut self, sequence_errors: u64, delay_ms: Option<f64>) -> Sign {
        let delay = delay_ms.unwrap_or(0.0);
        let sign = if sequence_errors <= self.sequence_errors && delay < self.low_ms {
            Sign::Good
        } else if sequence_errors > self.sequence_errors || delay > self.high_ms {
            Sign::Bad
        } else {
            Sign::Neither
        };
        if self.is_fixed {
            return sign;
        }
        match sign {
            Sign::Good if self.row < GIGABIT && self.slow < self.bad_reports => {
                self.row = (self.row + self.fast_rows).min(self.last_row);
                self.slow = 0;
            }
            Sign::Good => self.row = (self.row + 1).min(self.last_row),
            Sign::Neither => {}
            Sign::Bad => {
                self.slow = self.slow.saturating_add(1);
                let fall = if self.row < GIGABIT && self.slow == self.bad_reports { 3 * self.fast_rows } else { 1 };
                self.row = self.row.saturating_sub(fall);
            }
        }
        sign
    }
}
