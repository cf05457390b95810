//! A forwarder such as gateways have (dnsmasq): its cache, its own names, and the domains that hosts complete by.

use std::net::Ipv4Addr;

use doorstep::check::Completion;
use doorstep::practice::topology::{FAR_END_V4, RESOLVERS_V4};
use doorstep::practice::{Node, PracticeLine};
use doorstep::reading::{Outcome, Status};
use doorstep::unit::Depth;
use serde_json::Value;

use crate::outcome::codes;
use crate::server::Server;
use crate::support::{examine_with, line, of};

/// Starts dnsmasq at the first resolver's address; the far end's zone is forwarded to its authority (dnsmasq(8)).
fn start(line: &PracticeLine, extra: &[&str]) -> Server {
    let zone = line.far_end_target().zone.expect("the far end has a zone");
    let mut command = line.namespace(Node::Resolvers).command("dnsmasq");
    command.args([
        "--conf-file=/dev/null",
        "--keep-in-foreground",
        "--log-facility=-",
        "--no-resolv",
        "--no-hosts",
        "--user=root",
        "--pid-file=",
    ]);
    command.args(["--bind-interfaces", &format!("--listen-address={}", RESOLVERS_V4[0])]);
    command.arg(format!("--server=/{}/{FAR_END_V4}", zone.trim_end_matches('.'))).args(extra);
    Server::start(command, "started, version")
}

fn mistyped<'a>(outcome: &'a Outcome, domain: &str) -> &'a Value {
    let all = outcome.facts["resolver_1"]["closer"]["mistyped_in_domain"].as_array().expect("a list");
    all.iter().find(|one| one["domain"] == domain).unwrap_or_else(|| panic!("{domain} in {all:?}"))
}

#[test]
fn a_forwarder_is_measured_and_the_domains_that_hosts_complete_by_are_tried() {
    let line = line(None);
    // `home` is its own and has few names, `wild` has any, and the third is nobody's: refused, since it has no server for it.
    let extra = ["--local=/home.example.net/", "--address=/wild.example.net/192.0.2.80", "--cache-size=1000"];
    let _dnsmasq = start(&line, &extra);
    let completion = Completion {
        domain: Some("home.example.net".to_owned()),
        search: ["home.example.net.", "wild.example.net", "shut.example.net"].map(str::to_owned).into(),
    };
    let outcome = examine_with(&line, 1, Depth::Handoff, completion);
    assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
    let facts = &outcome.facts["resolver_1"];
    assert_eq!(facts["closer"]["mistyped_in_domain"].as_array().map(Vec::len), Some(3), "each domain once");
    assert_eq!(mistyped(&outcome, "home.example.net")["code"], "NoSuchName");
    assert_eq!(mistyped(&outcome, "wild.example.net")["addresses"], serde_json::json!([Ipv4Addr::new(192, 0, 2, 80)]));
    assert_eq!(mistyped(&outcome, "shut.example.net")["code"], "Refused");
    let about: Vec<&str> = codes(&outcome).into_iter().filter(|code| code.starts_with("dns-completion")).collect();
    assert_eq!(about, ["dns-completion-invented", "dns-completion-fails"], "{:?}", outcome.flaws);
    // It forwards from its own address, keeps answers, and passes TCP on.
    let asks = &facts["closer"]["asks_from"];
    assert_eq!((&asks["address"], &asks["is_resolver"]), (&RESOLVERS_V4[0].to_string().into(), &true.into()), "{asks:#}");
    assert_eq!(facts["cache"]["came_to_authority"], 1, "{facts:#}");
    assert!(of(&outcome, "dns.lookup_time_p50", 1).value > 0.0);
}
