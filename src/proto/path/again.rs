//! A second look by the same flows, long after the first: whether the path is still the same.

use std::time::{Duration, Instant};

use super::{Change, PathMachine, ProbeKind, State, change};

/// Rounds of a second look. A single hop that changed is told by both kinds of probes then, chance excluded (see `change`), and no hop is asked more
/// often than a usual limit lets through at once.
pub(super) const ROUNDS: u32 = 6;
/// From one of its rounds to the next.
const INTERVAL: Duration = Duration::from_millis(100);
/// How long its answers are waited for.
const WAITING_TIME: Duration = Duration::from_millis(800);

/// The second look: when it began, and which round was its first.
#[derive(Debug, Clone, Copy)]
pub(super) struct Again {
    began_at: Instant,
    first_round: u32,
}

impl PathMachine {
    /// Looks a second time, once the first look is over: at the hops that answered, with the same flows. Drive it like the first.
    pub fn look_again(&mut self, now: Instant) {
        if self.again.is_none() {
            self.settings.waiting_time = WAITING_TIME;
            (self.round, self.next_hop, self.next_at) = (self.all_rounds(), 1, now);
            self.again = Some(Again { began_at: now, first_round: self.round });
        }
    }

    /// Whether the path changed between the first probe and the last, of both looks.
    pub fn change(&self) -> Option<Change> {
        change::change(self)
    }

    /// Answers of the second look.
    pub fn answers_again(&self) -> usize {
        let Some(again) = self.again else { return 0 };
        let began = |probe: &&super::Probe| match &probe.state {
            State::Answered { flight, .. } => flight.began().at >= again.began_at,
            _ => false,
        };
        self.probes.iter().filter(began).count()
    }

    pub(super) fn round_begins_at(&self) -> Instant {
        match self.again {
            Some(again) => again.began_at + INTERVAL * (self.round - again.first_round),
            None => self.start + self.settings.round_interval * self.round,
        }
    }

    /// Whether a hop has answered this kind of probe.
    pub(super) fn has_answered(&self, kind: ProbeKind, hop: u8) -> bool {
        self.answers().any(|(probe, _)| probe.kind == kind && probe.hop == hop)
    }
}
