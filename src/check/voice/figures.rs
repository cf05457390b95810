//! From rounds of calls to readings, series, facts and flaws.
//!
//! All calls of a round that are marked alike are heard together: losses are counted over all of them, and the rating is that of the
//! whole. The rating's bounds are those of the share that was missed, put through the formula; delay and bursts go in as they were.

mod heard;

use std::time::Duration;

use serde_json::{Value, json};

use self::heard::Heard;
use super::run::Round;
use crate::check::Effort;
use crate::metric::quantile;
use crate::metric::voice::impairment::{Impairment, coding_delay_ms};
use crate::metric::voice::rating::{mean_opinion_score, satisfaction};
use crate::proto::voice::account::{Account, Way};
use crate::reading::{Limit, LimitedBy, Outcome, Reading, Series, Unit};
use crate::unit::{BufferKind, CallTerms, Direction, Interval, Load, StampSource};

/// The readings of one round, with what all of them have in common.
struct Readings<'a> {
    round: &'a Round,
    stamped_by: StampSource,
    list: Vec<Reading>,
}

impl Readings<'_> {
    fn push(&mut self, reading: Reading) {
        let reading = reading.over(self.round.family).stamped_by(self.stamped_by);
        self.list.push(if self.round.load == Load::Idle { reading } else { reading.under(self.round.load) });
    }
}

/// Adds what a round found; it began so long after the check.
pub(super) fn add(outcome: &mut Outcome, effort: &Effort, round: &Round, began: Duration) {
    let open = round.calls.iter().enumerate().filter(|(_, call)| call.is_open());
    let accounts: Vec<(usize, Account)> = open.map(|(number, call)| (number, call.account())).collect();
    let stepped = accounts.iter().filter(|(_, account)| account.is_stepped).count();
    let place = if round.load == Load::Idle { "on the idle line" } else { "while the line was filled" };
    if stepped > 0 {
        let what = format!("a clock was set during {stepped} of {} calls {place}: they are left out", round.calls.len());
        outcome.flaw("voice-clock-stepped", what, None);
    }
    let unanswered = round.calls.len() - accounts.len();
    if unanswered > 0 {
        let more = round.failures.first().map(|why| format!(" ({why})")).unwrap_or_default();
        outcome.flaw(
            "voice-call-unanswered",
            format!("{unanswered} of {} calls {place} did not begin{more}", round.calls.len()),
            None,
        );
    }
    let of_group = |is_unmarked: bool| -> Vec<&Account> {
        let last = |number: usize| round.has_unmarked && number + 1 == round.calls.len();
        let sound = accounts.iter().filter(|(_, account)| !account.is_stepped);
        sound.filter(|(number, _)| last(*number) == is_unmarked).map(|(_, account)| account).collect()
    };
    let (marked, unmarked) = (of_group(false), of_group(true));
    // One time that a program took itself, and its scheduler's delay is in the figures.
    let is_kernel = accounts.iter().all(|(_, account)| account.up.user_stamped + account.down.user_stamped == 0);
    let stamped_by = if is_kernel { StampSource::Kernel } else { StampSource::User };
    let mut readings = Readings { round, stamped_by, list: Vec::new() };
    let mut facts = inputs(&effort.voice, round.calls.len());
    round_trip(&mut readings, &marked, effort.confidence);
    for direction in [Direction::Down, Direction::Up] {
        let Some(heard) = Heard::of(&marked, direction, &effort.voice, effort.confidence) else { continue };
        let limits = limits(&marked, direction);
        let from = readings.list.len();
        of_direction(&mut readings, &heard, effort);
        let mut told = rating_told(&heard);
        if let Some(beside) = Heard::of(&unmarked, direction, &effort.voice, effort.confidence) {
            compared(&mut readings, &heard, &beside);
            told["unmarked_call"] = rating_told(&beside);
        }
        marking(outcome, &mut readings, &marked, direction, effort.voice.dscp);
        for reading in &mut readings.list[from..] {
            reading.direction = Some(direction);
            reading.limited_by.extend(limits.iter().cloned());
        }
        facts[direction.to_string()] = told;
        outcome.series.push(series(round, &heard, direction, began));
    }
    outcome.readings.extend(readings.list);
    outcome.fact(if round.load == Load::Idle { "calls" } else { "calls_while_filled" }, facts);
}

fn unbounded(confidence: f64) -> Interval {
    Interval { low: None, high: None, confidence }
}

/// What one direction is like to listen to.
fn of_direction(readings: &mut Readings<'_>, heard: &Heard, effort: &Effort) {
    let confidence = effort.confidence;
    readings.push(Reading::new("voice.loss_ratio", heard.lost_share(), heard.sent, heard.lost_interval));
    readings.push(Reading::new("voice.late_ratio", heard.late_share(), heard.sent, heard.late_interval));
    if let Some((jitter, interval)) = heard.jitter {
        readings.push(Reading::new("voice.jitter", jitter, heard.sent, interval));
    }
    if let Some(ratio) = heard.burst_ratio {
        readings.push(Reading::new("voice.burstiness", ratio, heard.sent, unbounded(confidence)));
    }
    readings.push(Reading::new("voice.buffer_delay", heard.wait_ms, heard.sent, heard.wait_interval));
    let more = |bound: Option<f64>| bound.map(|ms| ms + heard.one_way_ms - heard.wait_ms);
    let whole = Interval { low: more(heard.wait_interval.low), high: more(heard.wait_interval.high), confidence };
    readings.push(Reading::new("voice.mouth_to_ear_delay", heard.one_way_ms, heard.sent, whole));
    readings.push(Reading::exact("voice.underruns", heard.underruns as f64));
    let (rating, interval) = heard.rating();
    readings.push(Reading::new("voice.rating", rating, heard.sent, interval));
    let score = |bound: Option<f64>| bound.map(mean_opinion_score);
    let scores = Interval { low: score(interval.low), high: score(interval.high), confidence };
    readings.push(Reading::new("voice.opinion_score", mean_opinion_score(rating), heard.sent, scores));
    let (share, interval) = heard.bad_seconds;
    readings.push(Reading::new("voice.bad_second_ratio", share, heard.seconds.len() as u64, interval));
    let mut errors = heard.schedule_errors_ms.clone();
    errors.sort_by(f64::total_cmp);
    if let Some(p99) = quantile::of_sorted(&errors, 0, 0.99) {
        let interval = quantile::interval_of_sorted(&errors, 0, 0.99, confidence);
        readings.push(Reading::new("voice.schedule_error_p99", p99, errors.len() as u64, interval));
    }
}

/// The marked calls against the one that is not.
fn compared(readings: &mut Readings<'_>, marked: &Heard, unmarked: &Heard) {
    let (of_marked, with_marked) = marked.rating();
    let (rating, interval) = unmarked.rating();
    readings.push(Reading::new("voice.best_effort_rating", rating, unmarked.sent, interval));
    // Both are bounded apart; at the ends of both lies the least and the most that the difference can be.
    let less = |a: Option<f64>, b: Option<f64>| Some(a? - b?);
    let gain = Interval { low: less(with_marked.low, interval.high), high: less(with_marked.high, interval.low), ..interval };
    readings.push(Reading::new("voice.marking_gain", of_marked - rating, unmarked.sent, gain));
}

/// Whether the code point arrived as it left.
fn marking(outcome: &mut Outcome, readings: &mut Readings<'_>, calls: &[&Account], direction: Direction, dscp: u8) {
    let mut seen = std::collections::BTreeMap::<u8, u64>::new();
    calls
        .iter()
        .flat_map(|account| &way(account, direction).dscps)
        .for_each(|(dscp, count)| *seen.entry(*dscp).or_default() += count);
    let arrived: u64 = seen.values().sum();
    if arrived == 0 {
        return;
    }
    let others: Vec<String> = seen.keys().filter(|other| **other != dscp).map(u8::to_string).collect();
    readings.push(Reading::exact("voice.marking_kept", f64::from(u8::from(others.is_empty()))));
    let code = format!("dscp-rewritten-{direction}");
    if !others.is_empty() && outcome.flaws.iter().all(|flaw| flaw.code != code) {
        let place = match direction {
            Direction::Up => "before they reached the far end",
            Direction::Down => "between the far end and this port",
        };
        let found = others.join(", ");
        let what = format!("speech sent {direction} with DSCP {dscp} was marked anew {place}: it arrived with {found}");
        outcome.flaw(&code, what, None);
    }
}

fn way(account: &Account, direction: Direction) -> &Way {
    match direction {
        Direction::Down => &account.down,
        Direction::Up => &account.up,
    }
}

fn round_trip(readings: &mut Readings<'_>, calls: &[&Account], confidence: f64) {
    let mut all: Vec<f64> = calls.iter().flat_map(|account| &account.round_trips).map(|ns| *ns as f64 / 1e6).collect();
    let in_time: Vec<Option<f64>> = all.iter().copied().map(Some).collect();
    all.sort_by(f64::total_cmp);
    if let Some(median) = quantile::of_sorted(&all, 0, 0.5) {
        let interval = quantile::interval_of_series(&in_time, 0.5, confidence);
        readings.push(Reading::new("voice.round_trip_p50", median, all.len() as u64, interval));
    }
}

/// What is ours or the far end's and not the line's.
fn limits(calls: &[&Account], direction: Direction) -> Vec<LimitedBy> {
    let (sender, receiver) = match direction {
        Direction::Down => (Limit::FarEnd, Limit::TestSet),
        Direction::Up => (Limit::TestSet, Limit::FarEnd),
    };
    let sum = |of: fn(&Way) -> u64| calls.iter().map(|account| of(way(account, direction))).sum::<u64>();
    let (not_sent, dropped) = (sum(|way| way.not_sent), sum(|way| way.dropped));
    let mut limits = Vec::new();
    if not_sent > 0 {
        limits.push(LimitedBy { side: sender, what: format!("its system did not send {not_sent} packets of speech") });
    }
    if dropped > 0 {
        limits.push(LimitedBy { side: receiver, what: format!("its receive queue dropped {dropped} packets of speech") });
    }
    limits
}

/// What the rating rests on besides the line.
fn inputs(terms: &CallTerms, calls: usize) -> Value {
    let impairment = Impairment::of(terms);
    let kind = match terms.buffer.kind {
        BufferKind::Fixed => "fixed",
        BufferKind::Adaptive => "adaptive",
    };
    json!({
        "calls_at_once": calls,
        "codec": terms.codec.word(),
        "losses_concealed": terms.conceals,
        "dscp": terms.dscp,
        "buffer": { "kind": kind, "nominal_ms": terms.buffer.nominal.as_millis() as u64, "most_ms": terms.buffer.most.as_millis() as u64 },
        "coding_delay_ms": coding_delay_ms(terms.codec),
        "ie": impairment.factor,
        "bpl": impairment.robustness,
    })
}

/// The inputs and parts of a rating, and how losses lie.
fn rating_told(heard: &Heard) -> Value {
    let rating = &heard.rated;
    json!({
        "packets": heard.sent,
        "ppl_per_cent": heard.missed_share() * 100.0,
        "burst_r": heard.burst_ratio,
        "half_round_trip_ms": heard.half_round_trip_ms,
        "one_way_ms": heard.one_way_ms,
        "ro": rating.basic,
        "is": rating.simultaneous,
        "idte": rating.talker_echo,
        "idle": rating.listener_echo,
        "idd": rating.absolute_delay,
        "ie_eff": rating.equipment,
        "r": rating.r,
        "felt_as": satisfaction(rating.r),
        "each_call_r": heard.each,
        "overruns": heard.overruns,
        "burst_density": heard.bursts.bursts.density(),
        "gap_density": heard.bursts.gaps.density(),
        "clock_drift_ppm": heard.drift_ppm,
    })
}

fn series(round: &Round, heard: &Heard, direction: Direction, began: Duration) -> Series {
    let from = began.as_secs_f64() * 1e3;
    Series {
        name: "voice.rating".to_owned(),
        unit: Unit::One,
        target: None,
        direction: Some(direction),
        family: Some(round.family),
        load: (round.load != Load::Idle).then_some(round.load),
        at_ms: (0..heard.each_second.len()).map(|second| from + second as f64 * 1e3).collect(),
        values: heard.each_second.iter().map(|r| Some(*r)).collect(),
    }
}

#[cfg(test)]
mod tests;
