//! `between` against the kernel's own address translation (nf_tables masquerade), in every arrangement that it has to tell apart.
//!
//! Needs root and the packages nftables, tcpdump and tshark; fails loudly without. All traffic stays in namespaces that the tests make.

#[path = "common/capture.rs"]
mod capture;
#[path = "common/context.rs"]
mod context;
#[path = "common/lab.rs"]
mod lab;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "common/server.rs"]
mod server;
#[path = "common/view.rs"]
mod view;

use std::net::{IpAddr, Ipv4Addr, UdpSocket};
use std::sync::Arc;
use std::time::Duration;

use doorstep::check::between::BetweenCheck;
use doorstep::check::{Check, Known};
use doorstep::farend::client::Session;
use doorstep::net::build::{End, Site};
use doorstep::net::netns::Namespace;
use doorstep::net::nft::masquerade;
use doorstep::practice::roles::far_end::FarEndRole;
use doorstep::practice::topology::{FAR_END_V4, FAR_END_V6, GATEWAY_WAN_V4, LAPTOP_PORT};
use doorstep::practice::{LineConfig, Node};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::Depth;
use doorstep::wire::stun::{Attribute, Class, Message};
use serde_json::json;

use capture::Capture;
use lab::on_laptop;
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

/// What an independent reader of the packets says: tshark's STUN dissector.
#[test]
fn requests_and_answers_are_stun_to_another_reader() {
    let line = line(LineConfig::default());
    let capture = Capture::start(line.namespace(Node::Laptop), LAPTOP_PORT, "udp and portrange 8622-8623");
    let outcome = examine(&line, BetweenCheck::default(), Depth::Quick);
    assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
    let rows = capture.end(["stun.type", "stun.att.ipv4", "stun.att.port", "stun.att.change-port", "stun.id", "_ws.malformed"]);
    let of = |kind: &str| rows.iter().filter(|row| row[0] == kind).collect::<Vec<_>>();
    let (requests, answers) = (of("0x0001"), of("0x0101"));
    assert!(requests.len() >= 10 && answers.len() >= 9, "{rows:?}");
    assert!(rows.iter().all(|row| row[5].is_empty()), "{rows:?}");
    // Each answer names the gateway's outer address, and answers one request.
    for answer in answers {
        assert_eq!(answer[1], GATEWAY_WAN_V4.to_string(), "{answer:?}");
        assert_eq!(requests.iter().filter(|request| request[4] == answer[4]).count(), 1, "{answer:?}");
    }
    assert!(requests.iter().any(|request| !request[3].is_empty()), "nobody asked for the other port: {rows:?}");
}

/// Octets that the far end's view sends back within a moment, for each of the datagrams.
fn answers(socket: &UdpSocket, to: std::net::SocketAddr, datagrams: &[Vec<u8>]) -> usize {
    socket.set_read_timeout(Some(Duration::from_millis(300))).expect("a socket");
    for datagram in datagrams {
        socket.send_to(datagram, to).expect("sent");
    }
    std::iter::from_fn(|| socket.recv_from(&mut [0; 2048]).ok()).count()
}

#[test]
fn strangers_replays_and_ended_sessions_are_met_with_silence() {
    let line = line(LineConfig::default());
    let target = line.far_end_target();
    let counts = on_laptop(&line, move || async move {
        let session = Session::open(&target, FAR_END_V4.into(), LAPTOP_PORT).await.expect("a session");
        let offer = session.view.clone().expect("a view");
        let socket = UdpSocket::bind("0.0.0.0:0").expect("a port");
        let request = |transaction: u8, key: &doorstep::wire::stamp::Key| {
            let message = Message::new(Class::Request, [transaction; 12]).with(Attribute::Username(offer.session));
            message.emit(key, Some(120)).expect("it fits")
        };
        let guess = doorstep::wire::stamp::Key::new(b"a guess");
        let plain = [&[0, 1, 0, 0, 0x21, 0x12, 0xa4, 0x42][..], &[5; 12]].concat();
        let strange = [plain, b"hello".to_vec(), vec![0; 1400], request(1, &guess)];
        let to = offer.ports[0];
        let strangers = answers(&socket, to, &strange);
        let own = request(2, &offer.key);
        let (first, again) = (answers(&socket, to, std::slice::from_ref(&own)), answers(&socket, to, &[own.clone(), own]));
        session.close().await.expect("closed");
        let after = answers(&socket, to, &[request(3, &offer.key)]);
        [strangers, first, again, after]
    });
    assert_eq!(counts, [0, 1, 0, 0], "strangers, a request, its replays, one after the session");
}
