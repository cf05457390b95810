//! The faults: where each lies, what it shows and what to do about it.
//!
//! Likelihoods and prior weights are estimates from experience of the trade (common practice, no published source); they
//! order explanations. To add a fault, add an entry, and if it shows something new, a symptom and how it is observed.

use super::model::Symptom::{self, *};
use crate::unit::{Position, Segment};

mod path;
mod port;
mod service;

/// One fault.
#[derive(Debug, Clone, Copy)]
pub struct Fault {
    /// Stable kebab-case name.
    pub id: &'static str,
    /// In words, fit to stand behind "likely:".
    pub title: &'static str,
    /// Where it lies.
    pub place: Place,
    /// Weight before anything is seen: how many of 10,000 visited lines have it.
    pub prior: f64,
    /// What it shows, and with which probability when it is looked for.
    pub shows: &'static [(Symptom, f64)],
    /// What the technician does next, in order.
    pub next: &'static [&'static str],
}

/// Where a fault lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Always there.
    Always(Segment),
    /// In the home when the agent is plugged in behind the gateway, else on the access line: what is next to the port.
    NextToThePort,
    /// In the home; can't be seen from the terminal's own port.
    BehindGatewayOnly,
}

impl Fault {
    /// The segment for an agent at this position; `None` when it can't be there.
    pub fn segment(&self, position: Position) -> Option<Segment> {
        match self.place {
            Place::Always(segment) => Some(segment),
            Place::NextToThePort if position.is_behind_gateway() => Some(Segment::Home),
            Place::NextToThePort => Some(Segment::Access),
            Place::BehindGatewayOnly => position.is_behind_gateway().then_some(Segment::Home),
        }
    }
}

/// How often a symptom appears without any fault of the catalogue: an event of its own, or a check that errs.
pub const fn stray(symptom: Symptom) -> f64 {
    match symptom {
        // Ordinary: many gateways are the home's resolver.
        ResolverIsGateway => 0.5,
        // Shown on an interval or by a count, so wrong now and then.
        LossToGateway | LossToProvider | LossToFarEnd | DelayTooLong | DownTooSlow | UpTooSlow => 0.001,
        PortErrors | ResolverSlow | DelayUnderLoad => 0.001,
        // Plain events: a check would have to err.
        _ => 0.00003,
    }
}

/// All faults.
pub fn all() -> impl Iterator<Item = &'static Fault> {
    port::FAULTS.iter().chain(path::FAULTS).chain(service::FAULTS)
}
