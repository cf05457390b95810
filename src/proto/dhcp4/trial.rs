//! A renewal that is tried long before its time, to see whether the server answers (RFC 2131 section 4.4.5).

use std::time::{Duration, Instant};

use super::lease::Lease;
use super::state::State;
use super::{Client, Event, message};
use crate::wire::dhcp4::MessageType;

impl Client {
    /// Asks the server for more time right away, as a client does at T1 (RFC 2131 section 4.4.5): straight to the server, and
    /// once more after half of `patience`, sooner than the minute that the section has between two. Ends in
    /// [`Event::Renewed`], [`Event::RenewalUnanswered`] or, refused, in [`super::Ending::Withdrawn`]. Does nothing without a lease.
    pub fn try_renewal(&mut self, now: Instant, patience: Duration) {
        match std::mem::replace(&mut self.state, State::Over) {
            State::Bound { lease } => {
                let from = self.sent.len();
                self.ask_for_more(&lease);
                self.state = State::Trying { lease, from, again_at: Some(now + patience / 2), ends_at: now + patience };
            }
            other => self.state = other,
        }
    }

    /// A renewal's REQUEST has a transaction of its own, so that an answer tells which one it answers.
    fn ask_for_more(&mut self, lease: &Lease) {
        let transaction = self.draw_transaction();
        self.post(Some(MessageType::Request), transaction, 0, |s| message::renew(s, lease, transaction, false));
    }

    pub(super) fn try_on(&mut self, now: Instant, lease: Box<Lease>, from: usize, again_at: Option<Instant>, ends_at: Instant) {
        if now >= ends_at || lease.times.is_some_and(|times| now >= times.expires_at) {
            self.state = State::Bound { lease };
            return self.events.push_back(Event::RenewalUnanswered);
        }
        let is_due = again_at.is_some_and(|at| now >= at);
        if is_due {
            self.ask_for_more(&lease);
        }
        self.state = State::Trying { lease, from, again_at: again_at.filter(|_| !is_due), ends_at };
    }
}
