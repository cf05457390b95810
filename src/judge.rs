//! The judge: readings and criteria in, verdicts on intervals out. Sees no packets and no clock.
//!
//! [`verdict`] holds the words and the rule for the whole visit. It must not know checks, records or reports.

pub mod verdict;

pub use verdict::{Judgement, Limits, Verdict, judge, overall};
