//! Two records of one line held against each other: behind the gateway and at the terminal, before a repair and after, yesterday and today.
//!
//! [`likeness`] refuses visits that can't be compared and says why; [`figures`] tells which readings differ beyond chance; [`troubles`] which limits
//! were missed in one visit, the other, or both; [`conclude`] what that says of the segment. Pure: records in, a [`Comparison`] out. It must not
//! know checks, sockets or how a comparison is shown. The hard thing is to claim no change that chance makes: intervals are compared,
//! never points, and all of them together hold with the confidence that is stated.

mod conclude;
mod figures;
mod likeness;
mod troubles;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

pub use figures::{Apart, Change, Course, Untold, apart, is_exact};
pub use likeness::Unlike;
pub use troubles::{Fate, Trouble};

use crate::record::{Record, Verdict};
use crate::unit::{Position, Segment};

/// The confidence of all claims of a comparison together.
pub const CONFIDENCE: f64 = 0.95;

/// What two visits say together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Comparison {
    /// The first visit.
    pub first: Side,
    /// The second.
    pub second: Side,
    /// Probability that no change is claimed that is none, all figures together.
    pub confidence: f64,
    /// Figures that differ beyond chance, those with a limit first.
    pub changes: Vec<Change>,
    /// Figures whose difference chance can explain.
    pub unchanged: usize,
    /// Figures that can't be compared, and why.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub untold: Vec<Untold>,
    /// Limits that either visit missed.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub troubles: Vec<Trouble>,
    /// Oddities that only the first saw, by their stable names.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub flaws_gone: Vec<String>,
    /// Oddities that only the second saw.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub flaws_new: Vec<String>,
    /// Where the trouble lies, as far as the two visits tell.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub segment: Option<Segment>,
    /// What follows, in words.
    pub conclusion: String,
    /// What weakens it.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub cautions: Vec<String>,
    /// What to do next.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub next: Vec<String>,
}

/// One of the visits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Side {
    /// The record.
    #[schemars(with = "String", extend("format" = "uuid"))]
    pub id: Uuid,
    /// Its start.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub started: Timestamp,
    /// Where the laptop was plugged in.
    pub position: Position,
    /// What it concluded.
    pub verdict: Verdict,
    /// The fault that it named, by its stable name.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub fault: Option<String>,
}

impl From<&Record> for Side {
    fn from(record: &Record) -> Self {
        let fault = record.isolation.as_ref().map(|isolation| isolation.fault.clone());
        let Record { id, started, verdict, ref place, .. } = *record;
        Self { id, started, position: place.position, verdict, fault }
    }
}

/// How the second visit stands to the first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Relation {
    /// At the same place: before and after.
    Repeated,
    /// Nearer to the provider.
    MovedOut,
    /// Further into the home.
    MovedIn,
}

impl Relation {
    fn of(first: Position, second: Position) -> Self {
        let depth = |position| match position {
            Position::Ont | Position::Modem => 0,
            Position::Gateway => 1,
            Position::Inside => 2,
        };
        match depth(second).cmp(&depth(first)) {
            std::cmp::Ordering::Equal => Self::Repeated,
            std::cmp::Ordering::Less => Self::MovedOut,
            std::cmp::Ordering::Greater => Self::MovedIn,
        }
    }
}

/// Compares two visits.
///
/// # Errors
/// [`Unlike`] when the two can't be compared, with every reason.
pub fn compare(first: &Record, second: &Record) -> Result<Comparison, Unlike> {
    likeness::check(first, second)?;
    let relation = Relation::of(first.place.position, second.place.position);
    let figures::Figures { changes, unchanged, untold } = figures::compare(first, second);
    let troubles = troubles::compare(first, second, &changes);
    let conclude::Conclusion { segment, words, cautions, next } =
        conclude::conclude(first, second, relation, &troubles, &changes);
    let (flaws_gone, flaws_new) = (flaws_only_in(first, second), flaws_only_in(second, first));
    Ok(Comparison {
        first: first.into(),
        second: second.into(),
        confidence: CONFIDENCE,
        changes,
        unchanged,
        untold,
        troubles,
        flaws_gone,
        flaws_new,
        segment,
        conclusion: words,
        cautions,
        next,
    })
}

/// Names of oddities that one visit saw and the other did not, in checks that both ran.
fn flaws_only_in(one: &Record, other: &Record) -> Vec<String> {
    let ran = |name: &str| other.checks.iter().any(|check| check.check == name);
    let seen = |code: &str| other.checks.iter().flat_map(|check| &check.outcome.flaws).any(|flaw| flaw.code == code);
    let mut only = std::collections::BTreeSet::new();
    for check in one.checks.iter().filter(|check| ran(&check.check)) {
        only.extend(check.outcome.flaws.iter().filter(|flaw| !seen(&flaw.code)).map(|flaw| flaw.code.clone()));
    }
    only.into_iter().collect()
}

#[cfg(test)]
mod tests;
