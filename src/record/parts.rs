//! What a record says of the earlier visits that it goes on with, and of what became of their figures.
//!
//! Types only: what is made of the figures is decided in another room.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::schema::{Agent, CaptureNote, Consent, Place, PlanNote, Record};
use crate::judge::Verdict;
use crate::reading::Reading;

/// An earlier visit whose evidence stands in the record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Part {
    /// Its record.
    #[schemars(with = "String", extend("format" = "uuid"))]
    pub record: Uuid,
    /// `sha256:` and 64 hexadecimal digits over its file as it was read.
    pub digest: String,
    /// What the check of its signature said when it was read, in words.
    pub signature: String,
    /// Start of that visit.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub started: Timestamp,
    /// Its end.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    #[schemars(with = "Option<String>", extend("format" = "date-time"))]
    pub finished: Option<Timestamp>,
    /// Whether every planned check of it had ended by itself.
    pub complete: bool,
    /// What measured.
    pub agent: Agent,
    /// Where.
    pub place: Place,
    /// What its plan promised.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub plan: Option<PlanNote>,
    /// Whether filling the line was agreed to then.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub consent: Option<Consent>,
    /// The capture of its control traffic.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub capture: Option<CaptureNote>,
    /// What it concluded.
    pub verdict: Verdict,
}

impl Part {
    /// Of a record; the digest and the word on its signature come from whoever read the file.
    pub fn of(record: &Record, digest: &str, signature: &str) -> Self {
        Self {
            record: record.id,
            digest: digest.to_owned(),
            signature: signature.to_owned(),
            started: record.started,
            finished: record.finished,
            complete: record.complete,
            agent: record.agent.clone(),
            place: record.place.clone(),
            plan: record.plan.clone(),
            consent: record.consent.clone(),
            capture: record.capture.clone(),
            verdict: record.verdict,
        }
    }
}

/// A figure that no longer stands by itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SetAside {
    /// As it was measured.
    pub reading: Reading,
    /// Why, in words.
    pub because: String,
}

/// What was made of one figure that two visits took.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct MergeNote {
    /// Name of the reading.
    pub reading: String,
    /// What it was taken on, over and under, in words; empty when there is nothing to tell.
    pub of: String,
    /// What was made of it.
    pub what: Merging,
    /// Why, in words with figures.
    pub because: String,
}

/// What is made of a figure that two visits took.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Merging {
    /// The counts of both were added.
    Pooled,
    /// The two differ beyond chance: both stand, and each is judged.
    BothStand,
    /// The earlier one stands.
    Earlier,
    /// The later one stands.
    Later,
}
