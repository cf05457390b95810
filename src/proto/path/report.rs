//! What the probes of a path say together.

use std::net::IpAddr;
use std::time::Duration;

use super::change::{self, Change};
use super::rewrite::{self, CongestionMarks, Rewrite};
use super::{Answer, KINDS, PathMachine, Probe, ProbeKind, State};
use crate::unit::StampSource;
use crate::wire::icmp::Meaning;
use crate::wire::icmp::extension::MplsEntry;

/// A path.
#[derive(Debug, Clone, PartialEq)]
pub struct PathReport {
    /// The hops from 1 on, to where the path ends; silent ones included.
    pub hops: Vec<HopReport>,
    /// How it ends.
    pub end: PathEnd,
    /// Where header fields of the probes were rewritten, nearest first, as the quotes in the routers' errors tell.
    pub rewrites: Vec<Rewrite>,
    /// Where probes were first marked for congestion, if any was.
    pub congestion_marks: Option<CongestionMarks>,
    /// A change of path during the run, where chance is excluded.
    pub change: Option<Change>,
    /// Hops of the destination's answers on their way here, by the TTL or hop limit that they came with.
    pub hops_back: Option<u8>,
}

/// How a path ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PathEnd {
    /// At the destination, which answered.
    Reached {
        /// Hops to it.
        hops: u8,
        /// By what it answered: any of the kinds.
        by: Answer,
    },
    /// At somebody who refuses to carry the packets on.
    Refused {
        /// Who.
        offender: IpAddr,
        /// Why.
        meaning: Meaning,
        /// At which hop.
        hop: u8,
    },
    /// Nowhere: nobody answers behind this hop. The packets may be dropped there, or arrive at a silent destination.
    Silent {
        /// The last hop that answers; `None` when nobody did.
        last_hop: Option<u8>,
    },
}

/// One hop.
#[derive(Debug, Clone, PartialEq)]
pub struct HopReport {
    /// Hop limit with which it was probed.
    pub hop: u8,
    /// Who answered, most frequent first; more than one shows several paths or a change of path.
    pub addresses: Vec<HopAddress>,
    /// Probes and answers, in the order of [`KINDS`].
    pub counts: [KindCount; 2],
    /// Round trips of the answers.
    pub round_trips: Vec<Duration>,
    /// Answers without a usable round trip.
    pub discarded: u32,
    /// The weakest stamp behind any round trip.
    pub stamped_by: Option<StampSource>,
}

/// Who answered at a hop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HopAddress {
    /// Its address.
    pub address: IpAddr,
    /// Answers from it.
    pub answers: u32,
    /// Kinds of answer seen from it.
    pub kinds: Vec<Answer>,
    /// MPLS label stack with which the packets came in, of the last answer that told one.
    pub mpls: Vec<MplsEntry>,
}

/// Probes of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct KindCount {
    /// Sent.
    pub sent: u32,
    /// Answered in time.
    pub answered: u32,
}

impl HopReport {
    /// True when nobody answered.
    pub fn is_silent(&self) -> bool {
        self.addresses.is_empty()
    }

    /// The address that answered most.
    pub fn address(&self) -> Option<IpAddr> {
        self.addresses.first().map(|a| a.address)
    }

    /// Lost and sent, of the kinds of probe that this hop answers at all; `None` when it is silent.
    ///
    /// The destination limits its "port unreachable" like any error, but not its echo replies, so where it gives those
    /// they alone count.
    fn unanswered(&self) -> Option<(u64, u64)> {
        let echoes = self.addresses.iter().any(|a| a.kinds.contains(&Answer::EchoReply));
        let counted =
            KINDS.iter().zip(self.counts).filter(|(kind, count)| count.answered > 0 && (!echoes || **kind == ProbeKind::Icmp));
        let (sent, answered) = counted.fold((0, 0), |(s, a), (_, c)| (s + u64::from(c.sent), a + u64::from(c.answered)));
        (sent > 0).then_some((sent - answered, sent))
    }
}

impl PathReport {
    /// The loss on the way to a hop, as lost and sent; `None` when it is silent.
    ///
    /// A probe that passes a hop was not lost before it. So the loss up to a hop is at most that up to any hop behind it,
    /// and what a hop shows beyond is its own reluctance to answer. The smallest share at or behind the hop is returned.
    pub fn loss_to(&self, hop: u8) -> Option<(u64, u64)> {
        self.hops.iter().find(|h| h.hop == hop)?.unanswered()?;
        let behind = self.hops.iter().filter(|h| h.hop >= hop).filter_map(HopReport::unanswered);
        // Compared as fractions: a/b < c/d when a*d < c*b; the nearer hop on a tie.
        behind.reduce(|best, next| if next.0 * best.1 < best.0 * next.1 { next } else { best })
    }

    /// True when a hop leaves more probes unanswered than can be lost on the way to it: it limits its answers.
    pub fn limits_answers(&self, hop: u8) -> bool {
        let own = self.hops.iter().find(|h| h.hop == hop).and_then(HopReport::unanswered);
        own.is_some_and(|own| own.0 > 0 && self.loss_to(hop).is_some_and(|line| line.0 * own.1 < own.0 * line.1))
    }

    /// The address that answers at two hops with another hop between them: packets go round.
    pub fn loop_address(&self) -> Option<IpAddr> {
        let routers = self.hops.iter().filter_map(|h| Some((h.hop, h.address()?)));
        let routers: Vec<_> = routers.collect();
        routers.iter().find(|(hop, a)| routers.iter().any(|(other, b)| a == b && *other > hop + 1)).map(|(_, a)| *a)
    }
}

pub(super) fn build(machine: &PathMachine) -> PathReport {
    let end = end(machine);
    let last = match end {
        PathEnd::Reached { hops, .. } => hops,
        PathEnd::Refused { hop, .. } => hop,
        PathEnd::Silent { last_hop } => last_hop.unwrap_or(0),
    };
    PathReport {
        hops: (1..=last).map(|hop| hop_report(machine, hop)).collect(),
        end,
        rewrites: rewrite::rewrites(machine),
        congestion_marks: rewrite::congestion_marks(machine),
        change: change::change(machine),
        hops_back: hops_back(machine),
    }
}

fn end(machine: &PathMachine) -> PathEnd {
    let arrival = machine.answers().filter(|(_, a)| a.is_arrival()).min_by_key(|(p, _)| p.hop);
    if let Some((probe, by)) = arrival {
        return PathEnd::Reached { hops: probe.hop, by };
    }
    let refusal = machine.probes.iter().filter_map(|p| match &p.state {
        State::Answered { from, answer: Answer::Refused(meaning), .. } => Some((p.hop, *from, *meaning)),
        _ => None,
    });
    let last_hop = machine.answers().map(|(p, _)| p.hop).max();
    match refusal.min_by_key(|(hop, ..)| *hop) {
        // One kind of probe may be refused where the other passes: then the end is where the other got to.
        Some((hop, offender, meaning)) if !is_passed(machine, hop) => PathEnd::Refused { offender, meaning, hop },
        _ => PathEnd::Silent { last_hop },
    }
}

/// True when a router behind this hop has answered.
fn is_passed(machine: &PathMachine, hop: u8) -> bool {
    machine.answers().any(|(p, a)| p.hop > hop && !a.is_final())
}

fn hop_report(machine: &PathMachine, hop: u8) -> HopReport {
    let mut report = HopReport {
        hop,
        addresses: Vec::new(),
        counts: [KindCount::default(); 2],
        round_trips: Vec::new(),
        discarded: 0,
        stamped_by: None,
    };
    for probe in machine.probes.iter().filter(|p| p.hop == hop && p.mark.is_none()) {
        let count = &mut report.counts[usize::from(probe.kind == ProbeKind::Udp)];
        match &probe.state {
            State::Leaving | State::NotSent => {}
            State::Open { .. } | State::Unanswered => count.sent += 1,
            State::Answered { from, answer, extras, .. } => {
                count.sent += 1;
                count.answered += 1;
                add_address(&mut report.addresses, *from, *answer, &extras.mpls);
                add_round_trip(&mut report, probe);
            }
        }
    }
    // Stable: among equals the one that answered first stays first.
    report.addresses.sort_by_key(|a| std::cmp::Reverse(a.answers));
    report
}

fn add_address(addresses: &mut Vec<HopAddress>, from: IpAddr, answer: Answer, mpls: &[MplsEntry]) {
    let at = addresses.iter().position(|a| a.address == from).unwrap_or_else(|| {
        addresses.push(HopAddress { address: from, answers: 0, kinds: Vec::new(), mpls: Vec::new() });
        addresses.len() - 1
    });
    let entry = &mut addresses[at];
    entry.answers += 1;
    if !entry.kinds.contains(&answer) {
        entry.kinds.push(answer);
    }
    if !mpls.is_empty() {
        entry.mpls = mpls.to_vec();
    }
}

fn add_round_trip(report: &mut HopReport, probe: &Probe) {
    match probe.round_trip() {
        Some((span, source)) => {
            report.round_trips.push(span);
            report.stamped_by = report.stamped_by.max(Some(source));
        }
        None => report.discarded += 1,
    }
}

/// Hop limits that hosts begin with (common practice; RFC 1700 names 64 for IPv4, RFC 4861 section 6.3.2 leaves it to the router).
const FIRST_LIMITS: [u8; 3] = [64, 128, 255];

/// Hops back, counted as those there are: the destination next door is one. The longest, should they differ.
fn hops_back(machine: &PathMachine) -> Option<u8> {
    let arrivals = machine.probes.iter().filter_map(|probe| match &probe.state {
        State::Answered { answer, extras, .. } if answer.is_arrival() => extras.ttl,
        _ => None,
    });
    let least = arrivals.min()?;
    let first = FIRST_LIMITS.into_iter().find(|first| *first >= least)?;
    Some((first - least).saturating_add(1))
}
