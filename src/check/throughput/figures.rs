//! From a phase to readings, series and facts.
//!
//! The rate is that of the receiver's 100 ms buckets after the start-up ([`crate::metric::rate::start_up`]) and before the
//! senders' end. What else could have bounded it is named on the reading.

use serde_json::json;

use super::cross::{Moved, weigh};
use super::phase::{Ended, Part, Phase};
use crate::check::Context;
use crate::farend::api::{BUCKET_MS, StreamSent};
use crate::metric::loss_interval::clustered;
use crate::metric::rate::{fairness, start_up, steady};
use crate::metric::tcp;
use crate::reading::{Limit, Outcome, Reading, Series, Unit};
use crate::unit::{Direction, Family, Interval, Layer, Load};

/// A core that is busy for this share of the time has no more to give.
const CPU_LIMIT: f64 = 0.95;
/// Within this share of the port's ceiling the port is what bounds the rate.
const PORT_SHARE: f64 = 0.98;
/// TCP payload per line octet on Ethernet with time stamps, 1448/1538 (RFC 6349 section 4.1.1, RFC 7323 section 3.2).
const PAYLOAD_SHARE: f64 = 1448.0 / 1538.0;

/// TCP payload per octet of IP, with time stamps (RFC 7323 section 3.2).
const IP_PAYLOAD_SHARE: f64 = 1448.0 / 1500.0;

/// Adds what a phase found.
pub(super) fn add(outcome: &mut Outcome, context: &Context, phase: &Phase, port_mbit: Option<f64>) {
    let (direction, confidence) = (phase.request.direction, context.effort.confidence);
    let load = if phase.part == Part::BothWays { Load::Both } else { Load::from(direction) };
    let buckets = summed(phase);
    let most = (phase.start_up.as_millis() as u64 / BUCKET_MS) as usize;
    let left_out = start_up(&buckets, most);
    let mut readings = Vec::new();
    if let Some((octets, Interval { low, high, confidence })) = steady(&buckets[left_out..], confidence) {
        let interval = Interval { low: low.map(mbit), high: high.map(mbit), confidence };
        let mut rate = Reading::new("throughput.tcp_payload_rate", mbit(octets), (buckets.len() - left_out) as u64, interval);
        rate.congestion_control = phase.sent.first().map(|stream| stream.congestion_control.clone());
        match phase.part {
            Part::Single => rate.name = "throughput.single_stream_rate".to_owned(),
            Part::BothWays => rate.name = "throughput.both_ways_rate".to_owned(),
            Part::Main | Part::OtherVersion => {}
        }
        readings.push(limited(rate.at(Layer::TcpPayload), context, phase, port_mbit));
        readings.push(Reading::exact("throughput.start_up_time", (left_out as u64 * BUCKET_MS) as f64));
    }
    let family = Family::of(phase.address.ip());
    if let Part::Single | Part::BothWays = phase.part {
        // The rate; and of both ways at once, the delay, which is that of neither way alone.
        outcome.readings.extend(readings.into_iter().take(1).map(|reading| reading.toward(direction).over(family)));
        let name = if phase.part == Part::Single { "single" } else { "both_ways" };
        outcome.fact(&format!("streams_{direction}_{name}"), streams(phase));
        if phase.part == Part::BothWays {
            outcome.series.push(series(direction, load, family, &buckets));
            if direction == Direction::Down {
                outcome.readings.extend(delay(phase, confidence).into_iter().map(|reading| reading.under(load).over(family)));
                outcome.series.extend(delay_series(phase, None, load, family));
            }
        }
        return;
    }
    if let Some(share) = retransmitted(phase) {
        readings.push(Reading::exact("throughput.retransmit_ratio", share));
    }
    readings.extend(framework(phase, context.effort.sold(direction)));
    let shares: Vec<f64> = phase.received.iter().map(|stream| stream.octets as f64).collect();
    if let Some(index) = fairness(&shares) {
        readings.push(Reading::exact("throughput.fairness", index));
    }
    if let Some(busy) = phase.cpu_busy {
        readings.push(Reading::exact("throughput.test_set_cpu", busy));
    }
    readings.extend(delay(phase, confidence).into_iter().map(|reading| reading.under(load)));
    let weighed = |tally: &Result<_, String>| weigh(tally.as_ref().map_err(String::clone)?, direction, &moved(phase));
    match phase.tally.as_ref().map(weighed) {
        Some(Ok(cross)) => {
            let sold_other_way = context.effort.sold(direction.reversed());
            readings = readings.into_iter().map(|reading| cross.mark(reading, direction, sold_other_way)).collect();
            readings.push(cross.reading());
        }
        Some(Err(why)) => outcome.fact(&format!("cross_traffic_{direction}"), why),
        None => {}
    }
    outcome.readings.extend(readings.into_iter().map(|reading| reading.toward(direction).over(family)));
    outcome.series.push(series(direction, load, family, &buckets));
    outcome.series.extend(delay_series(phase, Some(direction), load, family));
    let beside = if phase.part == Part::OtherVersion { "_other_version" } else { "" };
    outcome.fact(&format!("streams_{direction}{beside}"), streams(phase));
}

/// The three metrics of RFC 6349 section 4 that the phase carries. The ideal time is that of the sold rate, taken at the IP layer.
fn framework(phase: &Phase, sold_mbit: Option<f64>) -> Vec<Reading> {
    let mut readings = Vec::new();
    // Until the last octet came: what a deep buffer delivers late is part of the transfer.
    let buckets = phase.received.iter().map(|stream| stream.buckets.len()).max().unwrap_or(0);
    let seconds = (buckets as u64 * BUCKET_MS) as f64 / 1e3;
    let ideal = sold_mbit.map(|mbit| phase.octets() as f64 * 8.0 / (mbit * 1e6 * IP_PAYLOAD_SHARE));
    if let Some(ratio) = ideal.and_then(|ideal| tcp::transfer_time_ratio(seconds, ideal)) {
        readings.push(Reading::exact("throughput.transfer_time_ratio", ratio));
    }
    if let Some(efficiency) = sent(phase).and_then(|(sent, again)| tcp::efficiency(sent, again)) {
        readings.push(Reading::exact("throughput.efficiency_ratio", efficiency));
    }
    let trips = phase.delay.as_ref().map(|stream| stream.account.round_trip_sorted_ms()).unwrap_or_default();
    let mean = trips.iter().sum::<f64>() / trips.len().max(1) as f64;
    if let Some(growth) = trips.first().and_then(|least| tcp::buffer_delay(mean, *least)) {
        readings.push(Reading::exact("throughput.buffer_delay_ratio", growth));
    }
    readings
}

/// Octets per bucket of all streams, up to the senders' end; the bucket in which they ended is left out. Senders that were
/// never heard to close sent until the end of the time, even where nothing came any more.
fn summed(phase: &Phase) -> Vec<u64> {
    let longest = phase.received.iter().map(|stream| stream.buckets.len()).max().unwrap_or(0);
    let whole_time = (phase.request.time_ms / BUCKET_MS) as usize;
    let goes_on = phase.ended == Ended::Complete && phase.received.iter().any(|stream| stream.unclosed);
    let whole = if goes_on { whole_time } else { longest.saturating_sub(1).min(whole_time) };
    (0..whole).map(|at| phase.received.iter().filter_map(|stream| stream.buckets.get(at)).sum()).collect()
}

/// Octets per bucket as Mbit/s.
fn mbit(octets: f64) -> f64 {
    octets * 8.0 / 1e6 * (1000.0 / BUCKET_MS as f64)
}

fn limited(mut rate: Reading, context: &Context, phase: &Phase, port_mbit: Option<f64>) -> Reading {
    let sold = context.effort.sold(phase.request.direction);
    if let Some(port) = port_mbit {
        let ceiling = port * PAYLOAD_SHARE;
        if rate.value >= PORT_SHARE * ceiling && sold.is_none_or(|sold| rate.value < sold) {
            rate = rate.limited_by(
                Limit::TestSet,
                format!("the port runs at {port:.0} Mbit/s, which carries {ceiling:.1} Mbit/s of TCP payload"),
            );
        }
    }
    // A busy core matters only when the line had more to give than came.
    let is_short = sold.is_none_or(|sold| rate.value < PORT_SHARE * sold * PAYLOAD_SHARE);
    let busy = |share: Option<f64>| share.filter(|share| is_short && *share >= CPU_LIMIT);
    if let Some(share) = busy(phase.cpu_busy) {
        rate = rate.limited_by(Limit::TestSet, format!("a core of the test set was {:.0} % busy", share * 100.0));
    }
    if let Some(share) = busy(phase.far_end_cpu_busy) {
        rate = rate.limited_by(Limit::FarEnd, format!("a core of the far end was {:.0} % busy", share * 100.0));
    }
    match &context.known.test_set {
        Some(test_set) => test_set.mark(rate, sold),
        None => rate,
    }
}

/// What the phase moved, for comparison with the gateway's counters.
fn moved(phase: &Phase) -> Moved {
    let sum = |of: fn(&StreamSent) -> Option<u64>| phase.sent.iter().map(of).sum::<Option<u64>>();
    let sent = sum(|stream| stream.octets_sent).filter(|_| !phase.sent.is_empty());
    Moved { received: phase.octets(), sent, sent_again: sum(|stream| stream.octets_retransmitted).unwrap_or(0) }
}

/// Octets sent again per octet sent, of all senders; `None` where a kernel does not say.
pub(super) fn retransmitted(phase: &Phase) -> Option<f64> {
    sent(phase).filter(|(sent, _)| *sent > 0).map(|(sent, again)| again as f64 / sent as f64)
}

/// Octets sent, and of them sent again, of all senders; `None` where a kernel does not say.
fn sent(phase: &Phase) -> Option<(u64, u64)> {
    let add = |sums: (u64, u64), of: &StreamSent| Some((sums.0 + of.octets_sent?, sums.1 + of.octets_retransmitted?));
    phase.sent.iter().try_fold((0, 0), add)
}

/// Round trip and loss of the twoway stream beside the load.
fn delay(phase: &Phase, confidence: f64) -> Vec<Reading> {
    let Some(stream) = &phase.delay else { return Vec::new() };
    let account = &stream.account;
    let mut readings = Vec::new();
    for (name, q) in [
        ("throughput.delay_under_load_p50", 0.5),
        ("throughput.delay_under_load_p95", 0.95),
        ("throughput.delay_under_load_p99", 0.99),
    ] {
        if let Some(mut reading) = account.round_trip_reading(name, q, confidence) {
            reading.stamped_by = account.stamped_by;
            readings.push(reading);
        }
    }
    if account.sent > 0 {
        let interval = clustered(account.lost, account.sent, account.loss_design_effect(), confidence);
        let value = account.lost as f64 / account.sent as f64;
        readings.push(Reading::new("throughput.loss_under_load", value, account.sent, interval));
    }
    readings
}

fn series(direction: Direction, load: Load, family: Family, buckets: &[u64]) -> Series {
    Series {
        name: "throughput.tcp_payload_rate".to_owned(),
        unit: Unit::MegabitPerSecond,
        target: None,
        direction: Some(direction),
        family: Some(family),
        load: Some(load),
        at_ms: (0..buckets.len()).map(|at| (at as u64 * BUCKET_MS) as f64).collect(),
        values: buckets.iter().map(|octets| Some(mbit(*octets as f64))).collect(),
    }
}

fn delay_series(phase: &Phase, direction: Option<Direction>, load: Load, family: Family) -> Option<Series> {
    let account = &phase.delay.as_ref()?.account;
    Some(Series {
        name: "throughput.delay_under_load".to_owned(),
        unit: Unit::Millisecond,
        target: None,
        direction,
        family: Some(family),
        load: Some(load),
        at_ms: account.sent_after.iter().map(|after| after.as_secs_f64() * 1e3).collect(),
        values: account.round_trip.iter().map(|ns| ns.map(|ns| ns as f64 / 1e6)).collect(),
    })
}

/// Per-stream figures, for the engineer.
fn streams(phase: &Phase) -> serde_json::Value {
    let received: Vec<_> = phase
        .received
        .iter()
        .map(|stream| json!({ "octets": stream.octets, "broken_off": stream.broken_off, "unclosed": stream.unclosed }))
        .collect();
    json!({
        "sent": phase.sent,
        "received": received,
        "far_end_cpu_busy": phase.far_end_cpu_busy,
        "ended": format!("{:?}", phase.ended),
    })
}
