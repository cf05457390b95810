//! What repeats of a visit show: a store of visits that lasts for years, and what its figures say together.
//!
//! [`entry`] takes from a record what is kept, [`store`] keeps it (SQLite; the only part that touches the file), [`summary`] says what a span of it
//! shows, [`export`] writes it for other programs. The room sees records and figures: it must not know who measured, nor checks or sockets, and it
//! has no clock: spans and moments come in. The hard thing is a year of five-minute visits in little space that still answers in a second, and that
//! shows when a visit was taken out or altered.

pub mod entry;
pub mod export;
pub mod store;
pub mod summary;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::reading::{Limit, Reading, Target, Unit, words};
use crate::record::Verdict;
use crate::unit::{Depth, Direction, Family, Load, Position, Segment};

/// Milliseconds since the Unix epoch: how moments are kept.
pub type Millis = i64;

/// A span of time: the start belongs to it, the end does not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Span {
    /// Start.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub from: Timestamp,
    /// End.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub to: Timestamp,
}

impl Span {
    /// All time.
    pub const ALL: Self = Self { from: Timestamp::MIN, to: Timestamp::MAX };

    /// Start and end as they are kept.
    pub fn millis(&self) -> (Millis, Millis) {
        (self.from.as_millisecond(), self.to.as_millisecond())
    }
}

/// One place that visits were made at.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
pub struct Line {
    /// Circuit or order number; empty when none was typed.
    pub circuit: String,
    /// Where the agent was plugged in.
    pub position: String,
}

impl Line {
    /// The line of a place.
    pub fn new(circuit: Option<&str>, position: Position) -> Self {
        Self { circuit: circuit.unwrap_or_default().to_owned(), position: position.to_string() }
    }
}

impl std::fmt::Display for Line {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let circuit = if self.circuit.is_empty() { "(no circuit)" } else { &self.circuit };
        write!(f, "{circuit} at the {}", self.position)
    }
}

/// What makes two readings of different visits one figure.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
pub struct Figure {
    /// Name of the reading.
    pub name: String,
    /// What it was taken on.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub target: Option<Target>,
    /// Direction.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub direction: Option<Direction>,
    /// IP version.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub family: Option<Family>,
    /// Load; missing means idle.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub load: Option<Load>,
}

impl Figure {
    /// The figure that a reading is of.
    pub fn of(reading: &Reading) -> Self {
        let Reading { name, target, direction, family, load, .. } = reading;
        let load = Load::filled(*load);
        Self { name: name.clone(), target: target.clone(), direction: *direction, family: *family, load }
    }

    /// What it was taken on, over and under, in words.
    pub fn selector(&self) -> String {
        words::selector_of(self.target.as_ref(), self.direction.map(|d| d.to_string()), self.family, self.load)
    }
}

/// Whether the line carried packets in a visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Service {
    /// It did.
    Up,
    /// It did not.
    Down,
    /// The visit can't tell.
    Unknown,
}

impl Service {
    /// The word as it is kept.
    pub fn word(self) -> &'static str {
        match self {
            Self::Up => "up",
            Self::Down => "down",
            Self::Unknown => "unknown",
        }
    }
}

/// One visit as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Visit {
    /// The record's id.
    #[schemars(with = "String", extend("format" = "uuid"))]
    pub id: Uuid,
    /// Where.
    pub line: Line,
    /// Start.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub started: Timestamp,
    /// End; missing when the agent died.
    #[schemars(with = "Option<String>", extend("format" = "date-time"))]
    pub finished: Option<Timestamp>,
    /// Whether every check ended by itself.
    pub complete: bool,
    /// How hard was tested.
    pub depth: Depth,
    /// Name of the tier; empty without one.
    pub profile: String,
    /// Digest of its text.
    pub profile_digest: String,
    /// The verdict.
    pub verdict: Verdict,
    /// Whether the line carried packets.
    pub service: Service,
    /// Where a fault lies.
    pub segment: Option<Segment>,
    /// The fault; empty when none was looked for.
    pub fault: String,
    /// Belief in it, 0 to 1.
    pub confidence: f64,
    /// What was typed in about the access line, as JSON; empty when nothing was.
    pub line_facts: String,
    /// SHA-256 of the record's document, hexadecimal.
    pub record_digest: String,
}

/// One reading as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Kept {
    /// Which figure.
    pub figure: Figure,
    /// Unit of value, low and high.
    pub unit: Unit,
    /// Point value.
    pub value: f64,
    /// Lower bound.
    pub low: Option<f64>,
    /// Upper bound.
    pub high: Option<f64>,
    /// Confidence of the bounds.
    pub confidence: f64,
    /// Samples behind it.
    pub samples: u64,
    /// Whether the true figure exceeds the value.
    pub exceeds: bool,
    /// The worst verdict of the criteria on it; missing when none was set.
    pub verdict: Option<Verdict>,
    /// Whose limits bounded it; missing in visits that were added by a version that did not keep it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub limited: Option<Vec<Limit>>,
}
