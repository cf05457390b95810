//! Invented visits with series, for looking at: a pass, a fail with loss, a dead line, and a soak of four hours.

use std::path::PathBuf;

use doorstep::reading::{Series, Target, Unit};
use doorstep::record::{Record, store};
use doorstep::unit::{Direction, Family, Load};

/// Names of the visits.
pub(crate) const NAMES: [&str; 4] = ["pass", "fail", "dead-line", "soak"];

/// A visit by its name.
pub(crate) fn record(name: &str) -> Record {
    let golden = |name: &str| {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("tests/golden/{name}.json"));
        store::read(&path).expect("a golden record is readable")
    };
    match name {
        "pass" => with_series(golden("pass"), 0, [938.0, 479.0], 10),
        "fail" => {
            let mut record = with_series(golden("fail"), 31, [94.0, 47.9], 10);
            record.place.note =
                Some("<script>alert('x')</script> \u{202e}customer & neighbour \"report\" breaks in calls".to_owned());
            record
        }
        "soak" => {
            let mut record = with_series(golden("pass"), 400, [938.0, 479.0], 14_400);
            record.place.circuit = Some("EV-0006".to_owned());
            record
        }
        name => golden(name),
    }
}

/// A number between 0 and 1 that looks like chance and is the same every time.
fn noise(at: usize, salt: usize) -> f64 {
    let x = (at as f64 * 12.9898 + salt as f64 * 78.233).sin() * 43_758.545;
    x - x.floor()
}

fn with_series(mut record: Record, lost_per_mille: usize, mbit: [f64; 2], seconds: usize) -> Record {
    let points = 1000;
    let step = seconds as f64 * 1e3 / points as f64;
    // Losses come in two clusters and some singles, as a failing line's do.
    let is_lost = |at: usize, salt: usize| {
        let cluster = (300..340).contains(&at) || (700..720).contains(&at);
        noise(at, salt) * 1000.0 < lost_per_mille as f64 * if cluster { 8.0 } else { 0.4 }
    };
    let round_trips = |base: f64, spread: f64, count: usize, salt: usize| -> Vec<Option<f64>> {
        let one = |at| base + spread * noise(at, salt).powi(6) + spread * 0.05 * noise(at, salt + 7);
        (0..count).map(|at| (!is_lost(at, salt)).then(|| one(at))).collect()
    };
    let series = |name: &str, target, load, direction, unit, step: f64, values: Vec<Option<f64>>| Series {
        name: name.to_owned(),
        unit,
        target,
        direction,
        family: Some(Family::Ipv4),
        load,
        at_ms: (0..values.len()).map(|at| at as f64 * step).collect(),
        values,
    };
    for check in &mut record.checks {
        match check.check.as_str() {
            "echo" => {
                for (target, base, salt) in [(Target::Gateway, 0.5, 1), (Target::ProviderHop, 3.2, 2), (Target::FarEnd, 8.9, 3)] {
                    let mut values = round_trips(base, 1.5, points / 2, salt);
                    if target == Target::Gateway {
                        values = values.into_iter().map(|value| value.or(Some(base))).collect();
                    }
                    check.outcome.series.push(series(
                        "echo.round_trip",
                        Some(target),
                        None,
                        None,
                        Unit::Millisecond,
                        step * 2.0,
                        values,
                    ));
                }
            }
            "twoway" => {
                let values = round_trips(8.8, 3.0, points, 4);
                check.outcome.series.push(series("twoway.round_trip", None, None, None, Unit::Millisecond, step, values));
            }
            "throughput" => {
                for (direction, load, mbit) in [(Direction::Down, Load::Down, mbit[0]), (Direction::Up, Load::Up, mbit[1])] {
                    let salt = mbit as usize;
                    let grown = |at: usize| (1.0 - (-(at as f64) / 6.0).exp()) * mbit;
                    let rates = (0..100).map(|at| Some(grown(at) * (0.97 + 0.05 * noise(at, salt)))).collect();
                    check.outcome.series.push(series(
                        "throughput.tcp_payload_rate",
                        None,
                        Some(load),
                        Some(direction),
                        Unit::MegabitPerSecond,
                        100.0,
                        rates,
                    ));
                    let delays = round_trips(9.5, 34.0, 400, salt + 1);
                    check.outcome.series.push(series(
                        "throughput.delay_under_load",
                        None,
                        Some(load),
                        None,
                        Unit::Millisecond,
                        25.0,
                        delays,
                    ));
                }
            }
            _ => {}
        }
    }
    record
}
