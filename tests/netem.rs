//! `twoway` behind the kernel's own netem: variation, reordering, duplication and loss that others made, counted by others.
//!
//! The host's kernel may lack netem, so a User Mode Linux (package user-mode-linux) is the bridge between laptop and far end.
//! What happened is told by captures at both ends that tshark reads. Needs root, /dev/net/tun, and the packages of
//! tests/packages.txt; fails loudly without. All traffic stays in namespaces that the test makes.

#![allow(clippy::print_stdout, reason = "figures that the test saw are shown with --no-capture")]

#[path = "common/capture.rs"]
mod capture;
#[path = "netem/line.rs"]
mod line;
#[path = "common/machine.rs"]
mod machine;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "common/server.rs"]
mod server;
#[path = "netem/truth.rs"]
mod truth;

use std::time::Duration;

use doorstep::reading::{Outcome, Reading, Status};
use doorstep::unit::Direction;

use line::Line;
use truth::{Captured, Way, way};

fn of<'a>(outcome: &'a Outcome, name: &str, direction: Direction) -> &'a Reading {
    let found = outcome.readings.iter().find(|r| r.name == name && r.direction == Some(direction));
    found.unwrap_or_else(|| panic!("{name} {direction:?} in {:#?}", outcome.readings))
}

/// Holds a direction against its capture, and returns what that says: counts exactly, delays but for what lies between two
/// stamps of the same kernel.
fn agreed(outcome: &Outcome, direction: Direction, captured: &Captured, other_way_loses: bool) -> Way {
    // The check counts the stream and the closing packets before the one whose answer ended it.
    let counted = of(outcome, "twoway.loss_ratio", direction).samples;
    let truth = way(captured, counted);
    let lost = of(outcome, "twoway.loss_ratio", direction);
    assert_eq!((lost.value * counted as f64).round() as usize, truth.sent - truth.distinct, "{direction:?}: {lost:?} {truth:?}");
    // Order and copies are known of answered packets, the one that ended the stream among them.
    let agrees = |name: &str, part: fn(&Way) -> usize| {
        let reading = of(outcome, name, direction);
        [counted, counted + 1].map(|count| way(captured, count)).iter().any(|truth| {
            reading.samples == truth.distinct as u64 && (reading.value - part(truth) as f64 / truth.distinct as f64).abs() < 1e-9
        })
    };
    if !other_way_loses {
        assert!(agrees("twoway.duplicate_ratio", |way| way.copies - way.distinct), "{direction:?}: {outcome:#?} {truth:?}");
        assert!(agrees("twoway.reordered_ratio", |way| way.reordered), "{direction:?}: {outcome:#?} {truth:?}");
    }
    let told = of(outcome, "twoway.delay_variation_p95", direction).value;
    // Stamped in the protocol stack and at the capture, each of both ends: tens of microseconds apart, more when preempted.
    assert!((told - truth.variation_p95_ms).abs() < 0.5, "variation {direction:?}: {told} ms, capture {truth:?}");
    truth
}

#[test]
fn variation_reordering_duplicates_and_loss_of_the_kernels_netem_are_counted_as_captures_count_them() {
    let mut line = Line::build();
    let mut run = |up: &str, down: &str, count, interval_ms| {
        line.impair(up, down);
        let (outcome, [there, back]) = line.measure(count, Duration::from_millis(interval_ms));
        assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
        let there = agreed(&outcome, Direction::Up, &there, down.contains("loss"));
        let back = agreed(&outcome, Direction::Down, &back, up.contains("loss"));
        println!("up {up:?}: {there:?}\ndown {down:?}: {back:?}");
        (outcome, there, back)
    };

    let (_, there, back) = run("", "", 300, 5);
    for clean in [there, back] {
        assert_eq!((clean.copies, clean.reordered), (clean.sent, 0), "nothing was asked for: {clean:?}");
    }

    // Even between 16 and 24 ms (tc-netem(8)), wider apart than that, so none overtakes: the 95th percentile above the least
    // is 7.6 ms. Of 300, the sample's is within 3.5 standard errors (8 ms x sqrt(0.95 x 0.05 / 300) = 0.1 ms); the virtual
    // machine's own median is 0.15 ms and its tail some ms.
    let (outcome, ..) = run("delay 20ms 4ms", "", 300, 12);
    let (up, down) = [Direction::Up, Direction::Down].map(|d| of(&outcome, "twoway.delay_variation_p95", d).value).into();
    assert!((7.0..10.0).contains(&up), "{up} ms up");
    assert!(down < up / 2.0, "{down} ms down: only the way up varies");
    // Even between +-4 ms: the mean of |D| is a third of 8 ms (RFC 3550 section 6.4.1 smooths it by 1/16, so it wanders).
    let jitter = of(&outcome, "twoway.jitter", Direction::Up).value;
    assert!((1.3..5.0).contains(&jitter), "{jitter} ms of jitter");

    // Each twentieth packet goes ahead at once, by 10 ms or five packets.
    let (_, there, back) = run("delay 10ms reorder 5%", "", 1000, 2);
    assert!(there.reordered > 20, "netem reordered: {there:?}");
    assert!(back.reordered <= there.reordered / 10, "only the way up does: {back:?}");

    let (_, there, back) = run("", "delay 5ms duplicate 3%", 1000, 3);
    // 30 are expected; 4 standard deviations are 22 (binomial).
    assert!((8..=52).contains(&(back.copies - back.distinct)), "netem doubled: {back:?}");
    assert_eq!(there.copies, there.distinct, "only the way down does: {there:?}");

    // Gilbert and Elliott: 0.02 / (0.02 + 0.25) = 7.4 % lost, four in a row on average; what was really lost the captures say.
    let (_, there, _) = run("delay 3ms loss gemodel 2% 25% 100% 0%", "", 1000, 3);
    assert!(there.sent - there.distinct > 10, "netem lost: {there:?}");

    for delay in [1.0, 80.0, 300.0] {
        let (outcome, there, back) = run(&format!("delay {delay}ms"), "", 200, 5);
        let trip = outcome.readings.iter().find(|one| one.name == "twoway.round_trip_p50").expect("a median").value;
        // Hardly anything varies, so medians add up; the same half millisecond is left for preemption as above.
        let captured = there.delay_p50_ms + back.delay_p50_ms;
        assert!((trip - captured).abs() < 0.5 && trip >= delay, "{trip} ms, captures {captured} ms, set {delay} ms");
    }

    let (_, there, back) = run("delay 3ms loss 2%", "delay 3ms loss 5%", 1000, 3);
    assert!(there.sent - there.distinct > 2 && back.sent - back.distinct > 20, "netem lost: {there:?} {back:?}");
}
