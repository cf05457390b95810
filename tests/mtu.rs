//! `mtu` against real links of a small MTU, links that swallow large packets, and filters that hide why.
//!
//! Needs root and the package nftables; fails loudly without. All traffic stays in namespaces that the tests make.

#[path = "common/context.rs"]
mod context;
#[path = "common/lab.rs"]
mod lab;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "common/view.rs"]
mod view;

use doorstep::check::mtu::MtuCheck;
use doorstep::practice::topology::FAR_END_V6;
use doorstep::practice::{Impairment, Impairments, LineConfig, Node};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::{Depth, Direction, Ratio};
use serde_json::json;

use outcome::{codes, reading};
use view::{examine, examine_at, line, rules};

/// Path MTU and blackhole, down and up.
fn found(outcome: &Outcome) -> [(f64, f64); 2] {
    [Direction::Down, Direction::Up].map(|direction| {
        let value = |name: &str| {
            let reading = outcome.readings.iter().find(|r| r.name == name && r.direction == Some(direction));
            reading.unwrap_or_else(|| panic!("no {name} {direction} in {outcome:#?}")).value
        };
        (value("mtu.path_mtu"), value("mtu.blackhole"))
    })
}

fn narrow() -> LineConfig {
    LineConfig { access_mtu: Some(1400), ..LineConfig::default() }
}

fn swallowing(down: Option<u16>, up: Option<u16>) -> LineConfig {
    let longest = |longest| Impairment { longest, ..Impairment::default() };
    LineConfig { access: Impairments { down: longest(down), up: longest(up) }, ..LineConfig::default() }
}

#[test]
fn a_plain_path_carries_what_the_port_does_and_nobody_clamps() {
    let line = line(LineConfig::default());
    let outcome = examine(&line, MtuCheck, Depth::Quick);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
    assert_eq!(found(&outcome), [(1500.0, 0.0); 2]);
    assert_eq!(outcome.facts["segment_size"], json!({ "sent": 1460, "seen_at_far_end": 1460 }));
    assert_eq!(reading(&outcome, "mtu.segment_clamped").value, 0.0);
}

#[test]
fn a_small_mtu_is_found_to_the_octet_with_who_said_so() {
    let line = line(narrow());
    let outcome = examine(&line, MtuCheck, Depth::Quick);
    assert_eq!((found(&outcome), codes(&outcome)), ([(1400.0, 0.0); 2], vec![]), "{outcome:#?}");
    // Up it is the gateway that refuses; what the far end heard says no more than the MTU.
    assert_eq!(outcome.facts["path_up"]["told"], json!({ "mtu": 1400, "by": "192.0.2.1" }));
    assert_eq!(outcome.facts["path_down"]["told"]["mtu"], json!(1400));
}

#[test]
fn ipv6_has_the_same_by_packet_too_big() {
    let line = line(narrow());
    let outcome = examine_at(&line, MtuCheck, Depth::Quick, FAR_END_V6.into());
    assert_eq!(found(&outcome), [(1400.0, 0.0); 2], "{outcome:#?}");
}

#[test]
fn swallowed_packets_are_a_blackhole_in_the_direction_that_swallows() {
    for (down, up, want) in [
        (Some(1400), Some(1400), [(1400.0, 1.0), (1400.0, 1.0)]),
        (Some(1442), None, [(1442.0, 1.0), (1500.0, 0.0)]),
        (None, Some(1491), [(1500.0, 0.0), (1491.0, 1.0)]),
    ] {
        let line = line(swallowing(down, up));
        let outcome = examine(&line, MtuCheck, Depth::Quick);
        assert_eq!(found(&outcome), want, "{outcome:#?}");
        assert!(codes(&outcome).contains(&"mtu-blackhole"), "{outcome:#?}");
    }
}

#[test]
fn a_router_whose_errors_are_filtered_makes_a_blackhole_of_a_small_mtu() {
    let line = line(narrow());
    for node in [Node::Gateway, Node::Edge] {
        rules(
            &line,
            node,
            "add table ip hush; add chain ip hush out { type filter hook output priority 0; }; add rule ip hush out icmp type destination-unreachable drop",
        );
    }
    let outcome = examine(&line, MtuCheck, Depth::Quick);
    assert_eq!(found(&outcome), [(1400.0, 1.0); 2], "{outcome:#?}");
}

#[test]
fn a_clamped_segment_size_is_seen_at_the_far_end() {
    let line = line(LineConfig::default());
    rules(
        &line,
        Node::Edge,
        "add table ip clamp; add chain ip clamp way { type filter hook forward priority 0; }; add rule ip clamp way tcp flags syn tcp option maxseg size set 1380",
    );
    let outcome = examine(&line, MtuCheck, Depth::Quick);
    assert_eq!(outcome.facts["segment_size"], json!({ "sent": 1460, "seen_at_far_end": 1380 }), "{outcome:#?}");
    assert_eq!(reading(&outcome, "mtu.segment_clamped").value, 1.0);
    assert_eq!(found(&outcome), [(1500.0, 0.0); 2]);
}

#[test]
fn loss_alone_swallows_no_sizes() {
    let losing = Impairments::both(Impairment::losing(Ratio::new(0.03).expect("a share")));
    let line = line(LineConfig { access: losing, seed: 3, ..LineConfig::default() });
    let outcome = examine(&line, MtuCheck, Depth::Quick);
    assert_eq!(found(&outcome), [(1500.0, 0.0); 2], "{outcome:#?}");
}
