//! The last visit of each line as metrics, in the text exposition format 0.0.4 of Prometheus.
//!
//! One family of gauges for each unit, since a family's values must be of one kind: `doorstep_reading_milliseconds{reading="twoway.round_trip_p50",...}`. Values
//! carry no moments of their own, so that a scrape that comes late is not refused; `doorstep_visit_started_seconds` says how old they are.

use std::fmt::Write as _;

use super::{Rows, VERDICTS};
use crate::history::Service;
use crate::reading::Unit;

/// What a scrape's answer says that it is.
pub const CONTENT_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

const UNITS: [(Unit, &str); 9] = [
    (Unit::Millisecond, "milliseconds"),
    (Unit::MegabitPerSecond, "megabits_per_second"),
    (Unit::One, "value"),
    (Unit::Octet, "octets"),
    (Unit::Second, "seconds"),
    (Unit::PerSecond, "per_second"),
    (Unit::PerMinute, "per_minute"),
    (Unit::Decibel, "decibels"),
    (Unit::DecibelMilliwatt, "decibel_milliwatts"),
];

/// Metrics of the last visit of each line.
pub fn exposition(last: &[Rows]) -> String {
    let mut out = String::new();
    let mut family = |name: &str, help: &str, samples: &[(String, f64)]| {
        if samples.is_empty() {
            return;
        }
        let _ = writeln!(out, "# HELP {name} {help}\n# TYPE {name} gauge");
        for (labels, value) in samples {
            let _ = writeln!(out, "{name}{{{labels}}} {value}");
        }
    };
    let line =
        |rows: &Rows| format!("circuit=\"{}\",position=\"{}\"", escaped(&rows.visit.line.circuit), rows.visit.line.position);
    let of = |value: &dyn Fn(&Rows) -> Option<f64>| -> Vec<(String, f64)> {
        last.iter().filter_map(|rows| Some((line(rows), value(rows)?))).collect()
    };
    family(
        "doorstep_visit_started_seconds",
        "Start of the last visit, seconds since the Unix epoch.",
        &of(&|rows| Some(rows.visit.started.as_millisecond() as f64 / 1e3)),
    );
    family(
        "doorstep_visit_service",
        "Whether the line carried packets in the last visit, 1 or 0; missing when it can't tell.",
        &of(&|rows| match rows.visit.service {
            Service::Up => Some(1.0),
            Service::Down => Some(0.0),
            Service::Unknown => None,
        }),
    );
    let verdict = |rows: &Rows| {
        VERDICTS.map(|verdict| {
            (format!("{},verdict=\"{}\"", line(rows), verdict.word()), f64::from(u8::from(rows.visit.verdict == verdict)))
        })
    };
    family(
        "doorstep_visit_verdict",
        "1 for the verdict of the last visit, 0 for the others.",
        &last.iter().flat_map(verdict).collect::<Vec<_>>(),
    );
    for (unit, word) in UNITS {
        let reading = |rows: &Rows| {
            let kept = rows.readings.iter().filter(move |kept| kept.unit == unit);
            let sample = |kept: &super::Kept| {
                (
                    format!(
                        "{},reading=\"{}\",of=\"{}\"",
                        line(rows),
                        escaped(&kept.figure.name),
                        escaped(&kept.figure.selector())
                    ),
                    kept.value,
                )
            };
            kept.map(sample).collect::<Vec<_>>()
        };
        let help = format!("Readings of the last visit, unit {}.", unit.symbol());
        family(&format!("doorstep_reading_{word}"), &help, &last.iter().flat_map(reading).collect::<Vec<_>>());
    }
    out
}

/// A label's value: backslash, quote and line feed are escaped, as the format asks.
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}
