//! `ipv6` against a real router (radvd), and against ones that talk nonsense or come in numbers.
//!
//! Needs root and the packages radvd, tcpdump and tshark; fails loudly without. All traffic stays on a cable between two
//! namespaces that the test makes.

#[path = "common/cable.rs"]
mod cable;
#[path = "common/capture.rs"]
mod capture;
#[path = "common/context.rs"]
mod context;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "common/server.rs"]
mod server;

use std::net::Ipv6Addr;

use doorstep::check::Learned;
use doorstep::check::ipv6::Ipv6Check;
use doorstep::net::packet::{Filter, PacketSocket};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::Depth;
use doorstep::wire::ethernet::{self, Mac};
use doorstep::wire::ipv6::{ETHERTYPE, Repr};
use doorstep::wire::ra;
use nix::sys::signal::Signal;
use serde_json::{Value, json};

use cable::Line;
use capture::Capture;
use outcome::{codes, reading, readings};
use server::{Server, wait_for};

fn examine(line: &Line) -> Outcome {
    line.check(&Ipv6Check::default(), Depth::Quick).outcome
}

/// Waits until both ends have their link-local address (duplicate address detection takes a second).
fn settle(line: &Line) {
    for site in [&line.laptop, &line.server] {
        wait_for("link-local addresses", || {
            let out = site.namespace().command("ip").args(["-6", "-o", "address", "show", "scope", "link"]).output();
            let text = String::from_utf8_lossy(&out.expect("iproute2 is installed").stdout).into_owned();
            (text.contains("fe80::") && !text.contains("tentative")).then_some(())
        });
    }
}

#[test]
fn a_real_router_is_read_in_every_option_and_tshark_reads_the_same() {
    let mut line = Line::new();
    settle(&line);
    line.server.sysctls(&[("net/ipv6/conf/all/forwarding", "1")]).expect("sysctl");
    // The first resolver of the hand-out is where the way out leads to.
    let index = line.server_index;
    for (address, prefix) in [("2001:db8:77::1", 64), ("2001:db8:53::53", 128)] {
        line.server.address(index, address.parse().expect("an address"), prefix).expect("address");
    }
    let folder = tempfile::tempdir().expect("a folder");
    let config = "interface lan {\n  AdvSendAdvert on;\n  MinRtrAdvInterval 3;\n  MaxRtrAdvInterval 4;\n  AdvOtherConfigFlag on;\n  \
        AdvDefaultPreference high;\n  AdvLinkMTU 1492;\n  AdvDefaultLifetime 1800;\n  prefix 2001:db8:77::/64 {\n    AdvOnLink on;\n    \
        AdvAutonomous on;\n    AdvValidLifetime 86400;\n    AdvPreferredLifetime 14400;\n  };\n  RDNSS 2001:db8:53::53 2001:db8:53::54 {\n    \
        AdvRDNSSLifetime 3600;\n  };\n  DNSSL example.net {\n    AdvDNSSLLifetime 3600;\n  };\n  route 2001:db8:100::/48 {\n    \
        AdvRoutePreference low;\n    AdvRouteLifetime 600;\n  };\n};\n";
    let path = folder.path().join("radvd.conf");
    std::fs::write(&path, config).expect("a file");
    let mut command = line.server.namespace().command("radvd");
    command.args(["-n", "-m", "stderr", "-d", "1", "-C"]).arg(&path).arg("-p").arg(folder.path().join("radvd.pid"));
    let capture = Capture::start(line.laptop.namespace(), "lan0", "icmp6");
    let server = Server::spawn(command);
    let outcome = examine(&line);
    server.end(Signal::SIGTERM);
    let rows = capture.end([
        "frame.time_epoch",
        "icmpv6.type",
        "icmpv6.checksum.status",
        "icmpv6.nd.ra.router_lifetime",
        "icmpv6.opt.prefix",
        "icmpv6.opt.mtu",
        "_ws.malformed",
    ]);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
    assert_eq!(reading(&outcome, "ipv6.routers").value, 1.0);
    let said = &outcome.facts["advertisements"][0];
    let flags = [&said["managed"], &said["other"], &said["preference"], &said["router_lifetime_s"]];
    assert_eq!(flags, [&Value::Bool(false), &Value::Bool(true), &json!("high"), &json!(1800)], "{said:#}");
    let options = said["options"].as_array().expect("options");
    for wanted in [
        json!({ "mtu": 1492 }),
        json!({ "prefix": "2001:db8:77::/64", "on_link": true, "autonomous": true, "valid_s": 86_400, "preferred_s": 14_400 }),
        json!({ "resolvers": ["2001:db8:53::53", "2001:db8:53::54"], "lifetime_s": 3600 }),
        json!({ "search": ["example.net"], "lifetime_s": 3600 }),
        json!({ "route": "2001:db8:100::/48", "preference": "low", "lifetime_s": 600 }),
    ] {
        assert!(options.contains(&wanted), "{wanted} in {said:#}");
    }
    let solicitation = rows.iter().find(|row| row[1] == "133").expect("ours");
    assert_eq!((solicitation[2].as_str(), solicitation[6].as_str()), ("1", ""), "tshark finds it good: {solicitation:?}");
    let seen = rows.iter().find(|row| row[1] == "134").expect("an advertisement");
    assert_eq!((&seen[3], &seen[5]), (&"1800".to_owned(), &"1492".to_owned()), "{seen:?}");
    assert!(seen[4].contains("2001:db8:77::"), "{seen:?}");
}

#[test]
fn nobody_there_is_a_finding_and_no_failure() {
    let line = Line::new();
    let outcome = examine(&line);
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
    assert_eq!((reading(&outcome, "ipv6.routers").value, readings(&outcome, "ipv6.advertisement_time").len()), (0.0, 0));
    assert_eq!(outcome.facts["solicitations_sent"], 2, "at 0 and 1 s");
}

/// An advertisement of a router by its number: fixed part and options as given, checksum right.
fn advertisement(router: u16, hop_limit: u8, lifetime_s: u16, options: &[u8]) -> Vec<u8> {
    let mut payload = vec![ra::ADVERTISEMENT, 0, 0, 0, 64, 0];
    payload.extend(lifetime_s.to_be_bytes());
    payload.extend([0; 8]);
    payload.extend(options);
    let repr = Repr {
        source: Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, router),
        destination: Ipv6Addr::new(0xff02, 0, 0, 0, 0, 0, 0, 1),
        next_header: 58,
        hop_limit,
        traffic_class: 0,
        flow_label: 0,
    };
    let sum = doorstep::wire::checksum::Sum::new();
    let sum = sum.with_pseudo_header(repr.source.into(), repr.destination.into(), 58, payload.len() as u32).with(&payload);
    payload[2..4].copy_from_slice(&sum.checksum().to_be_bytes());
    let header = ethernet::Repr {
        destination: Mac([0x33, 0x33, 0, 0, 0, 1]),
        source: Mac([2, 0, 0x5e, 0, 7, router as u8]),
        tags: Vec::new(),
        ethertype: ETHERTYPE,
    };
    header.emit(&repr.emit(&payload).expect("it fits"))
}

/// Sends these a little after the check has begun.
fn with(line: &Line, frames: Vec<Vec<u8>>) -> Outcome {
    let index = line.server_index;
    let sending = line.server.namespace().spawn("router", move || {
        std::thread::sleep(std::time::Duration::from_millis(300));
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
        runtime.block_on(async {
            let socket = PacketSocket::open(index, Filter::RouterAdvertisement, false).expect("a packet socket");
            for frame in &frames {
                socket.try_send(frame).expect("the cable is up");
            }
        });
    });
    let outcome = examine(line);
    sending.join().expect("no panic");
    outcome
}

#[test]
fn a_second_router_one_from_off_the_link_and_a_small_mtu_are_each_named() {
    let line = Line::new();
    settle(&line);
    let small_mtu = [5, 1, 0, 0, 0, 0, 2, 64];
    let outcome = with(
        &line,
        vec![
            advertisement(1, 255, 1800, &[]),
            advertisement(2, 255, 9000, &small_mtu),
            advertisement(3, 64, 1800, &[]),
            advertisement(4, 255, 1800, &[3, 0]),
        ],
    );
    assert_eq!(reading(&outcome, "ipv6.routers").value, 2.0, "the other two must be dropped: {outcome:#?}");
    let found = codes(&outcome);
    for code in ["ipv6-several-routers", "ipv6-mtu-too-small", "ipv6-advertisement-invalid"] {
        assert!(found.contains(&code), "{code} in {found:?}");
    }
    assert_eq!(found.iter().filter(|code| **code == "ipv6-advertisement-invalid").count(), 2);
}

#[test]
fn a_router_that_does_not_want_to_be_the_default_one_is_told() {
    let line = Line::new();
    settle(&line);
    let outcome = with(&line, vec![advertisement(1, 255, 0, &[])]);
    assert_eq!(
        (reading(&outcome, "ipv6.routers").value, codes(&outcome)),
        (0.0, vec!["ipv6-no-default-router", "ipv6-no-address"]),
        "{outcome:#?}"
    );
}

#[test]
fn a_default_route_to_a_router_that_is_not_there_is_told() {
    let line = Line::new();
    settle(&line);
    // A prefix of 64 bits, on the link and autonomous, valid and preferred for an hour.
    let prefix = [&[3, 4, 64, 0xc0, 0, 0, 14, 16, 0, 0, 14, 16, 0, 0, 0, 0, 0x20, 1, 0xd, 0xb8, 0, 0x77][..], &[0; 10]].concat();
    let outcome = with(&line, vec![advertisement(1, 255, 1800, &prefix)]);
    assert_eq!(codes(&outcome), ["ipv6-router-dead"], "{outcome:#?}");
    assert!(outcome.flaws[0].what.contains("fe80::1") && outcome.flaws[0].what.contains("leads nowhere"));
    assert_eq!((reading(&outcome, "ipv6.address_held").value, readings(&outcome, "ipv6.router_answer_time").len()), (1.0, 0));
}

#[test]
fn an_address_and_a_route_that_somebody_else_set_are_learned_and_left_alone() {
    let mut line = Line::new();
    settle(&line);
    line.laptop.address(line.laptop_index, "2001:db8::9".parse().expect("address"), 64).expect("address");
    line.laptop.default_route("2001:db8::1".parse().expect("address"), line.laptop_index).expect("route");
    let finished = line.check(&Ipv6Check::default(), Depth::Quick);
    let has = |wanted: &dyn Fn(&Learned) -> bool| finished.learned.iter().any(wanted);
    assert!(has(&|l| matches!(l, Learned::Ipv6(a) if a.to_string() == "2001:db8::9")), "{:?}", finished.learned);
    assert!(has(&|l| matches!(l, Learned::Gateway6(a) if a.to_string() == "2001:db8::1")), "{:?}", finished.learned);
    let before = line.configured();
    line.release(finished);
    assert_eq!(line.configured().0.len(), before.0.len(), "what is not ours is not taken away");
}
