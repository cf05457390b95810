//! `between` against the kernel's own address translation (nf_tables masquerade), in every arrangement that it has to tell apart.
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

use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use std::time::Duration;

use doorstep::check::between::BetweenCheck;
use doorstep::check::{Check, Known};
use doorstep::farend::client::Session;
use doorstep::net::build::{End, Site};
use doorstep::net::netns::Namespace;
use doorstep::net::nft::masquerade;
use doorstep::practice::roles::far_end::FarEndRole;
use doorstep::practice::topology::{FAR_END_V6, GATEWAY_WAN_V4};
use doorstep::practice::{LineConfig, Node};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::Depth;
use serde_json::json;

use outcome::{codes, reading};
use view::{examine, examine_at, line, rules};

fn value(outcome: &Outcome, name: &str) -> f64 {
    reading(outcome, name).value
}

#[test]
fn one_gateway_is_one_translator_that_keeps_ports_and_filters_by_port() {
    let line = line(LineConfig::default());
    let outcome = examine(&line, BetweenCheck::default(), Depth::Quick);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
    assert_eq!((value(&outcome, "between.translators"), value(&outcome, "between.carrier_translation")), (1.0, 0.0));
    // The kernel's masquerade keeps a port that is free and one mapping per socket (its manual, nft(8)); conntrack lets in only
    // what was asked.
    assert_eq!((value(&outcome, "between.port_kept_ratio"), value(&outcome, "between.mapping_by_port")), (1.0, 0.0));
    assert_eq!(value(&outcome, "between.filtering_by_port"), 1.0);
    assert_eq!(outcome.facts["seen"]["address"], json!(GATEWAY_WAN_V4.to_string()));
    assert_eq!(outcome.facts["mapping"], "endpoint-independent or address-dependent");
    assert_eq!(outcome.facts["hops"][1]["address"], json!("198.51.100.1"), "{:#}", outcome.facts["hops"]);
}

#[test]
fn without_translation_nobody_is_in_between() {
    let line = line(LineConfig::default());
    let outcome = examine_at(&line, BetweenCheck::default(), Depth::Quick, FAR_END_V6.into());
    assert_eq!((outcome.status, value(&outcome, "between.translators")), (Status::Done, 0.0), "{outcome:#?}");
    // Nothing on the way filters: the laptop's own socket hears the other port.
    assert_eq!(value(&outcome, "between.filtering_by_port"), 0.0);
}

#[test]
fn random_ports_are_a_mapping_that_depends_on_the_destination() {
    let line = line(LineConfig::default());
    rules(&line, Node::Gateway, "flush table ip nat; add rule ip nat post oifname wan masquerade random");
    let outcome = examine(&line, BetweenCheck::default(), Depth::Quick);
    assert_eq!((value(&outcome, "between.translators"), value(&outcome, "between.mapping_by_port")), (1.0, 1.0), "{outcome:#?}");
    assert!(value(&outcome, "between.port_kept_ratio") < 1.0);
    assert_eq!(outcome.facts["mapping"], "address and port-dependent");
}

#[test]
fn shared_addresses_behind_the_gateway_are_the_provider_s_translation() {
    let line = line(LineConfig { carrier_translation: true, ..LineConfig::default() });
    let outcome = examine(&line, BetweenCheck::default(), Depth::Quick);
    assert_eq!(
        (value(&outcome, "between.translators"), value(&outcome, "between.carrier_translation")),
        (2.0, 1.0),
        "{outcome:#?}"
    );
    assert_eq!(codes(&outcome), ["between-carrier-nat"]);
}

#[test]
fn a_binding_lasts_as_long_as_the_translator_keeps_it() {
    let line = line(LineConfig::default());
    let gateway = Site::open(line.namespace(Node::Gateway)).expect("netlink");
    let seconds = [("net/netfilter/nf_conntrack_udp_timeout", "5"), ("net/netfilter/nf_conntrack_udp_timeout_stream", "5")];
    gateway.sysctls(&seconds).expect("conntrack");
    let outcome = examine(&line, BetweenCheck { spans: &[2, 4, 9, 12] }, Depth::Soak);
    let lifetime = reading(&outcome, "between.binding_lifetime");
    assert_eq!((lifetime.value, lifetime.low, lifetime.high), (4.0, Some(4.0), Some(9.0)), "{outcome:#?}");
}

/// Laptop, two gateways in a row as a customer plugs them, and a far end behind: private addresses within the test's places.
#[test]
fn a_second_gateway_in_the_home_is_seen() {
    let places = ["laptop", "inner", "outer", "far"].map(|label| Namespace::new(label).expect("these tests need root"));
    let mut sites = places.clone().map(|place| Site::open(&place).expect("netlink"));
    let cables = [(0, "lan0", 1, "lan"), (1, "wan", 2, "lan"), (2, "wan", 3, "net0")];
    for (n, (near, near_port, far, far_port)) in (0_u8..).zip(cables) {
        let end = |which: usize, name, end| End { site: &places[which], name, mac: [2, 0, 0x5e, 0, n + 1, end] };
        sites[near].cable(&end(near, near_port, 1), &end(far, far_port, 2)).expect("veth");
        for (which, port) in [(near, near_port), (far, far_port)] {
            let index = sites[which].index(port).expect("made");
            sites[which].raise(port, index).expect("up");
        }
    }
    for (which, port, address, hop) in [
        (0, "lan0", "192.168.1.5", Some("192.168.1.1")),
        (1, "lan", "192.168.1.1", None),
        (1, "wan", "192.168.0.2", Some("192.168.0.1")),
        (2, "lan", "192.168.0.1", None),
        (2, "wan", "198.51.100.2", None),
        (3, "net0", "198.51.100.1", None),
    ] {
        let index = sites[which].index(port).expect("made");
        let parse = |text: &str| text.parse::<IpAddr>().expect("an address");
        sites[which].address(index, parse(address), 24).expect("address");
        if let Some(hop) = hop {
            sites[which].default_route(parse(hop), index).expect("route");
        }
    }
    for gateway in [1, 2] {
        sites[gateway].sysctls(&[("net/ipv4/ip_forward", "1")]).expect("forwarding");
        masquerade(&places[gateway], "wan").expect("nf_tables");
    }
    let far_end = FarEndRole::start(&places[3], vec![Ipv4Addr::new(198, 51, 100, 1).into()]).expect("a far end");
    let target = far_end.target().clone();
    let index = sites[0].index("lan0").expect("made");
    let outcome = places[0].run(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
        let look = async {
            let session = Session::open(&target, Ipv4Addr::new(198, 51, 100, 1).into(), "lan0").await.expect("a session");
            let known =
                Known { ipv4: Some((Ipv4Addr::new(192, 168, 1, 5), 24)), far_end: Some(Arc::new(session)), ..Known::default() };
            let context = context::context_at(index, [2, 0, 0x5e, 0, 1, 1], known, Depth::Quick);
            BetweenCheck::default().run(context).await.outcome
        };
        runtime.block_on(async { tokio::time::timeout(Duration::from_secs(60), look).await.expect("within a minute") })
    });
    assert_eq!(
        (value(&outcome, "between.translators"), value(&outcome, "between.carrier_translation")),
        (2.0, 0.0),
        "{outcome:#?}"
    );
    assert_eq!(codes(&outcome), ["between-double-nat"]);
}
