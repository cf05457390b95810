//! One target of an echo machine: its probes by number, and how far their fates are known.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use super::schedule::Schedule;
use super::{Fate, TargetReport};
use crate::proto::round_trip::Flight;

#[derive(Debug)]
pub(super) struct Target {
    pub(super) address: IpAddr,
    pub(super) identifier: u16,
    pub(super) cookie: u64,
    pub(super) schedule: Schedule,
    /// By number; `None` for probes that could not be sent.
    pub(super) probes: Vec<Option<Probe>>,
    /// All probes before this one are settled.
    pub(super) first_open: usize,
    /// All before this one are answered, or were overtaken by a reply.
    pub(super) decided: usize,
    pub(super) report: TargetReport,
}

#[derive(Debug, Clone, Copy)]
pub(super) struct Probe {
    pub(super) flight: Flight,
    pub(super) fate: Fate,
    /// The send is confirmed; before that its waiting time counts from the hand-over.
    pub(super) deadline: Instant,
}

impl Probe {
    pub(super) fn sent_after(&self, start: Instant) -> Duration {
        self.flight.began().at.saturating_duration_since(start)
    }
}

/// Octets of data that the cookie and the number take.
pub(super) const PAYLOAD_HEAD: usize = 16;

impl Target {
    /// Cookie, number, and a pattern that shows a cut or a change.
    pub(super) fn payload(&self, number: u64, len: usize) -> Vec<u8> {
        let mut payload = Vec::with_capacity(len.max(PAYLOAD_HEAD));
        payload.extend(self.cookie.to_be_bytes());
        payload.extend(number.to_be_bytes());
        payload.extend((PAYLOAD_HEAD..len).map(|at| at as u8));
        payload
    }

    /// The latest probe with this sequence number: the number's lower 16 bits.
    pub(super) fn number_of(&self, sequence: u16) -> Option<u64> {
        let last = (self.probes.len() as u64).checked_sub(1)?;
        let back = u64::from((last as u16).wrapping_sub(sequence));
        last.checked_sub(back)
    }

    pub(super) fn next_deadline(&self) -> Option<Instant> {
        // Deadlines rise with the number but for the difference of transmit stamps, so the first open one is near
        // enough to the earliest; a wake that comes a little late changes no fate.
        self.probes.get(self.first_open..)?.iter().flatten().find(|p| p.fate == Fate::Open).map(|p| p.deadline)
    }

    pub(super) fn advance_first_open(&mut self) {
        while let Some(slot) = self.probes.get(self.first_open) {
            if slot.is_some_and(|probe| probe.fate == Fate::Open) {
                break;
            }
            // The newest slot is empty until its send is confirmed.
            if slot.is_none() && self.first_open + 1 == self.probes.len() {
                break;
            }
            self.first_open += 1;
        }
    }
}
