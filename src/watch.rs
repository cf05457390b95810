//! Watching a circuit whose trouble comes and goes: when the next visit is due, how thorough it is to be, and what is remembered between
//! visits.
//!
//! Pure: given the time, and a seed for what is to vary. It must not know how a visit is made nor where its memory lies on disk; the
//! command line makes the visits and tells how they ended. The hard thing is that nothing can be relied on: the machine sleeps, its clock
//! is set, its power goes, and the watch goes on from what it remembers, without a burst of visits to catch up.

pub mod memory;
pub mod policy;
pub mod schedule;

pub use memory::Memory;
pub use policy::{Kind, Policy, Watch};
pub use schedule::{Quiet, Rhythm, Schedule};
