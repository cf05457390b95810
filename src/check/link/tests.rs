use super::*;
use crate::check::Effort;
use crate::net::ethtool::{Driver, Duplex, PortModes};
use crate::reading::{Flaw, Limit, Status};
use crate::unit::Segment;

fn link(has_carrier: bool) -> Link {
    Link {
        index: 7,
        name: "lan0".into(),
        mac: Some([2, 0, 0x5e, 0, 0, 1]),
        is_ethernet: true,
        is_up: true,
        has_carrier,
        virtual_kind: None,
        mtu: 1500,
        operational: if has_carrier { "up" } else { "down" },
        carrier_changes: Some(1),
        counters: Counters { receive_errors: 3, ..Counters::default() },
    }
}

fn modes(speed: u32, duplex: Duplex) -> PortModes {
    PortModes {
        speed_mbit: Some(speed),
        duplex: Some(duplex),
        is_negotiated: Some(true),
        own: vec!["1000baseT/Full".into()],
        partner: vec!["100baseT/Full".into()],
    }
}

fn effort(down: f64, up: f64) -> Effort {
    Effort {
        depth: Depth::Quick,
        sold_down_mbit: down,
        sold_up_mbit: up,
        streams: 1,
        load_time: Duration::ZERO,
        max_octets: None,
        confidence: 0.95,
        dscp: 0,
        capacity: Default::default(),
        classes: None,
        voice: Default::default(),
        sizes: crate::plan::Sizes::NONE,
    }
}

fn seen(link: &Link, modes: &PortModes, effort: &Effort) -> Outcome {
    let driver = Driver { name: "example".into(), firmware: String::new(), bus: "usb-0000:00:14.0-2".into() };
    describe(&Port { link, modes, driver: Some(&driver) }, effort)
}

fn value(outcome: &Outcome, name: &str) -> Option<f64> {
    outcome.readings.iter().find(|r| r.name == name).map(|r| r.value)
}

fn codes(outcome: &Outcome) -> Vec<&str> {
    outcome.flaws.iter().map(|f| f.code.as_str()).collect()
}

#[test]
fn a_sound_port_has_its_readings_and_no_flaw() {
    let outcome = seen(&link(true), &modes(1000, Duplex::Full), &effort(500.0, 100.0));
    assert_eq!(outcome.status, Status::Done);
    assert_eq!(value(&outcome, "link.carrier"), Some(1.0));
    assert_eq!(value(&outcome, "link.speed"), Some(1000.0));
    assert_eq!(value(&outcome, "link.full_duplex"), Some(1.0));
    assert_eq!(value(&outcome, "link.mtu"), Some(1500.0));
    assert!(outcome.flaws.is_empty() && outcome.readings.iter().all(|r| r.limited_by.is_empty()));
    assert_eq!(outcome.facts["mac"], "02:00:5e:00:00:01");
    assert_eq!(outcome.facts["adapter"]["usb"], true);
    assert_eq!(outcome.facts["modes_offered_by_partner"][0], "100baseT/Full");
    // RFC 6349 section 4.1.1: 1460 of 1538 octets, in whole frames per second (81274 x 1460 x 8).
    assert_eq!(outcome.facts["most_tcp_payload_mbit"], 949.28);
}

#[test]
fn no_carrier_is_a_result_with_a_reason_and_without_a_speed() {
    // Drivers keep telling an old speed without carrier: it must not become a reading.
    let outcome = seen(&link(false), &modes(1000, Duplex::Full), &effort(500.0, 100.0));
    assert_eq!(outcome.status, Status::Failed);
    assert!(outcome.reason.as_deref().is_some_and(|r| r.starts_with("no carrier on lan0")));
    assert_eq!((value(&outcome, "link.carrier"), value(&outcome, "link.speed")), (Some(0.0), None));
}

#[test]
fn a_port_slower_than_sold_is_the_test_set_s_limit_and_named() {
    let outcome = seen(&link(true), &modes(100, Duplex::Full), &effort(250.0, 50.0));
    let speed = outcome.readings.iter().find(|r| r.name == "link.speed").unwrap();
    assert_eq!((speed.limited_by.len(), speed.limited_by[0].side), (1, Limit::TestSet));
    let [Flaw { code, what, segment }] = &outcome.flaws[..] else { panic!("{:?}", outcome.flaws) };
    assert_eq!((code.as_str(), *segment), ("link-port-slower-than-sold", Some(Segment::TestSet)));
    assert!(what.contains("at most 94.9 Mbit/s of TCP payload") && what.contains("sold are 250 Mbit/s down"), "{what}");
    assert!(!what.contains("up"), "50 up fits: {what}");
    // Exactly the sold rate is the port for it: what headers take is the speed budget's business.
    assert!(seen(&link(true), &modes(1000, Duplex::Full), &effort(1000.0, 1000.0)).flaws.is_empty());
    assert!(seen(&link(true), &modes(10, Duplex::Full), &effort(0.0, 0.0)).flaws.is_empty(), "nothing was said to be sold");
}

#[test]
fn half_duplex_is_a_flaw_and_an_unknown_speed_no_reading() {
    let outcome = seen(&link(true), &modes(100, Duplex::Half), &effort(50.0, 10.0));
    assert_eq!((value(&outcome, "link.full_duplex"), codes(&outcome)), (Some(0.0), vec!["link-half-duplex"]));
    let outcome = seen(&link(true), &PortModes::default(), &effort(50.0, 10.0));
    assert_eq!((value(&outcome, "link.speed"), value(&outcome, "link.full_duplex")), (None, None));
    assert_eq!(outcome.status, Status::Done);
}

#[test]
fn the_end_of_the_visit_counts_what_was_gained() {
    let gained = Counters { receive_errors: 2, transmit_errors: 1, receive_drops: 4, receive_missed: 3, ..Counters::default() };
    let outcome = counted(&gained, 0, true);
    assert_eq!(value(&outcome, "link.receive_errors"), Some(2.0));
    assert_eq!(value(&outcome, "link.transmit_errors"), Some(1.0));
    assert_eq!(value(&outcome, "link.receive_drops"), Some(7.0));
    assert!(outcome.flaws.is_empty());
    assert_eq!(codes(&counted(&Counters { collisions: 9, ..gained }, 0, true)), ["link-collisions"]);
    assert_eq!(codes(&counted(&gained, 2, true)), ["link-carrier-lost"]);
    assert_eq!(codes(&counted(&gained, 1, false)), ["link-carrier-lost"]);
}
