//! PPPoE sessions with a provider's edge made of general-purpose parts: `pppoe-server`, `pppd` and the kernel's PPPoE, in a User
//! Mode Linux (the host's kernel may lack them), without a tag by CHAP and in VLAN 35 by PAP.
//!
//! What went over the cable is told by a capture that tshark reads. Needs root, /dev/net/tun, and the packages of
//! tests/packages.txt; fails loudly without. All traffic stays in namespaces that the test makes.

#![allow(clippy::print_stdout, reason = "figures that the test saw are shown with --no-capture")]

#[path = "common/capture.rs"]
mod capture;
#[path = "common/context.rs"]
mod context;
#[path = "common/machine.rs"]
mod machine;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "common/server.rs"]
mod server;

use std::net::{IpAddr, Ipv4Addr};
use std::time::Duration;

use doorstep::check::pppoe::PppoeCheck;
use doorstep::check::{Access, Check, Finished, Known, Learned};
use doorstep::net::build::{End, Site};
use doorstep::net::netns::Namespace;
use doorstep::proto::ppp::Login;
use doorstep::reading::{Outcome, Status};
use doorstep::unit::Depth;
use doorstep::wire::vlan::TagStack;

use crate::capture::Capture;
use crate::machine::Machine;
use crate::outcome::{codes, reading};

const LAPTOP_MAC: [u8; 6] = [2, 0, 0x5e, 0, 6, 1];
/// PADT (RFC 2516 section 5.5).
const PADT: &str = "0xa7";

struct Edge {
    laptop: Site,
    index: u32,
    _middle: Site,
    _machine: Machine,
}

impl Edge {
    fn build() -> Self {
        let places = ["laptop", "middle"].map(|label| Namespace::new(label).expect("this test needs root"));
        let [mut laptop, mut middle] = places.each_ref().map(|place| Site::open(place).expect("netlink"));
        let near = End { site: &places[0], name: "lan0", mac: LAPTOP_MAC };
        laptop.cable(&near, &End { site: &places[1], name: "u0", mac: [2, 0, 0x5e, 0, 6, 2] }).expect("veth");
        let index = laptop.index("lan0").expect("made");
        laptop.raise("lan0", index).expect("up");
        let other = middle.index("u0").expect("made");
        middle.raise("u0", other).expect("up");
        let files = [("pppd-in-kernel", include_str!("sessions/pppd-in-kernel"))];
        let machine = Machine::start(&places[1], &["u0"], include_str!("sessions/init.sh"), &files);
        Self { laptop, index, _middle: middle, _machine: machine }
    }

    /// Logs in, knocks at the peer through the session, and ends it in order. With it comes the way of the knock's answer.
    fn visit(&self, vlan: TagStack, secret: &str, peer: Ipv4Addr) -> (Outcome, Vec<Learned>, Option<std::io::ErrorKind>) {
        let mut context = context::context_at(self.index, LAPTOP_MAC, Known::default(), Depth::Handoff);
        (context.vlan, context.access) = (vlan, Access::Pppoe(Login::new("line1", secret)));
        self.laptop.namespace().run(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
            runtime.block_on(async move {
                let Finished { outcome, learned, holdings } = PppoeCheck { logs_in: true }.run(context).await;
                let knock = tokio::net::TcpStream::connect((peer, 9));
                let answer = tokio::time::timeout(Duration::from_secs(5), knock).await;
                for holding in holdings {
                    holding.release().await;
                }
                (outcome, learned, answer.ok().and_then(Result::err).map(|error| error.kind()))
            })
        })
    }
}

fn is_whole(outcome: &Outcome, learned: &[Learned], own: Ipv4Addr, proof: &str) {
    assert_eq!((outcome.status, codes(outcome)), (Status::Done, vec![]), "{outcome:#?}");
    assert!(learned.iter().any(|l| matches!(l, Learned::Ipv4(address, 32) if *address == own)), "{learned:?}");
    let resolvers: Vec<IpAddr> = ["203.0.113.53", "203.0.113.54"].map(|text| text.parse().expect("an address")).to_vec();
    assert!(learned.iter().any(|l| matches!(l, Learned::Resolvers(list) if *list == resolvers)), "RFC 1877: {learned:?}");
    assert_eq!((&outcome.facts["proof"], &outcome.facts["ipv6"]), (&proof.into(), &true.into()), "RFC 5072");
    assert_eq!(reading(outcome, "pppoe.mru").value, 1492.0, "RFC 2516 section 7, both ways by echoes");
    for name in ["offer_time", "session_time", "link_time", "login_time", "address_time", "setup_time", "echo_time_p50"] {
        println!("{name}: {:.3} ms", reading(outcome, &format!("pppoe.{name}")).value);
    }
    println!("own share: {} ms", outcome.facts["own_ms"]);
}

#[test]
fn sessions_of_a_real_edge_are_opened_used_and_ended_with_and_without_a_tag() {
    let edge = Edge::build();
    let capture = Capture::start(edge.laptop.namespace(), "lan0", "ether proto 0x8863 or ether proto 0x8864 or vlan");
    let peer = Ipv4Addr::new(198, 51, 100, 1);

    let (outcome, learned, answer) = edge.visit(TagStack::NONE, "not-for-records", peer);
    is_whole(&outcome, &learned, Ipv4Addr::new(198, 51, 100, 100), "CHAP with MD5");
    assert_eq!(answer, Some(std::io::ErrorKind::ConnectionRefused), "the peer's refusal came through the session");

    let inside = Ipv4Addr::new(203, 0, 113, 1);
    let (outcome, learned, answer) = edge.visit(TagStack::single(35), "not-for-records", inside);
    is_whole(&outcome, &learned, Ipv4Addr::new(203, 0, 113, 100), "PAP");
    assert_eq!(answer, Some(std::io::ErrorKind::ConnectionRefused), "and in VLAN 35");

    let (outcome, ..) = edge.visit(TagStack::NONE, "wrong", peer);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Failed, vec!["pppoe-login-refused"]), "{outcome:#?}");
    let reason = outcome.reason.as_deref().expect("a reason");
    assert!(reason.contains("Access denied") || reason.contains("Authentication failed"), "the server's own words: {reason}");

    let rows = capture.end(["eth.src", "pppoe.code", "vlan.id", "_ws.expert.severity"]);
    let ours = "02:00:5e:00:06:01";
    for vlan in ["", "35"] {
        let farewells = rows.iter().filter(|[source, code, tag, _]| source == ours && code == PADT && tag == vlan).count();
        // A second one only where the server has not said its own by then.
        assert!(farewells >= 1, "no PADT of ours in VLAN `{vlan}`");
    }
    // Nothing that we sent makes tshark wonder (PI_WARN is 6291456, PI_ERROR 8388608 in its epan/proto.h).
    let odd: Vec<_> =
        rows.iter().filter(|[source, .., severity]| source == ours && (severity == "6291456" || severity == "8388608")).collect();
    assert!(odd.is_empty(), "{odd:?}");
}
