//! What is counted of a transport stream: continuity, synchronisation, repetition, clock references, delivery second by second.
//!
//! Limits are those of ETSI TR 101 290 (priority 1 and 2), as RFC 6990 section 3 restates them where it does; the others are from memory and
//! say so. It must not know packets: numbers and times come in. Every state is bounded, whatever comes and for however long.

pub mod continuity;
pub mod delivery;
pub mod line;
pub mod reference;
pub mod repetition;
pub mod sync;

/// Longest time between two sections of the association table, and of a program's map (TR 101 290 1.3 and 1.5, from memory).
pub const TABLE_EVERY_NS: i64 = 500_000_000;
/// Longest time between two presentation stamps of a stream (TR 101 290 2.5, RFC 6990 section 3).
pub const PTS_EVERY_NS: i64 = 700_000_000;
/// A stream that its program names and that stays away for so long is missing (TR 101 290 1.6 leaves the time to the user; *ours*).
pub const PID_EVERY_NS: i64 = 5_000_000_000;
