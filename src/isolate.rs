//! Isolation: which segment a fault lies in, from readings, verdicts and flaws alone.
//!
//! It sees no packet and must not know checks, records or reports.

pub mod model;

pub use model::{Alternative, Isolation, isolate};
