//! Routers that limit their answers and lines that lose packets; small MTUs on the way; a route replaced under the check's eyes.

use std::net::IpAddr;
use std::time::Duration;

use doorstep::check::path::{PathCheck, PathInDepth};
use doorstep::reading::{Outcome, Target};
use doorstep::unit::Depth;
use serde_json::Value;

use crate::net::Net;

fn hop_loss(outcome: &Outcome, hop: u8) -> Option<f64> {
    let of_hop = |r: &&doorstep::reading::Reading| r.name == "path.hop_loss_ratio" && r.target == Some(Target::Hop(hop));
    outcome.readings.iter().find(of_hop).map(|r| r.value)
}

/// The last router that answers limits its errors as the kernel does by itself, and nobody behind it answers: without the
/// second look its silence would be loss.
#[test]
fn the_kernels_own_limit_is_told_from_real_loss() {
    let net = Net::chain(3);
    // The default of the kernel: slower than the check's rounds come, once its bucket is empty.
    net.site(2).sysctls(&[("net/ipv4/icmp_ratelimit", "1000")]).expect("sysctl");
    // Behind it nothing is told.
    net.nft(2, "table ip stop { chain on { type filter hook forward priority 0; drop; } }");
    let to = IpAddr::from(net.end().0);
    // The first look has the bucket's six, so that the next finds it empty.
    for _ in 0..2 {
        net.path_unsettled(PathCheck, net.context(Depth::Quick, to));
    }
    let outcome = net.path_unsettled(PathInDepth, net.context(Depth::Handoff, to));
    let hop = &outcome.facts["path_ipv4"]["hops"][1];
    let paces = &hop["asked_at_two_paces"];
    assert_eq!((&paces["pattern"], &hop["limits_answers"]), (&"limits-answers".into(), &true.into()), "{hop:#}");
    let rate = paces["fast"]["answers_per_second"].as_f64().expect("a rate");
    // One a second: in four seconds three to five.
    assert!((0.7..=1.3).contains(&rate), "{paces:#}");
    assert_eq!(hop_loss(&outcome, 2), None, "its silence is no loss");
    println!("limited: {paces}");
}

#[test]
fn real_loss_is_the_same_share_at_both_paces() {
    let net = Net::chain(3);
    net.nft(
        1,
        "table ip lossy { chain out { type filter hook forward priority 0; oifname \"to2\" numgen random mod 100 < 30 drop; } }",
    );
    let to = IpAddr::from(net.end().0);
    let outcome = net.path(PathInDepth, net.context(Depth::Handoff, to), to);
    let hops = outcome.facts["path_ipv4"]["hops"].as_array().expect("hops");
    let asked: Vec<&Value> = hops.iter().filter(|hop| !hop["asked_at_two_paces"].is_null()).collect();
    // That all of hop 2 and 3 pass six probes of each is unlikely (0.7^12), and then there was nothing to ask.
    assert!(!asked.is_empty(), "{hops:#?}");
    for hop in asked {
        let paces = &hop["asked_at_two_paces"];
        assert_eq!(paces["pattern"], "loses", "{hop:#}");
        let share = paces["fast"]["answered"].as_f64().unwrap_or(0.0) / paces["fast"]["sent"].as_f64().unwrap_or(1.0);
        // 70 % of 200, within five standard deviations.
        assert!((share - 0.7).abs() < 5.0 * (0.21_f64 / 200.0).sqrt(), "{paces:#}");
    }
}

#[test]
fn the_router_that_names_a_small_mtu_and_the_place_where_large_packets_vanish_are_found() {
    let mut net = Net::chain(4);
    for version in ["4", "6"] {
        // Said: the cable from place 2 to 3 takes 1400.
        net.mtu(2, 3, 1400);
        let to: IpAddr = if version == "4" { net.end().0.into() } else { net.end().1.into() };
        let outcome = net.path(PathInDepth, net.context(Depth::Quick, to), to);
        let mtus = &outcome.facts[if version == "4" { "path_ipv4" } else { "path_ipv6" }]["hop_mtus"];
        let sizes: Vec<u64> = mtus.as_array().expect("a list").iter().filter_map(|hop| hop["mtu"].as_u64()).collect();
        assert_eq!(sizes, [1500, 1500, 1400, 1400, 1400], "{mtus:#}");
        let by = net.cable(1, 2);
        let by = if version == "4" { by.v4(2).to_string() } else { by.v6(2).to_string() };
        assert_eq!((&mtus[2]["told"]["by"], &mtus[2]["told"]["mtu"]), (&by.into(), &1400.into()), "{mtus:#}");
        assert!(outcome.flaws.iter().all(|flaw| flaw.code != "path-large-packets-vanish"), "{:#?}", outcome.flaws);
        net.mtu(2, 3, 1500);
    }
    // Not said: place 3 swallows what is larger than 1300.
    net.nft(3, "table ip swallow { chain on { type filter hook forward priority 0; ip length > 1300 drop; } }");
    let to = IpAddr::from(net.end().0);
    let outcome = net.path(PathInDepth, net.context(Depth::Quick, to), to);
    let mtus = &outcome.facts["path_ipv4"]["hop_mtus"];
    let sizes: Vec<u64> = mtus.as_array().expect("a list").iter().filter_map(|hop| hop["mtu"].as_u64()).collect();
    assert_eq!(sizes, [1500, 1500, 1500, 1300, 1300], "{mtus:#}");
    let flaw = outcome.flaws.iter().find(|flaw| flaw.code == "path-large-packets-vanish").expect("told");
    assert!(flaw.what.starts_with("behind hop 3 (198.18.2.2) packets of more than 1300 octets vanish"), "{}", flaw.what);
}

/// There by places 1, 2 and 3, back by 4 and 1.
#[test]
fn a_way_back_of_another_length_is_counted() {
    let net = Net::new(6, &[(0, 1), (1, 2), (2, 3), (1, 4), (4, 5), (3, 5)]);
    for (place, next) in [(0, 1), (1, 2), (2, 3), (3, 5)] {
        net.both(place, "default", &[(place, next)]);
    }
    for (place, back) in [(2, 1), (3, 2), (4, 1), (5, 4)] {
        net.back(place, back);
    }
    let (v4, v6) = net.end();
    for to in [IpAddr::from(v4), v6.into()] {
        let outcome = net.path(PathCheck, net.context(Depth::Quick, to), to);
        let hops = (crate::net::value(&outcome, "path.hops"), crate::net::value(&outcome, "path.hops_back"));
        assert_eq!(hops, (Some(4.0), Some(3.0)), "{:#?}", outcome.facts);
    }
}

#[test]
fn a_route_that_is_replaced_meanwhile_is_a_change_with_its_time() {
    let net = Net::diamond(2);
    net.both(1, "default", &[(1, 2)]);
    let to = IpAddr::from(net.end().1);
    let context = net.context(Depth::Handoff, to);
    net.settle(to);
    let outcome = std::thread::scope(|scope| {
        scope.spawn(|| {
            // Between the third round, a second after the start, and the fourth; where this machine is held up, later.
            std::thread::sleep(Duration::from_millis(1250));
            net.both(1, "default", &[(1, 3)]);
        });
        net.path_unsettled(PathCheck, context)
    });
    let changed = &outcome.facts["path_ipv6"]["changed"];
    let cable = |mid| (net.cable(1, mid).v6(mid).to_string(), net.cable(mid, 4).v6(4).to_string());
    let (was, is) = (cable(2), cable(3));
    let hops = changed["hops"].as_array().expect("a change");
    let told: Vec<_> = hops.iter().map(|hop| (&hop["was"], &hop["is"])).collect();
    assert_eq!(told, [(&Value::from(was.0), &Value::from(is.0)), (&was.1.into(), &is.1.into())], "{changed:#}");
    let (after, before) = (changed["after_ms"].as_f64().expect("a time"), changed["before_ms"].as_f64().expect("a time"));
    assert!(after < before && before - after < 1500.0, "{changed:#}");
    assert!(outcome.flaws.iter().any(|flaw| flaw.code == "path-changed"), "{:#?}", outcome.flaws);
    println!("{changed}");
}

#[test]
fn a_route_that_was_replaced_since_the_check_is_told_at_the_end_of_the_visit() {
    let net = Net::diamond(2);
    net.both(1, "default", &[(1, 2)]);
    let to = IpAddr::from(net.end().1);
    net.settle(to);
    for replaced in [false, true] {
        let context = net.context(Depth::Handoff, to);
        let (outcome, closing) = net.path_and_closing(PathCheck, context, || {
            if replaced {
                net.both(1, "default", &[(1, 3)]);
            }
        });
        assert_eq!(crate::net::value(&outcome, "path.changed"), Some(0.0));
        assert_eq!(crate::net::value(&closing, "path.changed_in_visit"), Some(f64::from(u8::from(replaced))), "{closing:#?}");
        let told: Vec<_> = closing.flaws.iter().map(|flaw| (flaw.code.as_str(), flaw.what.as_str())).collect();
        if replaced {
            let (was, is) = (net.cable(1, 2).v6(2), net.cable(1, 3).v6(3));
            assert!(told.len() == 1 && told[0].0 == "path-changed", "{told:?}");
            assert!(told[0].1.contains(&format!("hop 2 was {was} and is {is}")), "{told:?}");
        } else {
            assert!(told.is_empty(), "{told:?}");
        }
    }
}
