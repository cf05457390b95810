//! The record of one visit: the only thing on disk; any saved record can be judged and rendered again.
//!
//! [`schema`] holds the versioned types, [`parts`] those of a visit that goes on with an earlier one, [`store`] the atomic file, [`canonical`] the one form that [`sign`] signs, [`redact`] the
//! copy for outside the company. This room must not know sockets, checks or the plan: a
//! visit fills a [`Record`] in and closes it. The hard thing is age: a record is read years later by other versions, so
//! fields are only ever added, and a document of a newer major version is refused instead of losing what it says.

pub mod canonical;
pub mod parts;
pub mod redact;
pub mod schema;
pub mod sign;
pub mod store;

pub use crate::isolate::{Alternative, Isolation};
pub use crate::judge::{Judgement, RateBudget, Severity, SoldRate, Verdict};
pub use parts::{MergeNote, Merging, Part, SetAside};
pub use schema::{Agent, CaptureNote, CheckRecord, Consent, LineNote, Place, PlanNote, ProfileCopy, Record};
