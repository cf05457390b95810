//! Symptoms of the rates: missed limits, what bounded them, whose rates they are, and the queues that fill meanwhile.

use super::{Evidence, Findings};
use crate::isolate::model::Symptom;
use crate::judge::{Judgement, Verdict};
use crate::reading::{Limit, words};
use crate::unit::{Direction, Load};

/// TCP gives what the arithmetic of headers lets expect to 1 per cent, and seldom more; twice that below.
const EXACTLY: std::ops::RangeInclusive<f64> = 0.98..=1.005;

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    for (direction, symptom) in [(Direction::Down, Symptom::DownTooSlow), (Direction::Up, Symptom::UpTooSlow)] {
        let rate = |j: &Judgement| j.reading == "throughput.tcp_payload_rate" && j.direction == Some(direction);
        if let Some((missed, judgement)) = evidence.limit_missed(rate) {
            found.note(symptom, missed, format!("{}: {}", judgement.criterion, judgement.because));
        }
    }
    let filled = |j: &Judgement| j.reading.starts_with("throughput.delay_under_load") && !is_of_the_idle_line(evidence, j);
    if let Some((missed, judgement)) = evidence.limit_missed(filled) {
        found.note(Symptom::DelayUnderLoad, missed, format!("{}: {}", judgement.criterion, judgement.because));
    }
    another_tier(evidence, found);
    let missed_under = |load| evidence.limit_missed(|j| filled(j) && j.load == Some(load)).map(|(m, _)| m);
    let (down, up) = (missed_under(Load::Down), missed_under(Load::Up));
    if down == Some(true) || up == Some(true) {
        for (missed, symptom, way) in [(down, Symptom::QueueDown, "downstream"), (up, Symptom::QueueUp, "upstream")] {
            if let Some(missed) = missed {
                let what = if missed { "misses" } else { "keeps" };
                found.note(symptom, missed, format!("the delay {what} its limit while the line is filled {way}"));
            }
        }
    }
    if evidence.readings("throughput.single_stream_rate").next().is_some() {
        let flaw = evidence.flaw("throughput", &["single-stream-shaped"]);
        let words = flaw.map_or("no shaper holds each stream to a rate of its own", |flaw| flaw.what.as_str());
        found.note(Symptom::SingleFlowShaped, flaw.is_some(), words);
    }
    let Some(throughput) = evidence.ran("throughput").filter(|o| !o.readings.is_empty()) else { return };
    for (side, symptom) in [
        (Limit::TestSet, Symptom::BoundByTestSet),
        (Limit::FarEnd, Symptom::BoundByFarEnd),
        (Limit::CrossTraffic, Symptom::CrossTraffic),
    ] {
        let limit = throughput.readings.iter().flat_map(|r| &r.limited_by).find(|l| l.side == side);
        // Nobody looked for other traffic where the gateway's counters tell nothing.
        let was_looked_for =
            side != Limit::CrossTraffic || throughput.readings.iter().any(|r| r.name == "throughput.cross_traffic_ratio");
        match limit {
            Some(limit) => found.note(symptom, true, format!("the rate was bounded by {}", words::limited(limit))),
            None if was_looked_for => found.note(symptom, false, format!("{} did not bound the rate", side_words(side))),
            None => {}
        }
    }
}

/// Whether a delay under load misses its limit for the sake of a delay that is too long on the idle line already: what the load adds to that would
/// keep the limit, so that no queue is shown to be too deep.
fn is_of_the_idle_line(evidence: &Evidence<'_>, judgement: &Judgement) -> bool {
    let (Some(loaded), Some(most)) = (judgement.value, judgement.limit.at_most) else { return false };
    let idle_missed = evidence.limit_missed(|j| j.reading.starts_with("twoway.round_trip")).is_some_and(|(missed, _)| missed);
    let idle = evidence.idle("twoway.round_trip_p50").first().map(|reading| reading.value);
    judgement.verdict == Verdict::Fail && idle_missed && idle.is_some_and(|idle| loaded - idle <= most)
}

fn side_words(side: Limit) -> &'static str {
    match side {
        Limit::TestSet => "the test set",
        Limit::FarEnd => "the far end",
        Limit::CrossTraffic => "other traffic",
    }
}

/// Once a rate is too low: whether both are those of another tier.
fn another_tier(evidence: &Evidence<'_>, found: &mut Findings) {
    let rate = |direction| {
        let of = |r: &&crate::reading::Reading| r.direction == Some(direction);
        evidence.idle("throughput.tcp_payload_rate").into_iter().find(of).map(|r| r.value)
    };
    let low = found.0.iter().any(|o| o.seen && matches!(o.symptom, Symptom::DownTooSlow | Symptom::UpTooSlow));
    let (true, Some(down), Some(up)) = (low, rate(Direction::Down), rate(Direction::Up)) else { return };
    if evidence.setting.tiers.is_empty() {
        return;
    }
    let is = |tier: &&crate::isolate::Tier| EXACTLY.contains(&(down / tier.down_mbit)) && EXACTLY.contains(&(up / tier.up_mbit));
    let tier = evidence.setting.tiers.iter().find(is);
    let rates = format!("{} and {} Mbit/s", words::significant(down), words::significant(up));
    let words = match tier {
        Some(tier) => format!("{rates} are what the tier {} gives, which is not the one sold", tier.name),
        None => format!("{rates} are those of no other tier"),
    };
    found.note(Symptom::RateOfAnotherTier, tier.is_some(), words);
}
