//! Everything that a span says of one figure. Pure.
//!
//! Quantiles are those of the visits' values; trend, hours and relations are taken on medians of days or hours, so that thousands of visits that resemble their
//! neighbours don't pass for as many proofs; changes are looked for in the values less what each hour of the day adds.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::pattern::{self, Clock, Hour, Pattern, middle};
use super::{CONFIDENCE, Limits};
use crate::history::Figure;
use crate::history::store::Point;
use crate::metric::quantile::{DelayHistogram, nearest_rank};
use crate::metric::rank::{change_point, correlation, median, trend};
use crate::reading::Unit;
use crate::record::Verdict;

/// Days from which on what an hour of the day adds is known well enough to be taken off.
const DAYS_FOR_HOURS: usize = 3;

/// One figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FigureSummary {
    /// Which.
    pub figure: Figure,
    /// Unit of its values.
    pub unit: Unit,
    /// Visits that have it.
    pub visits: u64,
    /// Of those that were judged on it, how many missed a limit.
    pub missed: Option<(u64, u64)>,
    /// Least value, quantiles 0.05, 0.5 and 0.95, greatest value (of visits; nearest rank).
    pub quantiles: [f64; 5],
    /// How it drifts; missing where there is too little of it.
    pub trend: Option<Trend>,
    /// How it follows the hour.
    pub pattern: Pattern,
    /// When its level changed.
    pub changes: Vec<Change>,
}

/// A drift.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Trend {
    /// Units a day (Theil and Sen).
    pub per_day: f64,
    /// Its limits.
    pub limits: Limits,
    /// Kendall's tau.
    pub tau: f64,
    /// Two-sided probability of such a tau without a trend.
    pub p: f64,
}

/// Whether a change is welcome, by the kind of figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Course {
    /// Longer, slower, more lost.
    Worse,
    /// The other way.
    Better,
    /// Neither side is worse.
    Other,
}

/// A change of level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// Start of the last visit at the old level.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub after: Timestamp,
    /// Start of the first visit at the new level.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub at: Timestamp,
    /// Median before, back to the change before.
    pub before: f64,
    /// Median from then on.
    pub then: f64,
    /// For better or worse.
    pub course: Course,
}

/// Delays of all samples in the span, merged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Delays {
    /// Which.
    pub figure: Figure,
    /// Samples that came back.
    pub samples: u64,
    /// Samples that never did.
    pub lost: u64,
    /// Quantiles in milliseconds, the lost counted as infinite; missing among those.
    pub p50: Option<f64>,
    /// The 95th percentile.
    pub p95: Option<f64>,
    /// The 99th.
    pub p99: Option<f64>,
    /// The 99.9th.
    pub p999: Option<f64>,
}

impl Delays {
    pub(super) fn of(figure: Figure, sketch: &DelayHistogram) -> Self {
        let [p50, p95, p99, p999] = [0.5, 0.95, 0.99, 0.999].map(|q| sketch.quantile(q));
        Self { figure, samples: sketch.len(), lost: sketch.lost(), p50, p95, p99, p999 }
    }
}

/// A figure that moves with one of the access line's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Related {
    /// The figure.
    pub figure: Figure,
    /// The line's.
    pub with: Figure,
    /// Spearman's rho of their daily medians.
    pub rho: f64,
    /// Its limits, which leave out zero.
    pub limits: Limits,
    /// Days that have both.
    pub days: usize,
}

pub(super) fn summarise(figure: Figure, unit: Unit, points: &[Point], clock: &Clock) -> FigureSummary {
    let hours = clock.hours(points);
    let mut sorted: Vec<f64> = points.iter().map(|point| point.value).collect();
    let at = |values: &mut Vec<f64>, q: f64| {
        let rank = nearest_rank(values.len() as u64, q).unwrap_or(1) as usize - 1;
        *values.select_nth_unstable_by(rank, f64::total_cmp).1
    };
    let quantiles = [0.0, 0.05, 0.5, 0.95, 1.0].map(|q| at(&mut sorted, q));
    let judged = points.iter().filter(|point| point.verdict.is_some_and(|verdict| verdict != Verdict::NotTested)).count() as u64;
    let missed = points.iter().filter(|point| point.verdict == Some(Verdict::Fail)).count() as u64;
    let worse = worse(&figure, unit);
    let pattern = pattern::pattern(&hours, clock, worse);
    FigureSummary {
        visits: points.len() as u64,
        missed: (judged > 0).then_some((missed, judged)),
        quantiles,
        trend: drift(&hours),
        changes: changes(points, &hours, &pattern, worse),
        pattern,
        figure,
        unit,
    }
}

/// +1 when more of it is worse, -1 when less is, 0 when neither.
pub(super) fn worse(figure: &Figure, unit: Unit) -> f64 {
    match unit {
        Unit::Millisecond => 1.0,
        Unit::MegabitPerSecond | Unit::PerMinute => -1.0,
        Unit::One if figure.name.ends_with("_ratio") || figure.name.ends_with("errors") || figure.name.ends_with("drops") => 1.0,
        _ => 0.0,
    }
}

/// On medians of days, or of hours while there are too few days.
fn drift(hours: &[(Hour, &[Point])]) -> Option<Trend> {
    let days = by_day(hours);
    let points: Vec<(f64, f64)> = if days.len() >= trend::FEWEST {
        days.iter().map(|(day, value)| (*day as f64, *value)).collect()
    } else {
        hours.iter().filter_map(|((day, hour), part)| Some((*day as f64 + f64::from(*hour) / 24.0, middle(part)?))).collect()
    };
    let told = trend::theil_sen(&points, CONFIDENCE)?;
    Some(Trend { per_day: told.slope, limits: told.interval.into(), tau: told.tau, p: told.p })
}

/// Medians of days, from hours.
pub(super) fn by_day(hours: &[(Hour, &[Point])]) -> Vec<(i64, f64)> {
    let day = |day: &[(Hour, &[Point])]| {
        let mut values: Vec<f64> = day.iter().flat_map(|(_, part)| part.iter().map(|point| point.value)).collect();
        Some((day[0].0.0, median(&mut values)?))
    };
    hours.chunk_by(|one, other| one.0.0 == other.0.0).filter_map(day).collect()
}

/// Medians of days.
pub(super) fn days(points: &[Point], clock: &Clock) -> Vec<(i64, f64)> {
    by_day(&clock.hours(points))
}

fn changes(points: &[Point], hours: &[(Hour, &[Point])], pattern: &Pattern, worse: f64) -> Vec<Change> {
    let days = hours.chunk_by(|one, other| one.0.0 == other.0.0).count();
    // What an hour of the day adds to the middle of all hours.
    let level = median(&mut pattern.by_hour.iter().copied().flatten().collect::<Vec<_>>()).unwrap_or_default();
    let added = |hour: i8| match pattern.by_hour.get(hour as usize).copied().flatten() {
        Some(value) if days >= DAYS_FOR_HOURS && pattern.p.is_none_or(|p| p <= pattern::LEVEL) => value - level,
        _ => 0.0,
    };
    let flat: Vec<f64> = hours.iter().flat_map(|(at, part)| part.iter().map(move |point| point.value - added(at.1))).collect();
    let moment = |place: usize| Timestamp::from_millisecond(points[place].at).unwrap_or_default();
    let places: Vec<usize> = change_point::find(&flat).into_iter().map(|change| change.at).collect();
    let edges: Vec<usize> = [0].into_iter().chain(places).chain([points.len()]).collect();
    // On the values as they are: what a drift adds from hour to hour was taken for a pattern of the day above, and its days look like steps then.
    if is_drift(&points.iter().map(|point| point.value).collect::<Vec<_>>(), &edges) {
        return Vec::new();
    }
    let change = |w: &[usize]| {
        let (before, then) = (middle(&points[w[0]..w[1]])?, middle(&points[w[1]..w[2]])?);
        let by = (then - before) * worse;
        let course = match by.total_cmp(&0.0) {
            std::cmp::Ordering::Greater => Course::Worse,
            std::cmp::Ordering::Less => Course::Better,
            std::cmp::Ordering::Equal => Course::Other,
        };
        Some(Change { after: moment(w[1] - 1), at: moment(w[1]), before, then, course })
    };
    edges.windows(3).filter_map(change).collect()
}

/// Whether levels are the steps that a search for levels makes of a drift: two changes or more, and most segments go on the same way within themselves *(ours)*.
/// Between real steps they are flat. The trend tells of a drift.
fn is_drift(values: &[f64], edges: &[usize]) -> bool {
    if edges.len() < 4 {
        return false;
    }
    let slope = |part: &[f64]| {
        let block = part.len().div_ceil(MOST_BLOCKS).max(1);
        let medians = part.chunks(block).enumerate().filter_map(|(at, part)| Some((at as f64, median(&mut part.to_vec())?)));
        let told = trend::theil_sen(&medians.collect::<Vec<_>>(), CONFIDENCE)?;
        (told.p < 1.0 - CONFIDENCE).then_some(told.slope)
    };
    let Some(whole) = slope(values) else { return false };
    let same = edges.windows(2).filter(|w| slope(&values[w[0]..w[1]]).is_some_and(|part| part * whole > 0.0)).count();
    2 * same > edges.len() - 1
}

/// Values that a trend within a segment is looked for in.
const MOST_BLOCKS: usize = 60;

/// Figures whose daily medians move with those of the access line's figures, beyond chance.
pub(super) fn related(by_day: &[(Figure, Vec<(i64, f64)>)]) -> Vec<Related> {
    let is_of_line = |figure: &Figure| figure.name.starts_with("line.");
    let mut related = Vec::new();
    for (with, facts) in by_day.iter().filter(|(figure, _)| is_of_line(figure)) {
        for (figure, values) in by_day.iter().filter(|(figure, _)| !is_of_line(figure)) {
            let at = |day: i64| facts.binary_search_by_key(&day, |(day, _)| *day).ok().map(|place| facts[place].1);
            let pairs: Vec<(f64, f64)> = values.iter().filter_map(|(day, value)| Some((at(*day)?, *value))).collect();
            let Some(told) = correlation::spearman(&pairs, CONFIDENCE) else { continue };
            if told.interval.low.is_some_and(|low| low > 0.0) || told.interval.high.is_some_and(|high| high < 0.0) {
                let limits = told.interval.into();
                related.push(Related { figure: figure.clone(), with: with.clone(), rho: told.rho, limits, days: pairs.len() });
            }
        }
    }
    related
}
