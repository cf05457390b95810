//! The faults: where each lies, what it shows and what to do about it.
//!
//! Likelihoods and prior weights are estimates from experience of the trade (common practice, no published source); they
//! order explanations. To add a fault, add an entry, and if it shows something new, a symptom and how it is observed.

use super::model::Symptom::{self, *};
use crate::reading::words;
use crate::unit::{Position, Segment};

mod between;
mod line;
mod path;
mod port;
mod service;
mod shaping;
mod testset;
mod tv;
mod voice;

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
        // Five hours of a day.
        EveningHour => 0.2,
        // By chance, within the tolerance, of some ten pairs of rates.
        RateOfAnotherTier => 0.002,
        // Shown on an interval of 95 %: by chance only where the truth lies close to the limit already.
        LossToGateway | LossToProvider | LossToFarEnd | DelayTooLong | DownTooSlow | UpTooSlow => 0.0003,
        DelayUnderLoad | QueueDown | QueueUp | DelayVaries | LossBesideTvHome | LossBesideTvLine => 0.0003,
        // A count or a point: one event of the moment is enough.
        PortErrors | ResolverSlow => 0.001,
        // Typed by hand, from pages of all kinds.
        SyncBelowSold => 0.0001,
        LowMargin | LineErrors => 0.01,
        // Plain events: a check would have to err.
        _ => 0.00003,
    }
}

/// All faults.
pub fn all() -> impl Iterator<Item = &'static Fault> {
    port::FAULTS
        .iter()
        .chain(testset::FAULTS)
        .chain(line::FAULTS)
        .chain(between::FAULTS)
        .chain(path::FAULTS)
        .chain(shaping::FAULTS)
        .chain(service::FAULTS)
        .chain(tv::FAULTS)
        .chain(voice::FAULTS)
}

/// The catalogue as a page for people, as it stands in `docs/faults.md`.
pub fn page() -> String {
    use std::fmt::Write as _;
    let mut page = String::from(
        "# Faults that the agent can tell\n\n\
         Made from the catalogue in the program; a test holds the two together. Segments are those for an agent at a LAN port of\n\
         the gateway, and at the terminal or modem. How surely a fault shows a sign is an estimate (common practice, no published\n\
         source): it orders explanations.\n",
    );
    for fault in all() {
        let segment = |position| fault.segment(position).map_or_else(|| "can't be seen".to_owned(), |s| s.to_string());
        let _ = write!(page, "\n## {}\n\n{}.\n\n", fault.id, words::capital(fault.title));
        let (gateway, terminal) = (segment(Position::Gateway), segment(Position::Ont));
        let _ = writeln!(page, "- segment: {gateway}; at the terminal: {terminal}");
        for (symptom, p) in fault.shows {
            let _ = writeln!(page, "- shows in {:.0} of 100 cases: {}", p * 100.0, symptom.words());
        }
        for step in fault.next {
            let _ = writeln!(page, "- next: {step}");
        }
    }
    page
}
