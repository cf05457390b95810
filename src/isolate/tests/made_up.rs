//! Visits as their checks would leave them, without a line.

use super::*;

/// What other tiers would give at the port: TCP payload of IP, in full packets with time stamps (RFC 7323), 1448 of 1500.
pub(super) fn tiers() -> Vec<Tier> {
    let payload = |mbit: f64| mbit * 1448.0 / 1500.0;
    let tier = |(name, down, up): (&str, f64, f64)| Tier { name: name.into(), down_mbit: payload(down), up_mbit: payload(up) };
    [("vdsl-100-40", 100.0, 40.0), ("wireless-50-10", 50.0, 10.0), ("cable-500-50", 500.0, 50.0)].map(tier).into()
}

/// A visit as its checks would leave it; starts sound, each scenario spoils a part of it.
#[derive(Clone)]
pub(super) struct Visit {
    pub(super) position: Position,
    pub(super) hour: Option<u8>,
    pub(super) checks: Vec<(&'static str, Outcome)>,
}

pub(super) fn around(value: f64, share: f64) -> Interval {
    Interval { low: Some(value * (1.0 - share)), high: Some(value * (1.0 + share)), confidence: 0.95 }
}

pub(super) fn loss(name: &'static str, lost: u64, sent: u64) -> Reading {
    Reading::new(name, lost as f64 / sent as f64, sent, clopper_pearson(lost, sent, 0.95))
}

pub(super) fn done(readings: Vec<Reading>) -> Outcome {
    Outcome { readings, ..Outcome::new(Status::Done) }
}

pub(super) fn link() -> Outcome {
    done(vec![
        Reading::exact("link.carrier", 1.0),
        Reading::exact("link.speed", 1000.0),
        Reading::exact("link.full_duplex", 1.0),
        Reading::exact("link.receive_errors", 0.0),
    ])
}

pub(super) fn dhcp4() -> Outcome {
    done(vec![
        Reading::exact("dhcp4.address_held", 1.0),
        Reading::exact("dhcp4.offer_time", 12.0),
        Reading::exact("dhcp4.servers", 1.0),
    ])
}

pub(super) fn ipv6() -> Outcome {
    done(vec![
        Reading::exact("ipv6.routers", 1.0).over(Family::Ipv6),
        Reading::exact("ipv6.address_held", 1.0).over(Family::Ipv6),
        Reading::exact("ipv6.leads_out", 1.0).over(Family::Ipv6),
    ])
}

pub(super) fn echo(gateway: (u64, f64), provider: (u64, f64), far: (u64, f64)) -> Outcome {
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

pub(super) fn twoway(lost: u64, ms: f64) -> Outcome {
    done(vec![
        loss("twoway.loss_ratio", lost, 1000).on(Target::FarEnd).toward(Direction::Down),
        loss("twoway.loss_ratio", 0, 1000).on(Target::FarEnd).toward(Direction::Up),
        Reading::new("twoway.round_trip_p50", ms, 1000, around(ms, 0.05)).on(Target::FarEnd),
        Reading::new("twoway.round_trip_p95", ms * 1.2, 1000, around(ms * 1.2, 0.05)).on(Target::FarEnd),
    ])
}

pub(super) fn dns(first: (u64, f64), second: (u64, f64)) -> Outcome {
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

pub(super) fn of_gateway(mut dns: Outcome) -> Outcome {
    dns.fact("resolvers", serde_json::json!(["192.0.2.1"]));
    dns
}

pub(super) fn throughput(down: f64, up: f64) -> Outcome {
    let rate = |mbit: f64, direction| Reading::new("throughput.tcp_payload_rate", mbit, 80, around(mbit, 0.01)).toward(direction);
    done(vec![
        rate(down, Direction::Down),
        rate(up, Direction::Up),
        Reading::new("throughput.delay_under_load_p95", 30.0, 400, around(30.0, 0.1)).under(Load::Down),
    ])
}

/// What `sip` leaves: whether the service answered, and whether the account was taken.
pub(super) fn voice(answered: f64, registered: Option<f64>) -> Outcome {
    let registered = registered.map(|is| Reading::exact("sip.registered", is));
    done([Some(Reading::exact("sip.answered", answered)), registered].into_iter().flatten().collect())
}

pub(super) fn sound() -> Visit {
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

pub(super) fn between(translators: f64, carrier: f64, code: &str) -> Outcome {
    let figures = vec![
        Reading::exact("between.translators", translators).over(Family::Ipv4),
        Reading::exact("between.carrier_translation", carrier).over(Family::Ipv4),
    ];
    flawed(done(figures), code)
}

pub(super) fn mtu(octets: f64, blackhole: f64) -> Outcome {
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
    pub(super) fn beside(mut self, check: &'static str, outcome: Outcome) -> Self {
        self.checks.push((check, outcome));
        self
    }

    pub(super) fn with(mut self, check: &'static str, outcome: Outcome) -> Self {
        for slot in &mut self.checks {
            if slot.0 == check {
                slot.1 = outcome.clone();
            }
        }
        self
    }

    pub(super) fn without(self, checks: &[&'static str], reason: &str) -> Self {
        checks.iter().fold(self, |visit, check| visit.with(check, Outcome::not_tested(reason)))
    }

    pub(super) fn at(mut self, position: Position) -> Self {
        self.position = position;
        self
    }

    pub(super) fn isolate(&self) -> Isolation {
        let outcomes: Vec<(&str, &Outcome)> = self.checks.iter().map(|(name, outcome)| (*name, outcome)).collect();
        let has_tv = outcomes.iter().any(|(name, _)| *name == "multicast");
        let tier = if has_tv { "fibre-250-50-tv" } else { "fibre-250-50" };
        let judgements = judge(&profile::load(tier).unwrap(), profile::Setting::default(), None, &outcomes);
        isolate(&Setting { hour: self.hour, tiers: tiers(), ..self.position.into() }, &outcomes, &judgements)
    }
}

pub(super) fn link_with(name: &str, value: f64) -> Outcome {
    let mut outcome = link();
    for reading in outcome.readings.iter_mut().filter(|r| r.name == name) {
        (reading.value, reading.low, reading.high) = (value, Some(value), Some(value));
    }
    outcome
}

pub(super) fn bounded(side: Limit, what: &str) -> Outcome {
    let mut outcome = throughput(190.0, 44.0);
    outcome.readings = outcome.readings.into_iter().map(|r| r.limited_by(side, what)).collect();
    outcome
}

pub(super) fn deep_queue() -> Outcome {
    shaping::queues(900.0, 900.0)
}

pub(super) fn slow_dns() -> Outcome {
    let mut outcome = dns((0, 0.0), (0, 0.0));
    outcome.readings.push(Reading::new("dns.lookup_time_p50", 450.0, 40, around(450.0, 0.1)).on(Target::Resolver(1)));
    outcome
}

pub(super) fn one_way_loses() -> Outcome {
    let ratio = Reading::new("path.bad_flow_ratio", 0.5, 32, around(0.5, 0.3));
    flawed(done(vec![ratio]), "path-way-loses")
}

pub(super) fn flawed(mut outcome: Outcome, code: &str) -> Outcome {
    outcome.flaw(code, format!("saw {code}"), None);
    outcome
}

/// A test set that found this out about itself and bounded the rates.
pub(super) fn with_selftest(code: &str) -> Visit {
    let bound = bounded(Limit::TestSet, "its own loopback");
    sound().beside("selftest", flawed(done(Vec::new()), code)).with("throughput", bound)
}

pub(super) fn failed_farend(code: &str) -> Outcome {
    let mut outcome = Outcome::failed("the control port refused the connection");
    if !code.is_empty() {
        outcome.flaw(code, format!("the far end said {code}"), Some(Segment::FarEnd));
    }
    outcome
}

pub(super) const NEEDS: &[&str] = &["dns", "echo", "farend", "twoway", "throughput"];
