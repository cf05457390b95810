//! Where on the way header fields were rewritten: what each router quotes of a probe, held against what was sent.
//!
//! A router quotes the packet as it came in (RFC 1812 section 4.3.2.3), so a field that differs at one hop and did not at the
//! hop before was rewritten between them: on the way out of the one, on the link, or on the way into the other. The hard
//! thing: a NAT that works as RFC 5508 section 4.2 asks puts the quoted addresses back on an error's way home, and then
//! does not show here at all. So nothing seen is no proof that there is no NAT.

use std::net::IpAddr;

use super::{PathMachine, Probe, State};
use crate::wire::icmp::quote::{Quote, Transport};

/// A header field.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Field {
    /// Source address: a NAT.
    SourceAddress,
    /// UDP source port: a NAT.
    SourcePort,
    /// DSCP (RFC 2474).
    Dscp,
    /// ECN field (RFC 3168 section 5).
    Ecn,
}

/// What a field held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Value {
    /// An address.
    Address(IpAddr),
    /// A port, DSCP or ECN field.
    Number(u16),
}

/// A hop that answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Hop, from 1.
    pub hop: u8,
    /// Who answered there.
    pub address: IpAddr,
}

/// One rewriting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rewrite {
    /// What was rewritten.
    pub field: Field,
    /// The last hop that quotes the old value; `None` when the first that can be read quotes the new one already.
    pub behind: Option<Place>,
    /// The first hop that quotes the new value.
    pub at: Place,
    /// The old value.
    pub was: Value,
    /// The new value.
    pub is: Value,
}

/// Probes that came with "congestion experienced" though they were sent without.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CongestionMarks {
    /// The first hop where that was seen.
    pub hop: u8,
    /// Probes marked there.
    pub marked: u32,
    /// Of these probes that could have been.
    pub of: u32,
}

/// "Congestion experienced" (RFC 3168 section 5).
const MARKED: u8 = 3;

/// What a quote says of a probe.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Seen {
    source: IpAddr,
    source_port: Option<u16>,
    class: u8,
}

impl Seen {
    pub(super) fn of(quote: &Quote) -> Self {
        let source_port = match quote.transport {
            Transport::Udp { source_port, .. } => Some(source_port),
            _ => None,
        };
        Self { source: quote.source, source_port, class: quote.traffic_class }
    }

    fn value(self, field: Field) -> Option<Value> {
        match field {
            Field::SourceAddress => Some(Value::Address(self.source)),
            Field::SourcePort => self.source_port.map(Value::Number),
            Field::Dscp => Some(Value::Number(u16::from(self.class >> 2))),
            Field::Ecn => Some(Value::Number(u16::from(self.class & 3))),
        }
    }
}

pub(super) fn rewrites(machine: &PathMachine) -> Vec<Rewrite> {
    let settings = &machine.settings;
    let mut found = Vec::new();
    let any = |_: &Probe| true;
    found.extend(walk(machine, Field::SourceAddress, Value::Address(settings.source), any));
    found.extend(walk(machine, Field::SourcePort, Value::Number(settings.source_port), any));
    for mark in [None, Some(settings.marked_class)] {
        let sent = Seen { source: settings.source, source_port: None, class: mark.unwrap_or(0) };
        for field in [Field::Dscp, Field::Ecn] {
            let same = |probe: &Probe| probe.mark == mark;
            found.extend(sent.value(field).into_iter().flat_map(|sent| walk(machine, field, sent, same)));
        }
    }
    found.sort_by_key(|rewrite| rewrite.at.hop);
    found
}

/// The changes of a field from hop to hop, beginning with what was sent.
fn walk(machine: &PathMachine, field: Field, sent: Value, of: impl Fn(&Probe) -> bool) -> Vec<Rewrite> {
    let (mut current, mut behind) = (sent, None);
    let mut found = Vec::new();
    for hop in 1..=machine.settings.max_hops {
        let quoted = seen_at(machine, hop, &of).filter_map(|(address, seen)| Some((address, seen.value(field)?)));
        let quoted: Vec<(IpAddr, Value)> = quoted.collect();
        let Some((address, value)) = usual(&quoted, current) else { continue };
        let at = Place { hop, address };
        if value != current {
            found.push(Rewrite { field, behind, at, was: current, is: value });
        }
        (current, behind) = (value, Some(at));
    }
    found
}

/// What most quotes of a hop say, and who said so; among equals what was so before.
fn usual(quoted: &[(IpAddr, Value)], before: Value) -> Option<(IpAddr, Value)> {
    let count = |value: Value| quoted.iter().filter(|(_, v)| *v == value).count();
    quoted.iter().copied().max_by_key(|(_, value)| (count(*value), *value == before))
}

fn seen_at(machine: &PathMachine, hop: u8, of: impl Fn(&Probe) -> bool) -> impl Iterator<Item = (IpAddr, Seen)> {
    machine.probes.iter().filter(move |probe| probe.hop == hop && of(probe)).filter_map(|probe| match &probe.state {
        State::Answered { from, extras, .. } => extras.seen.map(|seen| (*from, seen)),
        _ => None,
    })
}

pub(super) fn congestion_marks(machine: &PathMachine) -> Option<CongestionMarks> {
    // A packet that is not ECN-capable must not be marked (RFC 3168 section 5), and one that was sent marked tells nothing.
    let capable = machine.settings.marked_class & 3;
    if !(1..MARKED).contains(&capable) {
        return None;
    }
    (1..=machine.settings.max_hops).find_map(|hop| {
        let classes: Vec<u8> = seen_at(machine, hop, |probe| probe.mark.is_some()).map(|(_, seen)| seen.class & 3).collect();
        let marked = classes.iter().filter(|class| **class == MARKED).count();
        (marked > 0).then_some(CongestionMarks { hop, marked: marked as u32, of: classes.len() as u32 })
    })
}
