//! One criterion against the readings that it selects.
//!
//! The rule: pass when the whole interval clears the limit, fail when no part of it does, else not proven. An interval of
//! confidence `c` is two-sided, but each verdict uses one end of it, so a wrong pass or a wrong fail has a probability of
//! at most `(1 - c) / 2`: 2.5 per cent at 95. That holds for each criterion by itself, not for all of a profile together; and where samples ended once they
//! showed enough ([`mod@super::settling`]), for the interval that a reading then has.

use super::limit::Basis;
use super::remedy::{self, Remedy};
use super::verdict::{Judgement, Limits, ToProve, Verdict};
use crate::line::LineFacts;
use crate::profile::{Criterion, Profile, Setting};
use crate::reading::names::check_of;
use crate::reading::{Flaw, Limit, Outcome, Reading, Status, words};
use crate::unit::{Interval, Load, Segment};

/// Holds every criterion that applies in this setting against the readings of `outcomes` (checks by name): a judgement for
/// each reading that a criterion selects, and one that says why for each criterion that selects none. `facts` are what was typed in
/// about the access line, which the speed budget needs.
pub fn judge(profile: &Profile, setting: Setting, facts: Option<&LineFacts>, outcomes: &[(&str, &Outcome)]) -> Vec<Judgement> {
    let basis = Basis { profile, facts };
    let applying = profile.criteria.iter().filter(|criterion| criterion.applies(setting));
    applying.flat_map(|c| judge_one(basis, c, outcomes)).collect()
}

fn judge_one(basis: Basis<'_>, criterion: &Criterion, outcomes: &[(&str, &Outcome)]) -> Vec<Judgement> {
    let readings = outcomes.iter().flat_map(|(check, outcome)| outcome.readings.iter().map(move |r| (*check, *outcome, r)));
    let judged: Vec<Judgement> = readings
        .filter(|(_, _, reading)| selects(criterion, reading))
        .map(|(check, outcome, reading)| judge_reading(basis, criterion, reading, failure_excuse(check, outcome)))
        .collect();
    if judged.is_empty() { vec![without_reading(basis, criterion, outcomes)] } else { judged }
}

/// True when the criterion is about this reading.
pub(super) fn selects(criterion: &Criterion, reading: &Reading) -> bool {
    let load = match (criterion.load, reading.load.unwrap_or(Load::Idle)) {
        (Some(wanted), found) => wanted == found,
        // A figure of a load phase is taken under load by its nature, each way by itself; all others mean the idle line.
        (None, found) => found == Load::Idle || (found != Load::Both && reading.name.starts_with("throughput.")),
    };
    reading.name == criterion.reading.name
        && criterion.target.is_none_or(|t| t.matches(reading.target.as_ref()))
        && criterion.direction.is_none_or(|d| reading.direction == Some(d))
        && criterion.family.is_none_or(|f| reading.family == Some(f))
        && load
}

fn judge_reading(basis: Basis<'_>, criterion: &Criterion, reading: &Reading, excuse: Option<Excuse>) -> Judgement {
    let computed = basis.limits_for(criterion, reading.family);
    let unknown = computed.as_ref().err().copied();
    let limit = computed.unwrap_or_default();
    let interval = Interval { low: reading.low, high: reading.high, confidence: reading.confidence };
    let by_interval = on_interval(interval, &limit);
    let softened = softened(by_interval, criterion, reading);
    let (verdict, because, remedy) = match (softened, excuse) {
        _ if unknown.is_some() => {
            let words = format!("{} has no limit to hold it against: {}", words::of(reading), unknown.unwrap_or_default());
            (Verdict::NotProven, words, Some(remedy::type_it_in()))
        }
        (Verdict::Fail, Some(excuse)) => {
            let words = because(by_interval, softened, reading, &limit);
            let remedy = remedy::after(check_of(&reading.name), excuse.side);
            (Verdict::NotProven, format!("{words}, but the check failed: {}", excuse.words), Some(remedy))
        }
        (verdict, _) => {
            let remedy = (verdict == Verdict::NotProven).then(|| remedy::of(reading, &limit));
            (verdict, because(by_interval, verdict, reading, &limit), remedy)
        }
    };
    Judgement {
        criterion: criterion.name.clone(),
        severity: criterion.severity,
        reading: reading.name.clone(),
        target: reading.target.clone(),
        direction: reading.direction,
        family: reading.family,
        load: reading.load,
        value: Some(reading.value),
        unit: reading.unit,
        limit,
        low: reading.low,
        high: reading.high,
        confidence: Some(reading.confidence),
        verdict,
        because,
        basis: criterion.basis.clone(),
        remedy: words_of(&remedy),
        to_prove: steps_of(remedy),
    }
}

fn words_of(remedy: &Option<Remedy>) -> Option<String> {
    remedy.as_ref().map(|remedy| remedy.words.clone())
}

fn steps_of(remedy: Option<Remedy>) -> Vec<ToProve> {
    remedy.map_or_else(Vec::new, |remedy| remedy.steps)
}

/// The verdict that an interval earns against limits; a missing bound is unbounded.
pub fn on_interval(interval: Interval, limit: &Limits) -> Verdict {
    let low = interval.low.unwrap_or(f64::NEG_INFINITY);
    let high = interval.high.unwrap_or(f64::INFINITY);
    let least = limit.at_least.unwrap_or(f64::NEG_INFINITY);
    let most = limit.at_most.unwrap_or(f64::INFINITY);
    if high < least || low > most {
        Verdict::Fail
    } else if low >= least && high <= most {
        Verdict::Pass
    } else {
        Verdict::NotProven
    }
}

/// A figure that something else bounded never fails the line. And where the load could not fill the line, a small delay
/// or loss beside it proves nothing: neither does such a figure pass.
pub(super) fn softened(verdict: Verdict, criterion: &Criterion, reading: &Reading) -> Verdict {
    let unfilled = reading.limited_by.iter().any(|l| l.side != Limit::CrossTraffic)
        && reading.name.starts_with("throughput.")
        && criterion.at_most.is_some();
    match verdict {
        Verdict::Fail if !reading.limited_by.is_empty() => Verdict::NotProven,
        Verdict::Pass if unfilled => Verdict::NotProven,
        other => other,
    }
}

fn because(by_interval: Verdict, verdict: Verdict, reading: &Reading, limit: &Limits) -> String {
    let figure = |value| words::figure(&reading.name, reading.unit, value);
    let exact = reading.low == reading.high && reading.low.is_some();
    let stated = match (exact, reading.low, reading.high) {
        (true, ..) => figure(reading.value),
        _ if reading.exceeds => format!("{} (it lies among packets that never came back)", words::of(reading)),
        (_, Some(low), Some(high)) => {
            format!("{} (between {} and {})", figure(reading.value), figure(low), figure(high))
        }
        (_, Some(low), None) => {
            format!("{} (at least {}; {} samples carry no upper bound)", figure(reading.value), figure(low), reading.samples)
        }
        (_, None, Some(high)) => {
            format!("{} (at most {}; {} samples carry no lower bound)", figure(reading.value), figure(high), reading.samples)
        }
        (_, None, None) => format!("{} ({} samples carry no interval)", words::of(reading), reading.samples),
    };
    let limits = limit_words(reading, limit);
    let limited: Vec<String> = reading.limited_by.iter().map(words::limited).collect();
    let bounded = limited.join(" and ");
    match (by_interval, verdict) {
        (Verdict::Pass, Verdict::NotProven) => {
            format!("{stated} clears {limits}, but the line was not filled: bounded by {bounded}")
        }
        (Verdict::Pass, _) => format!("{stated} clears {limits}"),
        (Verdict::Fail, Verdict::NotProven) => {
            format!("{stated} misses {limits}, but it was bounded by {bounded}, not by the line")
        }
        (Verdict::Fail, _) => format!("{stated} misses {limits}"),
        _ if bounded.is_empty() => format!("{stated} lies across {limits}"),
        _ => format!("{stated} lies across {limits}, and it was bounded by {bounded}"),
    }
}

/// `the limit of at most 50 ms`.
fn limit_words(reading: &Reading, limit: &Limits) -> String {
    let is_span = matches!((limit.at_least, limit.at_most), (Some(least), Some(most)) if least != most);
    match limit.in_words(&reading.name, reading.unit) {
        Some(words) if is_span => format!("the limits of {words}"),
        Some(words) => format!("the limit of {words}"),
        None => "no limit".to_owned(),
    }
}

/// Checks whose silence may as well be the far end's: without a hint, their failure proves nothing about the line.
const THROUGH_THE_FAR_END: &[&str] = &["farend", "twoway", "throughput"];

fn without_reading(basis: Basis<'_>, criterion: &Criterion, outcomes: &[(&str, &Outcome)]) -> Judgement {
    let check = check_of(criterion.reading.name);
    let outcome = outcomes.iter().find(|(name, _)| *name == check).map(|(_, outcome)| *outcome);
    let reason = |outcome: &Outcome| outcome.reason.clone().unwrap_or_else(|| "no reason was given".to_owned());
    let (verdict, because, remedy) = match outcome {
        // What is known of the line itself is typed in; no check finds it out.
        None if check == "line" => {
            (Verdict::NotTested, "nothing was typed in about the line".to_owned(), Some(remedy::type_it_in()))
        }
        None => (Verdict::NotTested, format!("the check {check} was not run"), Some(remedy::run(check, None))),
        Some(o) if o.status == Status::NotTested => {
            let reason = reason(o);
            (Verdict::NotTested, format!("the check {check} did not run: {reason}"), Some(remedy::run(check, Some(reason))))
        }
        Some(o) if o.status == Status::Done => {
            let words = format!("the check {check} ran, but gave no such figure{}", given(criterion));
            (Verdict::NotTested, words, Some(remedy::without_figure(check, o.reason.as_deref())))
        }
        Some(o) => match excuse(check, o) {
            Some(Excuse { words, side }) => {
                let words = format!("the check {check} failed: {}; {words}", reason(o));
                (Verdict::NotProven, words, Some(remedy::after(check, side)))
            }
            None => (Verdict::Fail, format!("the check {check} failed: {}", reason(o)), None),
        },
    };
    Judgement {
        criterion: criterion.name.clone(),
        severity: criterion.severity,
        reading: criterion.reading.name.to_owned(),
        target: None,
        direction: criterion.direction,
        family: criterion.family,
        load: criterion.load,
        value: None,
        unit: criterion.reading.unit,
        limit: basis.limits_for(criterion, criterion.family).unwrap_or_default(),
        low: None,
        high: None,
        confidence: None,
        verdict,
        because,
        basis: criterion.basis.clone(),
        remedy: words_of(&remedy),
        to_prove: steps_of(remedy),
    }
}

fn given(criterion: &Criterion) -> String {
    let direction = criterion.direction.map(|d| d.to_string());
    match words::selector_of(None, direction, criterion.family, criterion.load) {
        none if none.is_empty() => String::new(),
        some => format!(" ({some})"),
    }
}

/// The excuse of a check that failed.
fn failure_excuse(check: &str, outcome: &Outcome) -> Option<Excuse> {
    (outcome.status == Status::Failed).then(|| excuse(check, outcome)).flatten()
}

/// Why a failed check doesn't count against the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Excuse {
    /// In words.
    pub words: &'static str,
    /// Whose the fault is, or may be.
    pub side: Limit,
}

/// Why a failed check doesn't count against the line, if so: it says itself that the fault lies beyond it.
pub fn excuse(check: &str, outcome: &Outcome) -> Option<Excuse> {
    let with = |words, side| Some(Excuse { words, side });
    let in_segment = |wanted: &[Segment]| {
        let hit = |flaw: &Flaw| flaw.segment.is_some_and(|s| wanted.contains(&s));
        outcome.flaws.iter().any(hit)
    };
    if in_segment(&[Segment::Home, Segment::Access, Segment::Network]) {
        None
    } else if in_segment(&[Segment::FarEnd]) {
        with("that lies with the far end, not the line", Limit::FarEnd)
    } else if in_segment(&[Segment::TestSet]) {
        with("that lies with the test set, not the line", Limit::TestSet)
    } else if THROUGH_THE_FAR_END.contains(&check) {
        with("it may be the far end as well as the line", Limit::FarEnd)
    } else {
        None
    }
}
