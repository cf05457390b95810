//! Whether the path changed while it was looked at.
//!
//! At a hop that changed first one address answers and from some moment on another. A router that spreads packets over
//! several next hops can look so by chance; the more answers there are on both sides, the less likely. So a change is told only where
//! chance is excluded, which takes ten answers of the hops that changed.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use super::{KINDS, PathMachine, Place, State};

/// A change of path.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// The last answer of the old path was asked for this long after the start.
    pub after: Duration,
    /// The first answer of the new path was asked for this long after the start.
    pub before: Duration,
    /// The hops that changed: who answered at first.
    pub was: Vec<Place>,
    /// Who answers now, in the same order.
    pub is: Vec<Place>,
}

/// A path that spreads packets by chance is taken for a change with this probability at most.
const BY_CHANCE: f64 = 0.01;

/// One kind of probe at one hop.
struct Switch {
    hop: u8,
    was: IpAddr,
    is: IpAddr,
    after: Instant,
    before: Instant,
    answers: i32,
}

pub(super) fn change(machine: &PathMachine) -> Option<Change> {
    let mut switches = Vec::new();
    for hop in 1..=machine.settings.max_hops {
        for kind in KINDS {
            let of = machine.probes.iter().filter(|p| p.hop == hop && p.kind == kind && p.mark.is_none());
            let answers = of.filter_map(|probe| match &probe.state {
                State::Answered { flight, from, .. } => Some((flight.began().at, *from)),
                _ => None,
            });
            switches.extend(switch(hop, &answers.collect::<Vec<_>>())?);
        }
    }
    let (after, before) = (switches.iter().map(|s| s.after).max()?, switches.iter().map(|s| s.before).min()?);
    let answers: i32 = switches.iter().map(|s| s.answers).sum();
    let most = switches.iter().map(|s| s.answers).max()?;
    // Each answer is the old or the new by chance; the moment may be any between two of the answers.
    let chance = 2.0 * f64::from(most) * 0.5_f64.powi(answers);
    if before <= after || chance > BY_CHANCE {
        return None;
    }
    let mut places: Vec<(Place, Place)> =
        switches.iter().map(|s| (Place { hop: s.hop, address: s.was }, Place { hop: s.hop, address: s.is })).collect();
    places.dedup();
    let (was, is) = places.into_iter().unzip();
    Some(Change { after: after - machine.start, before: before - machine.start, was, is })
}

/// The switch at a hop, if there is just one; `None` outside when addresses come and go, which is no change of path.
fn switch(hop: u8, answers: &[(Instant, IpAddr)]) -> Option<Option<Switch>> {
    let changes: Vec<usize> = (1..answers.len()).filter(|at| answers[*at].1 != answers[*at - 1].1).collect();
    match changes[..] {
        [] => Some(None),
        [at] => Some(Some(Switch {
            hop,
            was: answers[at - 1].1,
            is: answers[at].1,
            after: answers[at - 1].0,
            before: answers[at].0,
            answers: answers.len() as i32,
        })),
        _ => None,
    }
}
