//! One figure that two visits took: whether the earlier or the later stands, both do, or their counts are added.
//!
//! | the two | what is made of them |
//! | --- | --- |
//! | one was bounded by the test set, the far end or other traffic | the one that was not |
//! | they differ beyond chance | both stand and both are judged: the later one does not silently win |
//! | the limits on it were proven already, and the later agrees | the earlier: what was proven once is not asked again |
//! | shares of counts, taken alike | hits and trials are added |
//! | times of one event each | the longer |
//! | anything else: quantiles, means, rates | the larger sample |
//!
//! Quantiles are not made of quantiles: nothing in two of them tells that of all samples together. Pure; it knows no records.

use crate::compare::{Apart, apart, is_exact};
use crate::metric::loss_interval::{clustered, design_effect_behind};
use crate::reading::{Reading, words};
use crate::record::Merging;
use crate::unit::Interval;

/// The confidence that two figures differ before an open limit's figure is called different *(ours)*.
pub const CHANCE: f64 = 0.99;

/// How the earlier figure stood to its limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// No limit is set on it.
    Unjudged,
    /// A limit on it was neither met nor missed.
    Open,
    /// All limits on it were met or missed.
    Decided,
}

/// What holds for the two.
#[derive(Debug, Clone, Copy)]
pub struct Terms {
    /// Of the earlier.
    pub standing: Standing,
    /// Whether their counts may be added; else why not.
    pub may_add: Result<(), &'static str>,
    /// The confidence of a difference.
    pub chance: f64,
    /// The confidence of the interval of added counts.
    pub confidence: f64,
}

/// What is made of the two.
#[derive(Debug, Clone, PartialEq)]
pub struct Ruling {
    /// Which stands.
    pub what: Merging,
    /// Why, in words with figures.
    pub because: String,
    /// The figure of added counts.
    pub pooled: Option<Reading>,
}

/// Rules on one figure.
pub fn rule(earlier: &Reading, later: &Reading, terms: Terms) -> Ruling {
    let ruling = |what, because: String| Ruling { what, because, pooled: None };
    let bounded = |reading: &Reading| reading.limited_by.iter().map(words::limited).collect::<Vec<_>>().join(" and ");
    match (earlier.limited_by.is_empty(), later.limited_by.is_empty()) {
        (false, true) => return ruling(Merging::Later, format!("the earlier one was bounded by {}", bounded(earlier))),
        (true, false) => return ruling(Merging::Earlier, format!("the later one was bounded by {}", bounded(later))),
        (false, false) if terms.standing == Standing::Decided => {
            return ruling(Merging::Earlier, format!("it was proven, and the later one was bounded by {}", bounded(later)));
        }
        (false, false) => return ruling(Merging::Later, format!("both were bounded, the later by {}", bounded(later))),
        (true, true) => {}
    }
    let both = format!("{} then and {} now", stated(earlier), stated(later));
    match apart(earlier, later, terms.chance) {
        Apart::Beyond(..) => {
            ruling(Merging::BothStand, format!("{both} differ beyond chance: the line was not the same in both visits"))
        }
        Apart::ByChance if is_exact(earlier) && is_exact(later) => {
            ruling(Merging::Later, format!("unchanged, {}", words::of(later)))
        }
        // Times of one event each: nobody can tell what chance makes of them, and a limit holds for either.
        Apart::Untold(_) if is_event(earlier) && is_event(later) => {
            let what = if earlier.value > later.value { Merging::Earlier } else { Merging::Later };
            ruling(what, format!("the longer of two single times, {both}"))
        }
        _ if terms.standing == Standing::Decided => {
            ruling(Merging::Earlier, format!("it was proven, and the later agrees: {both}"))
        }
        _ if terms.may_add == Ok(()) => {
            let pooled = added(earlier, later, terms.confidence);
            let held = words::significant(terms.confidence * 100.0);
            let because =
                format!("counts added, since chance explains what lies between them: {both}; held to {held} % confidence");
            Ruling { what: Merging::Pooled, because, pooled: Some(pooled) }
        }
        _ => {
            let (what, which) =
                if earlier.samples > later.samples { (Merging::Earlier, "earlier") } else { (Merging::Later, "later") };
            let why = match terms.may_add {
                Err(why) if super::subject::is_count(&later.name) => format!(" (counts are not added: {why})"),
                _ => String::new(),
            };
            ruling(what, format!("the {which} one has the larger sample{why}: {both}"))
        }
    }
}

/// `0.2 % (2 of 1,000)`, `18 ms (300 samples)`.
fn stated(reading: &Reading) -> String {
    let figure = words::of(reading);
    let count = |n: u64| words::grouped(n as f64);
    match reading.samples {
        0 | 1 => figure,
        n if super::subject::is_count(&reading.name) => format!("{figure} ({} of {})", count(hits(reading)), count(n)),
        n => format!("{figure} ({} samples)", count(n)),
    }
}

/// A time that was taken once.
fn is_event(reading: &Reading) -> bool {
    reading.samples <= 1 && reading.low == reading.high && !is_exact(reading)
}

fn hits(reading: &Reading) -> u64 {
    (reading.value * reading.samples as f64).round() as u64
}

/// The share of both counts together. Losses that cluster in either part count as clustered in all of it: where few or none are lost,
/// their own part can't tell that they would not have been.
pub fn added(earlier: &Reading, later: &Reading, confidence: f64) -> Reading {
    let effect = |reading: &Reading| {
        let interval = Interval { low: reading.low, high: reading.high, confidence: reading.confidence };
        design_effect_behind(hits(reading), reading.samples, interval)
    };
    let (hit, of) = (hits(earlier) + hits(later), earlier.samples + later.samples);
    let interval = clustered(hit, of, effect(earlier).max(effect(later)), confidence);
    let value = if of == 0 { 0.0 } else { hit as f64 / of as f64 };
    Reading { value, samples: of, low: interval.low, high: interval.high, confidence, ..later.clone() }
}
