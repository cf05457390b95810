//! Loss, order and variation in depth: bursts and gaps, loss periods, reordering, IPDV, and the parameters of ITU-T Y.1540.

use std::collections::BTreeMap;
use std::time::Duration;

use serde_json::{Value, json};

use super::to_ms;
use crate::check::twoway::stream::StreamResult;
use crate::metric::burst::{BurstGap, Fate, LossPattern, RECOMMENDED_GMIN};
use crate::metric::sampling::Sampling;
use crate::metric::{delay_variation, mean, quantile};
use crate::proto::stamp::account::{Account, Way};
use crate::reading::Reading;
use crate::unit::{Direction, Interval};

/// A description of what was seen: no estimate of anything, so without an interval.
fn described(name: &'static str, value: f64, samples: u64) -> Reading {
    Reading::new(name, value, samples, Interval { low: None, high: None, confidence: 1.0 })
}

/// The readings of one direction; packets were `interval` apart on average.
pub(super) fn of_way(way: &Way, interval: Duration, sampling: Sampling) -> Vec<Reading> {
    let mut readings = Vec::new();
    let arrived: Vec<Option<f64>> = way.variation.iter().flatten().map(|&ns| Some(to_ms(ns as f64))).collect();
    readings.extend(quantiles(&arrived, &[("twoway.delay_variation_p50", 0.5)], sampling));
    // A constant offset cancels, so the variation serves as well as the delays (RFC 5481 section 4.1).
    let sizes: Vec<Option<f64>> =
        delay_variation::ipdv(&way.variation).into_iter().flatten().map(|ns| Some(to_ms(ns.abs() as f64))).collect();
    let ipdv = [("twoway.ipdv_p50", 0.5), ("twoway.ipdv_p95", 0.95), ("twoway.ipdv_p999", 0.999)];
    readings.extend(quantiles(&sizes, &ipdv, sampling));
    readings.extend(bursts(&way.fates, interval));
    let reordering = &way.reordering;
    if let Some(extent) = reordering.reordered.iter().map(|one| one.extent).max() {
        readings.push(described("twoway.reordering_extent", extent as f64, reordering.received));
    }
    if reordering.received > 0 {
        let hit = reordering.reordered.iter().filter(|one| one.n_reordering >= 3).count() as u64;
        let interval = sampling.share(hit, reordering.received, 1.0);
        let value = hit as f64 / reordering.received as f64;
        readings.push(Reading::new("twoway.three_reordered_ratio", value, reordering.received, interval));
    }
    readings
}

fn quantiles(series: &[Option<f64>], wanted: &[(&'static str, f64)], sampling: Sampling) -> Vec<Reading> {
    let mut sorted: Vec<f64> = series.iter().flatten().copied().collect();
    sorted.sort_by(f64::total_cmp);
    let one = |(name, q): &(&'static str, f64)| {
        let value = quantile::of_sorted(&sorted, 0, *q)?;
        Some(Reading::new(name, value, sorted.len() as u64, quantile::interval_of_series(series, *q, sampling)))
    };
    wanted.iter().filter_map(one).collect()
}

fn bursts(fates: &[bool], interval: Duration) -> Vec<Reading> {
    let Some(longest) = LossPattern::of(fates.iter().copied()).periods.into_iter().max() else { return Vec::new() };
    let marked: Vec<Fate> = fates.iter().map(|lost| if *lost { Fate::Lost } else { Fate::Received }).collect();
    let BurstGap { bursts, gaps, .. } = BurstGap::of(&marked, RECOMMENDED_GMIN);
    let apart = interval.as_secs_f64() * 1e3;
    let mean = |packets: u64, count: u64| if count == 0 { 0.0 } else { packets as f64 / count as f64 * apart };
    let samples = fates.len() as u64;
    vec![
        described("twoway.burst_density", bursts.density(), samples),
        described("twoway.burst_duration", mean(bursts.packets, bursts.count), samples),
        described("twoway.gap_density", gaps.density(), samples),
        described("twoway.gap_duration", mean(gaps.packets, gaps.count), samples),
        described("twoway.longest_loss", longest as f64 * apart, samples),
    ]
}

/// IPTD as half of the round trip.
pub(super) fn transfer_delay(account: &Account, sampling: Sampling) -> Option<Reading> {
    let halves: Vec<f64> = account.round_trip.iter().flatten().map(|&ns| to_ms(ns as f64) / 2.0).collect();
    let (value, interval) = sampling.other(|confidence| mean::of_series(&halves, confidence))?;
    Some(Reading::new("twoway.transfer_delay_mean", value, halves.len() as u64, interval))
}

/// IPER on the way back.
pub(super) fn errored(result: &StreamResult, sampling: Sampling) -> Option<Reading> {
    let damaged = result.checksum_errors? + result.account.tally.forged;
    let all = damaged + (result.account.sent - result.account.lost);
    let interval = sampling.share(damaged, all, 1.0);
    (all > 0).then(|| Reading::new("twoway.errored_ratio", damaged as f64 / all as f64, all, interval).toward(Direction::Down))
}

/// What a direction's losses and copies look like, for the engineer.
pub(super) fn facts(way: &Way, direction: Direction) -> BTreeMap<String, Value> {
    let pattern = LossPattern::of(way.fates.iter().copied());
    let mut facts = BTreeMap::new();
    if !pattern.periods.is_empty() {
        let what = json!({ "loss_periods": pattern.periods.len(), "noticeable_within_16": pattern.noticeable_rate(16), "misplaced_losses": way.misplaced });
        facts.insert(format!("loss_pattern_{direction}"), what);
    }
    if way.duplication.replicated > 0 {
        facts.insert(format!("packets_with_copies_{direction}"), way.duplication.replicated.into());
    }
    facts
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(readings: &[Reading], name: &str) -> Option<f64> {
        readings.iter().find(|reading| reading.name == name).map(|reading| reading.value)
    }

    /// Packets of 20 ms: a burst of 10 with 8 lost, and one lost alone 60 packets later (RFC 3611 section 4.7.2 and appendix A.2).
    #[test]
    fn bursts_and_gaps_are_told_in_time() {
        let mut fates = vec![false; 200];
        for at in [50, 51, 52, 53, 55, 57, 58, 59, 119] {
            fates[at] = true;
        }
        let readings = of_way(&Way { fates, ..Way::default() }, Duration::from_millis(20), 0.95.into());
        assert_eq!(value(&readings, "twoway.burst_density"), Some(0.8));
        assert_eq!(value(&readings, "twoway.burst_duration"), Some(200.0));
        assert_eq!(value(&readings, "twoway.gap_density"), Some(1.0 / 190.0));
        assert_eq!(value(&readings, "twoway.gap_duration"), Some(1900.0));
        assert_eq!(value(&readings, "twoway.longest_loss"), Some(80.0));
    }

    /// RFC 5481 figure 1: delays 20 10 20 25 20, so differences of 10, 10, 5, 5 and variations of 10 0 10 15 10.
    #[test]
    fn both_forms_of_variation_come_from_the_same_delays() {
        let variation = [10, 0, 10, 15, 10].map(|ms| Some(ms * 1_000_000)).to_vec();
        let readings = of_way(&Way { variation, ..Way::default() }, Duration::from_millis(20), 0.95.into());
        assert_eq!(value(&readings, "twoway.delay_variation_p50"), Some(10.0));
        assert_eq!((value(&readings, "twoway.ipdv_p50"), value(&readings, "twoway.ipdv_p95")), (Some(5.0), Some(10.0)));
        assert_eq!(value(&readings, "twoway.burst_density"), None, "nothing is lost");
    }
}
