//! Header fields rewritten by real routers: nft's stateless and stateful source NAT, DSCP and ECN set by rule.

use std::net::IpAddr;

use doorstep::check::path::PathCheck;
use doorstep::reading::Outcome;
use doorstep::unit::Depth;
use serde_json::Value;

use crate::net::{Net, value};

/// Field, old and new value, and the two hops between which it was rewritten.
fn told(outcome: &Outcome, family: &str) -> Vec<(String, Value, Value, u64, u64)> {
    let list = outcome.facts[family]["rewritten"].as_array().expect("a list");
    let one = |r: &Value| {
        let hop = |place: &Value| place["hop"].as_u64().unwrap_or(0);
        (r["field"].as_str().expect("a field").to_owned(), r["was"].clone(), r["is"].clone(), hop(&r["behind"]), hop(&r["at"]))
    };
    list.iter().map(one).collect()
}

#[test]
fn a_stateless_nat_a_remarked_class_and_a_cleared_ecn_field_are_placed_between_two_hops() {
    let net = Net::chain(5);
    // Hop 2 rewrites on the way out and leaves quotes as they are; the way back leads through it.
    net.nft(
        2,
        "table ip nat { chain out { type filter hook postrouting priority 0; ip saddr 198.18.0.1 ip saddr set 203.0.113.7; }
         chain in { type filter hook prerouting priority -300; ip daddr 203.0.113.7 ip daddr set 198.18.0.1; } }",
    );
    for place in 3..=6 {
        let cable = net.cable(place - 1, place);
        net.sh(place, &format!("ip route add 203.0.113.0/24 via {}", cable.v4(place - 1)));
    }
    net.nft(3, "table ip remark { chain out { type filter hook postrouting priority 0; ip dscp set cs1; } }");
    // On the way in: the router's own quote shows it.
    net.nft(5, "table ip clear { chain in { type filter hook prerouting priority -200; ip ecn set not-ect; } }");
    let to = IpAddr::from(net.end().0);
    let mut context = net.context(Depth::Handoff, to);
    context.effort.dscp = 46;
    let outcome = net.path(PathCheck, context, to);
    let list = told(&outcome, "path_ipv4");
    let was = |field: &str, was: Value, is: Value, behind, at| (field.to_owned(), was, is, behind, at);
    let expected = [
        was("source-address", "198.18.0.1".into(), "203.0.113.7".into(), 2, 3),
        was("dscp", 0.into(), 8.into(), 3, 4),
        was("dscp", 46.into(), 8.into(), 3, 4),
        was("ecn", 2.into(), 0.into(), 4, 5),
    ];
    assert_eq!(list, expected, "{:#}", outcome.facts["path_ipv4"]);
    for name in ["path.source_rewritten", "path.dscp_rewritten", "path.ecn_rewritten"] {
        assert_eq!(value(&outcome, name), Some(1.0), "{name}");
    }
    let codes: Vec<&str> = outcome.flaws.iter().map(|flaw| flaw.code.as_str()).collect();
    let all = ["path-source-rewritten", "path-dscp-rewritten", "path-dscp-rewritten", "path-ecn-rewritten"];
    assert_eq!(codes, all, "{:#?}", outcome.flaws);
    assert!(outcome.flaws[0].what.contains("between hop 2 (198.18.1.2) and hop 3 (198.18.2.2)"), "{}", outcome.flaws[0].what);
}

/// The kernel's masquerading translates what an error quotes as RFC 5508 section 4.2 asks, so the NAT can't be seen from its
/// quotes; the check must claim nothing, and a class that nobody asked for is no flaw.
#[test]
fn a_nat_that_restores_quotes_shows_nothing_and_marks_are_told_over_ipv6() {
    let net = Net::chain(4);
    net.nft(2, "table ip nat { chain out { type nat hook postrouting priority srcnat; oifname \"to3\" masquerade; } }");
    for place in 4..=5 {
        net.sh(place, &format!("ip route add 198.18.2.0/24 via {}", net.cable(place - 1, place).v4(place - 1)));
    }
    net.nft(3, "table ip6 remark { chain out { type filter hook postrouting priority 0; ip6 dscp set cs1; } }");
    net.nft(4, "table ip6 set_ce { chain in { type filter hook prerouting priority -200; ip6 ecn set ce; } }");
    let (v4, v6) = net.end();
    let outcome = net.path(PathCheck, net.context(Depth::Handoff, v4.into()), v4.into());
    assert_eq!(told(&outcome, "path_ipv4"), [], "{:#}", outcome.facts["path_ipv4"]);
    assert_eq!(value(&outcome, "path.source_rewritten"), Some(0.0));
    assert_eq!(value(&outcome, "path.hops"), Some(5.0));

    let outcome = net.path(PathCheck, net.context(Depth::Handoff, v6.into()), v6.into());
    let marked: Vec<_> = told(&outcome, "path_ipv6").into_iter().filter(|r| r.1 != 0).collect();
    let was = |field: &str, was: u8, is: u8, behind, at| (field.to_owned(), was.into(), is.into(), behind, at);
    assert_eq!(marked, [was("dscp", 46, 8, 3, 4), was("ecn", 2, 3, 3, 4)], "{:#}", outcome.facts["path_ipv6"]);
    assert_eq!(outcome.facts["path_ipv6"]["congestion_marks"]["hop"], 4);
    assert!(outcome.flaws.iter().all(|flaw| flaw.code != "path-dscp-rewritten"), "{:#?}", outcome.flaws);
}
