//! What the repeats say of the speeds that a contract states: which measurements count, which do not and why, and what follows.
//!
//! The numbers that decide are the tier's; [`crate::judge::statement`] holds them against the measurements. What something else bounded does not count, and where
//! nobody kept whether it was, nothing is assumed.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Terms;
use crate::history::store::{HistoryError, RatePoint, Store};
use crate::history::{Line, Visit};
use crate::judge::statement::{Finding, Measurement, Progress, Ruling, progress, rule};
use crate::profile::{parse, statement::Statement};
use crate::unit::{Direction, Load};

/// The figure that speeds are stated of.
const RATE: &str = "throughput.tcp_payload_rate";

/// What the visits of a span say of the stated speeds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Stated {
    /// The tier that states them: that of the last visit.
    pub tier: String,
    /// Where speeds and numbers come from.
    pub basis: String,
    /// What follows of all of them together.
    pub ruling: Ruling,
    /// Each speed, and what became of it.
    pub findings: Vec<Finding>,
    /// How far each direction is.
    pub progress: Vec<Progress>,
    /// Measurements that do not count.
    pub left_out: LeftOut,
}

/// How many measurements do not count, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct LeftOut {
    /// The test set, the far end or other traffic bounded them.
    pub bounded: u64,
    /// They were kept by a version that did not keep what bounded them.
    pub unknown: u64,
    /// Their tier states other speeds, or its text is not kept.
    pub other_tier: u64,
}

/// What the visits of a span say; `None` where the last one's tier states no speeds, or its text is not kept.
pub(super) fn summarise(store: &Store, line: &Line, terms: &Terms, visits: &[Visit]) -> Result<Option<Stated>, HistoryError> {
    let Some(last) = visits.last() else { return Ok(None) };
    let Some(stated) = statement_of(store, &last.profile_digest)? else { return Ok(None) };
    let mut same = std::collections::BTreeMap::new();
    for visit in visits {
        if !same.contains_key(&visit.profile_digest) {
            let is_same = statement_of(store, &visit.profile_digest)?.as_ref() == Some(&stated);
            same.insert(visit.profile_digest.clone(), is_same);
        }
    }
    let mut rates = Vec::new();
    for (figure, _) in store.figures()?.into_iter().filter(|(figure, _)| figure.name == RATE && figure.target.is_none()) {
        // Both ways at once each gets less than alone.
        if let Some(direction) = figure.direction.filter(|_| figure.load != Some(Load::Both)) {
            rates.extend(store.rates(line, &figure, terms.span)?.into_iter().map(|rate| (direction, rate)));
        }
    }
    let (measurements, left_out) = measurements(rates, &same, &terms.zone);
    let findings = rule(&stated, &measurements);
    let progress = [Direction::Down, Direction::Up].map(|way| progress(&stated.campaign, way, &measurements)).to_vec();
    let (tier, basis) = (last.profile.clone(), stated.basis.clone());
    Ok(Some(Stated { tier, basis, ruling: together(&findings), findings, progress, left_out }))
}

fn statement_of(store: &Store, digest: &str) -> Result<Option<Statement>, HistoryError> {
    let text = store.tier(digest)?;
    Ok(text.and_then(|text| parse(&text, "the history's copy of a tier").ok()).and_then(|tier| tier.statement))
}

/// One measurement of each direction and visit: of several IP versions the one with the most samples, since one is measured whole and the other briefly.
fn measurements(
    mut rates: Vec<(Direction, RatePoint)>,
    same_tier: &std::collections::BTreeMap<String, bool>,
    zone: &TimeZone,
) -> (Vec<Measurement>, LeftOut) {
    rates.sort_by_key(|(direction, rate)| (rate.at, rate.visit, *direction, std::cmp::Reverse(rate.samples)));
    rates.dedup_by_key(|(direction, rate)| (rate.visit, *direction));
    let (mut counted, mut left_out) = (Vec::new(), LeftOut::default());
    for (direction, rate) in rates {
        if same_tier.get(&rate.tier) != Some(&true) {
            left_out.other_tier += 1;
            continue;
        }
        match &rate.limited {
            None => left_out.unknown += 1,
            Some(limits) if !limits.is_empty() => left_out.bounded += 1,
            Some(_) => {
                let Ok(at) = Timestamp::from_millisecond(rate.at) else { continue };
                let (low, high) = (rate.low.unwrap_or(f64::NEG_INFINITY), rate.high.unwrap_or(f64::INFINITY));
                counted.push(Measurement { at: zone.to_datetime(at), direction, low, high });
            }
        }
    }
    (counted, left_out)
}

/// All are given, one is not, or it can't be told.
fn together(findings: &[Finding]) -> Ruling {
    let is = |ruling| findings.iter().any(|finding| finding.ruling == ruling);
    if is(Ruling::NotDelivered) {
        Ruling::NotDelivered
    } else if is(Ruling::NotEnough) || findings.is_empty() {
        Ruling::NotEnough
    } else {
        Ruling::Delivered
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Limit;
    use std::collections::BTreeMap;

    fn rate(visit: i64, hour: i64, samples: u64, limited: Option<Vec<Limit>>) -> RatePoint {
        RatePoint {
            visit,
            at: hour * 3_600_000,
            low: Some(200.0 + samples as f64),
            high: Some(203.0 + samples as f64),
            samples,
            limited,
            tier: "a".to_owned(),
        }
    }

    #[test]
    fn each_visit_counts_once_each_way_and_what_something_else_bounded_not_at_all() {
        let same = BTreeMap::from([("a".to_owned(), true), ("b".to_owned(), false)]);
        let rates = vec![
            (Direction::Down, rate(1, 8, 30, Some(Vec::new()))),
            (Direction::Down, rate(1, 8, 150, Some(Vec::new()))),
            (Direction::Up, rate(1, 8, 30, Some(Vec::new()))),
            (Direction::Down, rate(2, 9, 150, Some(vec![Limit::CrossTraffic]))),
            (Direction::Down, rate(3, 10, 150, None)),
            (Direction::Down, RatePoint { tier: "b".to_owned(), ..rate(4, 11, 150, Some(Vec::new())) }),
        ];
        let (counted, left_out) = measurements(rates, &same, &TimeZone::fixed(jiff::tz::offset(2)));
        let told: Vec<_> = counted.iter().map(|one| (one.direction, one.at.hour(), one.low)).collect();
        assert_eq!(told, [(Direction::Down, 10, 350.0), (Direction::Up, 10, 230.0)], "in the line's hours, of the larger sample");
        assert_eq!(left_out, LeftOut { bounded: 1, unknown: 1, other_tier: 1 });
    }
}
