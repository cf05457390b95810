//! Whether a figure follows the hour of the day: congestion when many use the network, told from a fault that is always there. Pure.
//!
//! Each day gives one pair: the median of its busy hours and that of its quiet ones. Visits of one evening resemble each other, days hardly do, so the pairs are
//! what is tested (Wilcoxon's signed ranks, [`crate::metric::rank::signed_rank`]). A pattern is claimed when chance makes such a difference on at most
//! [`LEVEL`] of figures that have none.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{CONFIDENCE, Hours, Limits, Terms};
use crate::history::store::Point;
use crate::metric::rank::median;
use crate::metric::rank::signed_rank::signed_rank;
use crate::record::Verdict;

/// Share of figures without a pattern that are said to have one: seven days that all differ the same way have 2 / 2^7 = 0.016.
pub(super) const LEVEL: f64 = 0.02;

/// A trouble counts as there always when it shows in more than so large a share of the quiet hours' visits *(ours)*.
const ALWAYS: f64 = 0.5;
/// And as one of the busy hours when it shows in at most so large a share of the quiet hours' *(ours)*.
const SELDOM: f64 = 0.1;

const HOUR: i64 = 3_600_000;

/// What follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Finding {
    /// Worse, or only different where no side is worse, in busy hours; limits are missed there and seldom in quiet ones.
    BusyHours,
    /// Limits are missed in quiet hours as well: not congestion by other customers.
    Steady,
    /// It differs between the hours, which costs no limit.
    Differs,
    /// No difference is shown.
    Even,
    /// Too few days have visits in both.
    TooFewDays,
}

/// A figure by hours.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Pattern {
    /// What follows.
    pub finding: Finding,
    /// Days with visits in both.
    pub days: usize,
    /// Busy less quiet hours, in the middle of the days.
    pub shift: Option<f64>,
    /// Its limits.
    pub limits: Limits,
    /// Two-sided probability of such pairs without a difference.
    pub p: Option<f64>,
    /// Share of the busy hours' visits that missed a limit.
    pub missed_busy: Option<f64>,
    /// Share of the quiet hours'.
    pub missed_quiet: Option<f64>,
    /// Median of each hour of the day, of all days; missing where no visit was.
    pub by_hour: Vec<Option<f64>>,
}

/// Hours and days of moments, in a time zone. Offsets are looked up once an hour, since a year has many moments.
#[derive(Debug)]
pub(super) struct Clock {
    zone: TimeZone,
    busy: Hours,
    quiet: Hours,
}

/// An hour of a day: days since the epoch, and the hour, 0 to 23.
pub(super) type Hour = (i64, i8);

impl Clock {
    pub(super) fn new(terms: &Terms) -> Self {
        Self { zone: terms.zone.clone(), busy: terms.busy, quiet: terms.quiet }
    }

    /// Points cut into hours of the clock on the wall, in the order of time.
    pub(super) fn hours<'a>(&self, points: &'a [Point]) -> Vec<(Hour, &'a [Point])> {
        let mut hours: Vec<(Hour, &[Point])> = Vec::new();
        // Offsets of all zones are whole quarters of an hour today.
        for part in points.chunk_by(|one, other| one.at.div_euclid(HOUR / 4) == other.at.div_euclid(HOUR / 4)) {
            hours.push((self.hour(part[0].at), part));
        }
        let mut merged: Vec<(Hour, &[Point])> = Vec::with_capacity(hours.len());
        let mut begin = 0;
        for group in hours.chunk_by(|one, other| one.0 == other.0) {
            let length: usize = group.iter().map(|(_, part)| part.len()).sum();
            merged.push((group[0].0, &points[begin..begin + length]));
            begin += length;
        }
        merged
    }

    /// The hour and day of a moment.
    pub(super) fn hour(&self, at: i64) -> Hour {
        let offset = Timestamp::from_millisecond(at).map_or(0, |at| i64::from(self.zone.to_offset(at).seconds()));
        let local = at + offset * 1000;
        let day = local.div_euclid(24 * HOUR);
        (day, ((local - day * 24 * HOUR) / HOUR) as i8)
    }
}

/// Of a figure's hours; `worse` is +1 when more of it is worse, -1 when less is, 0 when neither.
pub(super) fn pattern(hours: &[(Hour, &[Point])], clock: &Clock, worse: f64) -> Pattern {
    let of_hour = |hour: i8| {
        let mut medians: Vec<f64> = hours.iter().filter(|(at, _)| at.1 == hour).filter_map(|(_, part)| middle(part)).collect();
        median(&mut medians)
    };
    let differences: Vec<f64> = hours
        .chunk_by(|one, other| one.0.0 == other.0.0)
        .filter_map(|day| {
            let of = |these: Hours| {
                let values =
                    day.iter().filter(|(at, _)| these.contain(at.1)).flat_map(|(_, part)| part.iter().map(|point| point.value));
                median(&mut values.collect::<Vec<_>>())
            };
            Some(of(clock.busy)? - of(clock.quiet)?)
        })
        .collect();
    let missed = |these: Hours| {
        let judged = hours.iter().filter(|(at, _)| these.contain(at.1)).flat_map(|(_, part)| part.iter());
        let verdicts: Vec<Verdict> =
            judged.filter_map(|point| point.verdict).filter(|verdict| *verdict != Verdict::NotTested).collect();
        let failed = verdicts.iter().filter(|verdict| **verdict == Verdict::Fail).count();
        (!verdicts.is_empty()).then(|| failed as f64 / verdicts.len() as f64)
    };
    let (missed_busy, missed_quiet) = (missed(clock.busy), missed(clock.quiet));
    let told = signed_rank(&differences, CONFIDENCE).filter(|told| told.interval.low.is_some());
    let finding = match &told {
        None => Finding::TooFewDays,
        // A fault that is there at night is no congestion, whatever the evening adds to it.
        Some(_) if missed_quiet.is_some_and(|share| share > ALWAYS) => Finding::Steady,
        Some(told) if told.p > LEVEL => Finding::Even,
        Some(told)
            if told.shift * worse > 0.0 && missed_busy > missed_quiet && missed_quiet.is_some_and(|share| share <= SELDOM) =>
        {
            Finding::BusyHours
        }
        Some(_) => Finding::Differs,
    };
    Pattern {
        finding,
        days: differences.len(),
        shift: told.map(|told| told.shift),
        limits: told.map_or(Limits { low: None, high: None }, |told| told.interval.into()),
        p: told.map(|told| told.p),
        missed_busy,
        missed_quiet,
        by_hour: (0..24).map(of_hour).collect(),
    }
}

pub(super) fn middle(points: &[Point]) -> Option<f64> {
    median(&mut points.iter().map(|point| point.value).collect::<Vec<_>>())
}
