//! What a judgement says, and the verdict on the whole visit.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::profile::Severity;
use crate::reading::{Limit, Reading, Target, Unit, words};
use crate::unit::{Direction, Family, Load};

/// A verdict, on one criterion or on the visit (where `not-tested` does not occur).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The whole interval clears the limit.
    Pass,
    /// No part of the interval clears the limit.
    Fail,
    /// The evidence can't carry either.
    NotProven,
    /// There is no figure; the reason says why.
    NotTested,
}

impl Verdict {
    /// The word as it stands in records and reports.
    pub fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::NotProven => "not-proven",
            Self::NotTested => "not-tested",
        }
    }
}

/// The limits of a criterion as numbers in the unit of its reading.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Limits {
    /// The figure must not be smaller.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub at_least: Option<f64>,
    /// The figure must not be larger.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub at_most: Option<f64>,
    /// How a limit was computed, when the profile gives it as a share of the sold rate.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub computed: Option<String>,
}

/// One criterion held against one reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Judgement {
    /// Name of the criterion in the profile.
    pub criterion: String,
    /// `must`, `should` or `note`.
    pub severity: Severity,
    /// Name of the reading.
    pub reading: String,
    /// Of the reading.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub target: Option<Target>,
    /// Of the reading.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub direction: Option<Direction>,
    /// Of the reading.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub family: Option<Family>,
    /// Of the reading.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub load: Option<Load>,
    /// Point value; missing when not tested.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub value: Option<f64>,
    /// Unit of value, limits, low and high.
    pub unit: Unit,
    /// The limits.
    pub limit: Limits,
    /// Lower bound of the reading.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub low: Option<f64>,
    /// Upper bound of the reading.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub high: Option<f64>,
    /// Confidence of the interval; missing when not tested.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub confidence: Option<f64>,
    /// The verdict.
    pub verdict: Verdict,
    /// Why, in words with figures.
    pub because: String,
    /// Where the limit comes from: a standard's clause, the contract, or an invented example.
    pub basis: String,
    /// What it would take to prove it, or to test it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub remedy: Option<String>,
    /// The same as data, in the order in which it is to be done; records of versions before this one have the words alone.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub to_prove: Vec<ToProve>,
}

/// One step towards a verdict where there is none.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", tag = "step")]
pub enum ToProve {
    /// Something has to change before: until then a check would find what it has found.
    First {
        /// What, in words.
        what: String,
        /// Whose it is, where it is not the line's.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        side: Option<Limit>,
    },
    /// Run a check, again or for the first time.
    Run {
        /// Its name.
        check: String,
    },
    /// Run a check with more samples.
    Sample {
        /// Its name.
        check: String,
        /// So many are enough if the figure stays what it is.
        samples: u64,
        /// So many there are.
        has: u64,
    },
    /// Type in what the modem's or terminal's page shows of the line.
    TypeIn,
    /// No single visit can take enough samples: watch the line.
    Watch {
        /// The check whose figure it is.
        check: String,
    },
    /// No measurement proves this limit: it has to be set otherwise.
    OtherLimit,
}

impl ToProve {
    /// The check that is to be run, if it is one of those steps.
    pub fn check(&self) -> Option<&str> {
        match self {
            Self::Run { check } | Self::Sample { check, .. } => Some(check),
            Self::First { .. } | Self::TypeIn | Self::Watch { .. } | Self::OtherLimit => None,
        }
    }
}

impl Judgement {
    /// Whether it is about this reading.
    pub fn is_of(&self, reading: &Reading) -> bool {
        self.reading == reading.name
            && self.target == reading.target
            && self.direction == reading.direction
            && self.family == reading.family
            && Load::filled(self.load) == Load::filled(reading.load)
    }
}

impl Limits {
    /// In words, without a noun before: `at most 50 ms`, `exactly 3`, `1 ms to 5 ms`; `name` and `unit` are those of the reading.
    pub(super) fn in_words(&self, name: &str, unit: Unit) -> Option<String> {
        let figure = |value| words::figure(name, unit, value);
        match (self.at_least, self.at_most) {
            (Some(least), Some(most)) if least == most => Some(format!("exactly {}", figure(least))),
            (Some(least), Some(most)) => Some(format!("{} to {}", figure(least), figure(most))),
            (Some(least), None) => Some(format!("at least {}", figure(least))),
            (None, Some(most)) => Some(format!("at most {}", figure(most))),
            (None, None) => None,
        }
    }
}

/// The verdict on the visit: fail when a `must` failed; else not-proven when a `must` is not proven or not tested, or
/// when there is none; else pass. `should` and `note` never change it.
pub fn overall(judgements: &[Judgement]) -> Verdict {
    let mut must = judgements.iter().filter(|j| j.severity == Severity::Must).peekable();
    if must.peek().is_none() {
        return Verdict::NotProven;
    }
    must.map(|j| j.verdict).fold(Verdict::Pass, |whole, one| match (whole, one) {
        (Verdict::Fail, _) | (_, Verdict::Fail) => Verdict::Fail,
        (Verdict::Pass, Verdict::Pass) => Verdict::Pass,
        _ => Verdict::NotProven,
    })
}
