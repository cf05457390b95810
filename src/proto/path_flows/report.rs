//! What the flows say together.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;

use super::FlowMachine;

/// The several ways of a path.
#[derive(Debug, Clone, PartialEq)]
pub struct FlowReport {
    /// The hops from 1 on.
    pub hops: Vec<FlowHop>,
    /// Which router leads to which.
    pub links: Vec<Link>,
    /// Who answered each flow, by flow and then by hop from 1 on; `None` where it was not asked or got no answer.
    pub ways: Vec<Vec<Option<IpAddr>>>,
    /// Flows that were sent.
    pub flows: usize,
    /// Probes that were sent.
    pub probes: usize,
    /// True when all equal next hops of every router are known with the confidence asked for.
    pub is_complete: bool,
}

/// One hop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FlowHop {
    /// Hop, from 1.
    pub hop: u8,
    /// Routers there, in the order of their addresses.
    pub nodes: Vec<FlowNode>,
    /// How packets are spread over them; `None` where there is one, or where that was not seen.
    pub balancing: Option<Balancing>,
    /// True when the routers before this hop are proven to have no other next hop.
    pub is_complete: bool,
    /// Nobody answers.
    pub is_silent: bool,
}

/// A router at a hop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FlowNode {
    /// Its address.
    pub address: IpAddr,
    /// Flows that it answered for.
    pub flows: u32,
}

/// By what packets are spread.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Balancing {
    /// A flow stays on its way.
    PerFlow,
    /// Packets of one flow go different ways; what is behind is seen through it.
    PerPacket,
}

/// From one router to the next that answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Link {
    /// Hop of the nearer router; 0 is the test set.
    pub from_hop: u8,
    /// The nearer router; `None` is the test set.
    pub from: Option<IpAddr>,
    /// Hop of the further one; more than one further where the hops between are silent.
    pub to_hop: u8,
    /// The further router.
    pub to: IpAddr,
}

impl FlowReport {
    /// Routers side by side at the hop that has most of them.
    pub fn width(&self) -> usize {
        self.hops.iter().map(|hop| hop.nodes.len()).max().unwrap_or(0)
    }

    /// The first hop whose routers packets are spread over, and how.
    pub fn balanced(&self) -> Option<(u8, Balancing)> {
        self.hops.iter().find_map(|hop| Some((hop.hop, hop.balancing?)))
    }
}

pub(super) fn build(machine: &FlowMachine) -> FlowReport {
    let hops: Vec<FlowHop> = (1..=machine.settings.hops).map(|hop| flow_hop(machine, hop)).collect();
    let used =
        (0..machine.settings.source_ports.len()).filter(|flow| machine.cells.iter().any(|row| row[*flow].tries > 0)).count();
    FlowReport {
        links: links(machine),
        ways: (0..machine.settings.source_ports.len())
            .map(|flow| machine.cells.iter().map(|row| row[flow].first()).collect())
            .collect(),
        flows: used,
        probes: machine.probes.len(),
        is_complete: !machine.is_out_of_time && hops.iter().all(|hop| hop.is_complete),
        hops,
    }
}

fn flow_hop(machine: &FlowMachine, hop: u8) -> FlowHop {
    let mut nodes: BTreeMap<IpAddr, u32> = BTreeMap::new();
    for cell in machine.row(hop) {
        for address in cell.answers.iter().collect::<BTreeSet<_>>() {
            *nodes.entry(*address).or_default() += 1;
        }
    }
    let is_silent = machine.is_silent(hop) || nodes.is_empty();
    FlowHop {
        hop,
        nodes: nodes.into_iter().map(|(address, flows)| FlowNode { address, flows }).collect(),
        balancing: balancing(machine, hop),
        is_complete: !machine.is_short(hop),
        is_silent,
    }
}

fn balancing(machine: &FlowMachine, hop: u8) -> Option<Balancing> {
    let cell = &machine.row(hop)[machine.repeated(hop)?];
    if machine.row(hop).iter().any(|cell| cell.answers.iter().any(|address| Some(*address) != cell.first())) {
        return Some(Balancing::PerPacket);
    }
    (cell.answers.len() >= machine.rule.probes(1) as usize).then_some(Balancing::PerFlow)
}

fn links(machine: &FlowMachine) -> Vec<Link> {
    let mut links = BTreeSet::new();
    for hop in (1..=machine.settings.hops).filter(|hop| !machine.is_silent(*hop)) {
        let before = machine.before(hop);
        for (flow, cell) in machine.row(hop).iter().enumerate() {
            let Some(to) = cell.first() else { continue };
            match before {
                None => links.insert(Link { from_hop: 0, from: None, to_hop: hop, to }),
                Some(before) => match machine.row(before)[flow].first() {
                    Some(from) => links.insert(Link { from_hop: before, from: Some(from), to_hop: hop, to }),
                    None => continue,
                },
            };
        }
    }
    links.into_iter().collect()
}
