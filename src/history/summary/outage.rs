//! Availability and outages, from visits. Pure.
//!
//! Visits are samples in time: between two of them nobody looked. An outage begins somewhere between the last visit that found the line up and the first that
//! found it down, and ends likewise, so its duration has two bounds; which of them a contract counts is not decided here.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{CONFIDENCE, Limits};
use crate::history::{Service, Visit};
use crate::metric::dependence::design_effect;
use crate::metric::loss_interval::clustered;

/// The share of visits that found the line carrying packets.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Availability {
    /// Visits that found it up.
    pub up: u64,
    /// Visits that found it down.
    pub down: u64,
    /// Visits that can't tell: the test set or the far end was at fault, or nothing was looked at.
    pub unknown: u64,
    /// Share up of those that tell; missing when none does.
    pub share: Option<f64>,
    /// Limits of the share, widened since outages last over several visits.
    pub limits: Limits,
}

/// A stretch of visits that found the line down.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Outage {
    /// When it was last seen up before; missing at the beginning.
    #[schemars(with = "Option<String>", extend("format" = "date-time"))]
    pub up_before: Option<Timestamp>,
    /// Start of the first visit that found it down.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub start: Timestamp,
    /// End of the last one.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub end: Timestamp,
    /// When it was first seen up again; missing when it still lasts.
    #[schemars(with = "Option<String>", extend("format" = "date-time"))]
    pub up_after: Option<Timestamp>,
    /// Visits that found it down.
    pub visits: u64,
    /// It lasted so long at least, in seconds.
    pub at_least_s: f64,
    /// And at most; missing while either end is open.
    pub at_most_s: Option<f64>,
}

/// Of visits in the order of time.
pub(super) fn availability(visits: &[Visit]) -> Availability {
    let count = |service| visits.iter().filter(|visit| visit.service == service).count() as u64;
    let (up, down, unknown) = (count(Service::Up), count(Service::Down), count(Service::Unknown));
    let told = visits.iter().filter(|visit| visit.service != Service::Unknown).map(|visit| visit.service == Service::Down);
    let limits = clustered(down, up + down, design_effect(told), CONFIDENCE);
    let other = |limit: Option<f64>| limit.map(|limit| 1.0 - limit);
    Availability {
        up,
        down,
        unknown,
        share: (up + down > 0).then(|| up as f64 / (up + down) as f64),
        limits: Limits { low: other(limits.high), high: other(limits.low) },
    }
}

/// Of visits in the order of time. One that can't tell neither ends an outage nor prolongs it.
pub(super) fn outages(visits: &[Visit]) -> Vec<Outage> {
    let ended = |visit: &Visit| visit.finished.unwrap_or(visit.started);
    let (mut outages, mut open, mut up_before): (Vec<Outage>, Option<Outage>, _) = (Vec::new(), None, None);
    for visit in visits {
        match (visit.service, &mut open) {
            (Service::Unknown, _) => {}
            (Service::Up, _) => {
                outages.extend(open.take().map(|outage| Outage { up_after: Some(visit.started), ..outage }));
                up_before = Some(ended(visit));
            }
            (Service::Down, Some(outage)) => {
                outage.end = ended(visit);
                outage.visits += 1;
            }
            (Service::Down, None) => {
                let (start, end) = (visit.started, ended(visit));
                open = Some(Outage { up_before, start, end, up_after: None, visits: 1, at_least_s: 0.0, at_most_s: None });
            }
        }
    }
    outages.extend(open);
    let seconds = |from: Timestamp, to: Timestamp| to.duration_since(from).as_secs_f64().max(0.0);
    for outage in &mut outages {
        outage.at_least_s = seconds(outage.start, outage.end);
        outage.at_most_s = outage.up_before.zip(outage.up_after).map(|(before, after)| seconds(before, after));
    }
    outages
}
