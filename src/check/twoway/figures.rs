//! From a stream's account to readings, series and facts.
//!
//! Percentiles of the round trip count lost packets as infinite (RFC 2681 section 4): one that falls among the lost is
//! told as "at least the waiting time", without an upper bound. Those of the variation are of the packets that arrived
//! (RFC 5481 section 4). What the test set did wrong itself is named on the readings that it touches.

mod depth;

use std::time::Instant;

use serde_json::json;

use super::part::Part;
use super::stream::{Ended, StreamConfig, StreamResult};
use crate::metric::burst::LossPattern;
use crate::metric::clock::Drift;
use crate::metric::dependence::design_effect;
use crate::metric::sampling::Sampling;
use crate::metric::{jitter, quantile};
use crate::proto::stamp::account::{Account, Seen, Way, Ways};
use crate::reading::{Limit, Outcome, Reading, Sequential, Series, Status, Unit};
use crate::unit::{Direction, Family, Interval, Segment, StampSource};
use crate::wire::stamp::Mode;

/// Points of a series at most; longer streams are thinned to the worst of each stretch.
const MOST_POINTS: usize = 3000;

/// The check's outcome.
pub(super) fn outcome(config: &StreamConfig, result: &StreamResult, check_began_at: Instant, part: &Part) -> Outcome {
    let account = &result.account;
    let answered = account.sent - account.lost;
    let mut outcome = match &result.ended {
        Ended::CannotSend(why) if answered == 0 => {
            return with_facts(Outcome::not_tested(format!("the test set can't send: {why}")), config, result);
        }
        Ended::Cancelled if account.sent == 0 => return Outcome::not_tested("ended before it began"),
        _ if answered == 0 => Outcome::failed(nothing_answered(result)),
        _ => Outcome { reason: cut_short(result), ..Outcome::new(Status::Done) },
    };
    let family = Family::of(config.reflector.ip());
    let found = readings_over(family, result, part.sampling());
    outcome.readings = found.into_iter().map(|reading| reading.sequential(part.said())).collect();
    outcome.series = series(result, family, check_began_at);
    flaws(&mut outcome, config, result);
    if let Some(Sequential { planned, most }) = part.said() {
        outcome.fact("packets_planned", planned);
        outcome.fact("packets_at_most", most);
        outcome.fact("ended_since_certain", result.ended == Ended::Enough);
    }
    with_facts(outcome, config, result)
}

fn nothing_answered(result: &StreamResult) -> String {
    let sent = result.account.sent;
    match result.ended {
        Ended::Refused => "the far end says that nothing listens at its reflector's port".to_owned(),
        _ => format!("none of {sent} two-way packets was answered within {} s", result.account.wait.as_secs()),
    }
}

fn cut_short(result: &StreamResult) -> Option<String> {
    let sent = result.account.sent;
    match &result.ended {
        Ended::Complete | Ended::Enough => None,
        Ended::Cancelled => Some(format!("ended early, after {sent} packets")),
        Ended::Silent(last) => Some(format!(
            "no answer came any more after {:.1} s; given up after {sent} packets",
            last.unwrap_or_default().as_secs_f64()
        )),
        Ended::Refused => Some(format!("the far end's reflector went away; {sent} packets were sent until then")),
        Ended::CannotSend(why) => Some(format!("the test set could not send on after {sent} packets: {why}")),
    }
}

/// All readings of a stream over this IP version.
pub(super) fn readings_over(family: Family, result: &StreamResult, sampling: Sampling) -> Vec<Reading> {
    readings(result, sampling).into_iter().map(|reading| reading.over(family)).collect()
}

/// All readings.
fn readings(result: &StreamResult, sampling: Sampling) -> Vec<Reading> {
    let account = &result.account;
    let mut readings = Vec::new();
    if let Some(counted) = &account.counted {
        for (direction, lost, sent) in
            [(Direction::Up, counted.lost, counted.sent), (Direction::Down, counted.lost_back, counted.sent_back)]
        {
            let effect = account.loss_design_effect();
            let reading = loss("twoway.counted_loss_ratio", lost.into(), sent.into(), effect, sampling);
            readings.extend(reading.map(|reading| reading.toward(direction)));
        }
    }
    if let Some(ways) = &account.ways {
        for (direction, way) in [(Direction::Up, &ways.forward), (Direction::Down, &ways.backward)] {
            readings.extend(of_way(way, way.loss_design_effect(), sampling).into_iter().map(|reading| reading.toward(direction)));
            let deeper = depth::of_way(way, result.interval, sampling);
            readings.extend(deeper.into_iter().map(|reading| reading.toward(direction)));
        }
    }
    // The loss of the round trip says nothing new where both directions are known to the last packet.
    if account.ways.as_ref().is_none_or(|ways| ways.undetermined > 0) {
        readings.extend(loss("twoway.loss_ratio", account.lost, account.sent, account.loss_design_effect(), sampling));
    }
    let sorted = account.round_trip_sorted_ms();
    if let Some(&least) = sorted.first() {
        // A fact of this stream, not an estimate: the line itself may be able to do better.
        let exact = Interval { low: Some(least), high: Some(least), confidence: 1.0 };
        readings.push(Reading::new("twoway.round_trip_min", least, sorted.len() as u64, exact));
    }
    for (name, q) in [("twoway.round_trip_p50", 0.5), ("twoway.round_trip_p95", 0.95), ("twoway.round_trip_p99", 0.99)] {
        readings.extend(account.round_trip_reading(name, q, sampling));
    }
    readings.extend(depth::transfer_delay(account, sampling));
    readings.extend(depth::errored(result, sampling));
    readings.extend(behind_schedule(account, sampling));
    limited(readings, result)
}

/// How much later than fixed the packets left, 99th percentile (RFC 2330 section 11.1: sampling errors are to be told).
fn behind_schedule(account: &Account, sampling: Sampling) -> Option<Reading> {
    let mut sorted: Vec<f64> = account.behind_schedule.iter().map(|late| late.as_secs_f64() * 1e3).collect();
    sorted.sort_by(f64::total_cmp);
    let value = quantile::of_sorted(&sorted, 0, 0.99)?;
    let interval = quantile::interval_of_sorted(&sorted, 0, 0.99, sampling);
    Some(Reading::new("twoway.schedule_error_p99", value, sorted.len() as u64, interval))
}

/// Marks what the test set or the far end had a part in.
pub(super) fn limited(readings: Vec<Reading>, result: &StreamResult) -> Vec<Reading> {
    let account = &result.account;
    let drops = account.tally.receive_drops;
    let gone = result.ended == Ended::Refused;
    readings
        .into_iter()
        .map(|mut reading| {
            if is_of_time(&reading) {
                reading.stamped_by =
                    account.stamped_by.map(|source| if of_both(&reading) { source } else { source.max(StampSource::Kernel) });
                if account.stamped_by == Some(StampSource::User) {
                    reading =
                        reading.limited_by(Limit::TestSet, "no kernel time stamps: the test set's own delays are in the figure");
                }
            }
            if drops > 0 {
                reading = reading.limited_by(Limit::TestSet, format!("the test set's receive queue dropped {drops} packets"));
            }
            if gone && reading.name == "twoway.loss_ratio" {
                reading = reading.limited_by(Limit::FarEnd, "the far end's reflector went away during the stream");
            }
            reading
        })
        .collect()
}

/// Whether a figure of time is a difference of two stamps of this port, as a round trip is: only those are ever the adapter's.
fn of_both(reading: &Reading) -> bool {
    reading.direction.is_none() && reading.name != "twoway.schedule_error_p99"
}

fn is_of_time(reading: &Reading) -> bool {
    reading.unit == Unit::Millisecond
}

fn of_way(way: &Way, design_effect: f64, sampling: Sampling) -> Vec<Reading> {
    let mut readings: Vec<Reading> = loss("twoway.loss_ratio", way.lost, way.sent, design_effect, sampling).into_iter().collect();
    let variation = way.variation_sorted_ms();
    let arrived: Vec<Option<f64>> = way.variation.iter().flatten().map(|&ns| Some(to_ms(ns as f64))).collect();
    for (name, q) in [("twoway.delay_variation_p95", 0.95), ("twoway.delay_variation_p999", 0.999)] {
        if let Some(value) = quantile::of_sorted(&variation, 0, q) {
            let interval = quantile::interval_of_series(&arrived, q, sampling);
            readings.push(Reading::new(name, value, variation.len() as u64, interval));
        }
    }
    if let Some((value, Interval { low, high, confidence })) =
        sampling.other(|confidence| jitter::of_stream(&way.transits, confidence))
    {
        let interval = Interval { low: low.map(to_ms), high: high.map(to_ms), confidence };
        readings.push(Reading::new("twoway.jitter", to_ms(value), way.transits.len() as u64, interval));
    }
    let reordering = &way.reordering;
    readings.extend(ratio("twoway.reordered_ratio", reordering.reordered.len() as u64, reordering.received, sampling));
    let copies = way.duplication;
    readings.extend(ratio("twoway.duplicate_ratio", copies.copies - copies.distinct, copies.distinct, sampling));
    readings
}

pub(super) fn loss(name: &'static str, lost: u64, sent: u64, design_effect: f64, sampling: Sampling) -> Option<Reading> {
    let interval = sampling.share(lost, sent, design_effect);
    (sent > 0).then(|| Reading::new(name, lost as f64 / sent as f64, sent, interval))
}

fn ratio(name: &'static str, hit: u64, of: u64, sampling: Sampling) -> Option<Reading> {
    (of > 0).then(|| Reading::new(name, hit as f64 / of as f64, of, sampling.share(hit, of, 1.0)))
}

fn to_ms(ns: f64) -> f64 {
    ns / 1e6
}

impl Account {
    /// Round trips in milliseconds, ascending; lost and discarded ones left out.
    pub fn round_trip_sorted_ms(&self) -> Vec<f64> {
        sorted_ms(&self.round_trip)
    }

    /// By how much lost packets cluster: the sample behind a loss ratio counts for so much less.
    pub fn loss_design_effect(&self) -> f64 {
        design_effect(self.answered.iter().map(|answered| !answered))
    }

    /// Quantile `q` of the round trip in milliseconds with its order-statistic interval, lost packets counted as infinite
    /// (RFC 2681 section 4). Where it falls among the lost: the waiting time, which it exceeds, and no upper bound.
    /// `None` when nothing was sent.
    pub fn round_trip_reading(&self, name: &'static str, q: f64, sampling: impl Into<Sampling>) -> Option<Reading> {
        let sampling = sampling.into();
        let confidence = sampling.confidence;
        // Discarded round trips are answered, but not known: they take no part.
        let known = self.round_trip.iter().zip(&self.answered).filter(|(trip, answered)| trip.is_some() || !**answered);
        let series: Vec<Option<f64>> = known.map(|(trip, _)| trip.map(|ns| to_ms(ns as f64))).collect();
        if series.is_empty() {
            return None;
        }
        let sorted = self.round_trip_sorted_ms();
        let wait = self.wait.as_secs_f64() * 1e3;
        let ranks = quantile::ranks_of_series(&series, &sorted, q, sampling);
        let at = |rank: Option<u64>| rank.and_then(|rank| sorted.get(rank as usize - 1).copied());
        let samples = series.len() as u64;
        let reading = |value, interval| Reading::new(name, value, samples, interval);
        match quantile::of_sorted(&sorted, samples - sorted.len() as u64, q) {
            Some(value) => Some(reading(value, Interval { low: at(ranks.low), high: at(ranks.high), confidence })),
            // A lower bound that lies among the lost too is at least the waiting time.
            None => {
                let low = at(ranks.low).or_else(|| ranks.low.map(|_| wait));
                Some(reading(wait, Interval { low, high: None, confidence }).exceeding(true))
            }
        }
    }
}

impl Way {
    /// By how much this way's lost packets cluster; those of the other way say nothing about it.
    pub(super) fn loss_design_effect(&self) -> f64 {
        design_effect(self.fates.iter().copied())
    }

    /// Delays above the least in milliseconds, ascending.
    pub fn variation_sorted_ms(&self) -> Vec<f64> {
        sorted_ms(&self.variation)
    }
}

fn sorted_ms(values: &[Option<i64>]) -> Vec<f64> {
    let mut values: Vec<f64> = values.iter().flatten().map(|&ns| to_ms(ns as f64)).collect();
    values.sort_by(f64::total_cmp);
    values
}

fn series(result: &StreamResult, family: Family, check_began_at: Instant) -> Vec<Series> {
    let account = &result.account;
    let from = to_ms(result.began_at.saturating_duration_since(check_began_at).as_nanos() as f64);
    let at: Vec<f64> = account.sent_after.iter().map(|after| from + after.as_secs_f64() * 1e3).collect();
    let mut all = vec![("twoway.round_trip", None, &account.round_trip)];
    if let Some(Ways { forward, backward, .. }) = &account.ways {
        all.push(("twoway.delay_variation", Some(Direction::Up), &forward.variation));
        all.push(("twoway.delay_variation", Some(Direction::Down), &backward.variation));
    }
    all.into_iter()
        .map(|(name, direction, values)| {
            let (at_ms, values) = thinned(&at, values);
            let (name, unit, family) = (name.to_owned(), Unit::Millisecond, Some(family));
            Series { name, unit, target: None, direction, family, load: None, at_ms, values }
        })
        .collect()
}

/// At most [`MOST_POINTS`] points: of each stretch the largest value, or `None` if any of it is missing.
fn thinned(at: &[f64], values: &[Option<i64>]) -> (Vec<f64>, Vec<Option<f64>>) {
    let per_point = values.len().div_ceil(MOST_POINTS).max(1);
    let worst = |stretch: &[Option<i64>]| {
        let all: Option<Vec<i64>> = stretch.iter().copied().collect();
        all.and_then(|all| all.into_iter().max()).map(|ns| to_ms(ns as f64))
    };
    (at.iter().step_by(per_point).copied().collect(), values.chunks(per_point).map(worst).collect())
}

fn flaws(outcome: &mut Outcome, config: &StreamConfig, result: &StreamResult) {
    rewritten(outcome, config, &result.account.seen);
    match result.ended {
        Ended::Silent(Some(_)) => outcome.flaw("twoway-went-silent", cut_short(result).unwrap_or_default(), None),
        Ended::Refused => outcome.flaw("twoway-reflector-gone", "ICMP port unreachable from the far end", Some(Segment::FarEnd)),
        _ => {}
    }
}

/// Whether the marking was changed on the way, and on which. Only of answers that the reflector says to have marked as it was
/// asked to is it known with what they left there (RFC 8972 section 4.4).
pub(super) fn rewritten(outcome: &mut Outcome, config: &StreamConfig, seen: &Seen) {
    let ways = [
        (&seen.dscp_at_reflector, Direction::Up, "before they reached the far end"),
        (&seen.dscp_back_of_marked, Direction::Down, "between the far end and this port"),
    ];
    for (arrived, direction, place) in ways {
        let changed: Vec<String> = arrived.keys().filter(|dscp| **dscp != config.dscp).map(u8::to_string).collect();
        if !changed.is_empty() {
            let (sent, found) = (config.dscp, changed.join(", "));
            let what = format!("packets sent {direction} with DSCP {sent} were marked anew {place}: they arrived with {found}");
            outcome.flaw(&format!("dscp-rewritten-{direction}"), what, None);
        }
    }
}

fn with_facts(mut outcome: Outcome, config: &StreamConfig, result: &StreamResult) -> Outcome {
    let account = &result.account;
    let tally = &account.tally;
    outcome.fact("reflector", config.reflector.to_string());
    outcome.fact(
        "form",
        match result.mode {
            Mode::Unauthenticated => "unauthenticated",
            Mode::Authenticated => "authenticated",
        },
    );
    outcome.fact("packets_sent", account.sent);
    outcome.fact("packets_unanswered", account.lost);
    outcome.fact("packets_late", account.late);
    outcome.fact("interval_ms", config.stream.interval.as_secs_f64() * 1e3);
    outcome.fact("wait_ms", account.wait.as_secs_f64() * 1e3);
    outcome.fact("udp_payload_octets", result.payload_octets);
    outcome.fact("dscp_sent", config.dscp);
    outcome.fact("dscp_at_reflector", json!(account.seen.dscp_at_reflector));
    outcome.fact("dscp_back", json!(account.seen.dscp_back));
    if account.seen.marked_otherwise > 0 {
        outcome.fact("answers_that_the_reflector_marked_otherwise", account.seen.marked_otherwise);
    }
    let mut behind: Vec<f64> = account.behind_schedule.iter().map(|late| late.as_secs_f64() * 1e3).collect();
    behind.sort_by(f64::total_cmp);
    if let (Some(median), Some(most)) = (quantile::of_sorted(&behind, 0, 0.5), behind.last()) {
        outcome.fact("schedule_error_p50_ms", median);
        outcome.fact("schedule_error_max_ms", *most);
    }
    let sources: Vec<_> = account
        .seen
        .sources
        .iter()
        .map(|(from, answers)| json!({"address": from.from, "port": from.from_port, "to_port": from.to_port, "answers": answers}))
        .collect();
    if !sources.is_empty() {
        outcome.fact("source_at_reflector", sources);
    }
    if let Some(stamps) = account.seen.reflector_stamps {
        outcome.fact("reflector_clock_set_by", clock_words(stamps.receive_clock));
        outcome.fact("reflector_stamps_taken", [stamps.receive_method, stamps.transmit_method].map(method_words).to_vec());
    }
    for (name, count) in [
        ("answers_followed_up", account.seen.followed_up),
        ("tlvs_that_the_reflector_does_not_know", tally.unrecognised_tlvs),
        ("answers_with_malformed_tlvs", tally.malformed_tlvs),
        ("answers_with_forged_tlvs", tally.forged_tlvs),
    ] {
        if count > 0 {
            outcome.fact(name, count);
        }
    }
    outcome.fact("ttl_at_reflector", json!(account.seen.ttl_at_reflector));
    outcome.fact("ttl_back", json!(account.seen.ttl_back));
    outcome.fact("own_send_failures", tally.send_failures);
    outcome.fact("own_slots_skipped", tally.skipped_slots);
    outcome.fact("own_receive_drops", tally.receive_drops);
    outcome.fact("round_trips_discarded_for_clock_steps", account.discarded);
    outcome.fact("round_trips_without_kernel_stamp_left_out", account.unstamped);
    outcome.fact("foreign_datagrams", tally.foreign);
    outcome.fact("forged_answers", tally.forged);
    if !tally.flaws.is_empty() {
        let flaws: Vec<_> =
            tally.flaws.iter().map(|(flaw, count)| json!({"flaw": format!("{flaw:?}"), "answers": count})).collect();
        outcome.fact("odd_answers", flaws);
    }
    let pattern = LossPattern::of(account.answered.iter().map(|answered| !answered));
    if let Some(longest) = pattern.periods.iter().max() {
        outcome.fact("loss_periods", pattern.periods.len());
        outcome.fact("longest_loss_period_packets", *longest);
        outcome.fact("loss_design_effect", account.loss_design_effect());
    }
    if let Some(ways) = &account.ways {
        outcome.fact("direction_of_loss_unknown", ways.undetermined);
        outcome.fact("clock_steps", ways.clock_steps);
        outcome.fact("answers_outside_clock_stretch", ways.outside_stretch);
        if let Some(Drift { rate, uncertainty }) = ways.drift {
            outcome.fact("clock_drift_ppm", rate * 1e6);
            outcome.fact("clock_drift_uncertainty_ppm", uncertainty * 1e6);
            outcome.fact("clock_drift_taken_off", ways.drift.is_some_and(|drift| drift.is_certain()));
        }
        for (direction, way) in [(Direction::Up, &ways.forward), (Direction::Down, &ways.backward)] {
            outcome.facts.extend(depth::facts(way, direction));
        }
    }
    outcome
}

/// RFC 8972 section 5.5.
fn clock_words(source: u8) -> &'static str {
    match source {
        1 => "NTP",
        2 => "PTP",
        3 => "SSU or BITS",
        4 => "satellites",
        5 => "nothing",
        _ => "unknown",
    }
}

/// RFC 8972 section 5.6.
fn method_words(method: u8) -> &'static str {
    match method {
        1 => "with the adapter's help",
        2 => "by software",
        3 => "by the control plane",
        _ => "unknown",
    }
}

/// Both IP versions in one outcome: the first one's state and facts, both ones' figures.
pub(super) fn beside(mut first: Outcome, second: Outcome, second_family: Family) -> Outcome {
    let Outcome { status, reason, readings, series, facts, flaws } = second;
    if status == Status::Failed {
        let (code, version) = match second_family {
            Family::Ipv4 => ("twoway-ipv4-silent", "IPv4"),
            Family::Ipv6 => ("twoway-ipv6-silent", "IPv6"),
        };
        first.flaw(code, format!("over {version} {}", reason.as_deref().unwrap_or("nothing was measured")), None);
    }
    first.readings.extend(readings);
    first.series.extend(series);
    first.flaws.extend(flaws);
    first.fact("other_version", json!({ "status": status, "reason": reason, "facts": facts }));
    first
}

#[cfg(test)]
mod coverage;
#[cfg(test)]
mod tests;
