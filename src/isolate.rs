//! Isolation: which segment a fault lies in, from readings, verdicts and flaws alone. It sees no packet.
//!
//! [`observe`] turns outcomes into symptoms that were seen, found absent, or not looked at; [`catalogue`] says which
//! faults bring which symptoms, and how surely; [`rank`] weighs no fault, every single fault and every pair of faults
//! against each other; [`explain`] says the result in words with the figures. The room must not know checks, records or
//! reports. The hard thing: a router that doesn't answer echoes, or answers only some, has not lost anything. Loss and
//! silence count at a point only when they are seen behind it as well.

pub mod catalogue;
pub mod explain;
pub mod model;
pub mod observe;
pub mod rank;

pub use explain::isolate;
pub use model::{Alternative, Isolation, Setting, Tier};

#[cfg(test)]
mod tests;
