//! A made-up line for every fault of the catalogue: what was seen, the fault, and the segment that must be named.

use super::*;

pub(super) fn scenarios() -> Vec<(&'static str, Visit, Option<Segment>)> {
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
        ("tunnel-on-test-set", sound().beside("selftest", flawed(done(Vec::new()), "selftest-tunnel")), Some(Segment::TestSet)),
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

pub(super) fn all_scenarios() -> impl Iterator<Item = (&'static str, Visit, Option<Segment>)> {
    scenarios().into_iter().chain(shaping::scenarios()).chain(tv::scenarios())
}
