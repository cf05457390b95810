//! From a capacity test to readings, series and facts, and what else than the line could have bounded it.

use serde_json::json;

use super::Tested;
use crate::check::Effort;
use crate::check::selftest::TestSet;
use crate::metric::capacity::{SubIntervalCount, maximum, mean};
use crate::proto::capacity::flow::End;
use crate::proto::capacity::table;
use crate::reading::{Limit, Outcome, Reading, Series, Unit};
use crate::unit::{Direction, Interval, Layer, Load};
use crate::wire::capacity::{Status, SubInterval};
use crate::wire::udp::headers;

/// A sub-interval counts when it loses no more than this share, and what one row of the table too many makes it lose *(ours; the
/// standard wants a criterion and leaves its value open)*.
const MOST_LOSS: f64 = 0.01;
/// How far the span of a sub-interval may be off: a batch of packets at either end may be told to the wrong one *(ours)*.
const SPAN_ERROR: f64 = 0.001;
/// A round trip that rose so far says that the line was full: the lower threshold of RFC 9097 table 1, milliseconds.
const FULL_MS: u32 = 30;
/// A core that is busy for this share of the time has no more to give.
const CPU_LIMIT: f64 = 0.95;
/// Datagrams left out, as a share of those sent, from which on the sender was too slow.
const LEFT_OUT: f64 = 0.005;

/// A sub-interval at the IP layer.
pub(super) fn count(of: &SubInterval, headers: u32) -> SubIntervalCount {
    SubIntervalCount {
        bits: (of.octets as f64 + f64::from(of.datagrams) * f64::from(headers)) * 8.0,
        seconds: f64::from(of.span_us) / 1e6,
        received: of.datagrams.into(),
        lost: of.lost.into(),
    }
}

/// What a sub-interval may lose: the search can't come nearer to a line's rate than one row of the table.
fn most_loss(of: &SubIntervalCount) -> f64 {
    let mbit = of.rate() / 1e6;
    let row = table::row_of(mbit);
    MOST_LOSS + (table::mbit(row + 1) - table::mbit(row)).max(0.0) / mbit.max(f64::MIN_POSITIVE)
}

/// Adds what a test found.
pub(super) fn add(outcome: &mut Outcome, effort: &Effort, test_set: Option<&TestSet>, tested: &Tested) {
    let Tested { direction, family, found, .. } = tested;
    let (direction, family) = (*direction, *family);
    let load = Load::from(direction);
    let intervals: Vec<SubIntervalCount> =
        found.sub_intervals.iter().map(|one| count(one, headers(family))).filter(|one| one.seconds > 0.0).collect();
    outcome.fact(&format!("test_{direction}"), facts(tested));
    if found.end != End::Complete {
        let what = format!("the capacity test {direction} broke off: the far end was not heard for 3 s");
        outcome.flaw("capacity-broken-off", what, None);
    }
    let limits = limits(effort, tested);
    let samples = intervals.len() as u64;
    if let Some(at) = maximum(&intervals, most_loss) {
        let (best, raw) = (intervals[at], found.sub_intervals[at]);
        let mbit = best.rate() / 1e6;
        // Without a sign of congestion the line may have more to give (RFC 9097 section 8.1).
        let high = saw_congestion(tested).then_some(mbit * (1.0 + SPAN_ERROR));
        let interval = Interval { low: Some(mbit * (1.0 - SPAN_ERROR)), high, confidence: effort.confidence };
        let rate = Reading::new("capacity.ip_rate", mbit, samples, interval).at(Layer::Ip).toward(direction);
        // Where the line was full, the test set was not what bounded it.
        let test_set = test_set.filter(|_| !saw_congestion(tested));
        let rate = match test_set {
            Some(test_set) => test_set.mark(rate, effort.sold(direction)),
            None => rate,
        };
        let mut readings = vec![rate];
        readings.push(Reading::exact("capacity.loss_ratio", best.loss_ratio()));
        if raw.round_trip.1 != Status::NONE {
            readings.push(Reading::exact("capacity.round_trip_rise", raw.round_trip.1.into()));
        }
        if let Some(mean) = mean(&intervals) {
            readings.push(Reading::exact("capacity.mean_rate", mean / 1e6).at(Layer::Ip));
        }
        for reading in &mut readings {
            reading.limited_by.extend(limits.iter().cloned());
        }
        outcome.readings.extend(readings.into_iter().map(|one| one.toward(direction).over(family).under(load)));
    } else {
        let what = format!("every sub-interval {direction} lost more than the search makes it lose");
        outcome.flaw("capacity-lossy", what, None);
    }
    outcome.series.push(Series {
        name: "capacity.ip_rate".to_owned(),
        unit: Unit::MegabitPerSecond,
        target: None,
        direction: Some(direction),
        family: Some(family),
        load: Some(load),
        at_ms: found.sub_intervals.iter().map(|one| f64::from(one.ended_ms)).collect(),
        values: intervals.iter().map(|one| Some(one.rate() / 1e6)).collect(),
    });
}

/// Whether anything said that the line was full: the far end's count of bad reports, else loss or delay as seen here.
fn saw_congestion(tested: &Tested) -> bool {
    let told = tested.report.as_ref().and_then(|report| report.signs);
    told.map_or_else(
        || {
            tested
                .found
                .sub_intervals
                .iter()
                .any(|one| one.lost > 0 || (one.round_trip.1 != Status::NONE && one.round_trip.1 >= FULL_MS))
        },
        |(_, bad)| bad > 0,
    )
}

/// What else than the line bounded the test: this machine's or the far end's queues, timers and cores.
fn limits(effort: &Effort, tested: &Tested) -> Vec<crate::reading::LimitedBy> {
    let mut limits = Vec::new();
    let mut limit = |side, what: String| limits.push(crate::reading::LimitedBy { side, what });
    let is_up = tested.direction == Direction::Up;
    let (sender, receiver) = if is_up { (Limit::TestSet, Limit::FarEnd) } else { (Limit::FarEnd, Limit::TestSet) };
    let report = tested.report.as_ref();
    let dropped = if is_up { report.map_or(0, |report| report.dropped) } else { tested.found.dropped };
    if dropped > 0 {
        limit(receiver, format!("its receive queue dropped {dropped} datagrams"));
    }
    let sent = if is_up {
        tested.found.sent.map(|sent| (sent.datagrams, sent.left_out))
    } else {
        report.and_then(|r| r.sent.zip(r.left_out))
    };
    let was_late = sent.filter(|(sent, left_out)| *left_out as f64 > LEFT_OUT * *sent as f64);
    if let (Some((sent, left_out)), false) = (was_late, saw_congestion(tested)) {
        limit(sender, format!("it was too late to send {left_out} datagrams beside the {sent} that it sent"));
    }
    let sold = effort.sold(tested.direction);
    let best = tested.found.sub_intervals.iter().map(|one| count(one, headers(tested.family)).rate() / 1e6).fold(0.0, f64::max);
    let is_short = sold.is_none_or(|sold| best < sold);
    for (side, busy) in [(Limit::TestSet, tested.cpu_busy), (Limit::FarEnd, report.and_then(|report| report.cpu_busy))] {
        if let Some(busy) = busy.filter(|busy| is_short && *busy >= CPU_LIMIT && !saw_congestion(tested)) {
            limit(side, format!("one of its cores was {:.0} % busy", busy * 100.0));
        }
    }
    limits
}

/// The terms, both sides' counts and each sub-interval, for the engineer.
fn facts(tested: &Tested) -> serde_json::Value {
    let Tested { terms, found, report, packet, .. } = tested;
    let sub_intervals: Vec<_> = found
        .sub_intervals
        .iter()
        .map(|one| {
            json!({
                "datagrams": one.datagrams, "octets": one.octets, "span_us": one.span_us, "lost": one.lost,
                "out_of_order": one.out_of_order, "duplicates": one.duplicates,
                "one_way_rise_ms": { "max": one.one_way.max, "mean": f64::from(one.one_way.sum) / f64::from(one.one_way.count.max(1)) },
            })
        })
        .collect();
    json!({
        "method": "RFC 9097, algorithm B, over RFC 9946",
        "test_s": terms.time.as_secs(),
        "sub_interval_ms": terms.sub_interval.as_millis() as u64,
        "feedback_ms": terms.feedback.as_millis() as u64,
        "delay_thresholds_ms": [terms.low.as_millis() as u64, terms.high.as_millis() as u64],
        "sequence_errors": terms.sequence_errors,
        "packet": packet,
        "sub_intervals": sub_intervals,
        "sent": found.sent.map(|sent| json!({ "datagrams": sent.datagrams, "left_out": sent.left_out })),
        "received": found.received.map(|got| json!({ "datagrams": got.datagrams, "lost": got.lost, "out_of_order": got.out_of_order, "duplicates": got.duplicates })),
        "receive_queue": { "dropped": found.dropped, "buffer": found.buffer },
        "no_room_to_send": found.no_room,
        "far_end": report,
        "test_set_cpu": tested.cpu_busy,
        "ended": format!("{:?}", found.end),
    })
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::farend::api::CapacityReport;
    use crate::farend::capacity::Found;
    use crate::proto::capacity::Terms;
    use crate::proto::capacity::sending::Sent;
    use crate::unit::Depth;
    use crate::unit::Family;

    fn tested(direction: Direction) -> Tested {
        let one =
            SubInterval { datagrams: 10_000, octets: 12_220_000, span_us: 1_000_000, round_trip: (0, 45), ..Default::default() };
        let found = Found {
            end: End::Complete,
            sub_intervals: vec![one; 3],
            sent: (direction == Direction::Up).then_some(Sent { datagrams: 30_000, ..Sent::default() }),
            received: None,
            dropped: 0,
            buffer: 1 << 20,
            no_room: 0,
            signs: None,
            highest_mbit: None,
        };
        Tested {
            direction,
            terms: Terms::default(),
            found,
            report: None,
            cpu_busy: Some(0.2),
            family: Family::Ipv4,
            packet: 1250,
        }
    }

    fn outcome(tested: &Tested) -> Outcome {
        let effort = Effort {
            depth: Depth::Soak,
            sold_down_mbit: 200.0,
            sold_up_mbit: 200.0,
            streams: 4,
            load_time: Duration::from_secs(1),
            max_octets: None,
            confidence: 0.95,
            dscp: 0,
            capacity: Terms::default(),
            classes: None,
            voice: Default::default(),
            sizes: crate::plan::Sizes::NONE,
        };
        let mut outcome = Outcome::new(crate::reading::Status::Done);
        add(&mut outcome, &effort, None, tested);
        outcome
    }

    fn rate(outcome: &Outcome) -> &Reading {
        outcome.readings.iter().find(|reading| reading.name == "capacity.ip_rate").expect("a rate")
    }

    #[test]
    fn the_rate_counts_headers_and_is_bounded_above_only_where_the_line_was_full() {
        let full = outcome(&tested(Direction::Down));
        // 10 000 packets of 1250 octets a second.
        assert_eq!((rate(&full).value, rate(&full).high.is_some(), rate(&full).limited_by.len()), (100.0, true, 0));
        let mut calm = tested(Direction::Down);
        calm.report = Some(CapacityReport { signs: Some((60, 0)), ..CapacityReport::default() });
        assert_eq!(rate(&outcome(&calm)).high, None);
    }

    #[test]
    fn what_a_side_dropped_or_was_late_for_is_that_side_s() {
        let mut down = tested(Direction::Down);
        down.found.dropped = 12;
        assert_eq!(rate(&outcome(&down)).limited_by[0].side, Limit::TestSet);
        let mut up = tested(Direction::Up);
        up.report = Some(CapacityReport { dropped: 12, signs: Some((1, 1)), ..CapacityReport::default() });
        assert_eq!(rate(&outcome(&up)).limited_by[0].side, Limit::FarEnd);
        up.report = Some(CapacityReport { signs: Some((60, 0)), ..CapacityReport::default() });
        up.found.sent = Some(Sent { datagrams: 1000, octets: 0, left_out: 100 });
        assert_eq!(rate(&outcome(&up)).limited_by[0].side, Limit::TestSet);
    }

    #[test]
    fn a_sub_interval_that_loses_much_does_not_count() {
        let mut lossy = tested(Direction::Down);
        lossy.found.sub_intervals[1].octets *= 2;
        lossy.found.sub_intervals[1].lost = 500;
        assert_eq!(rate(&outcome(&lossy)).value, 100.0);
        lossy.found.sub_intervals.iter_mut().for_each(|one| one.lost = 500);
        let none = outcome(&lossy);
        assert!(none.readings.is_empty() && none.flaws[0].code == "capacity-lossy");
    }
}
