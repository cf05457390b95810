//! The history for other programs: tables as CSV, JSON lines and Parquet, visits as metrics in text exposition and OTLP. Pure: rows in, octets out.
//!
//! Every table has the same columns ([`COLUMNS`]), one row for each reading. Numbers are written so that they are read back to the last bit; nothing is localised.

mod columnar;
mod exposition;
mod otlp;
mod text;

pub use columnar::{ParquetError, parquet};
pub use exposition::{CONTENT_TYPE, exposition};
pub use otlp::{OTLP_CONTENT_TYPE, otlp, otlp_answer, otlp_refusal};
pub use text::{csv, csv_head, json_lines};

use super::{Kept, Visit};
use crate::record::Verdict;

/// All verdicts: a metric of its own for each tells them apart.
const VERDICTS: [Verdict; 4] = [Verdict::Pass, Verdict::Fail, Verdict::NotProven, Verdict::NotTested];

/// Columns of a row, in their order: of the visit, of the figure, of the reading. Moments are RFC 3339 in UTC; `selector` says in words what the
/// figure was taken on, over and under.
pub const COLUMNS: [&str; 18] = [
    "visit",
    "circuit",
    "position",
    "started",
    "profile",
    "visit_verdict",
    "service",
    "reading",
    "direction",
    "family",
    "load",
    "selector",
    "unit",
    "value",
    "low",
    "high",
    "samples",
    "verdict",
];

/// A visit with its readings.
#[derive(Debug, Clone, PartialEq)]
pub struct Rows {
    /// The visit.
    pub visit: Visit,
    /// Its readings.
    pub readings: Vec<Kept>,
}

/// A value of a row.
#[derive(Debug, Clone, PartialEq)]
enum Cell {
    Text(String),
    Number(Option<f64>),
    Count(u64),
}

/// The cells of a reading, in the order of [`COLUMNS`].
fn cells(visit: &Visit, kept: &Kept) -> [Cell; 18] {
    let text = |value: &str| Cell::Text(value.to_owned());
    let figure = &kept.figure;
    [
        Cell::Text(visit.id.to_string()),
        text(&visit.line.circuit),
        text(&visit.line.position),
        Cell::Text(visit.started.to_string()),
        text(&visit.profile),
        text(visit.verdict.word()),
        text(visit.service.word()),
        text(&figure.name),
        Cell::Text(word(&figure.direction)),
        Cell::Text(word(&figure.family)),
        Cell::Text(word(&figure.load)),
        Cell::Text(figure.selector()),
        text(kept.unit.symbol()),
        Cell::Number(Some(kept.value)),
        Cell::Number(kept.low),
        Cell::Number(kept.high),
        Cell::Count(kept.samples),
        text(kept.verdict.map_or("", Verdict::word)),
    ]
}

/// The name of a unit variant, as records have it; empty for `None`.
fn word(value: &impl serde::Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}
