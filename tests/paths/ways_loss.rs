//! One of several equal ways is bad: nft drops a share of what leaves by one port, which only some flows take.

use std::net::IpAddr;

use doorstep::check::path::PathInDepth;
use doorstep::unit::Depth;

use crate::net::{Net, value};

fn lose(net: &Net, place: usize, port: &str, percent: u32) {
    net.nft(
        place,
        &format!(
            "table inet lossy {{ chain out {{ type filter hook forward priority 0; oifname \"{port}\" numgen random mod 100 < {percent} drop; }} }}"
        ),
    );
}

#[test]
fn the_next_hop_whose_flows_lose_packets_is_named() {
    let net = Net::diamond(2);
    let far_end = net.serve();
    // Behind the second of the two, on the way to where they meet.
    lose(&net, 3, "to4", 30);
    let (v4, v6) = net.end();
    for (to, family) in [(IpAddr::from(v4), "path_ipv4"), (IpAddr::from(v6), "path_ipv6")] {
        let outcome = net.path_in_session(PathInDepth, net.context(Depth::Quick, to), &far_end, to);
        let bad = &outcome.facts[family]["several"]["loss"]["bad"];
        let cable = net.cable(1, 3);
        let own = if to.is_ipv6() { cable.v6(3).to_string() } else { cable.v4(3).to_string() };
        assert_eq!(
            (&bad["next_hop"]["hop"], &bad["next_hop"]["address"]),
            (&2.into(), &own.into()),
            "{:#}",
            outcome.facts[family]["several"]
        );
        assert!(outcome.flaws.iter().any(|flaw| flaw.code == "path-way-loses"), "{:#?}", outcome.flaws);
        let ratio = value(&outcome, "path.bad_flow_ratio").expect("counted");
        // Half of 32 flows by the kernel's hash: outside of 4 to 28 once in 10^5.
        assert!((0.125..=0.875).contains(&ratio), "{ratio}");
        let (lost, sent) = (bad["lost"].as_f64().expect("lost"), bad["sent"].as_f64().expect("sent"));
        // 30 % of some hundred packets, within five standard deviations.
        assert!((lost / sent - 0.3).abs() < 5.0 * (0.21 / sent).sqrt(), "{lost} of {sent}");
        println!(
            "{family}: {lost} of {sent} lost by way of the bad next hop, {} of {} else",
            bad["others_lost"], bad["others_sent"]
        );
    }
}

#[test]
fn loss_on_every_way_is_no_bad_way() {
    let net = Net::diamond(2);
    let far_end = net.serve();
    lose(&net, 4, "to5", 20);
    let to = IpAddr::from(net.end().0);
    let outcome = net.path_in_session(PathInDepth, net.context(Depth::Quick, to), &far_end, to);
    assert_eq!(value(&outcome, "path.bad_flow_ratio"), Some(0.0), "{:#?}", outcome.flaws);
    let ratio = value(&outcome, "path.flow_loss_ratio").expect("counted");
    // 20 % of 1280, within five standard deviations.
    assert!((ratio - 0.2).abs() < 5.0 * (0.16_f64 / 1280.0).sqrt(), "{ratio}");
}
