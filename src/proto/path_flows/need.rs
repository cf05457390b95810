//! Which flow each hop is to be asked about next.

use std::collections::BTreeSet;
use std::net::IpAddr;

use super::{Cell, FlowMachine, SILENT_AFTER, TRIES};

/// The flows that come to a hop from one router.
struct Group {
    flows: Vec<usize>,
    /// Answers that are still missing for the proof, those under way taken off.
    missing: usize,
}

impl FlowMachine {
    /// What is to be sent, nearest hop first: the hop and the flow.
    pub(super) fn wants(&self) -> impl Iterator<Item = (u8, usize)> {
        (1..=self.settings.hops).filter_map(|hop| Some((hop, self.wanted(hop)?)))
    }

    pub(super) fn is_silent(&self, hop: u8) -> bool {
        let known = self.settings.silent.contains(&hop);
        let given_up = || self.row(hop).iter().filter(|cell| cell.is_given_up()).count();
        known || (self.pace(hop).answered == 0 && given_up() >= SILENT_AFTER)
    }

    pub(super) fn row(&self, hop: u8) -> &[Cell] {
        &self.cells[usize::from(hop) - 1][..self.reach]
    }

    /// Routers at a hop, in the order of their addresses.
    pub(super) fn nodes(&self, hop: u8) -> BTreeSet<IpAddr> {
        self.row(hop).iter().flat_map(|cell| cell.answers.iter().copied()).collect()
    }

    /// The nearest hop before that is not silent.
    pub(super) fn before(&self, hop: u8) -> Option<u8> {
        (1..hop).rev().find(|before| !self.is_silent(*before))
    }

    fn wanted(&self, hop: u8) -> Option<usize> {
        if self.is_silent(hop) {
            return None;
        }
        if self.is_repeating {
            return self.repeat(hop);
        }
        self.retry(hop).or_else(|| self.short_of(hop)).or_else(|| self.asked_for_behind(hop))
    }

    fn retry(&self, hop: u8) -> Option<usize> {
        self.row(hop).iter().position(|cell| cell.open == 0 && cell.answers.is_empty() && (1..TRIES).contains(&cell.tries))
    }

    /// A flow that comes from a router which is short of answers at this hop.
    fn short_of(&self, hop: u8) -> Option<usize> {
        let groups = self.groups(hop);
        groups.iter().filter(|group| group.missing > 0).find_map(|group| self.untried(hop, &group.flows))
    }

    /// A flow that may come along at a router of this hop which is short of flows at the hop behind.
    fn asked_for_behind(&self, hop: u8) -> Option<usize> {
        let behind = (hop + 1..=self.settings.hops).find(|behind| !self.is_silent(*behind))?;
        let open: usize = self.row(hop).iter().filter(|cell| cell.open > 0).count();
        let short = |group: &&Group| group.missing > open && self.untried(behind, &group.flows).is_none();
        let groups = self.groups(behind);
        let short = groups.iter().find(short)?;
        // Best are flows that come from where the short ones come from.
        if let Some(before) = self.before(hop) {
            let from: BTreeSet<IpAddr> = short.flows.iter().filter_map(|flow| self.row(before)[*flow].first()).collect();
            let alike = |flow: &usize| self.row(before)[*flow].first().is_some_and(|address| from.contains(&address));
            let alike: Vec<usize> = (0..self.row(hop).len()).filter(alike).collect();
            if let Some(flow) = self.untried(hop, &alike) {
                return Some(flow);
            }
        }
        self.row(hop).iter().position(|cell| cell.tries == 0)
    }

    fn untried(&self, hop: u8, flows: &[usize]) -> Option<usize> {
        flows.iter().copied().find(|flow| self.row(hop)[*flow].tries == 0)
    }

    /// The flows to a hop by the router that they come from, each with what is missing.
    fn groups(&self, hop: u8) -> Vec<Group> {
        let groups: Vec<Vec<usize>> = match self.before(hop) {
            // All flows come from here.
            None => vec![(0..self.row(hop).len()).collect()],
            Some(before) => {
                let row = self.row(before);
                let passes = |flow: &usize, node: IpAddr| row[*flow].first() == Some(node) && !row[*flow].has_ended;
                let of = |node: &IpAddr| (0..row.len()).filter(|flow| passes(flow, *node)).collect();
                self.nodes(before).iter().map(of).collect()
            }
        };
        groups.into_iter().filter(|flows| !flows.is_empty()).map(|flows| self.group(hop, flows)).collect()
    }

    fn group(&self, hop: u8, flows: Vec<usize>) -> Group {
        let cells = || flows.iter().map(|flow| &self.row(hop)[*flow]);
        let answered = cells().filter(|cell| !cell.answers.is_empty()).count();
        let under_way =
            cells().filter(|cell| cell.answers.is_empty() && (cell.open > 0 || (1..TRIES).contains(&cell.tries))).count();
        let found: BTreeSet<IpAddr> = cells().filter_map(Cell::first).collect();
        let needed = self.rule.probes(found.len().max(1)) as usize;
        Group { missing: needed.saturating_sub(answered + under_way), flows }
    }

    /// True when some router's next hops are not proven to be all.
    pub(super) fn is_short(&self, hop: u8) -> bool {
        !self.is_silent(hop) && self.groups(hop).iter().any(|group| group.missing > 0)
    }

    /// One flow, again and again, to a hop with several routers.
    fn repeat(&self, hop: u8) -> Option<usize> {
        let flow = self.repeated(hop)?;
        let cell = &self.row(hop)[flow];
        let enough = self.rule.probes(1) as usize;
        let differs = cell.answers.iter().any(|address| Some(*address) != cell.first());
        let goes_on = !differs && cell.open == 0 && cell.answers.len() < enough && cell.tries < 3 * enough as u32;
        goes_on.then_some(flow)
    }

    /// The flow that is repeated at a hop: the first that was answered there.
    pub(super) fn repeated(&self, hop: u8) -> Option<usize> {
        let several = self.nodes(hop).len() > 1;
        self.row(hop).iter().position(|cell| !cell.answers.is_empty()).filter(|_| several)
    }
}
