//! What a report says, and in which order; no word of layout.

use std::collections::BTreeSet;

use super::figures;
use crate::reading::names::check_of;
use crate::reading::{Reading, Status, Unit, words};
use crate::record::{Alternative, CheckRecord, Isolation, Judgement, LineNote, RateBudget, Record, Severity, SoldRate, Verdict};
use crate::unit::{Direction, Family, Position, Segment};

/// A report, in the order in which it is read.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// The verdict on the visit.
    pub verdict: Verdict,
    /// The verdict in a sentence.
    pub headline: String,
    /// Where and when.
    pub place: String,
    /// Said when the visit was cut short.
    pub incomplete: Option<String>,
    /// Where the fault lies and what to do.
    pub cause: Option<Cause>,
    /// Limits that are missed; here and below, those with the same reason stand together.
    pub missed: Vec<Item>,
    /// Limits that are neither met nor missed, with what would prove them.
    pub unproven: Vec<Item>,
    /// Limits without a figure.
    pub untested: Vec<Item>,
    /// A line for each check.
    pub checks: Vec<CheckLine>,
    /// Earlier visits that the record goes on with, and what was made of their figures.
    pub earlier: Vec<Item>,
    /// What was sold and what arrived.
    pub sold: Vec<Item>,
    /// What the line's own rate lets expect, where it was typed in.
    pub budget: Vec<Budget>,
    /// What to bear in mind.
    pub cautions: Vec<String>,
    /// Which record this is.
    pub footer: String,
}

/// Where the fault lies.
#[derive(Debug, Clone, PartialEq)]
pub struct Cause {
    /// In a sentence.
    pub sentence: String,
    /// What speaks for it.
    pub because: Vec<String>,
    /// What to do next, in order.
    pub next: Vec<String>,
    /// Faults beside it, and other explanations.
    pub others: Vec<String>,
}

/// A named line of text.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    /// What it is about.
    pub name: String,
    /// What is said.
    pub text: String,
    /// What to do about it.
    pub remedy: Option<String>,
}

/// The speed budget of one direction.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    /// Which way, and where the line's rate comes from.
    pub title: String,
    /// The arithmetic, step by step, and what arrived.
    pub steps: Vec<String>,
}

/// One check in a line.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckLine {
    /// Name of the check, with the IP version where it has lines for both.
    pub name: String,
    /// Its key figures, or why there are none.
    pub text: String,
    /// What the judge made of it.
    pub mark: Mark,
}

/// What the judge made of a check.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// The worst verdict on its figures.
    Judged(Verdict),
    /// No limit is set on it.
    NoLimit,
}

impl Mark {
    /// The mark as it is read; colour is never the only signal.
    pub fn word(self) -> &'static str {
        match self {
            Self::Judged(verdict) => verdict.word(),
            Self::NoLimit => "no limit",
        }
    }
}

/// Reasons given on a screen; the record keeps all.
const MOST_REASONS: usize = 4;

/// Decides what is said about a record.
pub fn report(record: &Record) -> Report {
    Report {
        verdict: record.verdict,
        headline: headline(record),
        place: place(record),
        incomplete: incomplete(record),
        cause: record.isolation.as_ref().and_then(|isolation| cause(isolation, record.verdict)),
        missed: items(&record.judgements, Verdict::Fail),
        unproven: items(&record.judgements, Verdict::NotProven),
        untested: items(&record.judgements, Verdict::NotTested),
        checks: checks(record),
        earlier: super::earlier::items(record),
        sold: sold(record),
        budget: record.line.as_ref().map_or_else(Vec::new, |line| budget(record, line)),
        cautions: cautions(record),
        footer: footer(record),
    }
}

fn headline(record: &Record) -> String {
    let musts: Vec<&Judgement> = record.judgements.iter().filter(|j| j.severity == Severity::Must).collect();
    let count = |verdict| musts.iter().filter(|j| j.verdict == verdict).count();
    let all = musts.len();
    let tier = record.profile.as_ref().map_or("the service", |p| p.name.as_str());
    match record.verdict {
        _ if record.profile.is_none() => "Nothing was judged, since no profile says what was sold.".to_owned(),
        Verdict::Pass if all == 1 => format!("The one limit that {tier} must meet is met."),
        Verdict::Pass => format!("All {all} limits that {tier} must meet are met."),
        Verdict::Fail => {
            let missed = count(Verdict::Fail);
            format!("{missed} of {all} limits that {tier} must meet {} missed.", is_are(missed))
        }
        Verdict::NotProven | Verdict::NotTested => {
            let open = count(Verdict::NotProven) + count(Verdict::NotTested);
            format!("{open} of {all} limits that {tier} must meet {} neither met nor missed.", is_are(open))
        }
    }
}

fn is_are(n: usize) -> &'static str {
    if n == 1 { "is" } else { "are" }
}

fn place(record: &Record) -> String {
    let place = &record.place;
    let mut parts = Vec::new();
    parts.extend(place.circuit.as_ref().map(|circuit| format!("circuit {circuit}")));
    parts.push(format!("{}, port {}", position_words(place.position), place.interface));
    parts.push(time(record));
    parts.extend(place.note.clone());
    parts.join("; ")
}

/// When the visit began, and how long it took.
pub(super) fn time(record: &Record) -> String {
    let started = record.started.strftime("%Y-%m-%d %H:%M UTC");
    match record.finished {
        Some(finished) => {
            let seconds = finished.duration_since(record.started).as_secs_f64().round();
            format!("{started}, {} s", words::significant(seconds))
        }
        None => started.to_string(),
    }
}

/// The verdict as it is read first.
pub(super) fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "PASS",
        Verdict::Fail => "FAIL",
        Verdict::NotProven | Verdict::NotTested => "NOT PROVEN",
    }
}

pub(super) fn position_words(position: Position) -> &'static str {
    match position {
        Position::Ont => "at the optical terminal",
        Position::Modem => "at the modem",
        Position::Gateway => "at the gateway",
        Position::Inside => "further inside the home",
    }
}

fn incomplete(record: &Record) -> Option<String> {
    let because = record.incomplete_because.as_deref().unwrap_or("no reason was recorded");
    (!record.complete).then(|| format!("The visit is incomplete: {because}. What follows is what was seen until then."))
}

fn cause(isolation: &Isolation, verdict: Verdict) -> Option<Cause> {
    let is_sound = isolation.fault == "none-found";
    // A sound line that passes needs no word about faults; its figures speak.
    if is_sound && verdict == Verdict::Pass {
        return None;
    }
    let sentence = match isolation.segment {
        Some(segment) => {
            format!("Likely: {} ({}, {} % sure).", isolation.title, segment_words(segment), percent(isolation.confidence))
        }
        None => format!("{}.", words::capital(&isolation.title)),
    };
    let mut others: Vec<String> = isolation.also.iter().map(|a| format!("and: {}", other(a))).collect();
    others.extend(isolation.alternatives.iter().take(2).map(|a| format!("or: {}", other(a))));
    // That nothing speaks for a fault is said by the sentence; the figures stand below.
    let because = if is_sound { &[] } else { isolation.because.as_slice() };
    Some(Cause { sentence, because: because.iter().take(MOST_REASONS).cloned().collect(), next: isolation.next.clone(), others })
}

fn other(alternative: &Alternative) -> String {
    let place = alternative.segment.map_or_else(String::new, |segment| format!("{}, ", segment_words(segment)));
    format!("{} ({place}{} % sure)", alternative.title, percent(alternative.confidence))
}

/// A belief is never certain: 99 at most, and at least 1.
fn percent(confidence: f64) -> u8 {
    (confidence * 100.0).round().clamp(1.0, 99.0) as u8
}

pub(super) fn segment_words(segment: Segment) -> &'static str {
    match segment {
        Segment::TestSet => "test set",
        Segment::Home => "home",
        Segment::Access => "access line",
        Segment::Network => "network",
        Segment::FarEnd => "far end",
    }
}

/// The limits with a verdict. What a figure was taken on is said where a limit has several figures.
fn items(judgements: &[Judgement], verdict: Verdict) -> Vec<Item> {
    let mut items: Vec<Item> = Vec::new();
    for judgement in judgements.iter().filter(|j| j.verdict == verdict) {
        let mut name = judgement.criterion.clone();
        if judgement.severity != Severity::Must {
            name = format!("{name} ({})", judgement.severity.word());
        }
        let is_one_of_several = judgements.iter().filter(|j| j.criterion == judgement.criterion).count() > 1;
        let selector = if is_one_of_several { selector(judgement) } else { String::new() };
        let text = if selector.is_empty() { judgement.because.clone() } else { format!("{selector}: {}", judgement.because) };
        match items.iter_mut().find(|item| item.text == text && item.remedy == judgement.remedy) {
            Some(item) => item.name = format!("{}, {name}", item.name),
            None => items.push(Item { name, text, remedy: judgement.remedy.clone() }),
        }
    }
    items
}

/// What the figure was taken on; IPv4 is not worth a word.
fn selector(judgement: &Judgement) -> String {
    let direction = judgement.direction.map(|d| d.to_string());
    let family = judgement.family.filter(|f| *f == Family::Ipv6);
    words::selector_of(judgement.target.as_ref(), direction, family, judgement.load)
}

/// The checks from the port outwards; a check that left several outcomes has one line.
fn checks(record: &Record) -> Vec<CheckLine> {
    let mut names: Vec<&str> = Vec::new();
    for check in &record.checks {
        if !names.contains(&check.check.as_str()) {
            names.push(&check.check);
        }
    }
    names.sort_by_key(|name| figures::ORDER.iter().position(|known| known == name).unwrap_or(usize::MAX));
    names.into_iter().flat_map(|name| check_lines(record, name)).collect()
}

fn check_lines(record: &Record, name: &str) -> Vec<CheckLine> {
    let parts: Vec<&CheckRecord> = record.checks.iter().filter(|c| c.check == name).collect();
    let readings: Vec<_> = parts.iter().flat_map(|part| &part.outcome.readings).collect();
    let mark = mark(record, name);
    let reason = parts.iter().find_map(|part| part.outcome.reason.clone());
    let failed = parts.iter().any(|part| part.outcome.status != Status::Done);
    let figures = if failed { Vec::new() } else { figures::lines(name, &readings) };
    let mut lines: Vec<CheckLine> = figures.into_iter().map(|(name, text)| CheckLine { name, text, mark }).collect();
    match (reason, lines.first_mut()) {
        // Done with a reason: it was cut short.
        (Some(reason), Some(first)) => first.text = format!("{}; {reason}", first.text),
        (reason, None) => {
            let text = reason.unwrap_or_else(|| "done, no figures".to_owned());
            lines.push(CheckLine { name: name.to_owned(), text, mark });
        }
        (None, Some(_)) => {}
    }
    lines
}

/// The worst verdict on the figures of a check by limits that must be met; the others have lines of their own.
fn mark(record: &Record, check: &str) -> Mark {
    let judged = record.judgements.iter().filter(|j| check_of(&j.reading) == check);
    let musts: Vec<Verdict> = judged.filter(|j| j.severity == Severity::Must).map(|j| j.verdict).collect();
    let worst = [Verdict::Fail, Verdict::NotProven, Verdict::NotTested, Verdict::Pass];
    worst.into_iter().find(|v| musts.contains(v)).map_or(Mark::NoLimit, Mark::Judged)
}

fn sold(record: &Record) -> Vec<Item> {
    record
        .sold
        .iter()
        .map(|rate| Item { name: rate.direction.to_string(), text: sold_text(record, rate), remedy: None })
        .collect()
}

fn sold_text(record: &Record, sold: &SoldRate) -> String {
    let delivered = delivered(record, sold.direction);
    let rate = |mbit| words::figure("throughput.tcp_payload_rate", Unit::MegabitPerSecond, mbit);
    let delivered = match delivered {
        Some(reading) => {
            let share = words::significant((reading.value / sold.payload_mbit * 100.0).round());
            let limits: Vec<String> = reading.limited_by.iter().map(words::limited).collect();
            let limits = if limits.is_empty() { String::new() } else { format!(", bounded by {}", limits.join(" and ")) };
            format!("delivered {} of TCP payload, {share} % of what it can give{limits}", words::of(reading))
        }
        None => "not measured".to_owned(),
    };
    format!("sold {} ({}); {delivered}. {}.", rate(sold.sold_mbit), sold.layer, words::capital(&sold.arithmetic))
}

pub(super) fn delivered(record: &Record, direction: Direction) -> Option<&Reading> {
    let mut readings = record.checks.iter().flat_map(|c| &c.outcome.readings);
    readings.find(|r| r.name == "throughput.tcp_payload_rate" && r.direction == Some(direction))
}

fn budget(record: &Record, line: &LineNote) -> Vec<Budget> {
    let of = |budget: &RateBudget| {
        let title = format!("{}, line rate {}", budget.direction, line.source);
        let mut steps = budget.steps.clone();
        steps.extend(delivered(record, budget.direction).map(|reading| {
            let share = words::significant((reading.value / budget.expected_mbit * 100.0).round());
            format!("delivered {}, {share} % of what was to be expected", words::of(reading))
        }));
        Budget { title, steps }
    };
    line.budget.iter().map(of).collect()
}

fn cautions(record: &Record) -> Vec<String> {
    let mut cautions = Vec::new();
    let filled = record.checks.iter().any(|c| c.check == "throughput" && !c.outcome.readings.is_empty());
    if filled {
        let words = "This visit filled the line for some seconds: calls, alarm and medical-alert lines that ride on it may have \
                     suffered.";
        cautions.push(words.to_owned());
    }
    let at_line = record.isolation.as_ref().is_some_and(|i| i.segment == Some(Segment::Access));
    if at_line || !record.place.position.is_behind_gateway() {
        let words = "Terminals, cabinets and poles have hazards of their own (mains, ringing and feeding voltage on copper, \
                     laser light from fibre, heights): keep to local codes and the operator's rules, and leave it to licensed \
                     staff.";
        cautions.push(words.to_owned());
    }
    let per_mille = |confidence: f64| (confidence * 1000.0).round() as u16;
    let confidences: BTreeSet<u16> =
        record.judgements.iter().filter_map(|j| j.confidence).filter(|c| *c < 1.0).map(per_mille).collect();
    if let Some(least) = confidences.first() {
        // A verdict uses one end of a two-sided interval.
        let wrong = words::significant((1000.0 - f64::from(*least)) / 20.0);
        let confidence = words::significant(f64::from(*least) / 10.0);
        let mut readings = record.checks.iter().flat_map(|check| &check.outcome.readings);
        let until_certain = readings.any(|reading| reading.sequential.is_some());
        let ended = if until_certain { " It holds although streams of probes ended once enough was certain." } else { "" };
        cautions.push(format!(
            "Verdicts are on intervals of {confidence} % confidence: each by itself is wrong at most {wrong} times in 100.{ended}"
        ));
    }
    cautions
}

fn footer(record: &Record) -> String {
    let profile = record.profile.as_ref().map_or_else(String::new, |p| {
        let digest: String = p.digest.trim_start_matches("sha256:").chars().take(12).collect();
        format!("; profile {} (sha256 {digest})", p.name)
    });
    let capture = record.capture.as_ref().map_or_else(String::new, |c| {
        let digest: String = c.digest.trim_start_matches("sha256:").chars().take(12).collect();
        format!("; capture {} ({} frames, sha256 {digest})", c.file, c.frames)
    });
    format!("record {}{profile}{capture}; doorstep {} on {}", record.id, record.agent.version, record.agent.host)
}
