//! Throughput: the TCP payload rate of a shaped line is what the header arithmetic says, to 1 %.

use std::time::Duration;

use doorstep::check::throughput::Throughput;
use doorstep::check::{Check, Known};
use doorstep::farend::client::Session;
use doorstep::practice::topology::{FAR_END_V4, LAPTOP_PORT};
use doorstep::practice::{LineConfig, PracticeLine, Services, Shape};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::{Depth, Direction};
use std::sync::Arc;

use crate::lab::{bare, build, context, on_laptop};

/// TCP payload per octet of a full Ethernet frame without its check sequence: 1514 less 14 Ethernet, 20 IPv4 (RFC 791), 20 TCP
/// (RFC 9293) and 12 of time stamps (RFC 7323).
const PAYLOAD_SHARE: f64 = 1448.0 / 1514.0;
/// A machine that is busy with something else may starve a sender in one run, not in three.
const TRIES: usize = 3;

/// One run, with the line's own rates as those that were sold.
fn examine(line: &PracticeLine, down: f64, up: f64) -> Outcome {
    let mut context = context(line, Known::default(), Depth::Quick);
    let target = line.far_end_target();
    context.effort.load_time = Duration::from_secs(3);
    (context.effort.sold_down_mbit, context.effort.sold_up_mbit) = (down, up);
    on_laptop(line, move || async move {
        let session = Session::open(&target, FAR_END_V4.into(), LAPTOP_PORT).await.expect("the far end is invited");
        let known = Known { far_end: Some(Arc::new(session)), ..(*context.known).clone() };
        context.known = Arc::new(known);
        Throughput.run(context).await.outcome
    })
}

fn assert_within_1_percent(down: f64, up: f64) {
    let services = Services { far_end: true, ..Services::NONE };
    let shape = |mbit| Shape::ethernet_mbit(mbit);
    let line = build(LineConfig { down: shape(down), up: shape(up), services, ..bare() });
    let mut seen: Vec<[f64; 2]> = Vec::new();
    for _ in 0..TRIES {
        let outcome = examine(&line, down, up);
        assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
        let error = [(Direction::Down, down), (Direction::Up, up)].map(|(direction, mbit)| {
            let rate = outcome
                .readings
                .iter()
                .find(|r| r.name == "throughput.tcp_payload_rate" && r.direction == Some(direction))
                .expect("a rate");
            rate.value / (mbit * PAYLOAD_SHARE) - 1.0
        });
        seen.push(error);
        if error.iter().all(|e| e.abs() < 0.01) {
            break;
        }
    }
    println!("{down} down, {up} up: errors {seen:?}");
    // Never more than the line can carry, however the machine is: that would be a wrong count.
    assert!(seen.iter().flatten().all(|e| *e < 0.01), "{down} down, {up} up: {seen:?}");
    assert!(seen.last().is_some_and(|error| error.iter().all(|e| *e > -0.01)), "{down} down, {up} up: {seen:?}");
}

#[test]
fn a_rate_of_16_mbit_is_found_to_1_percent() {
    assert_within_1_percent(16.0, 16.0);
}

#[test]
fn a_rate_of_100_mbit_is_found_to_1_percent() {
    assert_within_1_percent(100.0, 100.0);
}

#[test]
fn a_rate_of_500_mbit_is_found_to_1_percent() {
    assert_within_1_percent(500.0, 500.0);
}

#[test]
fn a_rate_of_940_mbit_is_found_to_1_percent() {
    assert_within_1_percent(940.0, 940.0);
}
