//! Service tiers in TOML: what was sold, the limits, how hard to test.
//!
//! [`parse`] turns text into a [`Profile`] that cannot be wrong, once, at the edge; everything that is wrong with the text
//! is told at once, with the place. The room knows reading names, so that a criterion on a figure that does not exist is
//! refused, but no check, judge or socket. The hard thing is the error text: the engineer who writes a tier has no debugger.

pub mod builtin;
pub mod checked;
mod criterion;
mod extends;
pub mod problem;
pub mod schema;
pub mod statement;

pub use builtin::{Listed, list, load};
pub use checked::{Profile, Sold, TestEffort, parse};
pub use criterion::{Bound, Criterion, Setting, Severity, TargetChoice};
pub use problem::ProfileError;
