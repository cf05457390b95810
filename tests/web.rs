//! `web` on practice lines: page times against the line's delay, a race with and without IPv6, and somebody who answers or takes part in the
//! far end's place: redirects, pages, a general proxy server, a changed body.
//!
//! Needs root and the packages nftables, python3 and tinyproxy-bin; fails loudly without. All traffic stays in namespaces.

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

use std::io::{Read, Write};
use std::net::{IpAddr, SocketAddr, TcpStream};
use std::sync::Arc;
use std::time::Duration;

use doorstep::check::farend::FarEndCheck;
use doorstep::check::web::{PublicPages, WebCheck};
use doorstep::check::{Check, Known};
use doorstep::farend::client::Session;
use doorstep::practice::topology::{FAR_END_V4, FAR_END_V6, LAPTOP_PORT, LAPTOP_V6, RESOLVERS_V4};
use doorstep::practice::{DnsService, Impairment, Impairments, LineConfig, Node, PracticeLine, Services};
use doorstep::proto::web::page::PublicPage;
use doorstep::reading::{Outcome, Status, Target};
use doorstep::unit::{Depth, Family};

use lab::{build, context, on_laptop};
use outcome::{codes, reading, readings};
use server::Server;
use view::{examine, line, rules};

/// Traps the laptop's plain HTTP at the gateway.
const TRAP: &str =
    "table ip trap { chain pre { type nat hook prerouting priority dstnat; iifname \"lan\" tcp dport 80 redirect to :8080; }; }";

/// Both IP versions in session; rules for the laptop are loaded once they are.
fn examine_both(line: &PracticeLine, then: &'static str) -> Outcome {
    let mut context = context(line, Known::default(), Depth::Handoff);
    let target = line.far_end_target();
    on_laptop(line, move || async move {
        let four = Session::open(&target, FAR_END_V4.into(), LAPTOP_PORT).await.expect("IPv4");
        let six = Session::open(&target, FAR_END_V6.into(), LAPTOP_PORT).await.expect("IPv6");
        if !then.is_empty() {
            // This thread is the laptop's.
            let status = std::process::Command::new("nft").arg(then).status().expect("nftables is installed");
            assert!(status.success());
        }
        let known = Known {
            ipv6: Some(LAPTOP_V6),
            far_end: Some(Arc::new(four)),
            far_end_beside: Some(Arc::new(six)),
            ..(*context.known).clone()
        };
        context.known = Arc::new(known);
        WebCheck.run(context).await.outcome
    })
}

fn delayed() -> PracticeLine {
    line(delayed_config())
}

fn delayed_config() -> LineConfig {
    let down = Impairment::delayed(Duration::from_millis(20));
    LineConfig { access: Impairments { down, up: Impairment::default() }, ..LineConfig::default() }
}

/// 20 ms of path: TCP and TLS take a round trip each (RFC 9293, RFC 8446 section 2), document and parts one each at least, so a page takes
/// four. From above a busy machine has 100 ms for each round trip. IPv6 has 250 ms before IPv4 is tried, and needs 20.
#[test]
fn a_page_takes_its_round_trips_and_ipv6_wins_where_it_works() {
    let outcome = examine_both(&delayed(), "");
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
    for (name, trips) in [("connect_time", 1.0), ("tls_time", 1.0), ("first_byte_time", 1.0), ("page_time", 4.0)] {
        let both = readings(&outcome, &format!("web.{name}"));
        assert_eq!(both.len(), 2, "{outcome:#?}");
        for time in both {
            assert!((20.0 * trips..120.0 * trips).contains(&time.value), "{time:?}");
        }
    }
    assert_eq!(outcome.facts["page_octets_ipv4"], 70_000);
    assert_eq!(reading(&outcome, "web.race_won_by_ipv6").value, 1.0);
    let race = reading(&outcome, "web.race_time");
    assert!((20.0..250.0).contains(&race.value) && race.family == Some(Family::Ipv6), "{race:?}");
    for name in ["web.captive_portal", "web.transparent_proxy"] {
        assert!(readings(&outcome, name).iter().all(|r| r.value == 0.0) && readings(&outcome, name).len() == 2, "{outcome:#?}");
    }
}

#[test]
fn ipv4_wins_after_the_delay_where_ipv6_is_silent() {
    let outcome =
        examine_both(&delayed(), "table ip6 x { chain o { type filter hook output priority 0; tcp dport != 0 drop; }; }");
    assert_eq!(codes(&outcome), ["web-page-missing"], "{outcome:#?}");
    assert_eq!(reading(&outcome, "web.race_won_by_ipv6").value, 0.0);
    let race = reading(&outcome, "web.race_time");
    assert!((270.0..1000.0).contains(&race.value) && race.family == Some(Family::Ipv4), "{race:?}");
}

/// A host of the lab in a public one's place: HTTPS by python's library with a certificate made here, trusted by nobody else.
/// The line's resolvers know its name.
#[test]
fn public_hosts_are_fetched_and_held_against_nobody() {
    let line = build(LineConfig {
        services: Services { dns: Some(DnsService::Truthful), far_end: true, ..Services::NONE },
        ..delayed_config()
    });
    let key = rcgen::KeyPair::generate().expect("a key");
    let certificate =
        rcgen::CertificateParams::new(vec!["www.example.net".to_owned()]).expect("a name").self_signed(&key).expect("signed");
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("host.pem");
    std::fs::write(&file, certificate.pem() + &key.serialize_pem()).expect("written");
    let mut command = line.namespace(Node::FarEnd).command("python3");
    command.arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/web/host.py")).arg(&file);
    let _host = Server::start(command, "ready");
    let mut roots = rustls::RootCertStore::empty();
    roots.add(certificate.der().clone()).expect("an anchor");
    let (roots, page) = (Arc::new(roots), |text: &str| PublicPage::parse(text).expect(text));
    let run = |pages: Vec<PublicPage>, trusted: Option<Arc<rustls::RootCertStore>>| {
        let mut context = context(&line, Known::default(), Depth::Handoff);
        context.pages = PublicPages { pages, trusted };
        let target = line.far_end_target();
        on_laptop(&line, move || async move {
            let session = Session::open(&target, FAR_END_V4.into(), LAPTOP_PORT).await.expect("the far end is there");
            let resolvers = RESOLVERS_V4.map(IpAddr::V4).to_vec();
            context.known = Arc::new(Known { resolvers, far_end: Some(Arc::new(session)), ..(*context.known).clone() });
            WebCheck.run(context).await.outcome
        })
    };
    let pages = vec![
        page("https://www.example.net/short"),
        page("https://www.example.net/long"),
        page("https://www.example.net:444/"),
        page("https://nowhere.example.net/"),
    ];
    let outcome = run(pages, Some(Arc::clone(&roots)));
    assert_eq!((outcome.status, codes(&outcome)), (Status::Done, vec![]), "{outcome:#?}");
    let of = |name: &str, n| {
        let is = |r: &&doorstep::reading::Reading| r.name == format!("web.public_{name}") && r.target == Some(Target::Page(n));
        outcome.readings.iter().find(is).map(|r| r.value)
    };
    // The delay of the line is in every step behind the lookup, and the lookup's way leads over it too.
    for (name, trips) in
        [("name_time", 1.0), ("connect_time", 1.0), ("tls_time", 1.0), ("first_byte_time", 1.0), ("page_time", 4.0)]
    {
        let time = of(name, 1).unwrap_or_else(|| panic!("{name}: {outcome:#?}"));
        assert!((20.0 * trips..120.0 * trips).contains(&time), "{name}: {time} ms");
    }
    assert!(of("first_byte_time", 2).is_some() && of("page_time", 2).is_none(), "longer than is taken");
    assert!(of("name_time", 3).is_some() && of("connect_time", 3).is_none(), "nobody listens");
    assert!(of("connect_time", 4).is_none(), "no such name");
    let facts = &outcome.facts["public_pages"];
    assert_eq!((&facts[0]["status"], &facts[0]["octets"], &facts[0]["is_whole"]), (&200.into(), &1000.into(), &true.into()));
    assert_eq!((&facts[0]["why_not"], &facts[0]["address"]), (&serde_json::Value::Null, &"203.0.113.10".into()), "{facts:#}");
    assert!(facts[1]["octets"].as_u64().is_some_and(|octets| octets < 200_000) && facts[1]["is_whole"] == false, "{facts:#}");
    assert!(facts[2]["why_not"].is_string() && facts[3]["why_not"].is_string(), "{facts:#}");
    // Another anchor than the host's: no TLS.
    let other = rcgen::generate_simple_self_signed(vec!["www.example.net".to_owned()]).expect("another");
    let mut roots = rustls::RootCertStore::empty();
    roots.add(other.cert.der().clone()).expect("an anchor");
    let outcome = run(vec![page("https://www.example.net/short")], Some(Arc::new(roots)));
    assert!(readings(&outcome, "web.public_tls_time").is_empty() && codes(&outcome).is_empty(), "{outcome:#?}");
    assert_eq!(readings(&outcome, "web.public_connect_time").len(), 1);
    // None are named: nothing is fetched.
    assert!(!run(Vec::new(), None).facts.contains_key("public_pages"));
}

fn middle(line: &PracticeLine, manner: &str) -> Server {
    let mut command = line.namespace(Node::Gateway).command("python3");
    command.arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/web/middle.py")).arg(manner);
    Server::start(command, "ready")
}

fn found(line: &PracticeLine) -> Outcome {
    rules(line, Node::Gateway, TRAP);
    let outcome = examine(line, WebCheck, Depth::Handoff);
    assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
    assert!(reading(&outcome, "web.page_time").value > 0.0, "HTTPS is not touched");
    outcome
}

#[test]
fn a_portal_that_redirects_or_answers_is_told() {
    for (manner, says) in [("redirect", "sends browsers to http://portal.test/login"), ("page", "status 200")] {
        let line = line(LineConfig::default());
        let _middle = middle(&line, manner);
        let outcome = found(&line);
        assert_eq!(codes(&outcome), ["web-captive-portal"], "{outcome:#?}");
        assert!(outcome.flaws[0].what.contains(says), "{outcome:#?}");
        assert_eq!(reading(&outcome, "web.captive_portal").value, 1.0);
        assert_eq!(reading(&outcome, "web.transparent_proxy").value, 0.0);
    }
}

/// A proxy as it comes from the distribution, which names itself in Via (RFC 9110 section 7.6.3).
#[test]
fn a_proxy_that_nobody_asked_for_is_told_by_its_marks() {
    let line = line(LineConfig::default());
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("proxy.conf");
    std::fs::write(&file, "Port 8080\nListen 0.0.0.0\nTimeout 10\nMaxClients 10\n").expect("written");
    let mut command = line.namespace(Node::Gateway).command("tinyproxy");
    command.arg("-d").arg("-c").arg(&file);
    let _proxy = Server::spawn(command);
    let gateway = line.namespace(Node::Gateway);
    server::wait_for("the proxy", || gateway.run(|| TcpStream::connect("127.0.0.1:8080").ok()));
    let outcome = found(&line);
    assert_eq!(codes(&outcome), ["web-transparent-proxy"], "{outcome:#?}");
    assert!(outcome.flaws[0].what.contains("Via"), "{outcome:#?}");
    assert_eq!(reading(&outcome, "web.transparent_proxy").value, 1.0);
    assert_eq!(reading(&outcome, "web.captive_portal").value, 0.0);
}

#[test]
fn a_body_that_was_changed_is_told() {
    let line = line(LineConfig::default());
    let _middle = middle(&line, "alter");
    let outcome = found(&line);
    assert_eq!(codes(&outcome), ["web-altered"], "{outcome:#?}");
}

/// Another source address over plain HTTP than over HTTPS: a second address of the gateway, as a proxy of its own would have.
#[test]
fn another_address_over_plain_http_is_told() {
    let line = line(LineConfig::default());
    let gateway = line.namespace(Node::Gateway);
    let other = "198.51.100.77";
    let added = gateway.command("ip").args(["addr", "add", "198.51.100.77/32", "dev", "wan"]).status();
    assert!(added.expect("iproute2").success());
    let rule = format!(
        "table ip other {{ chain post {{ type nat hook postrouting priority 90; oifname \"wan\" tcp dport 80 snat to {other}; }}; }}"
    );
    rules(&line, Node::Gateway, &rule);
    let outcome = examine(&line, WebCheck, Depth::Handoff);
    assert_eq!(codes(&outcome), ["web-transparent-proxy"], "{outcome:#?}");
    assert!(outcome.flaws[0].what.contains(other), "{outcome:#?}");
}

/// Where the portal lets nothing through but itself, the check of the far end says so.
#[test]
fn a_portal_that_holds_back_the_session_is_told_by_the_far_end_s_check() {
    let line = line(LineConfig::default());
    let _middle = middle(&line, "redirect");
    rules(&line, Node::Gateway, TRAP);
    let hold = "table ip hold { chain f { type filter hook forward priority 0; iifname \"lan\" tcp dport != 80 reject with tcp reset; }; }";
    rules(&line, Node::Gateway, hold);
    let mut context = context(&line, Known::default(), Depth::Quick);
    context.far_end = Some(line.far_end_target());
    let outcome = on_laptop(&line, move || async move { FarEndCheck.run(context).await.outcome });
    assert_eq!(codes(&outcome), ["farend-refused", "web-captive-portal"], "{outcome:#?}");
}

#[test]
fn strangers_get_not_an_octet_and_hold_up_nobody() {
    let line = line(LineConfig::default());
    line.namespace(Node::Laptop).run(|| {
        let at = SocketAddr::from((FAR_END_V4, 80));
        let id = "0".repeat(32);
        let stranger = format!("GET /known/{id}/{id} HTTP/1.1\r\nHost: x\r\n\r\n");
        let long = "x".repeat(5000);
        for said in ["GET / HTTP/1.1\r\n\r\n", stranger.as_str(), long.as_str(), "\r\n\r\n"] {
            let mut stream = TcpStream::connect(at).expect("it listens");
            let _ = stream.write_all(said.as_bytes());
            let mut got = Vec::new();
            let _ = stream.read_to_end(&mut got);
            assert!(got.is_empty(), "{said}: {got:?}");
        }
        // More than it attends at once, which say nothing: they are put out within seconds, and the next is served.
        let _silent: Vec<TcpStream> = (0..80).map(|_| TcpStream::connect(at).expect("it listens")).collect();
        std::thread::sleep(Duration::from_millis(100));
    });
    let outcome = server::wait_for("an answer beside them", || {
        let outcome = examine(&line, WebCheck, Depth::Handoff);
        (!readings(&outcome, "web.captive_portal").is_empty()).then_some(outcome)
    });
    assert_eq!(codes(&outcome), [""; 0], "{outcome:#?}");
}
