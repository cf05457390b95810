//! Made-up visits at Example Valley Broadband (an invented provider), compared.

use std::time::Duration;

use super::*;
use crate::metric::loss_interval::clopper_pearson;
use crate::profile;
use crate::reading::{Limit, Outcome, Reading, Status, Target};
use crate::record::{Agent, Place, PlanNote};
use crate::unit::{AccessKind, Depth, Direction, Interval, Load};

/// A visit in which so many of 3,000 test packets were lost each way, with a 95th percentile of so many milliseconds within a tenth.
fn visit(number: u128, position: Position, lost: u64, delay_ms: f64) -> Record {
    let sent = 3000;
    let loss = |direction| {
        let interval = clopper_pearson(lost, sent, 0.95);
        let reading = Reading::new("twoway.loss_ratio", lost as f64 / sent as f64, sent, interval);
        reading.toward(direction).on(Target::FarEnd)
    };
    let around = Interval { low: Some(delay_ms * 0.95), high: Some(delay_ms * 1.05), confidence: 0.95 };
    let delay = Reading::new("twoway.round_trip_p95", delay_ms, sent, around).on(Target::FarEnd);
    with(number, position, vec![loss(Direction::Down), loss(Direction::Up), delay])
}

fn with(number: u128, position: Position, readings: Vec<Reading>) -> Record {
    let profile = profile::load("fibre-250-50").unwrap();
    let agent = Agent { version: "0.1.0".into(), host: "van-7".into(), kernel: "6.1.0".into() };
    let place = Place { circuit: Some("EV-0042".into()), position, interface: "eth0".into(), ..Place::default() };
    let started: Timestamp = "2026-11-25T10:00:00Z".parse().unwrap();
    let started = started + Duration::from_secs(3600 * u64::try_from(number).unwrap());
    let mut record = Record::begin(Uuid::from_u128(number), started, agent, place, Some(&profile));
    record.plan = Some(PlanNote { depth: Depth::Handoff, expected_s: 41.0, octets: 1 });
    for (check, readings) in by_check(readings) {
        record.add(&check, Duration::from_secs(1), Outcome { readings, ..Outcome::new(Status::Done) });
    }
    record.conclude(Some(&profile));
    record.finish(started + Duration::from_secs(60), None);
    record
}

fn by_check(readings: Vec<Reading>) -> std::collections::BTreeMap<String, Vec<Reading>> {
    let mut checks: std::collections::BTreeMap<String, Vec<Reading>> = std::collections::BTreeMap::new();
    for reading in readings {
        checks.entry(reading.name.split('.').next().unwrap().to_owned()).or_default().push(reading);
    }
    checks
}

fn fates(comparison: &Comparison) -> Vec<(&str, Fate, bool)> {
    comparison.troubles.iter().map(|trouble| (trouble.criterion.as_str(), trouble.fate, trouble.beyond_chance)).collect()
}

#[test]
fn what_is_missed_inside_and_met_at_the_terminal_lies_in_the_home() {
    let (inside, outside) = (visit(1, Position::Gateway, 90, 12.0), visit(2, Position::Ont, 0, 11.9));
    let comparison = compare(&inside, &outside).unwrap();
    assert_eq!(comparison.segment, Some(Segment::Home), "{comparison:#?}");
    assert_eq!(fates(&comparison), [("loss", Fate::Gone, true), ("loss", Fate::Gone, true)]);
    assert!(comparison.conclusion.contains("missed behind the gateway and met at the terminal"), "{}", comparison.conclusion);
    assert_eq!(comparison.changes.len(), 2, "the delay is what it was: {:#?}", comparison.changes);
    assert!(comparison.changes.iter().all(|change| change.course == Course::Better && change.high.unwrap() < -0.02));
    // The other way round it says the same of the place.
    let turned = compare(&outside, &inside).unwrap();
    assert_eq!((turned.segment, &turned.conclusion), (Some(Segment::Home), &comparison.conclusion));
    assert_eq!(fates(&turned)[0].1, Fate::New);
}

#[test]
fn what_is_missed_at_both_places_is_not_between_them() {
    let (inside, outside) = (visit(1, Position::Inside, 80, 12.0), visit(2, Position::Ont, 85, 12.0));
    let comparison = compare(&inside, &outside).unwrap();
    assert_eq!(fates(&comparison), [("loss", Fate::Stays, false), ("loss", Fate::Stays, false)]);
    assert_ne!(comparison.segment, Some(Segment::Home), "{comparison:#?}");
    assert!(comparison.conclusion.contains("nothing between the two places explains it"), "{}", comparison.conclusion);
    assert!(comparison.changes.is_empty(), "80 and 85 of 3,000 are no change: {:#?}", comparison.changes);
}

#[test]
fn a_repair_is_shown_by_what_changed_and_a_new_fault_is_named() {
    let (before, after) = (visit(1, Position::Gateway, 90, 12.0), visit(2, Position::Gateway, 0, 12.0));
    let repaired = compare(&before, &after).unwrap();
    assert_eq!(repaired.conclusion, "loss was missed and is met now");
    let broken = compare(&after, &before).unwrap();
    assert_eq!(broken.conclusion, "loss was met and is missed now");
    assert_eq!(broken.cautions, ["the first record is the later one"]);
    let same = compare(&after, &visit(3, Position::Gateway, 0, 12.1)).unwrap();
    assert_eq!((same.changes.len(), same.unchanged, same.segment), (0, 3, None));
    assert_eq!(same.conclusion, "no limit is missed, and nothing that has one changed beyond chance (95 %)");
}

#[test]
fn a_verdict_that_turned_by_chance_is_not_called_a_change() {
    // The limit of the delay is 30 ms. One interval of 95 % clears it and the other misses it; held together with two more figures, each needs 98.3 %.
    let visit = |number, low, value, high| {
        let mut record = visit(number, Position::Gateway, 0, 12.0);
        let reading = record.checks[0].outcome.readings.iter_mut().find(|reading| reading.name.ends_with("_p95")).unwrap();
        (reading.value, reading.low, reading.high) = (value, Some(low), Some(high));
        record.conclude(Some(&profile::load("fibre-250-50").unwrap()));
        record
    };
    let (met, missed) = (visit(1, 27.85, 28.9, 29.95), visit(2, 30.05, 31.05, 32.05));
    let comparison = compare(&met, &missed).unwrap();
    assert_eq!(fates(&comparison), [("delay", Fate::New, false)], "{comparison:#?}");
    assert_eq!(comparison.conclusion, "delay was met and is missed now, but chance can make that difference");
}

#[test]
fn a_setting_that_is_another_is_a_change_and_one_event_each_says_nothing() {
    let readings = |speed, renewal| vec![Reading::exact("link.speed", speed), Reading::exact("dhcp4.renewal_time", renewal)];
    let comparison =
        compare(&with(1, Position::Gateway, readings(100.0, 20.0)), &with(2, Position::Gateway, readings(1000.0, 900.0)))
            .unwrap();
    let changes: Vec<(&str, Course)> = comparison.changes.iter().map(|change| (change.reading.as_str(), change.course)).collect();
    assert_eq!(changes, [("link.speed", Course::Better)]);
    assert_eq!(comparison.untold[0].because, "one event each says nothing of chance");
}

/// A share that a check tells without an interval, and what the test set itself did, are no changes of the line.
#[test]
fn estimates_without_an_interval_and_figures_of_the_test_set_are_no_changes() {
    let readings = |share, busy| {
        vec![
            Reading::exact("throughput.fairness", share).toward(Direction::Down),
            Reading::exact("throughput.test_set_cpu", busy).toward(Direction::Down),
            Reading::exact("mtu.path_mtu", 1500.0),
        ]
    };
    let comparison =
        compare(&with(1, Position::Gateway, readings(0.92, 0.05)), &with(2, Position::Ont, readings(0.88, 0.5))).unwrap();
    assert!(comparison.changes.is_empty(), "{comparison:#?}");
    assert_eq!((comparison.untold.len(), comparison.unchanged), (1, 1));
}

#[test]
fn what_the_test_set_bounded_is_not_compared() {
    let rate = |mbit: f64| {
        let around = Interval { low: Some(mbit - 1.0), high: Some(mbit + 1.0), confidence: 0.95 };
        Reading::new("throughput.tcp_payload_rate", mbit, 40, around).toward(Direction::Down).under(Load::Down)
    };
    let bounded = rate(94.0).limited_by(Limit::TestSet, "port negotiated 100 Mbit/s");
    let comparison = compare(&with(1, Position::Gateway, vec![bounded]), &with(2, Position::Ont, vec![rate(240.0)])).unwrap();
    assert!(comparison.changes.is_empty(), "{comparison:#?}");
    assert!(comparison.untold[0].because.contains("port negotiated 100 Mbit/s"), "{:?}", comparison.untold);
}

#[test]
fn unlike_visits_are_refused_with_every_reason() {
    let one = visit(1, Position::Gateway, 0, 12.0);
    let reasons = |other: &Record| compare(&one, other).unwrap_err().0.join("; ");
    assert_eq!(reasons(&one), "they are one and the same record");
    let mut other = visit(2, Position::Gateway, 0, 12.0);
    other.place.circuit = Some("EV-0043".into());
    other.place.access = AccessKind::Pppoe;
    other.plan.as_mut().unwrap().depth = Depth::Soak;
    other.profile.as_mut().unwrap().name = "vdsl-100-40".into();
    let told = reasons(&other);
    for part in
        ["EV-0042 and EV-0043", "by a session", "a handoff visit and the other a soak visit", "fibre-250-50 and vdsl-100-40"]
    {
        assert!(told.contains(part), "{part} in {told}");
    }
    // At the terminal a session is what stands behind the gateway's Ethernet.
    let mut outside = visit(3, Position::Ont, 0, 12.0);
    outside.place.access = AccessKind::Pppoe;
    assert!(compare(&one, &outside).is_ok());
    let empty = with(4, Position::Gateway, Vec::new());
    assert!(reasons(&empty).contains("the second holds no figure"));
    let named = |host: &str| {
        let mut record = visit(5, Position::Gateway, 0, 12.0);
        let mut outcome = Outcome::new(Status::Done);
        outcome.fact("host", host);
        record.add("farend", Duration::from_secs(1), outcome);
        record
    };
    let (one, mut two) = (named("far.example.net"), named("other.example.net"));
    two.id = Uuid::from_u128(6);
    assert!(compare(&one, &two).unwrap_err().to_string().contains("two far ends, far.example.net and other.example.net"));
}

/// Two visits on one unchanged line: so many lost of so many packets, and delays, drawn anew for each. Each pair claims a change with at most 5 per cent; of
/// 400 pairs more than 35 would be chance with less than 0.0005 (binomial, mean 20, deviation 4.4, and three and a half of them).
#[test]
fn an_unchanged_line_seldom_seems_to_have_changed() {
    let mut chance = crate::unit::chance::Chance(11);
    let mut uniform = move || chance.uniform();
    let mut drawn = |number| {
        let mut readings = Vec::new();
        for direction in [Direction::Down, Direction::Up] {
            let lost = (0..600).filter(|_| uniform() < 0.005).count() as u64;
            readings.push(
                Reading::new("twoway.loss_ratio", lost as f64 / 600.0, 600, clopper_pearson(lost, 600, 0.95)).toward(direction),
            );
        }
        for (name, q) in [("twoway.round_trip_p50", 0.5), ("twoway.round_trip_p95", 0.95), ("twoway.delay_variation_p95", 0.95)] {
            let mut sample: Vec<f64> = (0..400).map(|_| 20.0 - 3.0 * (1.0 - uniform()).ln()).collect();
            sample.sort_by(f64::total_cmp);
            let interval = crate::metric::quantile::interval_of_sorted(&sample, 0, q, 0.95);
            let value = crate::metric::quantile::of_sorted(&sample, 0, q).unwrap();
            readings.push(Reading::new(name, value, 400, interval));
        }
        with(number, Position::Gateway, readings)
    };
    let changed = (0..400).filter(|n| !compare(&drawn(2 * n + 1), &drawn(2 * n + 2)).unwrap().changes.is_empty()).count();
    assert!(changed <= 35, "{changed} of 400");
}
