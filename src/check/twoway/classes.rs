//! Streams of other classes of service beside the main one, and whether the line keeps them apart and their marking whole.
//!
//! A line that is sold with classes has to carry each; one that is not must still carry all packets, and whoever marks them anew
//! is to be named. They are thin, so that they disturb neither the main stream nor the line. It must not know who judges them:
//! what a class is entitled to stands in a contract, if anywhere.

use serde_json::json;

use super::figures;
use super::stream::{StreamConfig, StreamResult};
use crate::check::Effort;
use crate::metric::quantile;
use crate::plan::Volume;
use crate::proto::stamp::schedule::Spacing;
use crate::reading::{Outcome, Reading, Target};
use crate::unit::{Depth, Direction, Family};

/// One class.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Class {
    /// Its code point.
    pub(super) dscp: u8,
    /// UDP payload octets of its packets: what rides in such a class is of that size, roughly.
    pub(super) octets: usize,
}

/// Voice (EF, RFC 3246), video conferences (AF41, RFC 4594 section 4.3) and bulk of low priority (CS1, RFC 4594 section 4.10), beside the
/// main stream's own class, which is best effort unless the profile says otherwise. The sizes are ours.
const CLASSES: [Class; 3] =
    [Class { dscp: 46, octets: super::PAYLOAD_OCTETS }, Class { dscp: 34, octets: 600 }, Class { dscp: 8, octets: 300 }];
/// One packet of a class to so many of the main stream, and 1 ms beside that, so that they don't march in step.
const THINNER: u32 = 10;
/// Below this sold rate their share is no longer small.
const LEAST_MBIT: f64 = 5.0;

/// The classes that run at this depth on a line that was sold so, beside a main stream of this code point.
pub(super) fn chosen(depth: Depth, sold_up_mbit: f64, main_dscp: u8) -> Vec<Class> {
    let slow = sold_up_mbit > 0.0 && sold_up_mbit < LEAST_MBIT;
    if depth == Depth::Quick || slow {
        return Vec::new();
    }
    CLASSES.into_iter().filter(|class| class.dscp != main_dscp).collect()
}

/// Octets that they move, both ways, beside a main stream of so many packets.
pub(super) fn volume(volume: &Volume, packets: u64, headers: u64) -> u64 {
    let classes = chosen(volume.depth, volume.sold_up_mbit, 0);
    classes.iter().map(|class| 2 * thinned(packets) * (class.octets as u64 + headers)).sum()
}

fn thinned(packets: u64) -> u64 {
    (packets / u64::from(THINNER)).saturating_sub(2).max(1)
}

/// Their streams, made after the main one.
pub(super) fn streams(main: &StreamConfig, effort: &Effort) -> Vec<StreamConfig> {
    let of = |class: Class| {
        let mut config = main.clone();
        config.dscp = class.dscp;
        let stream = &mut config.stream;
        stream.count = stream.count.map(thinned);
        stream.interval = stream.interval * THINNER + std::time::Duration::from_millis(1);
        stream.spacing = Spacing::Periodic { phase: rand::random() };
        stream.reply_dscp = Some(class.dscp);
        stream.payload_octets = class.octets;
        config
    };
    chosen(effort.depth, effort.sold_up_mbit, main.dscp).into_iter().map(of).collect()
}

/// Adds what the classes' streams found to the main one's outcome.
pub(super) fn add(outcome: &mut Outcome, found: &[(StreamConfig, std::io::Result<StreamResult>)], confidence: f64) {
    let mut facts = Vec::new();
    for (config, result) in found {
        let result = match result {
            Ok(result) => result,
            Err(error) => {
                facts.push(json!({ "dscp": config.dscp, "not_measured": error.to_string() }));
                continue;
            }
        };
        let (account, dscp) = (&result.account, config.dscp);
        let family = Family::of(config.reflector.ip());
        let of_class = figures::limited(readings(result, confidence), result);
        outcome.readings.extend(of_class.into_iter().map(|reading| reading.on(Target::Class(dscp)).over(family)));
        if account.sent > 0 && account.lost == account.sent {
            let what = format!("none of {} packets with DSCP {dscp} was answered", account.sent);
            outcome.flaw("twoway-class-unanswered", what, None);
        }
        figures::rewritten(outcome, config, &account.seen);
        facts.push(json!({
            "dscp": dscp,
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

fn readings(result: &StreamResult, confidence: f64) -> Vec<Reading> {
    let account = &result.account;
    let loss = |lost, sent, effect| figures::loss("twoway.class_loss_ratio", lost, sent, effect, confidence);
    let mut readings = Vec::new();
    if let Some(ways) = &account.ways {
        for (direction, way) in [(Direction::Up, &ways.forward), (Direction::Down, &ways.backward)] {
            readings.extend(loss(way.lost, way.sent, way.loss_design_effect()).map(|reading| reading.toward(direction)));
            let sorted = way.variation_sorted_ms();
            if let Some(value) = quantile::of_sorted(&sorted, 0, 0.95) {
                let interval = quantile::interval_of_sorted(&sorted, 0, 0.95, confidence);
                let reading = Reading::new("twoway.class_delay_variation_p95", value, sorted.len() as u64, interval);
                readings.push(reading.toward(direction));
            }
        }
    }
    if account.ways.as_ref().is_none_or(|ways| ways.undetermined > 0) {
        readings.extend(loss(account.lost, account.sent, account.loss_design_effect()));
    }
    for (name, q) in [("twoway.class_round_trip_p50", 0.5), ("twoway.class_round_trip_p95", 0.95)] {
        readings.extend(account.round_trip_reading(name, q, confidence));
    }
    readings
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_run_where_there_is_time_and_room_and_none_twice() {
        let dscps = |depth, mbit, main| chosen(depth, mbit, main).iter().map(|class| class.dscp).collect::<Vec<_>>();
        assert_eq!(dscps(Depth::Handoff, 0.0, 0), [46, 34, 8]);
        assert_eq!(dscps(Depth::Soak, 40.0, 46), [34, 8]);
        assert!(dscps(Depth::Quick, 40.0, 0).is_empty() && dscps(Depth::Handoff, 1.0, 0).is_empty());
        // All classes together take below 3 % of the slowest line that has them: packets each 91 ms, 48 octets of IP and UDP on top.
        let octets: usize = CLASSES.iter().map(|class| class.octets + 48).sum();
        assert!(octets as f64 * 8.0 / 0.091 < 0.03 * LEAST_MBIT * 1e6);
        // And a 95th percentile has an upper bound from 72 samples on.
        assert!(thinned(1000) >= 72);
    }
}
