//! The profile's own classes of service, on a line, against a reflector that counts what came to it.

use std::time::{Duration, Instant};

use doorstep::check::Known;
use doorstep::check::twoway::{Peer, Twoway};
use doorstep::practice::Node;
use doorstep::profile::parse;
use doorstep::reading::{Status, Target};
use doorstep::unit::Depth;
use serde_json::Value;

use crate::lab::{check, context};
use crate::standard::Standard;
use crate::support::{FAR_END_V4, bare, build};

const PORT: u16 = 24821;

/// DSCP, IP octets, packets in the 9 s of the main stream at handoff: 9 s by the gap, or by ten or fifty main gaps and 1 ms.
const CLASSES: [(u8, u64, u64); 5] = [(46, 200, 450), (34, 1200, 98), (18, 576, 300), (8, 1500, 19), (63, 192, 98)];

const STREAMS: &str = r#"
name = "t"
title = "t"
[sold]
down = 100
up = 40
layer = "ip"
basis = "invented"
[[twoway.stream]]
name = "speech"
dscp = 46
octets = 200
interval_ms = 20
[[twoway.stream]]
dscp = 34
octets = 1200
[[twoway.stream]]
name = "orders"
dscp = 18
octets = 576
interval_ms = 30
[[twoway.stream]]
dscp = 8
octets = 1500
share = 0.02
[[twoway.stream]]
dscp = 63
octets = 192
[[criterion]]
name = "c"
reading = "link.carrier"
at_least = 1
severity = "must"
basis = "b"
"#;

#[test]
fn five_streams_of_the_profile_run_at_once_with_the_marking_and_size_that_it_asks_for() {
    let line = build(bare());
    let mut command = line.namespace(Node::FarEnd).command("python3");
    command.env("AT", FAR_END_V4.to_string());
    let mut reflector = Standard::start_by(command, "stateful", PORT, 16, None);
    let mut context = context(&line, Known::default(), Depth::Handoff);
    context.effort.classes = parse(STREAMS, "test").expect("sound").classes;
    let peer = Peer { at: (FAR_END_V4, PORT).into(), key: None };
    let began_at = Instant::now();
    let outcome = check(&line, Twoway { peer: Some(peer), ..Twoway::default() }, context).outcome;
    let took = began_at.elapsed();
    assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
    // Six streams of 9 s one after the other would take 54 s.
    assert!(took < Duration::from_secs(30), "{took:?}");
    let counted = reflector.counted();
    let facts = outcome.facts["classes"].as_array().expect("a list");
    assert_eq!(facts.len(), CLASSES.len());
    for ((dscp, octets, packets), fact) in CLASSES.into_iter().zip(facts) {
        assert_eq!((&fact["dscp"], &fact["ip_octets"]), (&dscp.into(), &octets.into()), "{fact}");
        let sent = fact["packets_sent"].as_u64().expect("a count");
        let skipped = fact["own_slots_skipped"].as_u64().expect("a count");
        assert_eq!((sent, fact["packets_unanswered"].as_u64()), (packets, Some(0)), "{fact}; {skipped} slots skipped");
        // A closing packet more where this machine was held up at the end; 28 octets of IP and UDP header (RFC 791, RFC 768).
        for came in [&counted["by_dscp"][dscp.to_string()], &counted["by_size"][(octets - 28).to_string()]] {
            let extra = if octets == 200 { 1100 } else { 100 };
            assert!(came.as_u64().is_some_and(|came| came >= packets && came <= packets + extra), "{dscp}: {counted}");
        }
        let of_class = |name: &str| {
            let found = outcome.readings.iter().find(|r| r.name == name && r.target == Some(Target::Class(dscp)));
            found.unwrap_or_else(|| panic!("{name} of {dscp}: {:#?}", outcome.readings))
        };
        assert_eq!((of_class("twoway.class_loss_ratio").value, of_class("twoway.class_loss_ratio").samples), (0.0, packets));
        assert!(of_class("twoway.class_round_trip_p50").value > 0.0);
    }
    assert_eq!((&facts[0]["name"], &facts[1]["name"], &facts[2]["name"]), (&"speech".into(), &Value::Null, &"orders".into()));
}
