//! Path: a long way with routers that keep silent, one flow of probes, all hops at once.

use std::collections::BTreeSet;
use std::net::{IpAddr, Ipv4Addr};

use doorstep::check::path::PathCheck;
use doorstep::check::{Check, Known};
use doorstep::farend::client::FarEndTarget;
use doorstep::net::build::{End, Site};
use doorstep::net::netns::Namespace;
use doorstep::plan::Volume;
use doorstep::practice::Node;
use doorstep::practice::topology::{CORE_V4, EDGE_V4, FAR_END_V4, GATEWAY_LAN_V4, LAPTOP_PORT};
use doorstep::reading::Status;
use doorstep::unit::Depth;
use serde_json::Value;

use crate::capture::Capture;
use crate::lab::{bare, build, check, context};
use crate::server::wait_for;

/// Routers on the way; the destination is one hop behind the last.
const ROUTERS: usize = 16;
/// Those that tell nobody that a packet's hops were used up.
const SILENT: [usize; 4] = [4, 9, 10, 14];

/// The place and its port toward the laptop.
fn place(n: usize) -> Namespace {
    Namespace::new(&format!("hop{n}")).expect("this test needs root")
}

/// Address of place `n` on the cable `cable`, which joins the places `cable` and `cable + 1`; addresses of RFC 2544's range.
fn on_cable(cable: usize, n: usize) -> Ipv4Addr {
    Ipv4Addr::new(198, 18, cable as u8, if n == cable { 1 } else { 2 })
}

/// A chain: the laptop is place 0, the destination the last.
fn chain() -> Vec<Site> {
    let places: Vec<Namespace> = (0..ROUTERS + 2).map(place).collect();
    let mut sites: Vec<Site> = places.iter().map(|place| Site::open(place).expect("netlink")).collect();
    for cable in 0..=ROUTERS {
        let mac = |side: u8| [2, 0, 0x5e, 1, cable as u8, side];
        let here = End { site: &places[cable], name: if cable == 0 { LAPTOP_PORT } else { "out" }, mac: mac(1) };
        let there = End { site: &places[cable + 1], name: "in", mac: mac(2) };
        sites[cable].cable(&here, &there).expect("veth");
    }
    for (n, site) in sites.iter_mut().enumerate() {
        let out = if n == 0 { LAPTOP_PORT } else { "out" };
        if n > 0 {
            let index = site.index("in").expect("made");
            site.raise("in", index).expect("up");
            site.address(index, on_cable(n - 1, n).into(), 24).expect("address");
            if n > 1 {
                let back = IpAddr::V4(on_cable(n - 1, n - 1));
                site.route(IpAddr::V4(Ipv4Addr::new(198, 18, 0, 0)), 24, back, index).expect("the way back");
            }
        }
        if n <= ROUTERS {
            let index = site.index(out).expect("made");
            site.raise(out, index).expect("up");
            site.address(index, on_cable(n, n).into(), 24).expect("address");
            site.default_route(on_cable(n, n + 1).into(), index).expect("the way on");
        }
        if n > 0 {
            site.sysctls(&[("net/ipv4/ip_forward", "1"), ("net/ipv4/icmp_ratelimit", "0")]).expect("sysctl");
        }
        if SILENT.contains(&n) {
            let rules = "add table ip quiet; add chain ip quiet out { type filter hook output priority 0; }; \
                         add rule ip quiet out icmp type time-exceeded drop";
            let done = site.namespace().command("nft").arg(rules).status().expect("nftables is installed");
            assert!(done.success());
        }
    }
    sites
}

#[test]
fn sixteen_routers_of_which_four_are_silent_are_told_in_under_5_s() {
    let sites = chain();
    let end = on_cable(ROUTERS, ROUTERS + 1);
    let line = Laptop(&sites[0]);
    let target = FarEndTarget { host: end.to_string(), port: 9, token: String::new(), fingerprint: [0; 32], zone: None };
    let outcome = line.run(end, target);
    assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
    let path = &outcome.facts["path_ipv4"];
    assert_eq!((&path["end"], path["hops"].as_array().map(Vec::len)), (&Value::from("reached"), Some(ROUTERS + 1)), "{path:#}");
    for n in 1..=ROUTERS + 1 {
        let hop = &path["hops"][n - 1];
        assert_eq!(hop["hop"], n, "{hop:#}");
        assert_eq!(hop["silent"], SILENT.contains(&n), "{hop:#}");
        if !SILENT.contains(&n) {
            let addresses = hop["addresses"].as_array().expect("addresses");
            assert_eq!(addresses.len(), 1, "one flow takes one way: {hop:#}");
            assert_eq!(addresses[0]["address"], on_cable(n - 1, n).to_string());
            for kind in ["icmp", "udp"] {
                assert_eq!(hop[kind]["sent"], hop[kind]["answered"], "{hop:#}");
            }
        }
    }
    // The time is that of the check's own clockwork: rounds, gaps and one waiting time. It is planned below 5 s, which a busy
    // machine does not change; what it took is printed.
    let volume = Volume {
        depth: Depth::Handoff,
        sold_down_mbit: 100.0,
        sold_up_mbit: 40.0,
        load_time: std::time::Duration::from_secs(4),
        classes_mbit: None,
        tv: None,
        sizes: doorstep::plan::Sizes::NONE,
    };
    assert!((PathCheck.spec().cost)(&volume).time.as_secs_f64() < 5.0);
    println!("{} hops in {} ms", ROUTERS + 1, path["took_ms"]);
}

/// The first place of the chain as a laptop.
struct Laptop<'a>(&'a Site);

impl Laptop<'_> {
    fn run(&self, end: Ipv4Addr, target: FarEndTarget) -> doorstep::reading::Outcome {
        let index = self.0.index(LAPTOP_PORT).expect("made");
        let runtime = self.0.namespace().runtime(1).expect("runtime");
        let known = Known { ipv4: Some((on_cable(0, 0), 24)), gateway4: Some(on_cable(0, 1)), ..Known::default() };
        let mut context = crate::context::context_at(index, [2, 0, 0x5e, 1, 0, 1], known, Depth::Handoff);
        context.far_end = Some(target);
        wait_for("the way to the end", || {
            let place = self.0.namespace();
            let answered = place.command("ping").args(["-c", "1", "-W", "1", &end.to_string()]).output();
            // No ping on this machine: the check itself finds out.
            answered.map_or(Some(()), |out| out.status.success().then_some(()))
        });
        let running = runtime.spawn(PathCheck.run(context));
        runtime.block_on(running).expect("no panic").outcome
    }
}

#[test]
fn gateway_provider_and_far_end_are_told_apart_and_all_probes_of_a_kind_are_one_flow() {
    let line = build(bare());
    let mut context = context(&line, Known::default(), Depth::Handoff);
    context.far_end = Some(line.far_end_target());
    let capture = Capture::start(line.namespace(Node::Laptop), LAPTOP_PORT, "ip and (udp or icmp)");
    let outcome = check(&line, PathCheck, context).outcome;
    let rows = capture.end([
        "ip.proto",
        "ip.src",
        "ip.dst",
        "udp.srcport",
        "udp.dstport",
        "icmp.type",
        "icmp.ident",
        "icmp.checksum",
        "ip.ttl",
    ]);
    let hops = outcome.facts["path_ipv4"]["hops"].as_array().expect("hops");
    let told: Vec<(&str, &str)> = hops
        .iter()
        .map(|hop| (hop["role"].as_str().expect("a role"), hop["addresses"][0]["address"].as_str().expect("an address")))
        .collect();
    let (gateway, edge, core, far) =
        (GATEWAY_LAN_V4.to_string(), EDGE_V4.to_string(), CORE_V4.to_string(), FAR_END_V4.to_string());
    assert_eq!(told.iter().map(|t| t.1).collect::<Vec<_>>(), [&gateway, &edge, &core, &far]);
    assert_eq!(told.iter().map(|t| t.0).collect::<BTreeSet<_>>().len(), 4, "four roles: {told:?}");

    let probes = |protocol: &str| {
        rows.iter().filter(move |row| row[0] == protocol && row[2] == FAR_END_V4.to_string()).collect::<Vec<_>>()
    };
    // What a load balancer looks at: addresses, protocol and, for UDP, ports (RFC 2992); for ICMP type, code and the word
    // behind them, the checksum among it (common practice).
    let udp: BTreeSet<_> = probes("17").iter().map(|row| (row[3].clone(), row[4].clone())).collect();
    assert_eq!(udp.len(), 1, "UDP probes of one flow: {udp:?}");
    let icmp: BTreeSet<_> = probes("1").iter().map(|row| (row[5].clone(), row[6].clone(), row[7].clone())).collect();
    assert_eq!(icmp.len(), 1, "ICMP probes of one flow: {icmp:?}");
    let limits: BTreeSet<&str> = probes("17").iter().map(|row| row[8].as_str()).collect();
    assert!(limits.len() >= 4, "and of several hop limits: {limits:?}");
}
