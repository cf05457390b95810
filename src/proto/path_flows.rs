//! The several ways that a path has where routers spread flows over equal next hops.
//!
//! It knows no socket: the driver sends what [`FlowProber::transmit`] returns from the flow's source port. Flows differ in
//! their UDP source port only. A flow is probed at a hop because a router before it needs one more flow to prove that all its
//! next hops are known ([`crate::metric::next_hops`]), or because somebody behind it is short of flows that come along there.
//! Two hard things. A router that limits its answers is asked again, and slower each time, and no flow without an answer
//! counts as proof. And a router that spreads packet by packet looks like one that spreads flows, until one flow alone is
//! sent again and again.

mod marked;
mod need;
mod report;

use std::collections::BTreeSet;
use std::net::IpAddr;
use std::time::{Duration, Instant};

pub(in crate::proto) use self::marked::{Marks, Named};
pub use self::report::{Balancing, FlowHop, FlowNode, FlowReport, Link};
use crate::metric::next_hops::StoppingRule;
use crate::wire::icmp::Meaning;

/// How to probe.
#[derive(Debug, Clone, PartialEq)]
pub struct FlowSettings {
    /// Where the path goes.
    pub destination: IpAddr,
    /// UDP destination port.
    pub destination_port: u16,
    /// UDP source port of each flow that may be used.
    pub source_ports: Vec<u16>,
    /// Hops to look at, from 1: to the destination or the last that answers.
    pub hops: u8,
    /// Hops that are known to be silent; they are left out.
    pub silent: BTreeSet<u8>,
    /// Probability that all equal next hops of a router are found, 0 to 1.
    pub confidence: f64,
    /// From one probe to the next.
    pub gap: Duration,
    /// From one probe to the next of the same hop, as long as it answers.
    pub hop_gap: Duration,
    /// The same at most, for one that leaves probes unanswered.
    pub slowest_hop_gap: Duration,
    /// How long an answer is waited for.
    pub waiting_time: Duration,
    /// After this no probe is sent any more, and the report says that it is not complete.
    pub time_limit: Duration,
    /// Tells our data from others'.
    pub cookie: u64,
}

/// Next hops of one router that the rule is made for; more are found but not proven.
pub const MOST_NEXT_HOPS: usize = 16;

/// A probe to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FlowProbe {
    /// Names it in [`FlowProber::on_send_failed`].
    pub id: usize,
    /// Flow, by its place in the source ports.
    pub flow: usize,
    /// Hop limit.
    pub hop_limit: u8,
    /// UDP data.
    pub bytes: Vec<u8>,
}

/// A machine that sends UDP of one or more flows with small hop limits, and hears ICMP errors.
pub trait FlowProber {
    /// The next probe that is due. The caller sends it.
    fn transmit(&mut self, now: Instant) -> Option<FlowProbe>;
    /// The probe could not be sent: the test set's own, and no silence of a hop.
    fn on_send_failed(&mut self, id: usize);
    /// An ICMP message, from its type octet on.
    fn on_packet(&mut self, now: Instant, from: IpAddr, bytes: &[u8]);
    /// Lets waiting times end.
    fn on_wake(&mut self, now: Instant);
    /// When something is due next; `None` when all is done.
    fn next_wake(&self) -> Option<Instant>;
}

/// Probes of one flow to one hop at most, until it is given up there.
const TRIES: u32 = 3;
/// Flows given up at a hop that never answered: it is silent.
const SILENT_AFTER: usize = 6;
/// Steps of a rest.
const LOTS: u32 = 256;

/// The machine.
#[derive(Debug)]
pub struct FlowMachine {
    settings: FlowSettings,
    rule: StoppingRule,
    start: Instant,
    next_at: Instant,
    /// Flows that are looked at: those that were sent, and one more.
    reach: usize,
    is_repeating: bool,
    is_out_of_time: bool,
    probes: Vec<Probe>,
    /// By hop, from 1 on, then by flow.
    cells: Vec<Vec<Cell>>,
    paces: Vec<Pace>,
}

#[derive(Debug, Clone)]
struct Probe {
    flow: usize,
    hop: u8,
    /// `None` when it is answered or given up.
    deadline: Option<Instant>,
}

/// One flow at one hop.
#[derive(Debug, Clone, Default)]
struct Cell {
    tries: u32,
    open: u32,
    answers: Vec<IpAddr>,
    has_ended: bool,
}

impl Cell {
    fn first(&self) -> Option<IpAddr> {
        self.answers.first().copied()
    }

    fn is_given_up(&self) -> bool {
        self.answers.is_empty() && self.open == 0 && self.tries >= TRIES
    }
}

#[derive(Debug, Clone)]
struct Pace {
    next_at: Instant,
    gap: Duration,
    answered: u32,
}

impl FlowMachine {
    /// A machine that starts at `start`.
    pub fn new(settings: FlowSettings, start: Instant) -> Self {
        let hops = usize::from(settings.hops);
        Self {
            rule: StoppingRule::new(1.0 - settings.confidence, MOST_NEXT_HOPS),
            start,
            next_at: start,
            reach: settings.source_ports.len().min(1),
            is_repeating: false,
            is_out_of_time: false,
            probes: Vec::new(),
            cells: vec![vec![Cell::default(); settings.source_ports.len()]; hops],
            paces: vec![Pace { next_at: start, gap: settings.hop_gap, answered: 0 }; hops],
            settings,
        }
    }

    /// What was found.
    pub fn report(&self) -> FlowReport {
        report::build(self)
    }

    /// By lot is which hop comes next and how long it rests then, half to one and a half of its gap: a router that spreads
    /// packets by turns would else see a regular pattern and send all probes of a hop the same way.
    fn lot(&self) -> u32 {
        // The finaliser of a common mixing function (splitmix64): enough to be irregular.
        let mut lot = self.settings.cookie.wrapping_add((self.probes.len() as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15));
        lot = (lot ^ lot >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        lot = (lot ^ lot >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
        (lot >> 32) as u32
    }

    fn pace(&self, hop: u8) -> &Pace {
        &self.paces[usize::from(hop) - 1]
    }

    fn is_waiting(&self) -> bool {
        self.probes.iter().any(|probe| probe.deadline.is_some())
    }

    fn marks(&self) -> Marks {
        let FlowSettings { destination, destination_port, cookie, .. } = self.settings;
        Marks { destination, destination_port, cookie }
    }

    fn id_of(&self, named: Named) -> Option<usize> {
        match named {
            Named::Number(id) => Some(id),
            Named::Cut { source_port, length } => {
                let hop = Marks::hop_of(length)?;
                let flow = self.settings.source_ports.iter().position(|port| *port == source_port)?;
                self.probes.iter().rposition(|p| p.flow == flow && p.hop == hop && p.deadline.is_some())
            }
        }
    }
}

impl FlowProber for FlowMachine {
    fn transmit(&mut self, now: Instant) -> Option<FlowProbe> {
        if now >= self.start + self.settings.time_limit {
            let is_wanting = self.wants().next().is_some();
            self.is_out_of_time |= is_wanting;
            self.is_repeating = true;
            return None;
        }
        if now < self.next_at {
            return None;
        }
        if !self.is_repeating && self.wants().next().is_none() && !self.is_waiting() {
            self.is_repeating = true;
        }
        let due: Vec<(u8, usize)> = self.wants().filter(|(hop, _)| self.pace(*hop).next_at <= now).collect();
        let lot = self.lot();
        let (hop, flow) = due.get(lot as usize % due.len().max(1)).copied()?;
        let id = self.probes.len();
        let pace = &mut self.paces[usize::from(hop) - 1];
        pace.next_at = now + pace.gap * (LOTS / 2 + (lot >> 8) % LOTS) / LOTS;
        self.next_at = now + self.settings.gap;
        self.reach = self.reach.max(flow + 2).min(self.settings.source_ports.len());
        let cell = &mut self.cells[usize::from(hop) - 1][flow];
        cell.tries += 1;
        cell.open += 1;
        self.probes.push(Probe { flow, hop, deadline: Some(now + self.settings.waiting_time) });
        let bytes = self.marks().data(id, hop);
        Some(FlowProbe { id, flow, hop_limit: hop, bytes })
    }

    fn on_send_failed(&mut self, id: usize) {
        if let Some(probe) = self.probes.get_mut(id)
            && probe.deadline.take().is_some()
        {
            self.cells[usize::from(probe.hop) - 1][probe.flow].open -= 1;
        }
    }

    fn on_packet(&mut self, now: Instant, from: IpAddr, bytes: &[u8]) {
        let Some((named, meaning)) = self.marks().read(from, bytes) else { return };
        let Some(id) = self.id_of(named) else { return };
        let Some(Probe { flow, hop, deadline }) = self.probes.get_mut(id) else { return };
        if deadline.is_none_or(|deadline| now > deadline) {
            return;
        }
        *deadline = None;
        let at = usize::from(*hop) - 1;
        let cell = &mut self.cells[at][*flow];
        cell.open -= 1;
        cell.answers.push(from);
        cell.has_ended |= meaning != Meaning::HopLimitExceeded;
        let pace = &mut self.paces[at];
        pace.answered += 1;
        pace.gap = (pace.gap * 7 / 8).max(self.settings.hop_gap);
    }

    fn on_wake(&mut self, now: Instant) {
        for probe in &mut self.probes {
            if probe.deadline.is_some_and(|deadline| deadline <= now) {
                probe.deadline = None;
                let at = usize::from(probe.hop) - 1;
                self.cells[at][probe.flow].open -= 1;
                let pace = &mut self.paces[at];
                if pace.answered > 0 {
                    pace.gap = (pace.gap * 2).min(self.settings.slowest_hop_gap);
                    pace.next_at = pace.next_at.max(now + pace.gap);
                }
            }
        }
    }

    fn next_wake(&self) -> Option<Instant> {
        let deadline = self.probes.iter().filter_map(|probe| probe.deadline).min();
        if self.is_out_of_time {
            return deadline;
        }
        let limit = self.start + self.settings.time_limit;
        let send = self.wants().map(|(hop, _)| self.pace(hop).next_at.max(self.next_at).min(limit)).min();
        // With nothing to send and nothing to wait for the repeats are still to be looked at, once.
        let turn = (!self.is_repeating && send.is_none() && deadline.is_none()).then_some(self.next_at);
        [deadline, send, turn].into_iter().flatten().min()
    }
}

#[cfg(test)]
mod tests;
