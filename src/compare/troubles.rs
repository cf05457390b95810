//! Which limits were missed in one visit, in the other, or in both.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::figures::{Change, key_of};
use crate::reading::words;
use crate::record::{Judgement, Record, Severity, Verdict};

/// A limit that either visit missed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Trouble {
    /// Name of the criterion.
    pub criterion: String,
    /// `must` or `should`.
    pub severity: Severity,
    /// Name of the reading.
    pub reading: String,
    /// What it was taken on, in words.
    pub of: String,
    /// What became of it.
    pub fate: Fate,
    /// The figure itself differs beyond chance, or is known exactly; without that, the line may be what it was.
    pub beyond_chance: bool,
    /// How the first visit judged it.
    pub first: Verdict,
    /// How the second did.
    pub second: Verdict,
}

/// What became of a trouble from the first visit to the second.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Fate {
    /// Missed, then met.
    Gone,
    /// Met, then missed.
    New,
    /// Missed twice.
    Stays,
    /// Missed once, and neither met nor missed in the other.
    Unclear,
}

pub(super) fn compare(first: &Record, second: &Record, changes: &[Change]) -> Vec<Trouble> {
    let mut troubles = Vec::new();
    for one in &first.judgements {
        let other = second.judgements.iter().find(|other| other.criterion == one.criterion && key_of(other) == key_of(one));
        // Where the figure is missing, the criterion is still judged, without one.
        let other = other.or_else(|| {
            second
                .judgements
                .iter()
                .find(|other| other.criterion == one.criterion && (one.value.is_none() || other.value.is_none()))
        });
        let Some(other) = other.filter(|_| one.severity != Severity::Note) else { continue };
        let fate = match (one.verdict, other.verdict) {
            (Verdict::Fail, Verdict::Fail) => Fate::Stays,
            (Verdict::Fail, Verdict::Pass) => Fate::Gone,
            (Verdict::Pass, Verdict::Fail) => Fate::New,
            (Verdict::Fail, _) | (_, Verdict::Fail) => Fate::Unclear,
            _ => continue,
        };
        let of = words::selector_of(one.target.as_ref(), one.direction.map(|d| d.to_string()), one.family, one.load);
        let has_changed = changes.iter().any(|change| change.reading == one.reading && change.of == of);
        // A check that failed as a whole, and then did not, is no matter of chance.
        let beyond_chance = has_changed || has_no_figure(one) || has_no_figure(other);
        troubles.push(Trouble {
            criterion: one.criterion.clone(),
            severity: one.severity,
            reading: one.reading.clone(),
            of,
            fate,
            beyond_chance,
            first: one.verdict,
            second: other.verdict,
        });
    }
    troubles.sort_by_key(|trouble| trouble.severity != Severity::Must);
    troubles
}

fn has_no_figure(judgement: &Judgement) -> bool {
    judgement.value.is_none() && judgement.verdict == Verdict::Fail
}
