//! Echo: set delays, set losses within the interval as often as it promises, times of a capture.

use std::time::Duration;

use doorstep::check::Known;
use doorstep::check::echo::EchoCheck;
use doorstep::practice::topology::{EDGE_V4, FAR_END_V4, GATEWAY_LAN_V4, LAPTOP_PORT};
use doorstep::practice::{Impairment, Impairments, LineConfig, Node, PracticeLine};
use doorstep::reading::{Outcome, Reading, Status, Target};
use doorstep::unit::{Depth, Ratio};

use crate::capture::Capture;
use crate::lab::{bare, build, check, context};

fn examine(line: &PracticeLine, depth: Depth) -> Outcome {
    let mut context = context(line, Known::default(), depth);
    context.far_end = Some(line.far_end_target());
    check(line, EchoCheck::default(), context).outcome
}

fn of<'a>(outcome: &'a Outcome, name: &str, target: Target) -> &'a Reading {
    let found = outcome.readings.iter().find(|r| r.name == name && r.target == Some(target.clone()));
    found.unwrap_or_else(|| panic!("{name} of {target:?} in {:#?}", outcome.readings))
}

#[test]
fn set_delays_of_5_20_and_80_ms_are_found_behind_the_place_that_has_them() {
    for set in [5.0, 20.0, 80.0] {
        let each_way = Impairment::delayed(Duration::from_secs_f64(set / 2.0 / 1e3));
        let line = build(LineConfig { access: Impairments::both(each_way), ..bare() });
        let outcome = examine(&line, Depth::Quick);
        assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
        for target in [Target::ProviderHop, Target::FarEnd] {
            let p50 = of(&outcome, "echo.round_trip_p50", target.clone()).value;
            // The delay line's median error is at most 0.3 ms a way; forwarding and answering take the rest.
            assert!((set..set + 1.0).contains(&p50), "{p50} ms to {target:?} for {set} ms set");
            assert!(of(&outcome, "echo.round_trip_min", target).value >= set, "no packet is faster than the line");
        }
        assert!(of(&outcome, "echo.round_trip_p50", Target::Gateway).value < 1.0, "the home has no delay");
    }
}

/// Lines that lose this share on the way up, each with a seed of its own, measured side by side: intervals and their counts
/// of the two targets behind the loss. Both targets' packets are lost independently, so each is a sample.
fn lossy(share: f64) -> Vec<Reading> {
    let sample = move |seed: u64| {
        let up = Impairment::losing(Ratio::new(share).expect("a share"));
        let line = build(LineConfig { access: Impairments { up, ..Impairments::default() }, seed, ..bare() });
        let outcome = examine(&line, Depth::Handoff);
        assert_eq!(line.own_drops(), 0, "this machine can't carry the line; nothing is shown");
        [Target::ProviderHop, Target::FarEnd].map(|target| of(&outcome, "echo.loss_ratio", target).clone())
    };
    let threads: Vec<_> = (1..=10).map(|seed| std::thread::spawn(move || sample(seed))).collect();
    threads.into_iter().flat_map(|thread| thread.join().expect("a sample")).collect()
}

#[test]
fn set_losses_of_0_1_1_and_5_percent_lie_in_the_interval_as_often_as_it_promises() {
    for share in [0.001, 0.01, 0.05] {
        let readings = lossy(share);
        assert_eq!(readings.len(), 20);
        let is_in = |r: &&Reading| r.low.is_none_or(|low| low <= share) && r.high.is_none_or(|high| share <= high);
        let inside = readings.iter().filter(is_in).count();
        // The interval promises 95 %: of 20 independent ones, 7 or more miss with probability 3e-5 (binomial, n = 20, p = 0.05).
        assert!(inside >= 14, "{inside} of 20 intervals hold {share}: {readings:#?}");
        // And it tells something: about 500 probes; the widest that 5 % can give there is under 6 % wide (Clopper and Pearson).
        for reading in &readings {
            assert!(reading.samples > 450, "{reading:?}");
            assert!(reading.high.expect("bounded") - reading.low.unwrap_or(0.0) < 0.06, "{reading:?}");
        }
        println!("{share}: {inside} of 20 intervals hold it");
    }
}

#[test]
fn round_trips_and_losses_are_those_of_the_capture() {
    let impairment =
        Impairment { delay: Duration::from_millis(3), loss: Ratio::new(0.02).expect("a share"), ..Impairment::default() };
    let line = build(LineConfig { access: Impairments::both(impairment), ..bare() });
    let capture = Capture::start(line.namespace(Node::Laptop), LAPTOP_PORT, "icmp");
    let outcome = examine(&line, Depth::Quick);
    let rows = capture.end([
        "frame.time_epoch",
        "icmp.type",
        "icmp.ident",
        "icmp.seq",
        "ip.src",
        "ip.dst",
        "icmp.checksum.status",
        "data.len",
    ]);
    for (target, address) in [(Target::Gateway, GATEWAY_LAN_V4), (Target::ProviderHop, EDGE_V4), (Target::FarEnd, FAR_END_V4)] {
        let address = address.to_string();
        let loss = of(&outcome, "echo.loss_ratio", target.clone());
        // Type 8 asks, type 0 answers (RFC 792). The first look and the search for the provider's hop are other identifiers:
        // the probe's own is the one that asks as often as the reading has samples.
        let requests: Vec<_> = rows.iter().filter(|row| row[1] == "8" && row[5] == address).collect();
        let ident = requests
            .iter()
            .map(|row| &row[2])
            .find(|ident| requests.iter().filter(|row| row[2] == **ident).count() as u64 == loss.samples)
            .unwrap_or_else(|| panic!("{} requests to {address} of one identifier", loss.samples));
        let mut times = Vec::new();
        for request in requests.iter().filter(|row| row[2] == *ident) {
            assert_eq!(request[6], "1", "tshark finds the checksum good");
            let reply = rows.iter().find(|row| row[1] == "0" && row[4] == address && row[2] == *ident && row[3] == request[3]);
            let at = |row: &[String; 8]| row[0].parse::<f64>().expect("a time");
            times.extend(reply.map(|reply| (at(reply) - at(request)) * 1e3));
        }
        let lost = loss.samples - times.len() as u64;
        assert_eq!(lost as f64 / loss.samples as f64, loss.value, "{target:?}");
        times.sort_by(f64::total_cmp);
        let p50 = of(&outcome, "echo.round_trip_p50", target.clone()).value;
        let seen = times[(times.len() - 1) / 2];
        // Stamps of the protocol stack against those of the capture, tens of microseconds apart; the histogram keeps three
        // digits (0.1 %).
        assert!((p50 - seen).abs() < 0.1 + 0.002 * seen, "{target:?}: check {p50} ms, capture {seen} ms");
    }
}
