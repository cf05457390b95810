//! Routes that a server hands out, on the port.

use doorstep::check::dhcp4::Dhcp4;
use doorstep::net::configure::route_metric;
use doorstep::practice::roles::dhcp::{DhcpRole, DhcpRoleConfig};
use doorstep::reading::Status;
use doorstep::unit::Depth;
use serde_json::json;

use crate::cable::{Line, SERVER};
use crate::kea;

/// The laptop's IPv4 routes as `ip` tells them, but those that come with addresses; the metric is the port's own.
fn told(line: &Line) -> Vec<String> {
    let out = line.laptop.namespace().command("ip").args(["-4", "route", "show", "proto", "dhcp"]).output().expect("iproute2");
    let metric = format!(" metric {}", route_metric(line.laptop_index));
    let text = String::from_utf8(out.stdout).expect("text");
    let mut lines: Vec<String> = text.lines().map(|line| line.replace(&metric, "").trim().to_owned()).collect();
    lines.sort();
    lines
}

fn leased(line: &Line, check: impl FnOnce(&serde_json::Value)) -> Vec<String> {
    let finished = line.check(&Dhcp4, Depth::Quick);
    assert_eq!(finished.outcome.status, Status::Done, "{:?}", finished.outcome.reason);
    check(&finished.outcome.facts["lease"]["routes"]);
    let routes = told(line);
    line.release(finished);
    assert_eq!((told(line), line.configured()), (vec![], (vec![], vec![])), "all is taken back");
    routes
}

#[test]
fn classless_routes_from_kea_stand_all_and_options_3_and_33_are_passed_over() {
    let line = Line::new();
    let directory = tempfile::tempdir().expect("a directory");
    // RFC 3442: widths 8, 25 and 0, and a network on the link. The router of option 3 is another than the default route's.
    let top = r#""option-data": [ { "code": 121, "always-send": true, "csv-format": false,
        "data": "080ac000020219c6336480c000020318cb00710000000000c0000209" } ],"#;
    let _server = kea::start(&line, directory.path(), top, "");
    let routes = leased(&line, |facts| {
        let expected = json!([
            { "to": "10.0.0.0/8", "via": "192.0.2.2" },
            { "to": "198.51.100.128/25", "via": "192.0.2.3" },
            { "to": "203.0.113.0/24", "via": null },
            { "to": "0.0.0.0/0", "via": "192.0.2.9" },
        ]);
        assert_eq!(*facts, expected);
    });
    assert_eq!(
        routes,
        [
            "10.0.0.0/8 via 192.0.2.2 dev lan0 onlink",
            "198.51.100.128/25 via 192.0.2.3 dev lan0 onlink",
            "203.0.113.0/24 dev lan0 scope link",
            "default via 192.0.2.9 dev lan0 onlink",
        ]
    );
}

#[test]
fn static_routes_stand_beside_the_router_where_there_is_no_option_121() {
    let line = Line::new();
    // A class C network, and a host in another (RFC 2132 section 5.8 has no masks).
    let statics = [[203, 0, 113, 0], [192, 0, 2, 7], [198, 51, 100, 9], [192, 0, 2, 8]].concat();
    let config = DhcpRoleConfig { more: vec![(33, statics)], ..DhcpRoleConfig::for_network(SERVER) };
    let _role = DhcpRole::start(line.server.namespace(), "lan", config).expect("a server");
    let routes = leased(&line, |_| {});
    assert_eq!(
        routes,
        [
            "198.51.100.9 via 192.0.2.8 dev lan0 onlink",
            "203.0.113.0/24 via 192.0.2.7 dev lan0 onlink",
            "default via 192.0.2.1 dev lan0 onlink",
        ]
    );
}
