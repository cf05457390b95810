//! Equal next hops of the kernel's own routing (`ip route` with several `nexthop`, hashed over ports), and packet by packet by
//! nft's numgen.

use std::collections::BTreeSet;
use std::net::IpAddr;

use doorstep::check::path::PathInDepth;
use doorstep::unit::Depth;
use serde_json::Value;

use crate::net::{Net, value};

/// The routers told at a hop.
fn at(several: &Value, hop: usize) -> BTreeSet<String> {
    let routers = several["hops"][hop - 1]["routers"].as_array().expect("routers");
    routers.iter().map(|router| router["address"].as_str().expect("an address").to_owned()).collect()
}

/// The routers side by side, by the addresses of their own cables toward the laptop.
fn side_by_side(net: &Net, k: usize, v6: bool) -> BTreeSet<String> {
    let own = |mid| if v6 { net.cable(1, mid).v6(mid).to_string() } else { net.cable(1, mid).v4(mid).to_string() };
    (2..k + 2).map(own).collect()
}

#[test]
fn two_and_four_equal_next_hops_are_all_found_over_both_versions() {
    for k in [2, 4] {
        let net = Net::diamond(k);
        let (v4, v6) = net.end();
        for (to, family) in [(IpAddr::from(v4), "path_ipv4"), (IpAddr::from(v6), "path_ipv6")] {
            let mut context = net.context(Depth::Quick, to);
            // One run may miss a router in this share of cases, and then this test fails by chance: one in 10^5.
            context.effort.confidence = 1.0 - 1e-5;
            let outcome = net.path(PathInDepth, context, to);
            let several = &outcome.facts[family]["several"];
            assert_eq!(at(several, 2), side_by_side(&net, k, to.is_ipv6()), "{several:#}");
            // Where they meet again the router answers from the port that the packet came in by (IPv6), or from the one that leads
            // back (IPv4).
            let meet = if to.is_ipv6() { k } else { 1 };
            assert_eq!((at(several, 1).len(), at(several, 3).len(), at(several, 4).len()), (1, meet, 1), "{several:#}");
            assert_eq!(
                (&several["complete"], &several["hops"][1]["balancing"]),
                (&true.into(), &"per-flow".into()),
                "{several:#}"
            );
            assert_eq!(value(&outcome, "path.parallel_next_hops"), Some(k as f64));
            // One link in, k to the routers, k from them, one to the end.
            let links = if to.is_ipv6() { 1 + 3 * k } else { 2 + 2 * k };
            assert_eq!(several["links"].as_array().map(Vec::len), Some(links), "{several:#}");
            println!("{k} over {family}: {} flows, {} probes, {} ms", several["flows"], several["probes"], several["took_ms"]);
        }
    }
}

#[test]
fn packet_by_packet_is_told_from_flow_by_flow() {
    let net = Net::diamond(2);
    // Each packet gets the next mark by turns, and each mark has its own table of routes.
    net.nft(1, "table ip turns { chain in { type filter hook prerouting priority -150; iifname \"to0\" meta mark set numgen inc mod 2 offset 1; } }");
    for (mark, mid) in [(1, 2), (2, 3)] {
        let via = net.cable(1, mid).v4(mid);
        net.sh(
            1,
            &format!("ip route add default via {via} dev to{mid} table 10{mark} && ip rule add fwmark {mark} table 10{mark}"),
        );
    }
    let to = IpAddr::from(net.end().0);
    let mut context = net.context(Depth::Quick, to);
    context.effort.confidence = 1.0 - 1e-5;
    let outcome = net.path(PathInDepth, context, to);
    let several = &outcome.facts["path_ipv4"]["several"];
    assert_eq!(at(several, 2), side_by_side(&net, 2, false), "{several:#}");
    assert_eq!(several["hops"][1]["balancing"], "per-packet", "{several:#}");
}

/// The kernel's own limit of errors, as it comes: six at once to one address, then one a second.
#[test]
fn routers_that_limit_their_answers_are_waited_for_and_a_single_way_is_one() {
    let net = Net::chain(2);
    for place in 1..=3 {
        net.site(place).sysctls(&[("net/ipv4/icmp_ratelimit", "1000")]).expect("sysctl");
    }
    let to = IpAddr::from(net.end().0);
    let outcome = net.path(PathInDepth, net.context(Depth::Quick, to), to);
    let several = &outcome.facts["path_ipv4"]["several"];
    assert_eq!(several["what"], "one way was found", "{several:#}");
    assert_eq!(several["complete"], true, "{several:#}");
    assert_eq!(value(&outcome, "path.parallel_next_hops"), Some(1.0));
    println!("limited: {} flows, {} probes, {} ms", several["flows"], several["probes"], several["took_ms"]);
}
