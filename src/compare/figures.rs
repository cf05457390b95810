//! Which readings differ beyond chance.
//!
//! Two readings are one figure when name, target, direction, IP version and load agree. A figure with an interval differs when the interval of the
//! difference ([`crate::metric::difference`]) lies wholly beyond what the measurement itself may be off by; one that is known exactly (a port's speed, a
//! count) differs when it is another. A single timed event has no interval, so that nothing can be said of it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::CONFIDENCE;
use crate::metric::difference::{self, Estimate};
use crate::reading::{Limit, Reading, Target, Unit, words};
use crate::record::{Judgement, Record};
use crate::unit::{Direction, Family, Load};

/// A figure that differs beyond chance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// Name of the reading.
    pub reading: String,
    /// What it was taken on, over and under, in words; empty when there is nothing to tell.
    pub of: String,
    /// Its unit.
    pub unit: Unit,
    /// In the first visit.
    pub first: f64,
    /// In the second.
    pub second: f64,
    /// Limits of second less first; missing where they are open, and for figures that are known exactly.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub low: Option<f64>,
    /// The upper one.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub high: Option<f64>,
    /// For the better or the worse, by the side on which the tier has a limit.
    pub course: Course,
}

/// Whether a change is welcome.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Course {
    /// Toward the limit, or beyond it.
    Worse,
    /// Away from it.
    Better,
    /// The tier sets no limit.
    Other,
}

/// A figure that can't be compared.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Untold {
    /// Name of the reading.
    pub reading: String,
    /// What it was taken on, in words.
    pub of: String,
    /// Why.
    pub because: String,
}

pub(super) struct Figures {
    pub(super) changes: Vec<Change>,
    pub(super) unchanged: usize,
    pub(super) untold: Vec<Untold>,
}

/// What makes two readings one figure.
pub(super) type Key<'a> = (&'a str, Option<&'a Target>, Option<Direction>, Option<Family>, Option<Load>);

fn key(reading: &Reading) -> Key<'_> {
    (&reading.name, reading.target.as_ref(), reading.direction, reading.family, Load::filled(reading.load))
}

pub(super) fn key_of(judgement: &Judgement) -> Key<'_> {
    let load = Load::filled(judgement.load);
    (&judgement.reading, judgement.target.as_ref(), judgement.direction, judgement.family, load)
}

/// Figures that say nothing of the line: what the test set can, what routers on the way answer for themselves, what was typed in.
fn is_of_line(name: &str) -> bool {
    let of_others = ["selftest.", "path.hop_", "line."].iter().any(|start| name.starts_with(start));
    !of_others && !name.contains(".schedule_error") && !name.ends_with(".test_set_cpu")
}

/// The readings that are compared.
fn readings(record: &Record) -> Vec<&Reading> {
    let all = record.checks.iter().flat_map(|check| &check.outcome.readings);
    all.filter(|reading| is_of_line(&reading.name)).collect()
}

pub(super) fn compare(first: &Record, second: &Record) -> Figures {
    let (ones, others) = (readings(first), readings(second));
    let pairs: Vec<(&Reading, &Reading)> =
        ones.iter().filter_map(|one| Some((*one, *others.iter().find(|other| key(other) == key(one))?))).collect();
    let tested = pairs.iter().filter(|(one, other)| excuse(one, other).is_none() && !(is_exact(one) && is_exact(other))).count();
    let confidence = difference::each_of(tested, CONFIDENCE);
    let mut figures = Figures { changes: Vec::new(), unchanged: 0, untold: Vec::new() };
    for (one, other) in pairs {
        let of = words::selector(one);
        let (low, high) = match apart(one, other, confidence) {
            Apart::Untold(because) => {
                figures.untold.push(Untold { reading: one.name.clone(), of, because });
                continue;
            }
            Apart::ByChance => {
                figures.unchanged += 1;
                continue;
            }
            Apart::Beyond(low, high) => (low, high),
        };
        let course = course(one, other, [first, second]);
        let (name, unit) = (one.name.clone(), one.unit);
        figures.changes.push(Change { reading: name, of, unit, first: one.value, second: other.value, low, high, course });
    }
    figures.changes.sort_by_key(|change| change.course);
    figures
}

/// How two readings of one figure stand to each other.
#[derive(Debug, Clone, PartialEq)]
pub enum Apart {
    /// Chance can explain what lies between them; of exact figures, nothing does.
    ByChance,
    /// They differ beyond chance: limits of second less first, missing where they are open and for exact figures.
    Beyond(Option<f64>, Option<f64>),
    /// It can't be told, and why.
    Untold(String),
}

/// Holds two readings of one figure against each other, at this confidence.
pub fn apart(one: &Reading, other: &Reading, confidence: f64) -> Apart {
    if let Some(because) = excuse(one, other) {
        return Apart::Untold(because);
    }
    if is_exact(one) && is_exact(other) {
        return if one.value == other.value { Apart::ByChance } else { Apart::Beyond(None, None) };
    }
    let (low, high) = difference::interval(&estimate(one, confidence), &estimate(other, confidence));
    let margin = margin(one, other);
    let is_beyond = low.is_some_and(|low| low > margin) || high.is_some_and(|high| high < -margin);
    if is_beyond { Apart::Beyond(low, high) } else { Apart::ByChance }
}

/// A setting, a count, an answer of yes or no: known and not estimated. A time is never known exactly, even when it was taken once.
pub fn is_exact(reading: &Reading) -> bool {
    let is_time =
        matches!(reading.unit, Unit::Millisecond | Unit::Second | Unit::MegabitPerSecond | Unit::PerSecond | Unit::PerMinute);
    let is_setting = ["link.speed", "dhcp4.lease_time"].contains(&reading.name.as_str());
    // A share or an index without an interval is an estimate all the same: only whole numbers are known.
    let is_whole = reading.value.fract() == 0.0;
    reading.low == Some(reading.value) && reading.high == Some(reading.value) && (!is_time || is_setting) && is_whole
}

fn excuse(one: &Reading, other: &Reading) -> Option<String> {
    let limits = one.limited_by.iter().chain(&other.limited_by);
    if let Some(limit) = limits.clone().find(|limit| limit.side != Limit::CrossTraffic).or_else(|| limits.clone().next()) {
        return Some(format!("it was bounded by {}", words::limited(limit)));
    }
    match (is_exact(one), is_exact(other)) {
        (true, true) => None,
        (false, false) if one.samples <= 1 || other.samples <= 1 => Some("one event each says nothing of chance".to_owned()),
        _ if [one, other].iter().any(|reading| !is_exact(reading) && reading.low == reading.high && reading.low.is_some()) => {
            Some("a figure without an interval says nothing of chance".to_owned())
        }
        _ => None,
    }
}

fn estimate(reading: &Reading, confidence: f64) -> Estimate {
    let estimate = Estimate { value: reading.value, low: reading.low, high: reading.high };
    // What lies among packets that never came back has no upper limit.
    let estimate = if reading.exceeds { Estimate { high: None, ..estimate } } else { estimate };
    let has = reading.confidence.clamp(0.5, 0.999);
    if reading.unit == Unit::One && reading.name.ends_with("_ratio") && reading.value <= 1.0 {
        return estimate.share_at_confidence(reading.samples, has, confidence.max(has));
    }
    estimate.at_confidence(has, confidence.max(has))
}

/// What two measurements of an unchanged line may differ by beside chance *(ours)*: times a tenth of a millisecond or 2 per cent, rates 1 per cent, each
/// of the larger.
fn margin(one: &Reading, other: &Reading) -> f64 {
    let larger = one.value.abs().max(other.value.abs());
    match one.unit {
        Unit::Millisecond => (0.02 * larger).max(0.1),
        Unit::Second => (0.02 * larger).max(1e-4),
        Unit::MegabitPerSecond | Unit::PerSecond | Unit::PerMinute => 0.01 * larger,
        _ => 0.0,
    }
}

/// By the limit that a judgement of either visit held the figure against.
fn course(one: &Reading, other: &Reading, records: [&Record; 2]) -> Course {
    let judged = records.into_iter().flat_map(|record| &record.judgements).find(|judgement| judgement.is_of(one));
    let grows = other.value > one.value;
    match judged.map(|judgement| (judgement.limit.at_least.is_some(), judgement.limit.at_most.is_some())) {
        Some((true, false)) => {
            if grows {
                Course::Better
            } else {
                Course::Worse
            }
        }
        Some((false, true)) => {
            if grows {
                Course::Worse
            } else {
                Course::Better
            }
        }
        _ => Course::Other,
    }
}
