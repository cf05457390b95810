use super::model::Symptom;
use super::*;
use crate::judge::judge;
use crate::metric::loss_interval::clopper_pearson;
use crate::profile;
use crate::reading::{Limit, Outcome, Reading, Status, Target};
use crate::unit::{Direction, Family, Interval, Load, Position, Segment};

mod line;
mod shaping;
mod simulated;
mod tv;
mod voice;

/// What other tiers would give at the port: TCP payload of IP, in full packets with time stamps (RFC 7323), 1448 of 1500.
fn tiers() -> Vec<Tier> {
    let payload = |mbit: f64| mbit * 1448.0 / 1500.0;
    let tier = |(name, down, up): (&str, f64, f64)| Tier { name: name.into(), down_mbit: payload(down), up_mbit: payload(up) };
    [("vdsl-100-40", 100.0, 40.0), ("wireless-50-10", 50.0, 10.0), ("cable-500-50", 500.0, 50.0)].map(tier).into()
}

/// A visit as its checks would leave it; starts sound, each scenario spoils a part of it.
#[derive(Clone)]
struct Visit {
    position: Position,
    hour: Option<u8>,
    checks: Vec<(&'static str, Outcome)>,
}

fn around(value: f64, share: f64) -> Interval {
    Interval { low: Some(value * (1.0 - share)), high: Some(value * (1.0 + share)), confidence: 0.95 }
}

fn loss(name: &'static str, lost: u64, sent: u64) -> Reading {
    Reading::new(name, lost as f64 / sent as f64, sent, clopper_pearson(lost, sent, 0.95))
}

fn done(readings: Vec<Reading>) -> Outcome {
    Outcome { readings, ..Outcome::new(Status::Done) }
}

fn link() -> Outcome {
    done(vec![
        Reading::exact("link.carrier", 1.0),
        Reading::exact("link.speed", 1000.0),
        Reading::exact("link.full_duplex", 1.0),
        Reading::exact("link.receive_errors", 0.0),
    ])
}

fn dhcp4() -> Outcome {
    done(vec![
        Reading::exact("dhcp4.address_held", 1.0),
        Reading::exact("dhcp4.offer_time", 12.0),
        Reading::exact("dhcp4.servers", 1.0),
    ])
}

fn ipv6() -> Outcome {
    done(vec![
        Reading::exact("ipv6.routers", 1.0).over(Family::Ipv6),
        Reading::exact("ipv6.address_held", 1.0).over(Family::Ipv6),
        Reading::exact("ipv6.leads_out", 1.0).over(Family::Ipv6),
    ])
}

fn echo(gateway: (u64, f64), provider: (u64, f64), far: (u64, f64)) -> Outcome {
    let points = [(Target::Gateway, gateway), (Target::ProviderHop, provider), (Target::FarEnd, far)];
    let mut outcome = done(
        points
            .into_iter()
            .flat_map(|(target, (lost, ms))| {
                let ratio = loss("echo.loss_ratio", lost, 400).on(target.clone()).over(Family::Ipv4);
                let time = Reading::new("echo.round_trip_p50", ms, 400 - lost, around(ms, 0.05)).on(target).over(Family::Ipv4);
                if lost == 400 { vec![ratio] } else { vec![ratio, time] }
            })
            .collect(),
    );
    outcome.fact("targets", serde_json::json!([{ "target": ["gateway"], "address": "192.0.2.1" }]));
    outcome
}

fn twoway(lost: u64, ms: f64) -> Outcome {
    done(vec![
        loss("twoway.loss_ratio", lost, 1000).on(Target::FarEnd).toward(Direction::Down),
        loss("twoway.loss_ratio", 0, 1000).on(Target::FarEnd).toward(Direction::Up),
        Reading::new("twoway.round_trip_p50", ms, 1000, around(ms, 0.05)).on(Target::FarEnd),
        Reading::new("twoway.round_trip_p95", ms * 1.2, 1000, around(ms * 1.2, 0.05)).on(Target::FarEnd),
    ])
}

fn dns(first: (u64, f64), second: (u64, f64)) -> Outcome {
    let mut outcome = done(
        [(Target::Resolver(1), first), (Target::Resolver(2), second)]
            .into_iter()
            .flat_map(|(target, (failed, lies))| {
                let ratio = loss("dns.failure_ratio", failed, 40).on(target.clone());
                vec![ratio, Reading::exact("dns.false_answers", lies).on(target)]
            })
            .collect(),
    );
    outcome.fact("resolvers", serde_json::json!(["203.0.113.53", "203.0.113.54"]));
    outcome
}

fn of_gateway(mut dns: Outcome) -> Outcome {
    dns.fact("resolvers", serde_json::json!(["192.0.2.1"]));
    dns
}

fn throughput(down: f64, up: f64) -> Outcome {
    let rate = |mbit: f64, direction| Reading::new("throughput.tcp_payload_rate", mbit, 80, around(mbit, 0.01)).toward(direction);
    done(vec![
        rate(down, Direction::Down),
        rate(up, Direction::Up),
        Reading::new("throughput.delay_under_load_p95", 30.0, 400, around(30.0, 0.1)).under(Load::Down),
    ])
}

/// What `sip` leaves: whether the service answered, and whether the account was taken.
fn voice(answered: f64, registered: Option<f64>) -> Outcome {
    let registered = registered.map(|is| Reading::exact("sip.registered", is));
    done([Some(Reading::exact("sip.answered", answered)), registered].into_iter().flatten().collect())
}

fn sound() -> Visit {
    Visit {
        position: Position::Gateway,
        hour: None,
        checks: vec![
            ("link", link()),
            ("dhcp4", dhcp4()),
            ("dns", dns((0, 0.0), (0, 0.0))),
            ("echo", echo((0, 0.6), (0, 3.0), (0, 9.0))),
            ("ipv6", ipv6()),
            ("pppoe", done(vec![Reading::exact("pppoe.concentrators", 0.0)])),
            ("farend", done(vec![Reading::exact("farend.connect_time", 9.0)])),
            ("twoway", twoway(0, 9.0)),
            ("throughput", throughput(240.0, 48.0)),
            ("path", Outcome::not_tested("not asked for")),
        ],
    }
}

fn between(translators: f64, carrier: f64, code: &str) -> Outcome {
    let figures = vec![
        Reading::exact("between.translators", translators).over(Family::Ipv4),
        Reading::exact("between.carrier_translation", carrier).over(Family::Ipv4),
    ];
    flawed(done(figures), code)
}

fn mtu(octets: f64, blackhole: f64) -> Outcome {
    let figures = [Direction::Down, Direction::Up].into_iter().flat_map(|way| {
        ["mtu.path_mtu", "mtu.blackhole"]
            .into_iter()
            .zip([octets, blackhole])
            .map(move |(name, value)| Reading::exact(name, value).toward(way))
    });
    let outcome = done(figures.collect());
    if blackhole > 0.0 { flawed(outcome, "mtu-blackhole") } else { outcome }
}

impl Visit {
    /// With a further check.
    fn beside(mut self, check: &'static str, outcome: Outcome) -> Self {
        self.checks.push((check, outcome));
        self
    }

    fn with(mut self, check: &'static str, outcome: Outcome) -> Self {
        for slot in &mut self.checks {
            if slot.0 == check {
                slot.1 = outcome.clone();
            }
        }
        self
    }

    fn without(self, checks: &[&'static str], reason: &str) -> Self {
        checks.iter().fold(self, |visit, check| visit.with(check, Outcome::not_tested(reason)))
    }

    fn at(mut self, position: Position) -> Self {
        self.position = position;
        self
    }

    fn isolate(&self) -> Isolation {
        let outcomes: Vec<(&str, &Outcome)> = self.checks.iter().map(|(name, outcome)| (*name, outcome)).collect();
        let has_tv = outcomes.iter().any(|(name, _)| *name == "multicast");
        let tier = if has_tv { "fibre-250-50-tv" } else { "fibre-250-50" };
        let judgements = judge(&profile::load(tier).unwrap(), profile::Setting::default(), None, &outcomes);
        isolate(&Setting { hour: self.hour, tiers: tiers(), ..self.position.into() }, &outcomes, &judgements)
    }
}

fn link_with(name: &str, value: f64) -> Outcome {
    let mut outcome = link();
    for reading in outcome.readings.iter_mut().filter(|r| r.name == name) {
        (reading.value, reading.low, reading.high) = (value, Some(value), Some(value));
    }
    outcome
}

fn bounded(side: Limit, what: &str) -> Outcome {
    let mut outcome = throughput(190.0, 44.0);
    outcome.readings = outcome.readings.into_iter().map(|r| r.limited_by(side, what)).collect();
    outcome
}

fn deep_queue() -> Outcome {
    shaping::queues(900.0, 900.0)
}

fn slow_dns() -> Outcome {
    let mut outcome = dns((0, 0.0), (0, 0.0));
    outcome.readings.push(Reading::new("dns.lookup_time_p50", 450.0, 40, around(450.0, 0.1)).on(Target::Resolver(1)));
    outcome
}

fn one_way_loses() -> Outcome {
    let ratio = Reading::new("path.bad_flow_ratio", 0.5, 32, around(0.5, 0.3));
    flawed(done(vec![ratio]), "path-way-loses")
}

fn flawed(mut outcome: Outcome, code: &str) -> Outcome {
    outcome.flaw(code, format!("saw {code}"), None);
    outcome
}

/// A test set that found this out about itself and bounded the rates.
fn with_selftest(code: &str) -> Visit {
    let bound = bounded(Limit::TestSet, "its own loopback");
    sound().beside("selftest", flawed(done(Vec::new()), code)).with("throughput", bound)
}

fn failed_farend(code: &str) -> Outcome {
    let mut outcome = Outcome::failed("the control port refused the connection");
    if !code.is_empty() {
        outcome.flaw(code, format!("the far end said {code}"), Some(Segment::FarEnd));
    }
    outcome
}

const NEEDS: &[&str] = &["dns", "echo", "farend", "twoway", "throughput"];

fn scenarios() -> Vec<(&'static str, Visit, Option<Segment>)> {
    let slow_port = Reading::new("throughput.tcp_payload_rate", 94.0, 80, around(94.0, 0.001))
        .toward(Direction::Down)
        .limited_by(Limit::TestSet, "port negotiated 100 Mbit/s");
    let mut port_at_100 = link();
    port_at_100.readings[1] = Reading::exact("link.speed", 100.0);
    let no_beyond = |visit: Visit| {
        visit.with("farend", failed_farend("")).without(&["twoway", "throughput"], "needs a session with the far end")
    };
    let all_dead = dns((40, 0.0), (40, 0.0));
    let mut refused_session = done(vec![Reading::exact("pppoe.concentrators", 1.0)]);
    refused_session.flaw("pppoe-session-refused", "concentrator edge-1 offers a session and then refuses it", None);
    let login = |concentrators: f64| {
        let held = Reading::exact("pppoe.address_held", 0.0).over(Family::Ipv4);
        Outcome { readings: vec![Reading::exact("pppoe.concentrators", concentrators), held], ..Outcome::failed("no session") }
    };
    let logging_in = |pppoe: Outcome, position| {
        let by_session = sound().without(&["dhcp4"], "the address comes with the PPPoE session").at(position);
        by_session.with("pppoe", pppoe).without(NEEDS, "needs an IP address")
    };
    let no_concentrator = login(0.0);
    let (mut refused_account, mut broken_session) = (login(1.0), login(1.0));
    refused_account.flaw("pppoe-login-refused", "the concentrator refuses the login", None);
    broken_session.flaw("pppoe-no-session", "the concentrator opened it, and then nothing came of the login", None);
    let mut broken_six = echo((0, 0.6), (0, 3.0), (0, 9.0));
    broken_six.readings.push(loss("echo.loss_ratio", 100, 100).on(Target::FarEnd).over(Family::Ipv6));
    vec![
        ("none-found", sound(), None),
        (
            "no-carrier",
            sound()
                .with("link", Outcome { readings: vec![Reading::exact("link.carrier", 0.0)], ..Outcome::failed("no carrier") })
                .without(&["dhcp4"], "needs carrier")
                .without(NEEDS, "needs an IP address"),
            Some(Segment::Home),
        ),
        ("port-too-slow", sound().with("link", port_at_100).with("throughput", done(vec![slow_port])), Some(Segment::TestSet)),
        (
            "no-address",
            sound().with("dhcp4", Outcome::failed("no offer to 4 DISCOVERs in 15 s")).without(NEEDS, "needs an IP address"),
            Some(Segment::Home),
        ),
        (
            "no-address",
            sound()
                .with("dhcp4", Outcome::failed("no offer to 4 DISCOVERs in 15 s"))
                .without(NEEDS, "needs an IP address")
                .at(Position::Ont),
            Some(Segment::Access),
        ),
        (
            "login-wanted",
            sound()
                .with("dhcp4", Outcome::failed("no offer to 4 DISCOVERs in 15 s"))
                .with("pppoe", done(vec![Reading::exact("pppoe.concentrators", 1.0)]))
                .without(NEEDS, "needs an IP address"),
            Some(Segment::TestSet),
        ),
        (
            "login-refused",
            sound()
                .with("dhcp4", Outcome::failed("no offer to 4 DISCOVERs in 15 s"))
                .with("pppoe", refused_session)
                .without(NEEDS, "needs an IP address"),
            Some(Segment::Network),
        ),
        ("no-concentrator", logging_in(no_concentrator, Position::Ont), Some(Segment::Access)),
        ("account-refused", logging_in(refused_account, Position::Ont), Some(Segment::Network)),
        ("session-broken", logging_in(broken_session, Position::Ont), Some(Segment::Network)),
        (
            "gateway-unreachable",
            no_beyond(sound()).with("echo", echo((400, 0.0), (400, 0.0), (400, 0.0))).with("dns", all_dead.clone()),
            Some(Segment::Home),
        ),
        (
            "access-down",
            no_beyond(sound()).with("echo", echo((0, 0.6), (400, 0.0), (400, 0.0))).with("dns", all_dead.clone()),
            Some(Segment::Access),
        ),
        (
            "network-down",
            no_beyond(sound()).with("echo", echo((0, 0.6), (0, 3.0), (400, 0.0))).with("dns", all_dead.clone()),
            Some(Segment::Network),
        ),
        (
            "home-loss",
            sound().with("echo", echo((12, 0.6), (12, 3.0), (14, 9.0))).with("twoway", twoway(30, 9.0)),
            Some(Segment::Home),
        ),
        (
            "access-loss",
            sound().with("echo", echo((0, 0.6), (12, 3.0), (13, 9.0))).with("twoway", twoway(30, 9.0)),
            Some(Segment::Access),
        ),
        (
            "network-loss",
            sound().with("echo", echo((0, 0.6), (0, 3.0), (13, 9.0))).with("twoway", twoway(30, 9.0)),
            Some(Segment::Network),
        ),
        (
            "home-delay",
            sound().with("echo", echo((0, 60.0), (0, 63.0), (0, 70.0))).with("twoway", twoway(0, 70.0)),
            Some(Segment::Home),
        ),
        (
            "access-delay",
            sound().with("echo", echo((0, 0.6), (0, 63.0), (0, 70.0))).with("twoway", twoway(0, 70.0)),
            Some(Segment::Access),
        ),
        (
            "network-delay",
            sound().with("echo", echo((0, 0.6), (0, 3.0), (0, 70.0))).with("twoway", twoway(0, 70.0)),
            Some(Segment::Network),
        ),
        ("access-slow", sound().with("throughput", throughput(94.0, 19.0)), Some(Segment::Access)),
        ("access-slow-down", sound().with("throughput", throughput(94.0, 48.0)), Some(Segment::Access)),
        ("access-slow-up", sound().with("throughput", throughput(240.0, 9.0)), Some(Segment::Access)),
        ("resolvers-dead", sound().with("dns", all_dead.clone()), Some(Segment::Network)),
        ("gateway-resolver-dead", sound().with("dns", of_gateway(all_dead)), Some(Segment::Home)),
        ("gateway-resolver-lies", sound().with("dns", of_gateway(dns((0, 3.0), (0, 3.0)))), Some(Segment::Home)),
        (
            "reflector-gone",
            sound().with(
                "twoway",
                Outcome { readings: vec![loss("twoway.loss_ratio", 500, 500)], ..Outcome::failed("none of 500 answered") },
            ),
            Some(Segment::FarEnd),
        ),
        ("one-resolver-dead", sound().with("dns", dns((40, 0.0), (0, 0.0))), Some(Segment::Network)),
        ("resolver-lies", sound().with("dns", dns((0, 3.0), (0, 0.0))), Some(Segment::Network)),
        (
            "far-end-gone",
            sound().with("farend", failed_farend("")).without(&["twoway", "throughput"], "needs a session with the far end"),
            Some(Segment::FarEnd),
        ),
        (
            "far-end-busy",
            sound()
                .with("farend", failed_farend("farend-busy"))
                .without(&["twoway", "throughput"], "needs a session with the far end"),
            Some(Segment::FarEnd),
        ),
        (
            "far-end-refuses",
            sound()
                .with("farend", failed_farend("farend-token-refused"))
                .without(&["twoway", "throughput"], "needs a session with the far end"),
            Some(Segment::FarEnd),
        ),
        ("carrier-drops", sound().with("link", flawed(link(), "link-carrier-lost")), Some(Segment::Home)),
        ("address-conflict", sound().with("dhcp4", flawed(dhcp4(), "dhcp4-address-in-use")), Some(Segment::Home)),
        ("address-conflict", sound().with("dhcp4", flawed(dhcp4(), "dhcp4-address-contested")), Some(Segment::Home)),
        ("lease-lost", sound().with("dhcp4", flawed(dhcp4(), "dhcp4-renewal-unanswered")), Some(Segment::Home)),
        ("lease-lost", sound().with("dhcp4", flawed(dhcp4(), "dhcp4-lease-lost")), Some(Segment::Home)),
        ("no-route", sound().with("dhcp4", flawed(dhcp4(), "dhcp4-no-default-route")), Some(Segment::Home)),
        ("second-address-server", sound().with("dhcp4", flawed(dhcp4(), "dhcp4-second-server")), Some(Segment::Home)),
        ("second-address-server", sound().with("dhcp4", flawed(dhcp4(), "dhcp4-second-server-late")), Some(Segment::Home)),
        (
            "test-set-misconfigured",
            sound().with("dhcp4", flawed(dhcp4(), "test-set-reverse-path-filter")),
            Some(Segment::TestSet),
        ),
        (
            "wrong-tag",
            sound()
                .with("dhcp4", flawed(Outcome::failed("no DHCP server answered"), "dhcp4-answer-tagged"))
                .without(NEEDS, "needs an IP address"),
            Some(Segment::Home),
        ),
        (
            "address-refused",
            sound()
                .with(
                    "dhcp4",
                    Outcome { readings: dhcp4().readings, ..Outcome::failed("the DHCP server refused what it had offered") },
                )
                .without(NEEDS, "needs an IP address"),
            Some(Segment::Home),
        ),
        ("half-duplex", sound().with("link", link_with("link.full_duplex", 0.0)), Some(Segment::Home)),
        (
            "cable-errors",
            sound()
                .with("link", link_with("link.receive_errors", 812.0))
                .with("echo", echo((12, 0.6), (12, 3.0), (14, 9.0)))
                .with("twoway", twoway(30, 9.0)),
            Some(Segment::Home),
        ),
        (
            "test-set-too-slow",
            sound().with("throughput", bounded(Limit::TestSet, "busiest core at 99 %")),
            Some(Segment::TestSet),
        ),
        ("port-is-radio", with_selftest("selftest-radio"), Some(Segment::TestSet)),
        ("adapter-bus-slow", with_selftest("selftest-usb-slow"), Some(Segment::TestSet)),
        ("cores-held-back", with_selftest("selftest-throttled"), Some(Segment::TestSet)),
        ("cores-held-back", with_selftest("selftest-clock-capped"), Some(Segment::TestSet)),
        ("time-stolen", with_selftest("selftest-stolen"), Some(Segment::TestSet)),
        ("other-traffic", sound().with("throughput", bounded(Limit::CrossTraffic, "40 Mbit/s of others")), Some(Segment::Home)),
        ("one-way-loses", sound().with("path", one_way_loses()), Some(Segment::Network)),
        ("routing-loop", no_beyond(sound()).with("path", flawed(done(Vec::new()), "path-loop")), Some(Segment::Network)),
        (
            "route-refused",
            no_beyond(sound()).with("path", flawed(done(Vec::new()), "path-unreachable-prohibited")),
            Some(Segment::Network),
        ),
        (
            "small-policer",
            sound()
                .with("throughput", throughput(180.0, 48.0))
                .beside("shaping", flawed(done(Vec::new()), "policer-small-burst")),
            Some(Segment::Network),
        ),
        ("deep-queue", sound().with("throughput", deep_queue()), Some(Segment::Access)),
        ("resolver-slow", sound().with("dns", slow_dns()), Some(Segment::Network)),
        (
            "far-end-is-another",
            sound()
                .with("farend", failed_farend("farend-fingerprint-mismatch"))
                .without(&["twoway", "throughput"], "needs a session with the far end"),
            Some(Segment::FarEnd),
        ),
        ("captive-portal", sound().beside("web", flawed(done(Vec::new()), "web-captive-portal")), Some(Segment::Network)),
        (
            "captive-portal",
            sound()
                .with("farend", flawed(failed_farend("farend-refused"), "web-captive-portal"))
                .without(&["twoway", "throughput"], "needs a session with the far end"),
            Some(Segment::Network),
        ),
        ("transparent-proxy", sound().beside("web", flawed(done(Vec::new()), "web-altered")), Some(Segment::Network)),
        ("voice-service-dead", sound().beside("sip", voice(0.0, None)), Some(Segment::Network)),
        (
            "voice-account-refused",
            sound().beside("sip", flawed(voice(1.0, Some(0.0)), "sip-account-refused")),
            Some(Segment::Network),
        ),
        (
            "network-rewrites-sip",
            sound().beside("sip", flawed(voice(1.0, Some(1.0)), "sip-rewritten")).at(Position::Ont),
            Some(Segment::Network),
        ),
        ("gateway-rewrites-sip", sound().beside("sip", flawed(voice(1.0, Some(1.0)), "sip-rewritten")), Some(Segment::Home)),
        ("double-nat", sound().beside("between", between(2.0, 0.0, "between-double-nat")), Some(Segment::Home)),
        ("carrier-nat", sound().beside("between", between(2.0, 1.0, "between-carrier-nat")), Some(Segment::Network)),
        (
            "mtu-blackhole",
            sound().with("throughput", throughput(0.5, 0.5)).beside("mtu", mtu(1400.0, 1.0)),
            Some(Segment::Access),
        ),
        ("small-mtu", sound().beside("mtu", mtu(1400.0, 0.0)), Some(Segment::Access)),
        ("home-jitter", voice::varies(40, [90.0, 95.0, 100.0]), Some(Segment::Home)),
        ("access-jitter", voice::varies(40, [0.3, 95.0, 100.0]), Some(Segment::Access)),
        ("network-jitter", voice::varies(40, [0.3, 0.8, 100.0]), Some(Segment::Network)),
        ("sync-below-sold", sound().with_line(line::BELOW_SOLD), Some(Segment::Access)),
        ("line-disturbed", sound().with_line(line::DISTURBED), Some(Segment::Access)),
        ("optical-level", sound().with_line(line::DARK), Some(Segment::Access)),
        ("ipv6-broken", sound().with("echo", broken_six), Some(Segment::Access)),
        ("ipv6-broken", sound().with("ipv6", flawed(ipv6(), "ipv6-leads-nowhere")), Some(Segment::Access)),
        ("ipv6-broken", sound().with("ipv6", flawed(ipv6(), "ipv6-no-address")), Some(Segment::Access)),
        ("ipv6-broken", sound().with("twoway", flawed(twoway(0, 9.0), "twoway-ipv6-silent")), Some(Segment::Access)),
        ("ipv6-broken", sound().with("farend", flawed(done(Vec::new()), "farend-ipv6-unreachable")), Some(Segment::Access)),
        ("rogue-router", sound().with("ipv6", flawed(ipv6(), "ipv6-rogue-router")), Some(Segment::Home)),
        ("second-address-server", sound().with("ipv6", flawed(ipv6(), "ipv6-several-dhcp-servers")), Some(Segment::Home)),
        ("ipv6-router-dead", sound().with("ipv6", flawed(ipv6(), "ipv6-router-dead")), Some(Segment::Home)),
        ("no-prefix", sound().with("ipv6", flawed(ipv6(), "ipv6-no-prefix")), Some(Segment::Network)),
        (
            "no-prefix",
            sound().with("ipv6", flawed(flawed(ipv6(), "ipv6-no-prefix"), "ipv6-no-address")).at(Position::Ont),
            Some(Segment::Network),
        ),
        ("address-conflict", sound().with("ipv6", flawed(ipv6(), "ipv6-address-in-use")), Some(Segment::Home)),
    ]
}

fn all_scenarios() -> impl Iterator<Item = (&'static str, Visit, Option<Segment>)> {
    scenarios().into_iter().chain(shaping::scenarios()).chain(tv::scenarios())
}

#[test]
fn each_made_up_line_is_blamed_on_its_own_fault_and_segment() {
    for (fault, visit, segment) in all_scenarios() {
        let found = visit.isolate();
        assert_eq!((found.fault.as_str(), found.segment), (fault, segment), "{found:#?}");
        assert!(found.confidence >= 0.5, "{fault}: {found:#?}");
        if fault != "none-found" {
            assert!(!found.because.is_empty() && !found.next.is_empty(), "{found:#?}");
        }
    }
}

#[test]
fn every_fault_of_the_catalogue_has_a_made_up_line() {
    let mut told: std::collections::BTreeSet<&str> = all_scenarios().map(|(fault, ..)| fault).collect();
    // Of a tier of its own.
    told.extend(voice::marking_lost().fault.eq("marking-lost").then_some("marking-lost"));
    let missing: Vec<&str> = catalogue::all().map(|f| f.id).filter(|id| !told.contains(id)).collect();
    assert!(missing.is_empty(), "{missing:?}");
}

#[test]
fn routers_that_limit_their_echoes_lose_nothing() {
    // 30 % at the gateway and all at the provider's hop, but not one packet of the far end's stream.
    let found = sound().with("echo", echo((120, 0.6), (400, 0.0), (0, 9.0))).isolate();
    assert_eq!(found.fault, "none-found", "{found:#?}");
    assert!(found.because.iter().any(|words| words.contains("limits its answers and loses nothing")), "{found:#?}");
}

#[test]
fn a_router_that_limits_its_echoes_takes_no_blame_for_loss_behind_it() {
    // 30 % at the gateway and 3 % behind the provider: what is lost at the gateway would be missing behind it too.
    let found = sound().with("echo", echo((120, 0.6), (0, 3.0), (13, 9.0))).with("twoway", twoway(30, 9.0)).isolate();
    assert_eq!((found.fault.as_str(), found.segment), ("network-loss", Some(Segment::Network)), "{found:#?}");
}

#[test]
fn a_segment_is_not_named_by_how_often_faults_occur() {
    // The provider's hop answers nobody: loss to the far end may be of the access line or of the network.
    let found = sound().with("echo", echo((0, 0.6), (400, 3.0), (13, 9.0))).with("twoway", twoway(30, 9.0)).isolate();
    assert_eq!((found.fault.as_str(), found.segment), ("not-sure", None), "{found:#?}");
    let named: Vec<_> = found.alternatives.iter().map(|other| other.fault.as_str()).collect();
    assert_eq!(named[..2], ["access-loss", "network-loss"], "{found:#?}");
}

#[test]
fn ipv6_that_fails_with_ipv4_is_no_fault_of_its_own() {
    let dead = sound()
        .with("ipv6", flawed(ipv6(), "ipv6-leads-nowhere"))
        .with("echo", echo((0, 0.6), (0, 3.0), (400, 0.0)))
        .with("dns", dns((40, 0.0), (40, 0.0)))
        .with("farend", failed_farend(""))
        .without(&["twoway", "throughput"], "needs a session with the far end");
    let found = dead.isolate();
    assert_eq!((found.fault.as_str(), found.also.len()), ("network-down", 0), "{found:#?}");
}

#[test]
fn two_faults_at_once_are_both_named() {
    let found = sound().with("dns", dns((40, 0.0), (0, 0.0))).with("throughput", throughput(94.0, 19.0)).isolate();
    let mut named: Vec<_> = found.also.iter().map(|a| a.fault.as_str()).collect();
    named.push(&found.fault);
    named.sort_unstable();
    assert_eq!(named, ["access-slow", "one-resolver-dead"], "{found:#?}");
}

/// Heavy loss keeps percentiles of the delay from being known, and brings a second fault close: that one is no rival of the first.
#[test]
fn what_stands_beside_a_sure_fault_takes_nothing_from_it() {
    let late = Reading::new("twoway.round_trip_p95", 2000.0, 280, around(2000.0, 0.01)).on(Target::FarEnd);
    let mut stream = twoway(60, 9.0);
    stream.readings.retain(|reading| reading.name != "twoway.round_trip_p95");
    stream.readings.push(late);
    let visit = sound().with("echo", echo((48, 0.6), (48, 3.0), (50, 9.0))).with("twoway", stream);
    let visit = visit.with("throughput", deep_queue()).with("ipv6", flawed(ipv6(), "ipv6-no-prefix"));
    let found = visit.isolate();
    let named: Vec<_> = found.also.iter().map(|a| a.fault.as_str()).chain([found.fault.as_str()]).collect();
    assert!(named.contains(&"home-loss") && named.contains(&"no-prefix"), "{found:#?}");
}

/// Units of two faults whose signs lie apart: each pair is found as the two that it is.
#[test]
fn pairs_of_faults_are_found_as_two() {
    let second_server = flawed(dhcp4(), "dhcp4-second-server");
    let slow = throughput(94.0, 19.0);
    let far = |visit: Visit| visit.with("echo", echo((0, 0.6), (0, 3.0), (0, 70.0))).with("twoway", twoway(0, 70.0));
    let dead = dns((40, 0.0), (0, 0.0));
    let cases = [
        (["access-slow", "one-resolver-dead"], sound().with("dns", dead.clone()).with("throughput", slow.clone())),
        (["network-delay", "second-address-server"], far(sound().with("dhcp4", second_server.clone()))),
        (
            ["carrier-nat", "deep-queue"],
            sound().with("throughput", deep_queue()).beside("between", between(2.0, 1.0, "between-carrier-nat")),
        ),
        (["resolver-lies", "small-mtu"], sound().with("dns", dns((0, 3.0), (0, 0.0))).beside("mtu", mtu(1400.0, 0.0))),
        // So long a delay misses the limit under load as well: no queue is needed for that.
        (
            ["network-delay", "resolver-lies"],
            sound()
                .with("echo", echo((0, 0.6), (0, 3.0), (0, 120.0)))
                .with("twoway", twoway(0, 120.0))
                .with("dns", dns((0, 3.0), (0, 0.0)))
                .with("throughput", shaping::queues(160.0, 160.0)),
        ),
        (["access-slow", "network-delay"], far(sound().with("throughput", slow.clone()))),
        (
            ["home-loss", "no-prefix"],
            sound()
                .with("echo", echo((12, 0.6), (12, 3.0), (14, 9.0)))
                .with("twoway", twoway(30, 9.0))
                .with("ipv6", flawed(ipv6(), "ipv6-no-prefix")),
        ),
        (
            ["gateway-rewrites-sip", "one-resolver-dead"],
            sound().with("dns", dead).beside("sip", flawed(voice(1.0, Some(1.0)), "sip-rewritten")),
        ),
        (
            ["carrier-drops", "second-address-server"],
            sound().with("dhcp4", second_server).with("link", flawed(link(), "link-carrier-lost")),
        ),
    ];
    for (pair, visit) in cases {
        let found = visit.isolate();
        let mut named: Vec<_> = found.also.iter().map(|a| a.fault.as_str()).chain([found.fault.as_str()]).collect();
        named.sort_unstable();
        assert_eq!(named, pair, "{found:#?}");
    }
}

#[test]
fn a_missed_limit_that_nothing_explains_is_not_smoothed_over() {
    // The lookup of names fails for a quarter of all names at both resolvers: no entry of the catalogue says so.
    let found = sound().with("dns", dns((20, 0.0), (20, 0.0))).isolate();
    assert_eq!((found.fault.as_str(), found.segment), ("not-sure", None), "{found:#?}");
    assert!(found.because[0].contains("names resolve"), "{found:#?}");
}

#[test]
fn nothing_looked_at_means_not_sure() {
    assert_eq!(isolate(&Position::Gateway.into(), &[], &[]).fault, "not-sure");
}

#[test]
fn from_the_terminal_nothing_is_blamed_on_the_home() {
    for (_, visit, _) in scenarios() {
        let found = visit.at(Position::Ont).isolate();
        assert_ne!(found.segment, Some(Segment::Home), "{found:#?}");
        assert!(found.alternatives.iter().all(|a| a.segment != Some(Segment::Home)), "{found:#?}");
    }
}

#[test]
fn the_catalogue_is_sound() {
    let mut seen = std::collections::BTreeSet::new();
    for fault in catalogue::all() {
        assert!(seen.insert(fault.id), "{} stands twice", fault.id);
        assert!(fault.prior > 0.0 && !fault.shows.is_empty() && !fault.next.is_empty(), "{}", fault.id);
        for (symptom, p) in fault.shows {
            assert!(*p > 0.0 && *p < 1.0, "{} {symptom:?}: a likelihood of 0 or 1 could never be outweighed", fault.id);
            assert!(catalogue::stray(*symptom) > 0.0 && catalogue::stray(*symptom) < 1.0);
        }
    }
}

#[test]
fn evidence_for_a_fault_never_lowers_the_belief_in_it() {
    let observation = |seen| model::Observation { symptom: Symptom::DownTooSlow, seen, words: String::new() };
    let belief = |observations: &[model::Observation]| {
        rank::rank(Position::Gateway, observations).faults.iter().find(|(f, _)| f.id == "access-slow-down").unwrap().1
    };
    let (none, seen, absent) = (belief(&[]), belief(&[observation(true)]), belief(&[observation(false)]));
    assert!(absent < none && none < seen, "{absent} {none} {seen}");
}

#[test]
fn beliefs_are_probabilities() {
    for (_, visit, _) in scenarios() {
        let outcomes: Vec<(&str, &Outcome)> = visit.checks.iter().map(|(name, outcome)| (*name, outcome)).collect();
        let ranking = rank::rank(visit.position, &observe::observe(&visit.position.into(), &outcomes, &[]));
        let all = ranking.faults.iter().map(|(_, b)| *b).chain([ranking.sound]);
        assert!(all.clone().all(|b| (0.0..=1.0 + 1e-9).contains(&b)), "{ranking:?}");
        // Each hypothesis counts once for the sound line or for each of at most two faults.
        let sum: f64 = all.sum();
        assert!((1.0 - 1e-9..=2.0 + 1e-9).contains(&sum), "{sum}");
    }
}

#[test]
fn the_page_of_faults_is_that_of_the_catalogue() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/faults.md");
    if std::env::var_os("DOORSTEP_UPDATE").is_some() {
        std::fs::write(&path, catalogue::page()).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == catalogue::page(),
        "docs/faults.md is out of date; write it again with: DOORSTEP_UPDATE=1 cargo test --lib isolate::"
    );
}
