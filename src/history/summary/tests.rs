//! The parts of a summary on made-up visits and values.

use jiff::Timestamp;
use uuid::Uuid;

use super::*;
use crate::history::Service;
use crate::history::store::Point;
use crate::unit::{Depth, Position};

const FIVE_MINUTES: i64 = 300_000;

pub(super) fn visit(n: i64, service: Service) -> Visit {
    let at = |ms: i64| Timestamp::from_millisecond(ms).unwrap();
    Visit {
        id: Uuid::from_u128(n as u128),
        line: Line::new(Some("EV-0001"), Position::Gateway),
        started: at(n * FIVE_MINUTES),
        finished: Some(at(n * FIVE_MINUTES + 60_000)),
        complete: true,
        depth: Depth::Quick,
        profile: String::new(),
        profile_digest: String::new(),
        verdict: Verdict::NotProven,
        service,
        segment: None,
        fault: String::new(),
        confidence: 0.0,
        line_facts: String::new(),
        record_digest: String::new(),
    }
}

fn visits(pattern: &str) -> Vec<Visit> {
    let service = |c| match c {
        'u' => Service::Up,
        'd' => Service::Down,
        _ => Service::Unknown,
    };
    pattern.chars().enumerate().map(|(n, c)| visit(n as i64, service(c))).collect()
}

#[test]
fn outages_have_two_bounds_and_may_be_open() {
    let found = outage::outages(&visits("uudd?du?dd"));
    let bounds: Vec<_> = found.iter().map(|outage| (outage.visits, outage.at_least_s, outage.at_most_s)).collect();
    // From visit 2 at 600 s to the end of visit 5 at 1,560 s; from the end of visit 1 at 360 s to visit 6 at 1,800 s. The second is open.
    assert_eq!(bounds, [(3, 960.0, Some(1440.0)), (2, 360.0, None)]);
    assert_eq!(found[1].up_after, None);
    let told = outage::availability(&visits("uudd?du?dd"));
    assert_eq!((told.up, told.down, told.unknown, told.share), (3, 5, 2, Some(0.375)));
    assert_eq!(outage::availability(&visits("??")).share, None);
    assert_eq!(outage::outages(&[]), []);
}

#[test]
fn an_availability_of_one_long_outage_is_less_sure_than_one_of_many_short_ones() {
    let long = outage::availability(&visits(&format!("{}{}{}", "u".repeat(400), "d".repeat(20), "u".repeat(400))));
    let short = outage::availability(&visits(&"u".repeat(41).chars().chain(['d']).collect::<String>().repeat(20)));
    let width = |a: &Availability| a.limits.high.unwrap() - a.limits.low.unwrap();
    assert!(width(&long) > 2.0 * width(&short), "{long:?} {short:?}");
}

/// Values every quarter of an hour over some days; `value` gets the hour and a count, and gives whether the limit is missed.
fn points(days: i64, value: impl Fn(i64, i64) -> (f64, bool)) -> Vec<Point> {
    let point = |n: i64| {
        let (value, missed) = value(n / 4 % 24, n);
        Point { at: n * 900_000, value, verdict: Some(if missed { Verdict::Fail } else { Verdict::Pass }) }
    };
    (0..days * 96).map(point).collect()
}

pub(super) fn terms(zone: &str) -> Terms {
    let [busy, quiet] = HOURS;
    Terms { span: Span::ALL, zone: TimeZone::get(zone).expect("a zone"), busy, quiet }
}

fn finding(points: &[Point], zone: &str) -> Finding {
    let clock = pattern::Clock::new(&terms(zone));
    pattern::pattern(&clock.hours(points), &clock, 1.0).finding
}

/// A spread that belongs to no hour: 7 and 96 share no factor.
fn spread(n: i64) -> f64 {
    (n * 7 % 13) as f64 / 10.0
}

#[test]
fn congestion_is_told_from_a_steady_fault_and_both_from_neither() {
    let evening = |hour: i64| (19..23).contains(&hour);
    let congested = points(14, |hour, n| (10.0 + spread(n) + if evening(hour) { 8.0 } else { 0.0 }, evening(hour)));
    assert_eq!(finding(&congested, "UTC"), Finding::BusyHours);
    let steady = points(14, |_, n| (20.0 + spread(n), true));
    assert_eq!(finding(&steady, "UTC"), Finding::Steady);
    let both = points(14, |hour, n| (20.0 + spread(n) + if evening(hour) { 8.0 } else { 0.0 }, true));
    assert_eq!(finding(&both, "UTC"), Finding::Steady);
    let harmless = points(14, |hour, n| (10.0 + spread(n) + if evening(hour) { 8.0 } else { 0.0 }, false));
    assert_eq!(finding(&harmless, "UTC"), Finding::Differs);
    assert_eq!(finding(&points(14, |_, n| (10.0 + ((n * n * 31) % 97) as f64, false)), "UTC"), Finding::Even);
    assert_eq!(
        finding(&points(4, |hour, n| (spread(n) + if evening(hour) { 8.0 } else { 0.0 }, evening(hour))), "UTC"),
        Finding::TooFewDays
    );
    // The same hours by another clock are no evening.
    assert_ne!(finding(&congested, "Etc/GMT+8"), Finding::BusyHours);
}

#[test]
fn days_change_their_length_with_the_clock_and_no_value_is_lost() {
    // 2026-03-29 has 23 hours in a zone with summer time by the rule of the European Union.
    let begin = "2026-03-28T00:00:00Z".parse::<Timestamp>().unwrap().as_millisecond();
    let values: Vec<Point> = (0..192).map(|n| Point { at: begin + n * 900_000, value: n as f64, verdict: None }).collect();
    let clock = pattern::Clock::new(&terms("CET"));
    let hours = clock.hours(&values);
    assert_eq!(hours.iter().map(|(_, part)| part.len()).sum::<usize>(), 192);
    assert!(
        !hours.iter().any(|((_, hour), part)| *hour == 2 && part[0].value > 90.0 && part[0].value < 110.0),
        "the hour that is left out"
    );
}

#[test]
fn hours_may_run_over_midnight() {
    let night = Hours { from: 22, to: 6 };
    assert!(night.contain(23) && night.contain(0) && night.contain(5) && !night.contain(6) && !night.contain(21));
    assert!(HOURS[0].contain(19) && !HOURS[0].contain(23));
}

/// A spread without a rhythm, from 0 to 1: that of [`spread`] makes a slow saw of the medians of two.
fn scatter(n: i64) -> f64 {
    let mixed = (n as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    let mixed = (mixed ^ mixed >> 29).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    (mixed >> 40) as f64 / f64::from(1 << 24)
}

#[test]
fn a_drift_is_told_as_one_and_stairs_as_changes() {
    let clock = pattern::Clock::new(&terms("UTC"));
    let figure = || Figure { name: "echo.round_trip_p50".to_owned(), target: None, direction: None, family: None, load: None };
    let told = |points: &[Point]| figure::summarise(figure(), crate::reading::Unit::Millisecond, points, &clock);
    // Over fourteen days from 2 to 4 ms; the spread belongs to no hour.
    let drift = told(&points(14, |_, n| (2.0 + n as f64 * 2.0 / 1344.0 + scatter(n) / 10.0, false)));
    assert_eq!(drift.changes, []);
    assert!(drift.trend.is_some_and(|trend| (trend.per_day - 2.0 / 14.0).abs() < 0.01), "{:?}", drift.trend);
    let stairs = told(&points(14, |_, n| (2.0 + (n / 336) as f64 + scatter(n) / 10.0, false)));
    assert_eq!(stairs.changes.len(), 3, "{:?}", stairs.changes);
}
