//! STAMP (RFC 8762) without I/O: a session sender, a session reflector, and the account of what each direction did.
//!
//! Neither reads a clock: the time comes in as `Instant` for pacing and as [`Stamp`](crate::unit::Stamp) for measuring.
//! [`account`] turns what the sender noted into loss, order, duplication and delay per direction.

pub mod account;
pub mod counted;
pub mod reflector;
pub mod schedule;
pub mod sender;
#[cfg(test)]
pub(crate) mod sim;
