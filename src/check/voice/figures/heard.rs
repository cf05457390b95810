//! What listeners hear of calls that are marked alike: the buffer of each, and the rating of all.

use crate::metric::burst::{BurstGap, Fate, RECOMMENDED_GMIN};
use crate::metric::dependence::design_effect;
use crate::metric::jitter;
use crate::metric::loss_interval::clustered;
use crate::metric::mean::of_batches;
use crate::metric::voice::impairment::{Impairment, burst_ratio, coding_delay_ms};
use crate::metric::voice::playout::{Played, SPURT, play};
use crate::metric::voice::rating::{Inputs, Rating, rate};
use crate::proto::voice::account::Account;
use crate::unit::{CallTerms, Direction, Interval};

/// A second below this rating is a bad one: many users are dissatisfied (ITU-T G.107 annex B, from memory).
pub(super) const BAD: f64 = 70.0;

/// All calls of a group, one direction.
#[derive(Debug)]
pub(super) struct Heard {
    pub(super) sent: u64,
    lost: u64,
    late: u64,
    pub(super) lost_interval: Interval,
    pub(super) late_interval: Interval,
    missed_interval: Interval,
    /// The worst call's, milliseconds.
    pub(super) jitter: Option<(f64, Interval)>,
    pub(super) burst_ratio: Option<f64>,
    pub(super) bursts: BurstGap,
    pub(super) underruns: u64,
    pub(super) overruns: u64,
    pub(super) wait_ms: f64,
    /// From talk spurt to talk spurt.
    pub(super) wait_interval: Interval,
    pub(super) half_round_trip_ms: f64,
    pub(super) one_way_ms: f64,
    pub(super) rated: Rating,
    impairment: Impairment,
    /// Rating of each call.
    pub(super) each: Vec<f64>,
    /// Rating of each second of each call.
    pub(super) seconds: Vec<f64>,
    /// Of each second since the calls began, the mean over the calls.
    pub(super) each_second: Vec<f64>,
    pub(super) bad_seconds: (f64, Interval),
    pub(super) schedule_errors_ms: Vec<f64>,
    pub(super) drift_ppm: Option<f64>,
}

impl Heard {
    /// `None` without any call, or when none sent anything.
    pub(super) fn of(calls: &[&Account], direction: Direction, terms: &CallTerms, confidence: f64) -> Option<Self> {
        let ways: Vec<_> = calls.iter().map(|account| super::way(account, direction)).collect();
        let played: Vec<Played> = ways.iter().map(|way| play(&terms.buffer, &way.transits)).collect();
        let fates: Vec<Fate> = played.iter().flat_map(|played| played.fates.iter().copied()).collect();
        let sent = fates.len() as u64;
        if sent == 0 {
            return None;
        }
        let interval = |wanted: &dyn Fn(Fate) -> bool| {
            let hits = fates.iter().filter(|fate| wanted(**fate)).count() as u64;
            let effect = design_effect(fates.iter().map(|fate| wanted(*fate)));
            (hits, clustered(hits, sent, effect, confidence))
        };
        let (lost, lost_interval) = interval(&|fate| fate == Fate::Lost);
        let (late, late_interval) = interval(&|fate| fate == Fate::Discarded);
        let (missed, missed_interval) = interval(&|fate| fate != Fate::Received);
        // Half of the least round trip of each call: which way is the longer one can't be told.
        let half: Vec<f64> = calls.iter().filter_map(|call| Some(call.least_round_trip()? as f64 / 2e6)).collect();
        let half_round_trip_ms = mean(&half);
        let spurts = played.iter().flat_map(|played| played.played_at.chunks(SPURT).map(mean_ms));
        let wait_interval = of_batches(&spurts.collect::<Vec<_>>(), confidence);
        let waits: Vec<f64> = played.iter().map(|played| played.mean_wait_ms(0)).collect();
        let (impairment, coding_ms) = (Impairment::of(terms), coding_delay_ms(terms.codec));
        let rated = |fates: &mut dyn Iterator<Item = bool>, wait_ms: f64| {
            let missed: Vec<bool> = fates.collect();
            let lost_share = missed.iter().filter(|is| **is).count() as f64 / missed.len().max(1) as f64;
            let burst_ratio = burst_ratio(missed).unwrap_or(1.0);
            rate(&Inputs { one_way_ms: coding_ms + half_round_trip_ms + wait_ms, impairment, lost_share, burst_ratio })
        };
        let each = played.iter().zip(&waits).map(|(played, wait)| shown(rated(&mut played.missed(), *wait).r)).collect();
        let mut of_calls: Vec<Vec<f64>> = Vec::new();
        for played in &played {
            let spurts = played.fates.chunks(SPURT).zip(played.played_at.chunks(SPURT));
            of_calls.push(
                spurts
                    .filter(|(fates, _)| fates.len() == SPURT)
                    .map(|(fates, at)| shown(rated(&mut fates.iter().map(|fate| *fate != Fate::Received), mean_ms(at)).r))
                    .collect(),
            );
        }
        let longest = of_calls.iter().map(Vec::len).max().unwrap_or(0);
        let of_second = |second: usize| mean(&of_calls.iter().filter_map(|call| call.get(second).copied()).collect::<Vec<_>>());
        let seconds: Vec<f64> = of_calls.concat();
        let bad = seconds.iter().filter(|r| **r < BAD).count() as u64;
        let effect = design_effect(seconds.iter().map(|r| *r < BAD));
        let bad_interval = clustered(bad, seconds.len() as u64, effect, confidence);
        let jitters = ways.iter().filter_map(|way| jitter::of_stream(&way.in_order, confidence));
        let wait_ms = mean(&waits);
        let one_way_ms = coding_ms + half_round_trip_ms + wait_ms;
        let ratio = burst_ratio(fates.iter().map(|fate| *fate != Fate::Received));
        let lost_share = missed as f64 / sent as f64;
        Some(Self {
            sent,
            lost,
            late,
            lost_interval,
            late_interval,
            missed_interval,
            jitter: jitters.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(ns, interval)| (ns / 1e6, in_ms(interval))),
            burst_ratio: ratio,
            bursts: BurstGap::of(&fates, RECOMMENDED_GMIN),
            underruns: played.iter().map(|played| played.underruns).sum(),
            overruns: played.iter().map(|played| played.overruns).sum(),
            wait_ms,
            wait_interval,
            half_round_trip_ms,
            one_way_ms,
            rated: rate(&Inputs { one_way_ms, impairment, lost_share, burst_ratio: ratio.unwrap_or(1.0) }),
            impairment,
            each,
            each_second: (0..longest).map(of_second).collect(),
            bad_seconds: (bad as f64 / seconds.len().max(1) as f64, bad_interval),
            seconds,
            schedule_errors_ms: ways.iter().flat_map(|way| way.schedule_errors_ms.iter().copied()).collect(),
            drift_ppm: calls.iter().find_map(|call| Some(call.drift?.rate * 1e6)),
        })
    }

    pub(super) fn lost_share(&self) -> f64 {
        self.lost as f64 / self.sent as f64
    }

    pub(super) fn late_share(&self) -> f64 {
        self.late as f64 / self.sent as f64
    }

    /// Lost and late: what the rating calls Ppl.
    pub(super) fn missed_share(&self) -> f64 {
        self.lost_share() + self.late_share()
    }

    /// The rating, and what it would be at the bounds of the share missed.
    pub(super) fn rating(&self) -> (f64, Interval) {
        let at = |lost_share: f64| {
            let burst_ratio = self.burst_ratio.unwrap_or(1.0);
            let inputs = Inputs { one_way_ms: self.one_way_ms, impairment: self.impairment, lost_share, burst_ratio };
            shown(rate(&inputs).r)
        };
        let Interval { low, high, confidence } = self.missed_interval;
        // More missed is a lower rating; without a bound all of it may be.
        (shown(self.rated.r), Interval { low: high.map(at), high: low.map(at), confidence })
    }
}

/// A rating as it is reported: 0 to 100 (RFC 3611 section 4.7.5).
fn shown(r: f64) -> f64 {
    r.clamp(0.0, 100.0)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

fn mean_ms(times: &[i64]) -> f64 {
    times.iter().sum::<i64>() as f64 / times.len().max(1) as f64 / 1e6
}

fn in_ms(interval: Interval) -> Interval {
    let ms = |bound: Option<f64>| bound.map(|ns| ns / 1e6);
    Interval { low: ms(interval.low), high: ms(interval.high), ..interval }
}
