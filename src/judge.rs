//! The judge: readings and criteria in, verdicts on intervals out. Sees no packets and no clock.
//!
//! [`sold`] and [`budget`] say what rates sold or typed in can give as TCP payload. [`criterion`] holds one limit against the readings that it selects, [`remedy`] says what would prove it, [`provable`] what a depth can prove before anything is sent, [`mod@settling`] whether a check that runs has shown enough, [`statement`] what many visits say of the speeds that a contract states, and [`verdict`]
//! has the words and the rule for the whole visit. The judge must not know checks, records or reports. The hard thing is
//! to say 'not proven' whenever the evidence can't carry more: on an interval across the limit, and on a figure that the
//! test set, the far end or other traffic bounded.

pub mod budget;
pub mod criterion;
mod limit;
pub mod provable;
mod remedy;
pub mod settling;
pub mod sold;
pub mod statement;
pub mod verdict;

pub use crate::profile::{Setting, Severity};
pub use budget::{BoundBy, RateBudget, budgets, share_of_sold};
pub use criterion::{Excuse, excuse, judge, on_interval};
pub use provable::{Needs, Proof, proofs};
pub use remedy::samples_needed;
pub use settling::{Settling, settling};
pub use sold::{SoldRate, sold_rates};
pub use verdict::{Judgement, Limits, ToProve, Verdict, overall};

#[cfg(test)]
mod tests;
