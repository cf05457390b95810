//! What isolation concludes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::judge::Judgement;
use crate::reading::Outcome;
use crate::unit::{Position, Segment};

/// The conclusion: the likeliest explanation of all that was seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Isolation {
    /// Where it lies; missing when nothing is wrong or when the evidence does not tell.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub segment: Option<Segment>,
    /// Stable kebab-case name of the fault; `none-found` and `not-sure` are two of them.
    pub fault: String,
    /// The fault in words.
    pub title: String,
    /// Share of the belief that this explanation got among all in the catalogue, 0 to 1.
    pub confidence: f64,
    /// The figures and events that speak for it.
    #[serde(default)]
    pub because: Vec<String>,
    /// What to do next.
    #[serde(default)]
    pub next: Vec<String>,
    /// The next likeliest explanations.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub alternatives: Vec<Alternative>,
}

/// An explanation that came after the first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Alternative {
    /// Where it would lie.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub segment: Option<Segment>,
    /// Name of the fault.
    pub fault: String,
    /// The fault in words.
    pub title: String,
    /// Share of the belief, 0 to 1.
    pub confidence: f64,
}

/// Isolates. `outcomes` are the checks by name.
pub fn isolate(_position: Position, _outcomes: &[(&str, &Outcome)], _judgements: &[Judgement]) -> Isolation {
    Isolation {
        segment: None,
        fault: "not-sure".to_owned(),
        title: "the evidence does not tell where the fault lies".to_owned(),
        confidence: 0.0,
        because: Vec::new(),
        next: Vec::new(),
        alternatives: Vec::new(),
    }
}
