//! What the one driver loop needs to know of a machine that speaks in frames.
//!
//! The loop asks when to wake, waits for a frame, that time or the end, feeds the machine, and sends what it wants sent.
//! It must not know what the frames mean. The hard thing: a send may fail, and its true time comes later or never; so
//! each frame has a ticket, under which the loop tells what became of it.

use std::time::Instant;

pub use super::round_trip::Moment;
use crate::wire::ethernet::Tag;

/// A state machine without I/O that speaks in Ethernet frames.
pub trait Machine {
    /// What it tells its owner.
    type Event;

    /// A frame came in.
    fn on_frame(&mut self, arrival: &Arrival, frame: &[u8]);

    /// The frame with this ticket was handed to the system; `submitted` is the moment before the call.
    fn on_sent(&mut self, ticket: u64, submitted: Moment);

    /// The frame with this ticket could not be sent: the test set's own failure, not the line's.
    fn on_send_failed(&mut self, ticket: u64);

    /// The frame with this ticket left the system (transmit stamp). May never come.
    fn on_departure(&mut self, ticket: u64, moment: Moment);

    /// The time that [`Machine::next_wake`] named has come; calling it earlier or later is harmless.
    fn on_wake(&mut self, now: Instant);

    /// The next frame to send now. Called until it returns `None`.
    fn transmit(&mut self, now: Instant) -> Option<Outgoing>;

    /// When [`Machine::on_wake`] wants to be called; `None` when only a frame can change anything.
    fn next_wake(&self) -> Option<Instant>;

    /// The next event. Called until it returns `None`.
    fn poll_event(&mut self) -> Option<Self::Event>;
}

/// A frame to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outgoing {
    /// Names it in later calls.
    pub ticket: u64,
    /// From the destination address on.
    pub bytes: Vec<u8>,
}

/// How a frame came in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arrival {
    /// When.
    pub moment: Moment,
    /// The outer tag, which the kernel took out of the frame.
    pub tag: Option<Tag>,
    /// False when the transport checksum was left to an adapter that isn't there: then it says nothing.
    pub has_checksum: bool,
}
