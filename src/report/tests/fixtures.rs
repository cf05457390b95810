//! Made-up visits at Example Valley Broadband (an invented provider), one for each kind of report.

use std::time::Duration;

use jiff::Timestamp;
use uuid::Uuid;

use crate::metric::loss_interval::clopper_pearson;
use crate::profile;
use crate::reading::{Limit, Outcome, Reading, Status, Target};
use crate::record::{Agent, Consent, Place, PlanNote, Record};
use crate::unit::{AccessKind, Depth, Direction, Family, Interval, Layer, Load, Position};

pub(super) const NAMES: &[&str] = &["pass", "fail", "not-proven", "dead-line", "incomplete"];

pub(super) fn record(name: &str) -> Record {
    match name {
        "pass" => visit(1, "fibre-1000-500", pass(), None),
        "fail" => visit(2, "fibre-250-50", fail(), None),
        "not-proven" => visit(3, "fibre-250-50", not_proven(), None),
        "dead-line" => visit(4, "vdsl-100-40", dead_line(), None),
        "incomplete" => visit(5, "fibre-250-50", incomplete(), Some("stopped by the operator".to_owned())),
        other => panic!("no fixture {other}"),
    }
}

type Checks = Vec<(&'static str, u64, Outcome)>;

fn visit(number: u128, tier: &str, checks: Checks, interrupted: Option<String>) -> Record {
    let profile = profile::load(tier).unwrap();
    let started: Timestamp = "2026-11-25T10:00:00Z".parse().unwrap();
    let agent = Agent { version: "0.1.0".into(), host: "van-7".into(), kernel: "6.1.0".into() };
    let place = Place {
        circuit: Some(format!("EV-{number:04}")),
        access: AccessKind::Ethernet,
        vlan: None,
        position: Position::Gateway,
        interface: "eth0".into(),
        utc_offset_minutes: None,
        note: (number == 2).then(|| "customer reports breaks in calls".to_owned()),
    };
    let id = Uuid::from_u128(0x019a_0000_0000_7000_8000_0000_0000_0000 + number);
    let mut record = Record::begin(id, started, agent, place, Some(&profile));
    record.plan = Some(PlanNote { depth: Depth::Handoff, expected_s: 41.0, octets: 1_320_000_000 });
    record.consent = Some(Consent { load_agreed: true, how: "flag --yes".into() });
    let took: u64 = checks.iter().map(|(_, ms, _)| ms).sum();
    for (check, ms, outcome) in checks {
        record.add(check, Duration::from_millis(ms), outcome);
    }
    record.conclude(Some(&profile));
    record.finish("2026-11-25T10:00:00Z".parse::<Timestamp>().unwrap() + Duration::from_millis(took), interrupted);
    record
}

fn around(value: f64, share: f64) -> Interval {
    Interval { low: Some(value * (1.0 - share)), high: Some(value * (1.0 + share)), confidence: 0.95 }
}

fn done(readings: Vec<Reading>) -> Outcome {
    Outcome { readings, ..Outcome::new(Status::Done) }
}

fn loss(name: &'static str, lost: u64, sent: u64) -> Reading {
    Reading::new(name, lost as f64 / sent as f64, sent, clopper_pearson(lost, sent, 0.95))
}

fn link(mbit: f64) -> Outcome {
    let mut speed = Reading::exact("link.speed", mbit);
    if mbit < 250.0 {
        speed = speed.limited_by(Limit::TestSet, format!("port negotiated {mbit} Mbit/s"));
    }
    done(vec![Reading::exact("link.carrier", 1.0), speed, Reading::exact("link.full_duplex", 1.0)])
}

fn counters() -> Outcome {
    done(vec![Reading::exact("link.receive_errors", 0.0), Reading::exact("link.transmit_errors", 0.0)])
}

fn dhcp4() -> Outcome {
    done(vec![
        Reading::exact("dhcp4.address_held", 1.0),
        Reading::exact("dhcp4.offer_time", 11.8),
        Reading::exact("dhcp4.ack_time", 6.4),
        Reading::exact("dhcp4.servers", 1.0),
        Reading::exact("dhcp4.lease_time", 3600.0),
    ])
}

fn dns() -> Outcome {
    done(
        [1, 2]
            .into_iter()
            .flat_map(|n| {
                [
                    loss("dns.failure_ratio", 0, 40),
                    Reading::exact("dns.false_answers", 0.0),
                    Reading::new("dns.lookup_time_p50", 14.0 + f64::from(n), 40, around(14.0 + f64::from(n), 0.1)),
                    Reading::new("dns.cached_time_p50", 4.2, 40, around(4.2, 0.1)),
                ]
                .map(|r| r.on(Target::Resolver(n)))
            })
            .collect(),
    )
}

fn echo(lost_behind: u64) -> Outcome {
    let points = [(Target::Gateway, 0, 0.62), (Target::ProviderHop, lost_behind, 3.41), (Target::FarEnd, lost_behind + 1, 9.07)];
    done(
        points
            .into_iter()
            .flat_map(|(target, lost, ms)| {
                let lost = if lost_behind == 0 { 0 } else { lost };
                [loss("echo.loss_ratio", lost, 500), Reading::new("echo.round_trip_p50", ms, 500 - lost, around(ms, 0.04))]
                    .map(|r| r.on(target.clone()).over(Family::Ipv4))
            })
            .collect(),
    )
}

fn farend() -> Outcome {
    done(vec![Reading::exact("farend.connect_time", 9.4), Reading::exact("farend.hello_time", 21.5)])
}

fn twoway(lost_down: u64) -> Outcome {
    let mut readings = vec![
        Reading::new("twoway.round_trip_p50", 9.12, 1000, around(9.12, 0.02)),
        Reading::new("twoway.round_trip_p95", 11.6, 1000, around(11.6, 0.05)),
    ];
    for (direction, lost) in [(Direction::Down, lost_down), (Direction::Up, 0)] {
        readings.push(loss("twoway.loss_ratio", lost, 1000).toward(direction));
        readings.push(Reading::new("twoway.delay_variation_p95", 1.9, 1000 - lost, around(1.9, 0.08)).toward(direction));
    }
    done(readings.into_iter().map(|r| r.over(Family::Ipv4)).collect())
}

fn throughput(down: f64, up: f64) -> Outcome {
    let mut readings = Vec::new();
    for (direction, load, mbit) in [(Direction::Down, Load::Down, down), (Direction::Up, Load::Up, up)] {
        let rate = Reading::new("throughput.tcp_payload_rate", mbit, 80, around(mbit, 0.004));
        readings.push(rate.toward(direction).under(load).at(Layer::TcpPayload).over(Family::Ipv4));
        let delay = Reading::new("throughput.delay_under_load_p95", 38.0, 800, around(38.0, 0.1));
        readings.push(delay.under(load).over(Family::Ipv4));
    }
    done(readings)
}

fn pass() -> Checks {
    vec![
        ("link", 120, link(1000.0)),
        ("dhcp4", 1_020, dhcp4()),
        ("dns", 2_400, dns()),
        ("farend", 90, farend()),
        ("echo", 11_000, echo(0)),
        ("twoway", 10_500, twoway(0)),
        ("throughput", 17_000, throughput(940.9, 480.2)),
        ("link", 0, counters()),
    ]
}

fn fail() -> Checks {
    vec![
        ("link", 120, link(1000.0)),
        ("dhcp4", 1_020, dhcp4()),
        ("dns", 2_400, dns()),
        ("farend", 90, farend()),
        ("echo", 11_000, echo(14)),
        ("twoway", 10_500, twoway(31)),
        ("throughput", 17_000, throughput(94.2, 47.9)),
        ("link", 0, counters()),
    ]
}

fn not_proven() -> Checks {
    let mut slow = throughput(94.1, 47.8);
    for reading in &mut slow.readings {
        *reading = reading.clone().limited_by(Limit::TestSet, "port negotiated 100 Mbit/s");
    }
    vec![
        ("link", 120, link(100.0)),
        ("dhcp4", 1_020, dhcp4()),
        ("dns", 2_400, dns()),
        ("farend", 90, farend()),
        ("echo", 11_000, echo(0)),
        ("twoway", 10_500, twoway(2)),
        ("throughput", 17_000, slow),
        ("link", 0, counters()),
    ]
}

fn dead_line() -> Checks {
    let no_carrier = Outcome {
        readings: vec![Reading::exact("link.carrier", 0.0)],
        ..Outcome::failed("no carrier on eth0: nothing that is switched on is plugged in, or the cable is broken")
    };
    let mut checks = vec![("link", 6_000, no_carrier)];
    for check in ["dhcp4", "dns", "farend", "echo", "twoway", "throughput"] {
        checks.push((check, 0, Outcome::not_tested("needs carrier on the port")));
    }
    checks
}

fn incomplete() -> Checks {
    let mut checks = pass();
    checks.truncate(3);
    checks.push(("echo", 900, Outcome::not_tested("the visit was ended")));
    checks
}
