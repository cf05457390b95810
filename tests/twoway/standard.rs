//! The check against reflectors that know nothing of ours: stateful, stateless, without TLVs, of RFC 5357, authenticated.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};

use doorstep::check::twoway::{Peer, Twoway};
use doorstep::check::{Check, Known};
use doorstep::reading::{Outcome, Reading, Status, Target};
use doorstep::unit::{Depth, Direction};
use doorstep::wire::stamp::Key;
use serde_json::Value;

use crate::context;

/// Key of the authenticated reflector (invented).
const KEY: &str = "00112233445566778899aabbccddeeff00112233445566778899aabbccddeeff";

pub(crate) struct Standard {
    child: Child,
    lines: Box<dyn Iterator<Item = String>>,
}

impl Standard {
    fn start(kind: &str, port: u16, seconds: u32, remark: Option<&str>) -> Self {
        Self::start_by(Command::new("python3"), kind, port, seconds, remark)
    }

    /// The same by a command that runs elsewhere.
    pub(crate) fn start_by(mut command: Command, kind: &str, port: u16, seconds: u32, remark: Option<&str>) -> Self {
        command.args(["-c", include_str!("standard_reflector.py"), kind, &port.to_string(), &seconds.to_string(), KEY]);
        if let Some(dscp) = remark {
            command.env("REMARK", dscp);
        }
        let mut child = command.stdout(Stdio::piped()).spawn().expect("this test needs python3");
        let mut lines = BufReader::new(child.stdout.take().expect("piped")).lines().map_while(Result::ok);
        assert_eq!(lines.next().as_deref(), Some("ready"), "the reflector listens");
        Self { child, lines: Box::new(lines) }
    }

    /// What it counted; it ends by itself.
    pub(crate) fn counted(&mut self) -> Value {
        serde_json::from_str(&self.lines.next().expect("its last line")).expect("JSON")
    }
}

impl Drop for Standard {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn examine(port: u16, key: Option<&str>, depth: Depth) -> Outcome {
    let octets = |hex: &str| -> Vec<u8> {
        (0..hex.len() / 2).map(|at| u8::from_str_radix(&hex[2 * at..2 * at + 2], 16).expect("hex")).collect()
    };
    let peer = Peer { at: ([127, 0, 0, 1], port).into(), key: key.map(|hex| Key::new(&octets(hex))) };
    let mut context = context::context_at(1, [0; 6], Known::default(), depth);
    context.interface.name = "lo".into();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
    runtime.block_on(Twoway { peer: Some(peer), ..Twoway::default() }.run(context)).outcome
}

fn readings<'a>(outcome: &'a Outcome, name: &str) -> Vec<&'a Reading> {
    outcome.readings.iter().filter(|r| r.name == name).collect()
}

#[test]
fn every_kind_of_standard_reflector_is_measured_with() {
    for (kind, port, key) in
        [("stateless", 24811, None), ("plain", 24812, None), ("light", 24813, None), ("signed", 24814, Some(KEY))]
    {
        let mut reflector = Standard::start(kind, port, 8, None);
        let outcome = examine(port, key, Depth::Quick);
        assert_eq!(outcome.status, Status::Done, "{kind}: {outcome:#?}");
        // Nothing is lost on loopback. Where both number alike the ways aren't told apart: one figure, of the round trip.
        let loss = readings(&outcome, "twoway.loss_ratio");
        assert_eq!(loss.iter().map(|r| (r.value, r.direction, r.samples)).collect::<Vec<_>>(), [(0.0, None, 300)], "{kind}");
        let trip = readings(&outcome, "twoway.round_trip_p50")[0];
        // Loopback and python: far below what a wrong field or format would give (1 s or 70 years).
        assert!(trip.value > 0.0 && trip.value < 20.0 && trip.samples == 300, "{kind}: {trip:?}");
        let flaws: Vec<_> = outcome.flaws.iter().map(|f| f.code.as_str()).collect();
        assert!(flaws.is_empty(), "{kind}: {flaws:?}");
        assert_eq!(outcome.facts["forged_answers"], 0, "{kind}");
        // Five TLVs in each packet, returned as unrecognised or not at all: nothing is believed, nothing is odd.
        let unknown = outcome.facts.get("tlvs_that_the_reflector_does_not_know").and_then(Value::as_u64);
        let returned = matches!(kind, "stateless" | "signed");
        assert_eq!(unknown, returned.then_some(1500), "{kind}");
        assert!(readings(&outcome, "twoway.counted_loss_ratio").is_empty(), "{kind}");
        let counted = reflector.counted();
        assert_eq!((&counted["by_dscp"]["0"], &counted["refused"]), (&300.into(), &0.into()), "{kind}: {counted}");
    }
}

#[test]
fn a_wrong_key_gets_no_answer_and_says_so() {
    let mut reflector = Standard::start("signed", 24815, 14, None);
    let outcome = examine(24815, Some("ffff"), Depth::Quick);
    assert_eq!(outcome.status, Status::Failed, "{outcome:#?}");
    assert!(outcome.reason.as_deref().is_some_and(|why| why.contains("was answered")), "{:?}", outcome.reason);
    assert!(reflector.counted()["refused"].as_u64().is_some_and(|refused| refused >= 300));
}

#[test]
fn classes_run_beside_and_a_marking_changed_on_the_way_is_told_with_its_way() {
    // A reflector that says to have marked as asked while its answers come with another DSCP is what a line that marks anew
    // on the way down looks like.
    for (port, remark) in [(24816, None), (24817, Some("10"))] {
        let mut reflector = Standard::start("stateful", port, 14, remark);
        let outcome = examine(port, None, Depth::Handoff);
        assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
        let counted = reflector.counted();
        for (dscp, octets) in [(46, "172"), (34, "600"), (8, "300")] {
            assert_eq!(counted["by_dscp"][dscp.to_string()], 98, "{counted}");
            assert_eq!(counted["by_size"][octets], 98, "{counted}");
            let of_class = |name: &str| {
                let found = outcome.readings.iter().find(|r| r.name == name && r.target == Some(Target::Class(dscp)));
                found.unwrap_or_else(|| panic!("{name} of {dscp}: {:#?}", outcome.readings))
            };
            assert_eq!((of_class("twoway.class_loss_ratio").value, of_class("twoway.class_loss_ratio").samples), (0.0, 98));
            assert!(of_class("twoway.class_round_trip_p95").high.is_some());
        }
        assert_eq!(counted["by_size"]["192"], 1000, "{counted}");
        // What the reflector was asked beside: counts of both sides, where packets come from, how its clock is set, when answers left.
        assert_eq!(outcome.facts["answers_followed_up"], 999, "all but the last are followed by another");
        let counted: Vec<_> =
            readings(&outcome, "twoway.counted_loss_ratio").iter().map(|r| (r.direction, r.value, r.samples)).collect();
        assert_eq!(counted, [(Some(Direction::Up), 0.0, 999), (Some(Direction::Down), 0.0, 999)]);
        let source = &outcome.facts["source_at_reflector"][0];
        assert_eq!(
            (&source["address"], &source["to_port"], &source["answers"]),
            (&"127.0.0.1".into(), &port.into(), &1000.into())
        );
        assert!(source["port"].as_u64().is_some_and(|port| port > 1023), "{source}");
        assert_eq!(outcome.facts["reflector_clock_set_by"], "NTP");
        assert!(!outcome.facts.contains_key("tlvs_that_the_reflector_does_not_know"), "{:?}", outcome.facts);
        let flaws: Vec<_> = outcome.flaws.iter().filter(|f| f.code.starts_with("dscp-rewritten")).collect();
        if remark.is_none() {
            assert!(flaws.is_empty(), "{flaws:?}");
        } else {
            assert!(flaws.iter().all(|f| f.code == "dscp-rewritten-down") && flaws.len() == 3, "{flaws:?}");
            let what = "packets sent down with DSCP 46 were marked anew between the far end and this port: they arrived with 10";
            assert!(flaws.iter().any(|f| f.what == what), "{flaws:?}");
        }
        assert!(readings(&outcome, "twoway.round_trip_p95").iter().all(|r| r.direction != Some(Direction::Up)));
    }
}
