//! The path to a destination, hop by hop, with one flow identity.
//!
//! It knows no socket: the driver sends what [`PathMachine::transmit`] returns with the hop limit that it names. Two hard
//! things. A router that spreads load over several links picks the link by a hash over the flow; so all probes of a kind
//! must look alike to it, and the probe's number must travel where no router hashes: in the sequence number of an echo
//! whose checksum is held constant by a compensating word, and for UDP in the length (which tells the hop) and checksum
//! and data (which tell the probe). And a router owes nobody an answer: it limits how many errors it sends (RFC 1812
//! section 4.3.2.8, RFC 4443 section 2.4 (f)), so probes are paced to what a usual limit lets through, and silence counts as
//! loss of the line only where everything behind is lossy too.

mod again;
mod change;
mod packets;
mod report;
mod rewrite;

use std::net::IpAddr;
use std::time::{Duration, Instant};

pub use self::change::Change;
pub use self::report::{HopAddress, HopReport, KindCount, PathEnd, PathReport};
use self::rewrite::Seen;
pub use self::rewrite::{CongestionMarks, Field, Place, Rewrite, Value};
use super::round_trip::{Flight, Moment, Settled};
use crate::unit::{Family, StampSource};
use crate::wire::icmp::extension::MplsEntry;
use crate::wire::icmp::{self, Meaning, Message};

/// How to probe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PathSettings {
    /// Our address: it is part of the UDP checksum by which probes are told apart.
    pub source: IpAddr,
    /// Where the path goes.
    pub destination: IpAddr,
    /// UDP source port, that of the socket that sends.
    pub source_port: u16,
    /// UDP destination port; one that nobody uses makes the destination answer with "port unreachable".
    pub destination_port: u16,
    /// Identifier of the echoes.
    pub identifier: u16,
    /// Hops at most, 1 to 64.
    pub max_hops: u8,
    /// Rounds; each sends one probe to every hop, ICMP and UDP by turns, ICMP first.
    pub rounds: u32,
    /// Rounds of UDP behind them that carry `marked_class`. Only what routers quote of them counts, neither their loss nor their
    /// round trips: a line may treat another class otherwise.
    pub marked_rounds: u32,
    /// Type of service or traffic class of the marked rounds, all eight bits; the others carry 0.
    pub marked_class: u8,
    /// From the start of one round to the next.
    pub round_interval: Duration,
    /// From one probe to the next within a round.
    pub gap: Duration,
    /// How long an answer is waited for.
    pub waiting_time: Duration,
    /// Tells our UDP data from others'.
    pub cookie: u64,
}

/// Which packets probe.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ProbeKind {
    /// Echo requests.
    Icmp,
    /// UDP datagrams to a port that nobody uses.
    Udp,
}

/// Both, in the order of the rounds.
pub const KINDS: [ProbeKind; 2] = [ProbeKind::Icmp, ProbeKind::Udp];

/// A probe to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PathProbe {
    /// Names it in later calls.
    pub id: usize,
    /// How to send it.
    pub kind: ProbeKind,
    /// Hop limit to send it with.
    pub hop_limit: u8,
    /// Type of service or traffic class to send it with.
    pub traffic_class: u8,
    /// The ICMP message, or the UDP data.
    pub bytes: Vec<u8>,
}

/// What an answer was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Answer {
    /// The hop limit ended there: a router on the way.
    HopLimitExceeded,
    /// Echo reply of the destination.
    EchoReply,
    /// The destination has no user for the port, or answered on it.
    Port,
    /// Somebody refuses to carry the packet on.
    Refused(Meaning),
}

impl Answer {
    /// True when the packet got no further.
    pub fn is_final(self) -> bool {
        self != Self::HopLimitExceeded
    }

    /// True when it comes from the destination.
    pub fn is_arrival(self) -> bool {
        matches!(self, Self::EchoReply | Self::Port)
    }
}

/// The machine.
#[derive(Debug)]
pub struct PathMachine {
    settings: PathSettings,
    start: Instant,
    probes: Vec<Probe>,
    round: u32,
    next_hop: u8,
    next_at: Instant,
    again: Option<again::Again>,
}

#[derive(Debug, Clone)]
struct Probe {
    hop: u8,
    kind: ProbeKind,
    /// `None` for the rounds that carry no mark.
    mark: Option<u8>,
    checksum: u16,
    state: State,
}

#[derive(Debug, Clone)]
enum State {
    /// Handed out by `transmit`.
    Leaving,
    NotSent,
    Open {
        flight: Flight,
        deadline: Instant,
    },
    /// Answered; the transmit stamp may still follow.
    Answered {
        flight: Flight,
        from: IpAddr,
        answer: Answer,
        extras: Extras,
    },
    Unanswered,
}

/// What an answer tells beside who sent it.
#[derive(Debug, Clone, Default)]
struct Extras {
    mpls: Vec<MplsEntry>,
    /// What its quote says of the packet as it arrived there.
    seen: Option<Seen>,
    /// TTL or hop limit that it came with.
    ttl: Option<u8>,
}

/// Hops probed behind the last one that answers, once each kind has had its round to the full depth.
const BEYOND_LAST: u8 = 3;

impl PathMachine {
    /// A machine that starts at `start`.
    pub fn new(settings: PathSettings, start: Instant) -> Self {
        Self { settings, start, probes: Vec::new(), round: 0, next_hop: 1, next_at: start, again: None }
    }

    /// The next probe that is due. The caller sends it and then calls [`Self::on_sent`] or [`Self::on_send_failed`].
    pub fn transmit(&mut self, now: Instant) -> Option<PathProbe> {
        loop {
            if self.round >= self.all_rounds() || now < self.next_at {
                return None;
            }
            let is_marked = self.round >= self.settings.rounds && self.again.is_none();
            let mark = is_marked.then_some(self.settings.marked_class);
            let kind = if mark.is_some() { ProbeKind::Udp } else { KINDS[self.round as usize % KINDS.len()] };
            if self.next_hop > self.horizon(kind) {
                self.round += 1;
                self.next_hop = 1;
                self.next_at = self.next_at.max(self.round_begins_at());
                continue;
            }
            if self.again.is_some() && !self.has_answered(kind, self.next_hop) {
                self.next_hop += 1;
                continue;
            }
            let hop_limit = self.next_hop;
            self.next_hop += 1;
            self.next_at = now + self.settings.gap;
            let id = self.probes.len();
            let (bytes, checksum) = match kind {
                ProbeKind::Icmp => (self.echo(id), 0),
                ProbeKind::Udp => self.datagram(id, hop_limit),
            };
            self.probes.push(Probe { hop: hop_limit, kind, mark, checksum, state: State::Leaving });
            return Some(PathProbe { id, kind, hop_limit, traffic_class: mark.unwrap_or(0), bytes });
        }
    }

    /// The probe was handed to the kernel; `submitted` is the moment before the call.
    pub fn on_sent(&mut self, id: usize, submitted: Moment) {
        let deadline = submitted.at + self.settings.waiting_time;
        if let Some(probe) = self.probes.get_mut(id) {
            probe.state = State::Open { flight: Flight::new(submitted), deadline };
        }
    }

    /// The probe could not be sent: the test set's own, not silence of a hop.
    pub fn on_send_failed(&mut self, id: usize) {
        if let Some(probe) = self.probes.get_mut(id) {
            probe.state = State::NotSent;
        }
    }

    /// The transmit stamp of a probe.
    pub fn on_departure(&mut self, id: usize, moment: Moment) {
        if let Some(Probe { state: State::Open { flight, .. } | State::Answered { flight, .. }, .. }) = self.probes.get_mut(id) {
            flight.on_departure(moment);
        }
    }

    /// An ICMP message, from its type octet on, and the TTL or hop limit that it came with.
    pub fn on_packet(&mut self, moment: Moment, from: IpAddr, ttl: Option<u8>, bytes: &[u8]) {
        let family = Family::of(self.settings.destination);
        if Family::of(from) != family {
            return;
        }
        let Ok(parsed) = icmp::parse(family, bytes, icmp::Reading::default()) else { return };
        // A raw socket sees a message before the kernel has checked it; RFC 1122 section 3.2.2 discards it.
        if parsed.flaws.contains(&icmp::Flaw::Checksum) {
            return;
        }
        match parsed.message {
            Message::EchoReply(echo) if from == self.settings.destination && echo.identifier == self.settings.identifier => {
                self.answer(
                    usize::from(echo.sequence),
                    ProbeKind::Icmp,
                    moment,
                    from,
                    Answer::EchoReply,
                    Extras { ttl, ..Extras::default() },
                );
            }
            Message::Error(error) => {
                let Some((id, kind)) = error.quote.as_ref().and_then(|quote| self.quoted(quote)) else { return };
                let answer = match error.meaning {
                    Meaning::HopLimitExceeded => Answer::HopLimitExceeded,
                    m if m.is_port_unreachable() && from == self.settings.destination && kind == ProbeKind::Udp => Answer::Port,
                    meaning => Answer::Refused(meaning),
                };
                let seen = error.quote.as_ref().map(Seen::of);
                let extras = Extras { mpls: error.extensions.mpls().collect(), seen, ttl };
                self.answer(id, kind, moment, from, answer, extras);
            }
            _ => {}
        }
    }

    /// A UDP datagram from the destination's probed port that returns our data.
    pub fn on_datagram(&mut self, moment: Moment, from: IpAddr, bytes: &[u8]) {
        if from != self.settings.destination {
            return;
        }
        if let Some(id) = self.number_in(bytes) {
            self.answer(id, ProbeKind::Udp, moment, from, Answer::Port, Extras::default());
        }
    }

    /// Lets waiting times end.
    pub fn on_wake(&mut self, now: Instant) {
        for probe in &mut self.probes {
            if matches!(&probe.state, State::Open { deadline, .. } if *deadline <= now) {
                probe.state = State::Unanswered;
            }
        }
    }

    /// When something is due next; `None` when all is done.
    pub fn next_wake(&self) -> Option<Instant> {
        let send = (self.round < self.all_rounds()).then_some(self.next_at);
        let deadline = self
            .probes
            .iter()
            .filter_map(|p| match &p.state {
                State::Open { deadline, .. } => Some(*deadline),
                // A transmit stamp that follows its answer does so at once; no use in waiting for it at the end.
                _ => None,
            })
            .min();
        [send, deadline].into_iter().flatten().min()
    }

    /// What was found; open probes count as unanswered.
    pub fn report(&self) -> PathReport {
        report::build(self)
    }

    fn all_rounds(&self) -> u32 {
        let again = self.again.map_or(0, |_| again::ROUNDS);
        self.settings.rounds.saturating_add(self.settings.marked_rounds).saturating_add(again)
    }

    /// The furthest hop that a round of this kind still has to reach.
    fn horizon(&self, kind: ProbeKind) -> u8 {
        let finals = |k| self.answers().filter(move |(p, a)| p.kind == k && a.is_final()).map(|(p, _)| p.hop).min();
        let arrival = self.answers().filter(|(_, a)| a.is_arrival()).map(|(p, _)| p.hop).min();
        if let Some(hop) = finals(kind).or(arrival) {
            return hop;
        }
        if (self.round as usize) < KINDS.len() {
            return self.settings.max_hops;
        }
        let last = self.answers().map(|(p, _)| p.hop).max().unwrap_or(0);
        last.saturating_add(BEYOND_LAST).min(self.settings.max_hops)
    }

    fn answers(&self) -> impl Iterator<Item = (&Probe, Answer)> {
        self.probes.iter().filter_map(|p| match &p.state {
            State::Answered { answer, .. } => Some((p, *answer)),
            _ => None,
        })
    }

    fn answer(&mut self, id: usize, kind: ProbeKind, moment: Moment, from: IpAddr, answer: Answer, extras: Extras) {
        let Some(probe) = self.probes.get_mut(id).filter(|p| p.kind == kind) else { return };
        let State::Open { mut flight, deadline } = probe.state else { return };
        if moment.at > deadline {
            return;
        }
        flight.on_arrival(moment);
        probe.state = State::Answered { flight, from, answer, extras };
    }
}

impl Probe {
    /// The round trip of an answered probe.
    fn round_trip(&self) -> Option<(Duration, StampSource)> {
        match &self.state {
            State::Answered { flight, .. } => match flight.settle(true) {
                Settled::RoundTrip(span, source) => Some((span, source)),
                Settled::NotYet | Settled::ClocksDisagree => None,
            },
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests;
