//! Echo requests to several targets side by side: paces them, matches the replies, tells loss from everything else.
//!
//! It knows no socket: the driver sends what [`EchoMachine::transmit`] returns, says how the send went, and hands in
//! transmit stamps and ICMP messages. The hard thing is to count nothing as loss of the line that isn't: failed sends,
//! missed due times and clock steps are the test set's own; a late reply is loss by the stated waiting time (RFC 2681
//! section 2.4, RFC 7680 section 2.4) but is told; an ICMP error is loss with a witness.
//!
//! ```text
//!  due ──send──▶ open ──reply and transmit stamp──▶ answered (or discarded: clocks disagree)
//!                 │ ├──ICMP error──▶ refused ─┐
//!                 │ └──waiting time──▶ lost ──┴─ reply ──▶ counted as late
//!                 └──send failed──▶ not sent
//! ```

pub mod schedule;
mod target;

use std::collections::VecDeque;
use std::net::IpAddr;
use std::time::{Duration, Instant};

use self::schedule::{Pattern, Schedule, Seed};
use self::target::{PAYLOAD_HEAD, Probe, Target};
use super::round_trip::{Flight, Moment, Settled};
use crate::unit::{Family, StampSource};
use crate::wire::icmp::quote::Transport;
use crate::wire::icmp::{self, Echo, Message};

/// How to probe; the same for all targets.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EchoSettings {
    /// Probes to each target.
    pub count: u64,
    /// Gap, or for Poisson the mean gap, between the probes to one target.
    pub interval: Duration,
    /// How gaps are drawn.
    pub pattern: Pattern,
    /// How long a reply is waited for; a reply that takes longer counts as lost (RFC 2681 section 2.4, "Tmax").
    pub waiting_time: Duration,
    /// Octets of data behind the ICMP header, at least 16 for the cookie and the number. Shorter is taken as 16.
    pub payload_len: usize,
    /// Identifier of the first target; the others follow.
    pub identifier: u16,
    /// Seed of schedules and cookies.
    pub seed: u64,
}

/// A probe to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EchoProbe {
    /// Names it in later calls.
    pub id: ProbeId,
    /// Where it goes.
    pub to: IpAddr,
    /// The ICMP message.
    pub bytes: Vec<u8>,
}

/// Names one probe.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ProbeId {
    target: usize,
    number: u64,
}

/// Something that happened to a probe, for whoever watches.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// A reply came in time.
    Answered {
        /// Index of the target.
        target: usize,
        /// Its round trip.
        round_trip: Duration,
    },
    /// No reply within the waiting time.
    Lost {
        /// Index of the target.
        target: usize,
    },
    /// An ICMP error came instead.
    Refused {
        /// Index of the target.
        target: usize,
    },
}

/// What became of a probe.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// Still waiting.
    Open,
    /// Answered in time.
    Answered(Duration),
    /// Answered in time, but the clocks disagree about how long it took.
    Discarded,
    /// No reply in time.
    Lost,
    /// An ICMP error came instead of a reply.
    Refused,
}

/// An ICMP error that came for probes to a target.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// Who sent it.
    pub offender: IpAddr,
    /// What it says.
    pub meaning: icmp::Meaning,
    /// How often.
    pub count: u64,
}

/// All that is known about one target.
#[derive(Debug, Clone, Default)]
pub struct TargetReport {
    /// Per probe that was sent: when (after the start of the machine), and what became of it.
    pub probes: Vec<(Duration, Fate)>,
    /// Replies after the waiting time; their probes are among the lost.
    pub late: u64,
    /// Replies to probes that had been answered before.
    pub duplicates: u64,
    /// Replies whose data was not what was sent; they count as answers.
    pub altered: u64,
    /// Replies for this target's identifier and cookie from another address; they count for nothing.
    pub misaddressed: u64,
    /// Sends that failed: the test set's own, not loss.
    pub not_sent: u64,
    /// Due times that the test set missed because it was held up.
    pub missed: u64,
    /// How long after its due time each probe was handed out: the test set's own, and no part of any round trip.
    pub behind_schedule: Vec<Duration>,
    /// ICMP errors by offender and meaning.
    pub refusals: Vec<Refusal>,
    /// The weakest stamp behind any round trip; `None` without one.
    pub stamped_by: Option<StampSource>,
    /// Smallest and largest TTL or hop limit of the replies.
    pub hop_limit: Option<(u8, u8)>,
}

impl TargetReport {
    /// Probes that went out.
    pub fn sent(&self) -> u64 {
        self.probes.len() as u64
    }

    /// Probes that were answered in time, with or without a usable round trip.
    pub fn answered(&self) -> u64 {
        self.count(|f| matches!(f, Fate::Answered(_) | Fate::Discarded))
    }

    /// Probes without a reply in time, errors included; those that are still open are not counted.
    pub fn lost(&self) -> u64 {
        self.count(|f| matches!(f, Fate::Lost | Fate::Refused))
    }

    /// Answers whose round trip can't be used.
    pub fn discarded(&self) -> u64 {
        self.count(|f| f == Fate::Discarded)
    }

    fn count(&self, is_counted: impl Fn(Fate) -> bool) -> u64 {
        self.probes.iter().filter(|(_, fate)| is_counted(*fate)).count() as u64
    }
}

/// The machine.
#[derive(Debug)]
pub struct EchoMachine {
    settings: EchoSettings,
    start: Instant,
    targets: Vec<Target>,
    events: VecDeque<Event>,
}

impl EchoMachine {
    /// A machine for these targets, in this order.
    pub fn new(settings: EchoSettings, targets: &[IpAddr], start: Instant) -> Self {
        let mut seed = Seed(settings.seed);
        let targets = (0_u16..)
            .zip(targets)
            .map(|(index, address)| Target {
                address: *address,
                identifier: settings.identifier.wrapping_add(index),
                cookie: seed.next(),
                schedule: Schedule::new(settings.pattern, settings.interval, settings.count, seed.next(), start),
                probes: Vec::new(),
                first_open: 0,
                decided: 0,
                report: TargetReport::default(),
            })
            .collect();
        Self { settings, start, targets, events: VecDeque::new() }
    }

    /// The next probe that is due. The caller sends it and then calls [`Self::on_sent`] or [`Self::on_send_failed`].
    pub fn transmit(&mut self, now: Instant) -> Option<EchoProbe> {
        let payload_len = self.settings.payload_len;
        self.targets.iter_mut().enumerate().find_map(|(index, target)| {
            let due_at = target.schedule.next_at();
            let due = target.schedule.take(now)?;
            target.report.behind_schedule.extend(due_at.map(|at| now.saturating_duration_since(at)));
            target.report.missed += due.missed;
            let number = target.probes.len() as u64;
            target.probes.push(None);
            let payload = target.payload(number, payload_len);
            let echo = Echo { identifier: target.identifier, sequence: number as u16, payload: &payload };
            let bytes = icmp::emit_request(Family::of(target.address), echo);
            Some(EchoProbe { id: ProbeId { target: index, number }, to: target.address, bytes })
        })
    }

    /// The probe was handed to the kernel; `submitted` is the moment before the call.
    pub fn on_sent(&mut self, id: ProbeId, submitted: Moment) {
        let deadline = submitted.at + self.settings.waiting_time;
        if let Some(slot) = self.slot(id) {
            *slot = Some(Probe { flight: Flight::new(submitted), fate: Fate::Open, deadline });
        }
    }

    /// The probe could not be sent.
    pub fn on_send_failed(&mut self, id: ProbeId) {
        if let Some(target) = self.targets.get_mut(id.target) {
            target.report.not_sent += 1;
        }
    }

    /// The transmit stamp of a probe.
    pub fn on_departure(&mut self, id: ProbeId, moment: Moment) {
        let waiting_time = self.settings.waiting_time;
        if let Some(Some(probe)) = self.slot(id) {
            probe.flight.on_departure(moment);
            // The waiting time counts from wire time (RFC 2681 section 2.6).
            probe.deadline = moment.at + waiting_time;
            self.settle(id, false);
        }
    }

    /// An ICMP message, from its type octet on; `hop_limit` is its TTL on arrival.
    pub fn on_packet(&mut self, moment: Moment, from: IpAddr, hop_limit: Option<u8>, bytes: &[u8]) {
        let Ok(parsed) = icmp::parse(Family::of(from), bytes, icmp::Reading::default()) else { return };
        // A raw socket sees a message before the kernel has checked it; RFC 1122 section 3.2.2 discards it.
        if parsed.flaws.contains(&icmp::Flaw::Checksum) {
            return;
        }
        match parsed.message {
            Message::EchoReply(echo) => self.on_reply(moment, from, hop_limit, echo),
            Message::Error(error) => self.on_error(moment.at, from, &error),
            Message::EchoRequest(_) | Message::Other { .. } => {}
        }
    }

    /// Lets waiting times end.
    pub fn on_wake(&mut self, now: Instant) {
        for index in 0..self.targets.len() {
            let target = &self.targets[index];
            let numbers = target.first_open..target.probes.len();
            for number in numbers {
                let due = match &self.targets[index].probes[number] {
                    Some(probe) if probe.fate == Fate::Open => probe.deadline <= now,
                    _ => false,
                };
                if due {
                    self.settle(ProbeId { target: index, number: number as u64 }, true);
                }
            }
            self.targets[index].advance_first_open();
        }
    }

    /// When something is due next; `None` when all is done.
    pub fn next_wake(&self) -> Option<Instant> {
        self.targets.iter().filter_map(|t| [t.schedule.next_at(), t.next_deadline()].into_iter().flatten().min()).min()
    }

    /// What happened since the last call.
    pub fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// Sends no more probes; what is out is still awaited.
    pub fn stop(&mut self) {
        self.targets.iter_mut().for_each(|target| target.schedule.stop());
    }

    /// Probes to the target that is farthest on whose fate shows already: each that is answered, and all before it.
    pub fn decided(&self) -> u64 {
        self.targets.iter().map(|target| target.decided as u64).max().unwrap_or(0)
    }

    /// The reports on those of each target, while it goes on. What a reply has overtaken counts as lost here; the reports at the end wait for it.
    pub fn reports_so_far(&self) -> Vec<TargetReport> {
        let report = |target: &Target| {
            let decided = target.probes[..target.decided].iter().flatten();
            let fate = |fate| if fate == Fate::Open { Fate::Lost } else { fate };
            let probes = decided.map(|probe| (probe.sent_after(self.start), fate(probe.fate))).collect();
            TargetReport { probes, ..target.report.clone() }
        };
        self.targets.iter().map(report).collect()
    }

    /// The reports, in the order of the targets. Probes that are still open (the run was cut short) are left out.
    pub fn into_reports(self) -> Vec<TargetReport> {
        let start = self.start;
        self.targets
            .into_iter()
            .map(|target| {
                let mut report = target.report;
                report.probes = target
                    .probes
                    .into_iter()
                    .flatten()
                    .filter(|probe| probe.fate != Fate::Open)
                    .map(|probe| (probe.sent_after(start), probe.fate))
                    .collect();
                report
            })
            .collect()
    }

    fn slot(&mut self, id: ProbeId) -> Option<&mut Option<Probe>> {
        self.targets.get_mut(id.target)?.probes.get_mut(usize::try_from(id.number).ok()?)
    }

    fn on_reply(&mut self, moment: Moment, from: IpAddr, hop_limit: Option<u8>, echo: Echo<'_>) {
        let payload_len = self.settings.payload_len;
        let Some(index) = self.targets.iter().position(|t| t.identifier == echo.identifier) else { return };
        let target = &mut self.targets[index];
        let told = echo.payload.first_chunk::<PAYLOAD_HEAD>().map(|head| {
            let (cookie, number) = head.split_at(8);
            (cookie == target.cookie.to_be_bytes(), number.try_into().map_or(u64::MAX, u64::from_be_bytes))
        });
        let number = match told {
            Some((true, number)) if number as u16 == echo.sequence => Some(number),
            // The data isn't ours: another program with the same identifier, or ours changed on the way. The sequence
            // number decides between what is still out.
            _ => target.number_of(echo.sequence),
        };
        let Some(number) = number.filter(|n| *n < target.probes.len() as u64) else { return };
        let is_intact = echo.payload == target.payload(number, payload_len);
        if from != target.address {
            target.report.misaddressed += u64::from(is_intact);
            return;
        }
        let Some(Some(probe)) = target.probes.get_mut(number as usize) else { return };
        let already_answered = probe.flight.is_answered();
        match probe.fate {
            Fate::Open if !already_answered && moment.at <= probe.deadline => {
                probe.flight.on_arrival(moment);
                target.decided = target.decided.max(number as usize + 1);
                target.report.altered += u64::from(!is_intact);
                if let Some(seen) = hop_limit {
                    let (low, high) = target.report.hop_limit.unwrap_or((seen, seen));
                    target.report.hop_limit = Some((low.min(seen), high.max(seen)));
                }
                self.settle(ProbeId { target: index, number }, false);
            }
            Fate::Answered(_) | Fate::Discarded => target.report.duplicates += 1,
            Fate::Open if already_answered => target.report.duplicates += 1,
            Fate::Open | Fate::Lost | Fate::Refused => target.report.late += 1,
        }
    }

    fn on_error(&mut self, at: Instant, offender: IpAddr, error: &icmp::Error) {
        let Some(quote) = &error.quote else { return };
        let Transport::Icmp { identifier, sequence, .. } = quote.transport else { return };
        let found = self.targets.iter().position(|t| t.identifier == identifier && t.address == quote.destination);
        let Some(index) = found else { return };
        let target = &mut self.targets[index];
        let Some(number) = target.number_of(sequence) else { return };
        let Some(Some(probe)) = target.probes.get_mut(number as usize) else { return };
        let refusals = &mut target.report.refusals;
        match refusals.iter_mut().find(|r| r.offender == offender && r.meaning == error.meaning) {
            Some(refusal) => refusal.count += 1,
            None => refusals.push(Refusal { offender, meaning: error.meaning, count: 1 }),
        }
        if probe.fate == Fate::Open && !probe.flight.is_answered() && at <= probe.deadline {
            probe.fate = Fate::Refused;
            self.events.push_back(Event::Refused { target: index });
            self.targets[index].advance_first_open();
        }
    }

    fn settle(&mut self, id: ProbeId, is_final: bool) {
        let Some(target) = self.targets.get_mut(id.target) else { return };
        let Some(Some(probe)) = target.probes.get_mut(id.number as usize) else { return };
        if probe.fate != Fate::Open {
            return;
        }
        match probe.flight.settle(is_final) {
            Settled::NotYet if !is_final => return,
            Settled::NotYet => {
                probe.fate = Fate::Lost;
                self.events.push_back(Event::Lost { target: id.target });
            }
            Settled::RoundTrip(round_trip, source) => {
                probe.fate = Fate::Answered(round_trip);
                target.report.stamped_by = target.report.stamped_by.max(Some(source));
                self.events.push_back(Event::Answered { target: id.target, round_trip });
            }
            Settled::ClocksDisagree => probe.fate = Fate::Discarded,
        }
        target.advance_first_open();
    }
}

#[cfg(test)]
mod tests;
