//! Streams of other classes of service beside the main one, and whether the line keeps them apart and their marking whole.
//!
//! A line that is sold with classes has to carry each; one that is not must still carry all packets, and whoever marks them anew
//! is to be named. They are thin, so that they disturb neither the main stream nor the line. It must not know who judges them:
//! what a class is entitled to stands in a contract, if anywhere.

use std::net::SocketAddr;
use std::time::Duration;

use serde_json::json;

use super::figures;
use super::part::Part;
use super::stream::{StreamConfig, StreamResult};
use crate::check::Effort;
use crate::metric::quantile;
use crate::metric::sampling::Sampling;
use crate::plan::Volume;
use crate::proto::stamp::schedule::Spacing;
use crate::reading::{Outcome, Reading, Target};
use crate::unit::{Depth, Direction, Family, ServiceClass};

/// Below this sold rate the share of the usual classes is no longer small.
const LEAST_MBIT: f64 = 5.0;

/// The classes that run at this depth beside a main stream of this code point: the profile's own, checked against the sold rate, or
/// else the usual ones where the line was sold wide enough.
fn chosen(depth: Depth, asked: Option<&[ServiceClass]>, sold_up_mbit: f64, main_dscp: u8) -> Vec<ServiceClass> {
    let slow = sold_up_mbit > 0.0 && sold_up_mbit < LEAST_MBIT;
    match asked {
        _ if depth == Depth::Quick => Vec::new(),
        Some(asked) => asked.to_vec(),
        None if slow => Vec::new(),
        None => ServiceClass::usual().into_iter().filter(|class| class.dscp != main_dscp).collect(),
    }
}

/// Octets of IP that they move at most, both ways, beside a main stream of so many packets with this gap.
pub(super) fn volume(volume: &Volume, packets: u64, interval: Duration) -> u64 {
    match volume.classes_mbit {
        _ if volume.depth == Depth::Quick => 0,
        Some(mbit) => (2.0 * mbit * 1e6 / 8.0 * packets as f64 * interval.as_secs_f64()).ceil() as u64,
        None => {
            let classes = chosen(volume.depth, None, volume.sold_up_mbit, 0);
            classes.iter().map(|class| 2 * class.packets(packets, interval) * u64::from(class.octets)).sum()
        }
    }
}

/// Their streams, made after the main one.
pub(super) fn streams(main: &StreamConfig, effort: &Effort) -> Vec<(ServiceClass, StreamConfig)> {
    let of = |class: ServiceClass| {
        let mut config = main.clone();
        config.dscp = class.dscp;
        let stream = &mut config.stream;
        stream.count = stream.count.map(|packets| class.packets(packets, main.stream.interval));
        stream.interval = class.interval(main.stream.interval);
        stream.spacing = Spacing::Periodic { phase: rand::random() };
        stream.reply_dscp = Some(class.dscp);
        stream.payload_octets = usize::from(class.octets) - headers(main.reflector);
        (class, config)
    };
    chosen(effort.depth, effort.classes.as_deref(), effort.sold_up_mbit, main.dscp).into_iter().map(of).collect()
}

/// Octets of the IP and UDP headers of a packet to there.
fn headers(to: SocketAddr) -> usize {
    match to {
        SocketAddr::V4(_) => 28,
        SocketAddr::V6(_) => 48,
    }
}

/// What the stream of a class found.
pub(super) struct Found {
    pub(super) class: ServiceClass,
    pub(super) config: StreamConfig,
    pub(super) part: Part,
    pub(super) result: std::io::Result<StreamResult>,
}

/// Makes readings of what the stream has shown.
pub(super) fn reader(config: &StreamConfig, sampling: Sampling) -> impl Fn(&StreamResult) -> Vec<Reading> + use<> {
    let (dscp, family) = (config.dscp, Family::of(config.reflector.ip()));
    move |result| {
        let of_class = figures::limited(readings(result, sampling), result);
        of_class.into_iter().map(|reading| reading.on(Target::Class(dscp)).over(family)).collect()
    }
}

/// Adds what the classes' streams found to the main one's outcome.
pub(super) fn add(outcome: &mut Outcome, found: &[Found]) {
    let mut facts = Vec::new();
    for Found { class, config, part, result } in found {
        let result = match result {
            Ok(result) => result,
            Err(error) => {
                facts.push(json!({ "name": class.name, "dscp": config.dscp, "not_measured": error.to_string() }));
                continue;
            }
        };
        let (account, dscp) = (&result.account, config.dscp);
        let of_class = reader(config, part.sampling())(result);
        outcome.readings.extend(of_class.into_iter().map(|reading| reading.sequential(part.said())));
        if account.sent > 0 && account.lost == account.sent {
            let name = class.name.as_ref().map_or(String::new(), |name| format!(" ({name})"));
            let what = format!("none of {} packets with DSCP {dscp}{name} was answered", account.sent);
            outcome.flaw("twoway-class-unanswered", what, None);
        }
        figures::rewritten(outcome, config, &account.seen);
        facts.push(json!({
            "name": class.name,
            "dscp": dscp,
            "ip_octets": result.payload_octets + headers(config.reflector),
            "udp_payload_octets": result.payload_octets,
            "packets_sent": account.sent,
            "packets_unanswered": account.lost,
            "dscp_at_reflector": account.seen.dscp_at_reflector,
            "dscp_back": account.seen.dscp_back,
            "answers_that_the_reflector_marked_otherwise": account.seen.marked_otherwise,
            "own_slots_skipped": account.tally.skipped_slots,
        }));
    }
    if !facts.is_empty() {
        outcome.fact("classes", facts);
    }
}

fn readings(result: &StreamResult, sampling: Sampling) -> Vec<Reading> {
    let account = &result.account;
    let loss = |lost, sent, effect| figures::loss("twoway.class_loss_ratio", lost, sent, effect, sampling);
    let mut readings = Vec::new();
    if let Some(ways) = &account.ways {
        for (direction, way) in [(Direction::Up, &ways.forward), (Direction::Down, &ways.backward)] {
            readings.extend(loss(way.lost, way.sent, way.loss_design_effect()).map(|reading| reading.toward(direction)));
            let sorted = way.variation_sorted_ms();
            if let Some(value) = quantile::of_sorted(&sorted, 0, 0.95) {
                let interval = quantile::interval_of_sorted(&sorted, 0, 0.95, sampling);
                let reading = Reading::new("twoway.class_delay_variation_p95", value, sorted.len() as u64, interval);
                readings.push(reading.toward(direction));
            }
        }
    }
    if account.ways.as_ref().is_none_or(|ways| ways.undetermined > 0) {
        readings.extend(loss(account.lost, account.sent, account.loss_design_effect()));
    }
    for (name, q) in [("twoway.class_round_trip_p50", 0.5), ("twoway.class_round_trip_p95", 0.95)] {
        readings.extend(account.round_trip_reading(name, q, sampling));
    }
    readings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::ClassPace;

    #[test]
    fn classes_run_where_there_is_time_and_room_and_none_twice() {
        let dscps = |depth, mbit, main| chosen(depth, None, mbit, main).iter().map(|class| class.dscp).collect::<Vec<_>>();
        assert_eq!(dscps(Depth::Handoff, 0.0, 0), [46, 34, 8]);
        assert_eq!(dscps(Depth::Soak, 40.0, 46), [34, 8]);
        assert!(dscps(Depth::Quick, 40.0, 0).is_empty() && dscps(Depth::Handoff, 1.0, 0).is_empty());
    }

    #[test]
    fn what_the_profile_asks_for_runs_as_asked_but_not_in_a_quick_visit() {
        let asked = [ServiceClass { name: None, dscp: 0, octets: 1500, pace: ClassPace::Every(Duration::from_millis(100)) }];
        assert_eq!(chosen(Depth::Handoff, Some(&asked), 1.0, 0), asked);
        assert!(chosen(Depth::Soak, Some(&[]), 100.0, 0).is_empty() && chosen(Depth::Quick, Some(&asked), 100.0, 0).is_empty());
        // 1500 octets each 100 ms for 9 s, both ways.
        let moved = |depth| {
            let of = Volume {
                depth,
                load_time: Duration::ZERO,
                sold_down_mbit: 0.0,
                sold_up_mbit: 1.0,
                classes_mbit: Some(asked[0].mbit(Duration::from_millis(9))),
                tv: None,
                sizes: crate::plan::Sizes::NONE,
            };
            volume(&of, 1000, Duration::from_millis(9))
        };
        assert_eq!((moved(Depth::Handoff), moved(Depth::Quick)), (2 * 90 * 1500, 0));
    }
}
