//! A port that has an address already is looked at and not touched.

use std::net::{IpAddr, Ipv4Addr};

use doorstep::check::dhcp4::Dhcp4;
use doorstep::practice::roles::dhcp::{DhcpRole, DhcpRoleConfig};
use doorstep::reading::Status;
use doorstep::unit::{Depth, Segment};

use crate::support::{Line, SERVER, codes, known, option, reading, readings};

const OWN: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 77);
const RESOLVER: Ipv4Addr = Ipv4Addr::new(203, 0, 113, 53);

fn with_own_address() -> Line {
    let mut line = Line::new();
    line.laptop.address(line.laptop_index, IpAddr::V4(OWN), 24).expect("address");
    line.laptop.default_route(IpAddr::V4(SERVER), line.laptop_index).expect("route");
    line
}

#[test]
fn servers_are_asked_by_inform_and_nothing_changes() {
    let line = with_own_address();
    let config = DhcpRoleConfig { resolvers: vec![RESOLVER], ..DhcpRoleConfig::for_network(SERVER) };
    let role = DhcpRole::start(line.server.namespace(), "lan", config).expect("a server");
    let before = line.configured();
    let finished = line.check(&Dhcp4, Depth::Quick);
    let outcome = &finished.outcome;
    assert_eq!((outcome.status, codes(outcome)), (Status::Done, vec![]), "{:?}", outcome.reason);
    assert_eq!((&outcome.facts["mode"], &outcome.facts["address"]["address"]), (&"observed".into(), &"192.0.2.77".into()));
    assert_eq!(option(outcome, 0, 6).as_deref(), Some("203.0.113.53"));
    assert_eq!(reading(outcome, "dhcp4.servers").value, 1.0);
    assert!(readings(outcome, "dhcp4.offer_time").is_empty() && readings(outcome, "dhcp4.lease_time").is_empty());
    let learned = known(finished.learned.clone());
    assert_eq!((learned.ipv4, learned.gateway4), (Some((OWN, 24)), Some(SERVER)));
    assert_eq!(learned.resolvers, [IpAddr::V4(RESOLVER)]);
    // No lease was asked for, none was made, and nothing is held.
    let counts = role.counts();
    assert_eq!((counts.discovers, counts.requests, counts.informs), (0, 0, 1));
    assert!(role.handed_out().is_empty() && finished.holdings.is_empty());
    assert_eq!(line.configured(), before);
}

#[test]
fn an_address_set_by_hand_on_a_line_without_a_server_is_done() {
    let line = with_own_address();
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!((finished.outcome.status, codes(&finished.outcome)), (Status::Done, vec![]));
    assert!(readings(&finished.outcome, "dhcp4.servers").is_empty(), "silence proves no number of servers");
    assert_eq!(finished.outcome.facts["messages_sent"]["INFORM"], 2);
    let learned = known(finished.learned);
    assert_eq!((learned.ipv4, learned.gateway4), (Some((OWN, 24)), Some(SERVER)));
}

#[test]
fn a_missing_default_route_is_told() {
    let mut line = Line::new();
    line.laptop.address(line.laptop_index, IpAddr::V4(OWN), 24).expect("address");
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!((finished.outcome.status, codes(&finished.outcome)), (Status::Done, vec!["dhcp4-no-default-route"]));
    assert_eq!(known(finished.learned).gateway4, None);
}

#[test]
fn a_strict_reverse_path_filter_that_would_eat_answers_is_the_test_set_s_flaw() {
    let mut line = Line::new();
    line.laptop.address(line.laptop_index, IpAddr::V4(OWN), 24).expect("address");
    // The machine's other way out: a second cable with the preferred default route.
    let (laptop, server) = (line.laptop.namespace().clone(), line.server.namespace().clone());
    let end = |site, name, last| doorstep::net::build::End { site, name, mac: [2, 0, 0x5e, 0, 2, last] };
    line.laptop.cable(&end(&laptop, "wifi0", 1), &end(&server, "ap0", 2)).expect("veth");
    let index = line.laptop.index("wifi0").expect("made");
    line.laptop.raise("wifi0", index).expect("up");
    line.laptop.address(index, "198.51.100.9".parse().expect("address"), 24).expect("address");
    line.laptop.default_route("198.51.100.1".parse().expect("address"), index).expect("route");
    for (value, told) in [("1", true), ("2", false), ("0", false)] {
        line.laptop.sysctls(&[("net/ipv4/conf/all/rp_filter", value), ("net/ipv4/conf/lan0/rp_filter", "0")]).expect("sysctl");
        let outcome = line.check(&Dhcp4, Depth::Quick).outcome;
        let flaw = outcome.flaws.iter().find(|f| f.code == "test-set-reverse-path-filter");
        assert_eq!(flaw.map(|f| f.segment), told.then_some(Some(Segment::TestSet)), "rp_filter {value}: {:?}", outcome.flaws);
    }
}
