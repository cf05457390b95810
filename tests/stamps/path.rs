//! The same for the probes of `path`, echoes and datagrams to every hop, with a reader of frames that shares no code with us.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::process::Stdio;
use std::time::Duration;

use doorstep::check::Known;
use doorstep::check::path::PathCheck;
use doorstep::net::build::Site;
use doorstep::practice::topology::{FAR_END_V4, LAPTOP_PORT};
use doorstep::practice::{Impairment, Impairments, LineConfig, Node, PracticeLine, Services};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::{Depth, StampSource};
use serde_json::Value;

use crate::lab::{LAPTOP_V4, bare, build, check, context};
use crate::{Busy, TOLERATED_NS, TRUE_DELAY, percentiles};

/// Runs of the check, six rounds to four hops each.
const RUNS: u32 = 6;
/// The error that 99 of 100 probes must keep within, beside 95 of 100 within what is tolerated of other streams: a round comes after half a second of
/// silence, and on a core that has gone to sleep some 20 us lie between the capture's copy and the driver's stamp, which is the later and nearer to the wire.
const AFTER_SILENCE_NS: i64 = 40_000;

/// A run beside a capture: its outcome, and round trips by hop in the order of sending, where both stamps were captured.
fn examine(line: &PracticeLine) -> (Outcome, BTreeMap<u64, Vec<Option<i64>>>) {
    let mut reader = line
        .namespace(Node::Laptop)
        .command("python3")
        .args(["-c", include_str!("path_reader.py"), LAPTOP_PORT, &LAPTOP_V4.to_string(), &FAR_END_V4.to_string(), "30"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("this test needs python3");
    let mut lines = BufReader::new(reader.stdout.take().expect("piped")).lines().map_while(Result::ok);
    assert_eq!(lines.next().as_deref(), Some("ready"), "the reader listens");
    let mut context = context(line, Known::default(), Depth::Handoff);
    context.far_end = Some(line.far_end_target());
    let outcome = check(line, PathCheck, context).outcome;
    drop(reader.stdin.take());
    let seen: Vec<Value> = lines.map(|line| serde_json::from_str(&line).expect("JSON")).collect();
    reader.wait().expect("ended");
    let answers: BTreeMap<&str, i64> =
        seen.iter().filter_map(|one| Some((one["answer"].as_str()?, one["at"].as_i64()?))).collect();
    let mut captured: BTreeMap<u64, Vec<Option<i64>>> = BTreeMap::new();
    for one in &seen {
        if let (Some(probe), Some(hop), Some(left)) = (one["probe"].as_str(), one["hop"].as_u64(), one["at"].as_i64()) {
            captured.entry(hop).or_default().push(answers.get(probe).map(|came| came - left));
        }
    }
    (outcome, captured)
}

/// Errors against the capture, in nanoseconds.
fn errors(line: &PracticeLine) -> Vec<i64> {
    let (outcome, captured) = examine(line);
    assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
    let timed = outcome.readings.iter().filter(|r| r.name == "path.hop_round_trip_p50");
    assert!(timed.clone().count() == 4 && timed.clone().all(|r| r.stamped_by == Some(StampSource::Kernel)), "{outcome:#?}");
    let mut errors = Vec::new();
    for hop in outcome.facts["path_ipv4"]["hops"].as_array().expect("hops") {
        let number = hop["hop"].as_u64().expect("a number");
        let ours: Vec<i64> = hop["round_trips_ms"]
            .as_array()
            .expect("round trips")
            .iter()
            .map(|ms| (ms.as_f64().expect("ms") * 1e6).round() as i64)
            .collect();
        // The marked rounds go last and are no part of the round trips.
        let seen: Vec<i64> = captured[&number].iter().take(6).flatten().copied().collect();
        if ours.len() != 6 || seen.len() != 6 {
            continue;
        }
        for (ours, seen) in ours.into_iter().zip(seen) {
            // Hops behind the gateway lie behind the true delay, so a figure below it would be a wrong one, always.
            assert!(number == 1 || ours >= TRUE_DELAY.as_nanos() as i64, "hop {number}: {ours} ns is below what the line delays");
            errors.push((seen - ours).abs());
        }
    }
    errors
}

#[test]
fn round_trips_to_every_hop_are_close_to_a_capture_idle_and_busy() {
    let access = Impairments { up: Impairment::delayed(TRUE_DELAY), down: Impairment::default() };
    let line = build(LineConfig { access, services: Services { far_end: true, ..Services::NONE }, ..bare() });
    // What a router's limit keeps back can't be timed.
    for node in [Node::Gateway, Node::Edge, Node::Core, Node::FarEnd] {
        let site = Site::open(line.namespace(node)).expect("netlink");
        site.sysctls(&[("net/ipv4/icmp_ratelimit", "0")]).expect("sysctl");
    }
    for busy in [false, true] {
        // Two more tries: a machine that others hold up says nothing of the stamps.
        let held = (0..3).any(|attempt| {
            let _busy = busy.then(|| Busy::for_at_most(Duration::from_secs(40)));
            let mut errors: Vec<i64> = (0..RUNS).flat_map(|_| errors(&line)).collect();
            errors.sort_unstable();
            assert!(errors.len() >= 100, "{} probes were seen by both", errors.len());
            let (words, _) = percentiles(&errors);
            let of = |share: usize| errors[(errors.len() * share).div_ceil(100) - 1];
            println!("path, busy {busy}, try {attempt}: {words}, p95 {} ns", of(95));
            of(95) < TOLERATED_NS && of(99) < AFTER_SILENCE_NS
        });
        assert!(held, "the error's 95th percentile is not below 20 us or its 99th not below 40 us, busy: {busy}");
    }
}
