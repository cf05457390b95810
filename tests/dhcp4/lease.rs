//! Against the practice line's own server: the lease is taken, put on the port, kept and given back.

use std::net::{IpAddr, Ipv4Addr};
use std::time::Duration;

use doorstep::check::Check;
use doorstep::check::dhcp4::Dhcp4;
use doorstep::net::configure::route_metric;
use doorstep::practice::roles::dhcp::{DhcpRole, DhcpRoleConfig};
use doorstep::reading::Status;
use doorstep::unit::{Depth, Segment, StampSource};

use crate::support::{Line, SERVER, codes, known, option, reading, readings, server, wait_for};

const ADDRESS: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 50);

fn config() -> DhcpRoleConfig {
    DhcpRoleConfig {
        resolvers: vec![Ipv4Addr::new(203, 0, 113, 53), Ipv4Addr::new(203, 0, 113, 54)],
        domain: Some("example.net".into()),
        ..DhcpRoleConfig::for_network(SERVER)
    }
}

fn role(line: &Line, config: DhcpRoleConfig) -> DhcpRole {
    DhcpRole::start(line.server.namespace(), "lan", config).expect("a server")
}

#[test]
fn a_lease_is_taken_put_on_the_port_and_given_back() {
    let line = Line::new();
    let role = role(&line, config());
    let finished = line.check(&Dhcp4, Depth::Quick);
    let outcome = finished.outcome.clone();
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{:?}", outcome.reason);

    assert_eq!(reading(&outcome, "dhcp4.servers").value, 1.0);
    assert_eq!(reading(&outcome, "dhcp4.discovers_sent").value, 1.0);
    assert_eq!(reading(&outcome, "dhcp4.lease_time").value, 3600.0);
    for name in ["dhcp4.offer_time", "dhcp4.ack_time"] {
        let time = reading(&outcome, name);
        assert_eq!((time.stamped_by, time.target.clone()), (Some(StampSource::Kernel), server(1)), "{name}");
        assert!(time.value > 0.0 && time.low == time.high, "{time:?}");
    }

    let learned = known(finished.learned.clone());
    assert_eq!((learned.ipv4, learned.gateway4), (Some((ADDRESS, 24)), Some(SERVER)));
    assert_eq!(learned.resolvers.len(), 2);
    let (addresses, routes) = line.configured();
    let [held] = &addresses[..] else { panic!("{addresses:?}") };
    assert_eq!((held.address, held.prefix), (IpAddr::V4(ADDRESS), 24));
    // The kernel removes it by itself at the end of the lease.
    let left = held.valid_for.expect("a lifetime");
    assert!(left <= Duration::from_secs(3600) && left > Duration::from_secs(3500), "{left:?}");
    assert_eq!(
        (routes.len(), routes[0].next_hop, routes[0].metric),
        (1, Some(IpAddr::V4(SERVER)), route_metric(line.laptop_index))
    );
    assert_eq!(role.handed_out(), [ADDRESS]);

    let (closing, finished) = line.close(finished);
    assert!(closing.iter().all(|o| o.flaws.is_empty()));
    line.release(finished);
    assert_eq!(line.configured(), (vec![], vec![]));
    wait_for("the RELEASE", || (role.counts().releases == 1).then_some(()));
    assert!(role.handed_out().is_empty());
}

#[test]
fn every_option_handed_out_is_in_the_facts_with_its_meaning_and_unknown_ones_as_octets() {
    let line = Line::new();
    let more = vec![
        (42, vec![203, 0, 113, 123]),
        (26, vec![0x05, 0xd4]),
        // example.net and home.example.net, the second by a pointer to the first (RFC 3397 section 2).
        (119, b"\x07example\x03net\0\x04home\xc0\0".to_vec()),
        (121, vec![0, 192, 0, 2, 1, 24, 198, 51, 100, 192, 0, 2, 254]),
        (43, vec![1, 2, 3]),
        (224, vec![0xde, 0xad]),
    ];
    let _role = role(&line, DhcpRoleConfig { more, ..config() });
    let finished = line.check(&Dhcp4, Depth::Quick);
    let outcome = &finished.outcome;
    assert_eq!(codes(outcome), Vec::<&str>::new());
    for (code, value) in [
        (1, "255.255.255.0"),
        (3, "192.0.2.1"),
        (6, "203.0.113.53, 203.0.113.54"),
        (15, "example.net"),
        (26, "1492"),
        (42, "203.0.113.123"),
        (43, "010203"),
        (51, "3600 s"),
        (53, "2"),
        (54, "192.0.2.1"),
        (121, "0.0.0.0/0 via 192.0.2.1, 198.51.100.0/24 via 192.0.2.254"),
        (224, "dead"),
    ] {
        assert_eq!(option(outcome, 0, code).as_deref(), Some(value), "option {code}");
    }
    assert_eq!(outcome.facts["answers"][0]["from_mac"], "02:00:5e:00:01:02");
    assert_eq!(outcome.facts["lease"]["renewed_before_end_s"], 1800);
    let mut known = doorstep::check::Known::default();
    finished.learned.iter().for_each(|learned| known.learn(learned.clone()));
    assert_eq!(known.completion.domain.as_deref(), Some("example.net"));
    let search: Vec<&str> = known.completion.search.iter().map(|name| name.trim_end_matches('.')).collect();
    assert_eq!(search, ["example.net", "home.example.net"]);
    line.release(finished);
}

#[test]
fn a_second_server_is_seen_and_told() {
    let line = Line::new();
    let other = Ipv4Addr::new(192, 0, 2, 2);
    let _first = role(&line, config());
    let second = role(
        &line,
        DhcpRoleConfig {
            range: Ipv4Addr::new(192, 0, 2, 150)..=Ipv4Addr::new(192, 0, 2, 160),
            ..DhcpRoleConfig::for_network(other)
        },
    );
    let finished = line.check(&Dhcp4, Depth::Quick);
    let outcome = &finished.outcome;
    assert_eq!((outcome.status, reading(outcome, "dhcp4.servers").value), (Status::Done, 2.0));
    assert_eq!(readings(outcome, "dhcp4.offer_time").len(), 2);
    let flaw = outcome.flaws.iter().find(|f| f.code == "dhcp4-second-server").expect("told");
    assert!(
        flaw.what.contains("192.0.2.1") && flaw.what.contains("192.0.2.2") && flaw.segment == Some(Segment::Home),
        "{flaw:?}"
    );
    // Both saw the REQUEST; only one has handed out.
    assert_eq!(second.counts().requests, 1);
    line.release(finished);
}

#[test]
fn a_silent_server_is_a_failed_check_after_two_discovers() {
    let line = Line::new();
    let role = role(&line, DhcpRoleConfig { is_silent: true, ..config() });
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!(finished.outcome.status, Status::Failed);
    let reason = finished.outcome.reason.as_deref().expect("a reason");
    assert!(reason.starts_with("no DHCP server answered 2 DISCOVERs in ") && reason.ends_with(" s"), "{reason}");
    assert_eq!(role.counts().discovers, 2);
    assert_eq!(reading(&finished.outcome, "dhcp4.discovers_sent").value, 2.0);
    assert!(finished.learned.is_empty() && finished.holdings.is_empty());
    assert_eq!(line.configured(), (vec![], vec![]));
}

#[test]
fn an_address_that_another_station_has_is_declined_and_the_check_says_so() {
    let mut line = Line::new();
    line.server.address(line.server_index, IpAddr::V4(ADDRESS), 24).expect("address");
    let role = role(&line, config());
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!(finished.outcome.status, Status::Failed);
    assert!(codes(&finished.outcome).contains(&"dhcp4-address-in-use"), "{:?}", finished.outcome.flaws);
    wait_for("the DECLINE", || (role.counts().declines == 1).then_some(()));
    assert_eq!(line.configured(), (vec![], vec![]));
}

#[test]
fn a_lease_shorter_than_the_visit_is_renewed_and_the_kernel_s_lifetime_follows() {
    let line = Line::new();
    let role = role(&line, DhcpRoleConfig { lease: Duration::from_secs(4), ..config() });
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!(finished.outcome.status, Status::Done, "{:?}", finished.outcome.reason);
    // T1 is half of the lease: the second REQUEST renews, the third renews again.
    wait_for("two renewals", || (role.counts().requests >= 3).then_some(()));
    assert_eq!(line.configured().0.len(), 1, "beyond the end of the first lease");
    let (closing, finished) = line.close(finished);
    let renewals = closing[0].facts["renewals"].as_u64().expect("counted");
    assert!(renewals >= 1 && closing[0].flaws.is_empty(), "{closing:?}");
    line.release(finished);
    assert_eq!(line.configured(), (vec![], vec![]));
}

#[test]
fn a_lease_that_nobody_renews_is_lost_and_told() {
    let line = Line::new();
    let role = role(&line, DhcpRoleConfig { lease: Duration::from_secs(2), ..config() });
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!(finished.outcome.status, Status::Done, "{:?}", finished.outcome.reason);
    drop(role);
    wait_for("the kernel to remove the address", || line.configured().0.is_empty().then_some(()));
    // The kernel counts whole seconds; the lease itself ends within the one after.
    std::thread::sleep(Duration::from_secs(2));
    let (closing, finished) = line.close(finished);
    assert_eq!(codes(&closing[0]), ["dhcp4-lease-lost"]);
    line.release(finished);
}

#[test]
fn a_cancelled_check_ends_at_once_and_holds_nothing() {
    let line = Line::new();
    let _role = role(&line, DhcpRoleConfig { is_silent: true, ..config() });
    let context = line.context(Depth::Soak);
    let cancel = context.cancel.clone();
    let finished = line.block_on(async move {
        let run = Dhcp4.run(context);
        cancel.cancel();
        run.await
    });
    assert_eq!((finished.outcome.status, finished.holdings.len()), (Status::NotTested, 0));
    assert_eq!(line.configured(), (vec![], vec![]));
}

#[test]
fn a_network_without_a_router_gives_an_address_and_no_gateway() {
    let line = Line::new();
    let _role = role(&line, DhcpRoleConfig { router: None, ..config() });
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!(
        (finished.outcome.status, codes(&finished.outcome)),
        (Status::Done, vec!["dhcp4-router-missing", "dhcp4-router-missing"])
    );
    let learned = known(finished.learned.clone());
    assert_eq!((learned.ipv4, learned.gateway4), (Some((ADDRESS, 24)), None));
    line.release(finished);
}
