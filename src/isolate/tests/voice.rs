//! What calls say about where a fault lies. All figures are invented.

use super::*;

/// Of 500 speech packets down so many came too late; echoes to gateway, provider and far end spread by so much, milliseconds.
pub(super) fn varies(late: u64, spread: [f64; 3]) -> Visit {
    let mut points = echo((0, 0.6), (0, 3.0), (0, 9.0));
    for (target, ms) in [Target::Gateway, Target::ProviderHop, Target::FarEnd].into_iter().zip(spread) {
        let time = |name, value| Reading::new(name, value, 400, around(value, 0.05)).on(target.clone()).over(Family::Ipv4);
        points.readings.extend([time("echo.round_trip_min", 0.5), time("echo.round_trip_p95", 0.5 + ms)]);
    }
    let ratio = |late, direction| loss("voice.late_ratio", late, 500).toward(direction).over(Family::Ipv4);
    let calls = done(vec![ratio(late, Direction::Down), ratio(0, Direction::Up)]);
    sound().with("echo", points).beside("voice", calls)
}

/// As a tier that sells speech with its marking judges it.
pub(super) fn marking_lost() -> Isolation {
    let mut tier = profile::load("fibre-250-50").unwrap();
    let text = "name = \"t\"\ntitle = \"t\"\n[[criterion]]\nname = \"marking\"\nreading = \"voice.marking_kept\"\nat_least = 1\nseverity = \"must\"\nbasis = \"b\"\n";
    tier.criteria.extend(profile::parse(text, "test").unwrap().criteria);
    let visit = sound().beside("voice", done(vec![Reading::exact("voice.marking_kept", 0.0).toward(Direction::Up)]));
    let outcomes: Vec<(&str, &Outcome)> = visit.checks.iter().map(|(name, outcome)| (*name, outcome)).collect();
    isolate(&visit.position.into(), &outcomes, &judge(&tier, profile::Setting::default(), None, &outcomes))
}

#[test]
fn a_marking_that_was_sold_and_gets_lost_is_the_networks() {
    let found = marking_lost();
    assert_eq!((found.fault.as_str(), found.segment), ("marking-lost", Some(Segment::Network)), "{found:#?}");
}

#[test]
fn a_steady_line_and_a_single_late_packet_are_no_fault() {
    for late in [0, 1] {
        let found = varies(late, [0.2, 0.4, 1.0]).isolate();
        assert_eq!(found.fault, "none-found", "{late}: {found:#?}");
    }
}
