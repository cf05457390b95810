//! Traps of how a provider shapes, shares and queues. All figures are invented.

use super::*;

/// The delay while the line is filled.
pub(super) fn under_load(ms: f64, load: Load) -> Reading {
    Reading::new("throughput.delay_under_load_p95", ms, 400, around(ms, 0.1)).under(load)
}

/// Delays under load down and up.
pub(super) fn queues(down: f64, up: f64) -> Outcome {
    let mut outcome = throughput(240.0, 48.0);
    outcome.readings.retain(|reading| !reading.name.starts_with("throughput.delay_under_load"));
    outcome.readings.extend([under_load(down, Load::Down), under_load(up, Load::Up)]);
    outcome
}

/// Of 64 flows this share loses so much of its packets.
pub(super) fn flows(bad: f64, each: f64) -> Outcome {
    let readings = vec![
        Reading::new("path.bad_flow_ratio", bad, 64, around(bad, 0.2)),
        Reading::new("path.flow_loss_ratio", bad * each, 2560, around(bad * each, 0.1)),
    ];
    flawed(done(readings), "path-flows-lose")
}

/// One stream's rate beside that of several.
fn one_stream(outcome: Outcome, code: &str) -> Outcome {
    let mut outcome = if code.is_empty() { outcome } else { flawed(outcome, code) };
    outcome.readings.push(Reading::new("throughput.single_stream_rate", 60.0, 40, around(60.0, 0.01)).toward(Direction::Down));
    outcome
}

/// A full network in the evening.
pub(super) fn evening(rate: f64, ms: f64) -> Visit {
    let visit = sound().with("echo", echo((0, 0.6), (0, 3.0), (0, ms))).with("twoway", twoway(0, ms));
    Visit { hour: Some(20), ..visit.with("throughput", throughput(rate, 48.0)) }
}

/// One line for each.
pub(super) fn scenarios() -> Vec<(&'static str, Visit, Option<Segment>)> {
    let tier = |down: f64, up: f64| throughput(down * 1448.0 / 1500.0, up * 1448.0 / 1500.0);
    let mut damaged = link();
    damaged.readings[3] = Reading::exact("link.receive_errors", 900.0);
    let network = Some(Segment::Network);
    vec![
        ("wrong-tier", sound().with("throughput", tier(100.0, 40.0)), network),
        // Neither the half nor one direction alone is a tier.
        ("access-slow", sound().with("throughput", tier(125.0, 25.0)), Some(Segment::Access)),
        ("access-slow-down", sound().with("throughput", tier(100.0, 50.0)), Some(Segment::Access)),
        ("per-flow-shaper", sound().with("throughput", one_stream(throughput(240.0, 48.0), "single-stream-shaped")), network),
        ("none-found", sound().with("throughput", one_stream(throughput(240.0, 48.0), "single-stream-window")), None),
        ("deep-queue-up", sound().with("throughput", queues(30.0, 700.0)), Some(Segment::Home)),
        ("deep-queue-up", sound().with("throughput", queues(30.0, 700.0)).at(Position::Ont), Some(Segment::Access)),
        ("deep-queue-down", sound().with("throughput", queues(700.0, 30.0)), Some(Segment::Access)),
        ("evening-congestion", evening(120.0, 70.0), network),
        ("half-of-flows-lost", sound().with("path", flows(0.5, 1.0)), network),
        ("one-way-loses", sound().with("path", flows(0.5, 0.1)), network),
        ("duplex-mismatch", sound().with("link", damaged).with("throughput", throughput(60.0, 9.0)), Some(Segment::Home)),
    ]
}

#[test]
fn the_evening_alone_is_no_fault_and_by_day_nobody_suspects_it() {
    assert_eq!(Visit { hour: Some(20), ..sound() }.isolate().fault, "none-found");
    let by_day = Visit { hour: Some(10), ..evening(120.0, 70.0) }.isolate();
    assert_ne!(by_day.fault, "evening-congestion", "{by_day:#?}");
    assert!(by_day.alternatives.iter().all(|other| other.fault != "evening-congestion"), "{by_day:#?}");
}

#[test]
fn a_record_that_tells_no_hour_is_judged_without_it() {
    let found = Visit { hour: None, ..evening(240.0, 70.0) }.isolate();
    assert_eq!(found.fault, "network-delay", "{found:#?}");
}
