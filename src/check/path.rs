//! The path to the far end, hop by hop, on the quiet line.
//!
//! It picks destination and pace, runs the machine and turns its report into readings. It must not know how hops are
//! told apart ([`crate::proto::path`]). Without a far end it looks toward a resolver outside the home.

mod again;
mod figures;
mod hop_mtu;
mod pace;
mod rewritten;
mod several;
mod way_back;
mod ways_loss;

use std::net::IpAddr;
use std::ops::RangeInclusive;
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use super::echo::targets::{Destination, destination, far_end_addresses, gateway, source};
use super::probing::{Device, PathEnds, PathLook};
use super::{Check, Context, Finished, LiveFigure};
use crate::farend::client::ViewOffer;
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::path::{PathMachine, PathSettings};
use crate::unit::{Depth, Family};

/// UDP ports of the destination that are probed: the dynamic range, where no service is registered (RFC 6335 section 6).
pub(super) const PROBE_PORTS: RangeInclusive<u16> = 49_152..=65_535;

/// Hops at most.
const MAX_HOPS: u8 = 30;
/// From probe to probe within a round.
const GAP: Duration = Duration::from_millis(5);
/// Octets of a probe and its answer on Ethernet at most.
const FRAMES: u64 = 110 + 250;
/// Least time between two live figures.
const LIVE_INTERVAL: Duration = Duration::from_millis(250);

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct PathCheck;

/// The same, and the several ways that packets take: for a soak and for whoever asks for the check by name.
#[derive(Debug, Clone, Copy, Default)]
pub struct PathInDepth;

/// DSCP of the marked rounds where the visit names no class: expedited forwarding (RFC 3246), which most lines remark.
const USUAL_DSCP: u8 = 46;
/// ECN-capable transport, ECT(0) (RFC 3168 section 5).
const ECN_CAPABLE: u8 = 2;

/// How hard to look.
#[derive(Debug, Clone, Copy)]
struct Rounds {
    plain: u32,
    /// Behind the plain ones, with a DSCP and an ECN field.
    marked: u32,
    interval: Duration,
    waiting_time: Duration,
}

/// A common kernel sends six errors at once to one address and then one a second (its `icmp_ratelimit`; common practice):
/// six rounds pass that, and more only as the seconds pass.
fn effort(depth: Depth) -> Rounds {
    let waiting_time = Duration::from_millis(1000);
    let of = |plain, marked, interval| Rounds { plain, marked, interval: Duration::from_millis(interval), waiting_time };
    match depth {
        Depth::Quick => of(4, 0, 400),
        Depth::Handoff => of(6, 2, 500),
        Depth::Soak => of(60, 6, 1100),
    }
}

impl Check for PathCheck {
    fn spec(&self) -> Spec {
        Spec { name: "path", needs: &[Need::Address], gives: &[], class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        examine(context, false).boxed()
    }
}

impl Check for PathInDepth {
    fn spec(&self) -> Spec {
        Spec { cost: cost_in_depth, ..PathCheck.spec() }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        examine(context, true).boxed()
    }
}

fn cost(volume: &Volume) -> Cost {
    let Rounds { plain, marked, interval, waiting_time } = effort(volume.depth);
    let rounds = plain + marked;
    let time = interval * (rounds - 1) + GAP * u32::from(MAX_HOPS) + waiting_time;
    Cost { time, octets: 2 * u64::from(rounds) * u64::from(MAX_HOPS) * FRAMES }
}

fn cost_in_depth(volume: &Volume) -> Cost {
    let Cost { time, octets } = cost(volume);
    let questions = u64::from(ways_loss::ROUNDS) * ways_loss::FLOWS as u64;
    let time = time + several::TIME_LIMIT + ways_loss::time() + pace::time() + hop_mtu::TIME_LIMIT + way_back::TIME_LIMIT;
    let probes = several::PROBES + questions + pace::probes() + way_back::PROBES;
    Cost { time, octets: octets + 2 * (probes * FRAMES + hop_mtu::OCTETS) }
}

async fn examine(context: Context, in_depth: bool) -> Finished {
    let far_end = far_end_addresses(&context).await;
    let (v4, v6) = tokio::join!(one(&context, &far_end, Family::Ipv4, in_depth), one(&context, &far_end, Family::Ipv6, in_depth));
    let (walks, looks): (Vec<_>, Vec<_>) = [v4, v6].into_iter().flatten().unzip();
    let mut finished = Finished::from(figures::outcome(&walks, &context));
    // A quick visit is over soon after this check.
    if context.effort.depth != Depth::Quick {
        finished.holdings.extend(again::SecondLook::of(&walks, looks));
    }
    finished
}

/// One family's path; `None` without an address of ours or a destination.
async fn one(context: &Context, far_end: &[IpAddr], family: Family, in_depth: bool) -> Option<(figures::Walk, Option<PathLook>)> {
    let to: Destination = destination(far_end, &context.known, family)?;
    let source = source(&context.known, family)?;
    let device = Device { name: context.interface.name.clone(), index: context.interface.index };
    let rounds = effort(context.effort.depth);
    let dscp = if context.effort.dscp == 0 { USUAL_DSCP } else { context.effort.dscp };
    let ends = PathEnds { source, destination: to.address, destination_port: rand::random_range(PROBE_PORTS) };
    let settings = PathSettings {
        source,
        destination: to.address,
        source_port: 0,
        destination_port: ends.destination_port,
        identifier: rand::random(),
        max_hops: MAX_HOPS,
        rounds: rounds.plain,
        marked_rounds: rounds.marked,
        marked_class: dscp << 2 | ECN_CAPABLE,
        round_interval: rounds.interval,
        gap: GAP,
        waiting_time: rounds.waiting_time,
        cookie: rand::random(),
    };
    let began_at = Instant::now();
    let mut told_at = began_at;
    let live = |machine: &PathMachine| {
        if told_at.elapsed() >= LIVE_INTERVAL {
            told_at = Instant::now();
            let answering = machine.report().hops.iter().filter(|h| !h.is_silent()).count();
            (context.live)(LiveFigure::new("path", format!("{answering} hops answer")));
        }
    };
    let (result, look) = match PathLook::open(settings, &device) {
        Ok(mut look) => (look.run(&context.cancel, live).await.map(|()| look.found()), Some(look)),
        Err(error) => (Err(error), None),
    };
    let took = began_at.elapsed();
    let several = match &result {
        Ok((path, _)) if in_depth => {
            // At the port that answers, so that the flows whose ways are known can be told by what they lose.
            let offer = view_of(context, to.address);
            let ends = PathEnds { destination_port: offer.map_or(ends.destination_port, |o| o.ports[0].port()), ..ends };
            several::look(&ends, path, &device, context.effort.confidence, offer, &context.cancel).await
        }
        _ => Ok(None),
    };
    let (paces, mtus) = match &result {
        Ok((path, _)) if in_depth => (
            pace::look(&ends, path, &device, &context.cancel).await.unwrap_or_default(),
            hop_mtu::look(&ends, path, &device, &context.cancel).await.ok(),
        ),
        _ => (Vec::new(), None),
    };
    let way_back = if in_depth { way_back::look(context, to.address, source).await } else { None };
    let walk = figures::Walk {
        family,
        to,
        gateway: gateway(&context.known, family),
        waiting_time: rounds.waiting_time,
        marked: (rounds.marked > 0).then_some(dscp << 2 | ECN_CAPABLE),
        class_is_asked_for: context.effort.dscp != 0,
        took,
        paces,
        mtus,
        way_back,
        several: several.map_err(|error| format!("looking for several ways: {error}")).transpose(),
        result: result.map_err(|error| super::echo::not_opened(&device.name, &error)),
    };
    Some((walk, look))
}

/// The view that the far end at this address offers.
fn view_of(context: &Context, address: IpAddr) -> Option<&ViewOffer> {
    let sessions = [&context.known.far_end, &context.known.far_end_beside];
    sessions.into_iter().flatten().find(|session| session.address == address)?.view.as_ref()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_but_soak_take_less_than_five_seconds() {
        for depth in [Depth::Quick, Depth::Handoff] {
            let cost = cost(&Volume {
                depth,
                load_time: Duration::from_secs(3),
                sold_down_mbit: 0.0,
                sold_up_mbit: 0.0,
                classes_mbit: None,
                tv: None,
                sizes: crate::plan::Sizes::NONE,
            });
            assert!(cost.time < Duration::from_secs(5), "{depth:?}: {:?}", cost.time);
        }
    }

    #[test]
    fn no_depth_asks_a_hop_for_more_than_a_usual_limit_lets_through() {
        for depth in [Depth::Quick, Depth::Handoff, Depth::Soak] {
            let Rounds { plain, marked, interval, .. } = effort(depth);
            let rounds = plain + marked;
            // Six at once and one a second: in any stretch of the run.
            let span = interval * (rounds - 1);
            assert!(f64::from(rounds) <= 6.0 + span.as_secs_f64(), "{depth:?}");
        }
    }
}
