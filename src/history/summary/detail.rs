//! A summary day by day and hour by hour: how the visits of each stretch ended, how a figure moved, and its field of hours by days. Pure but for asking the store.
//!
//! The hard thing is to keep apart an hour that nobody looked at, one that was looked at without this figure, and one that was bad.

use std::collections::BTreeMap;

use jiff::civil::{Date, Weekday};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::pattern::{Clock, Hour, middle};
use super::{FigureSummary, Terms, Verdicts, figure};
use crate::history::store::{HistoryError, Point, Store};
use crate::history::{Figure, Line, Service, Visit};
use crate::record::Verdict;

/// Days up to which a field has a row for each; beyond, one for each day of the week.
const MOST_ROWS: i64 = 14;
/// Days up to which a figure is followed by medians of hours; beyond, of days.
const HOURLY: i64 = 8;
/// Stretches of time at most: days, else weeks, else months, else years.
const MOST_STRETCHES: usize = 31;

/// What is beside a summary.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Detail {
    /// First and last day with a visit, on the clock on the wall.
    #[schemars(with = "[String; 2]")]
    pub days: [Date; 2],
    /// How visits ended, stretch by stretch, those without a visit too.
    pub stretches: Vec<Stretch>,
    /// The figures that were asked for, in that order.
    pub tracks: Vec<Track>,
}

/// Visits of a stretch of days.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Stretch {
    /// Its first day.
    #[schemars(with = "String")]
    pub from: Date,
    /// The day after its last.
    #[schemars(with = "String")]
    pub to: Date,
    /// How its visits ended.
    pub verdicts: Verdicts,
    /// Visits that found the line carrying packets.
    pub up: u64,
    /// Visits that found it down.
    pub down: u64,
}

/// How a figure moved.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Track {
    /// Which.
    pub figure: Figure,
    /// True when its medians are those of hours, false for days.
    pub is_hourly: bool,
    /// Days since 1970-01-01 on the clock on the wall, at the middle of the hour or day, and its median; `None` where it was not taken.
    pub medians: Vec<(f64, Option<f64>)>,
    /// Hour by day.
    pub field: Vec<Row>,
}

/// A day, or the same day of every week, by its hours.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Row {
    /// Which.
    pub of: RowOf,
    /// Hours 0 to 23; `None` where no visit was.
    pub cells: Vec<Option<Cell>>,
}

/// What a row is of.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RowOf {
    /// One day.
    Day(#[schemars(with = "String")] Date),
    /// The same day of every week, from 1 for Monday (ISO 8601).
    Weekday(i8),
}

/// An hour in which visits began.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Cell {
    /// How many.
    pub visits: u64,
    /// How many of them found the line down.
    pub down: u64,
    /// Mean of a share, median of any other figure; `None` where it was not taken.
    pub value: Option<f64>,
    /// Visits that were judged on it.
    pub judged: u64,
    /// How many of those missed a limit.
    pub missed: u64,
}

/// Looks closer at what a summary is of.
///
/// # Errors
/// When the history can't be read.
pub fn detail(store: &Store, line: &Line, terms: &Terms, figures: &[Figure]) -> Result<Detail, HistoryError> {
    let visits = store.visits(line, terms.span)?;
    let clock = Clock::new(terms);
    let day_of = |visit: &Visit| clock.hour(visit.started.as_millisecond()).0;
    let (first, last) = (visits.first().map_or(0, day_of), visits.last().map_or(0, day_of));
    let by_weekday = last - first >= MOST_ROWS;
    let mut tracks = Vec::with_capacity(figures.len());
    for figure in figures {
        let points = store.points(line, figure, terms.span)?;
        let hours = clock.hours(&points);
        let is_hourly = last - first < HOURLY;
        tracks.push(Track {
            is_hourly,
            medians: medians(&hours, is_hourly),
            field: field(&visits, &hours, figure, &clock, by_weekday),
            figure: figure.clone(),
        });
    }
    Ok(Detail { days: [date(first), date(last)], stretches: stretches(&visits, &clock, [first, last]), tracks })
}

/// The day of a count of days since 1970-01-01.
fn date(day: i64) -> Date {
    let days = jiff::Span::new().try_days(day);
    days.and_then(|days| Date::constant(1970, 1, 1).checked_add(days)).unwrap_or(Date::ZERO)
}

fn medians(hours: &[(Hour, &[Point])], is_hourly: bool) -> Vec<(f64, Option<f64>)> {
    let places: Vec<(f64, f64)> = if is_hourly {
        let place = |(day, hour): Hour| day as f64 + (f64::from(hour) + 0.5) / 24.0;
        hours.iter().filter_map(|(at, part)| Some((place(*at), middle(part)?))).collect()
    } else {
        figure::by_day(hours).into_iter().map(|(day, value)| (day as f64 + 0.5, value)).collect()
    };
    // A stretch without the figure breaks the line; a change of the clock moves an hour by one, which does not.
    let step = if is_hourly { 1.0 / 24.0 } else { 1.0 };
    let mut medians: Vec<(f64, Option<f64>)> = Vec::with_capacity(places.len());
    for (place, value) in places {
        if medians.last().is_some_and(|(before, _)| place - before > 2.5 * step) {
            medians.push((place - step / 2.0, None));
        }
        medians.push((place, Some(value)));
    }
    medians
}

fn field(visits: &[Visit], hours: &[(Hour, &[Point])], figure: &Figure, clock: &Clock, by_weekday: bool) -> Vec<Row> {
    let place = |(day, hour): Hour| (if by_weekday { weekday(day) } else { day }, hour);
    let mut cells: BTreeMap<Hour, Cell> = BTreeMap::new();
    for visit in visits {
        let cell = cells.entry(place(clock.hour(visit.started.as_millisecond()))).or_default();
        cell.visits += 1;
        cell.down += u64::from(visit.service == Service::Down);
    }
    // Values of one cell may lie weeks apart.
    let mut points: BTreeMap<Hour, Vec<Point>> = BTreeMap::new();
    for (at, part) in hours {
        points.entry(place(*at)).or_default().extend_from_slice(part);
    }
    for (at, points) in points {
        let cell = cells.entry(at).or_default();
        cell.value = if figure.name.ends_with("_ratio") {
            Some(points.iter().map(|point| point.value).sum::<f64>() / points.len() as f64)
        } else {
            middle(&points)
        };
        cell.judged = points.iter().filter(|point| point.verdict.is_some_and(|it| it != Verdict::NotTested)).count() as u64;
        cell.missed = points.iter().filter(|point| point.verdict == Some(Verdict::Fail)).count() as u64;
    }
    let mut rows: Vec<Row> = Vec::new();
    for ((day, hour), cell) in cells {
        let of = if by_weekday { RowOf::Weekday(day as i8) } else { RowOf::Day(date(day)) };
        if rows.last().is_none_or(|row| row.of != of) {
            rows.push(Row { of, cells: vec![None; 24] });
        }
        if let Some(place) = rows.last_mut().and_then(|row| row.cells.get_mut(hour as usize)) {
            *place = Some(cell);
        }
    }
    rows
}

/// From 1 for Monday; 1970-01-01 was a Thursday.
fn weekday(day: i64) -> i64 {
    (day + 3).rem_euclid(7) + 1
}

fn stretches(visits: &[Visit], clock: &Clock, [first, last]: [i64; 2]) -> Vec<Stretch> {
    if visits.is_empty() {
        return Vec::new();
    }
    let edges = edges(date(first), date(last));
    let mut stretches: Vec<Stretch> = edges
        .windows(2)
        .map(|edge| Stretch { from: edge[0], to: edge[1], verdicts: Verdicts::default(), up: 0, down: 0 })
        .collect();
    for visit in visits {
        let day = date(clock.hour(visit.started.as_millisecond()).0);
        let at = stretches.partition_point(|stretch| stretch.to <= day);
        if let Some(stretch) = stretches.get_mut(at) {
            stretch.verdicts.count(visit.verdict);
            stretch.up += u64::from(visit.service == Service::Up);
            stretch.down += u64::from(visit.service == Service::Down);
        }
    }
    stretches
}

/// Edges of days, weeks from Monday, months or years, whichever are few enough first.
fn edges(first: Date, last: Date) -> Vec<Date> {
    let span = |days: i64, months: i64, years: i64| jiff::Span::new().days(days).months(months).years(years);
    let to_monday = i64::from(first.weekday().since(Weekday::Monday));
    let kinds = [
        (first, span(1, 0, 0)),
        (first.saturating_sub(span(to_monday, 0, 0)), span(7, 0, 0)),
        (first.first_of_month(), span(0, 1, 0)),
        (first.first_of_year(), span(0, 0, 1)),
    ];
    let mut edges = Vec::new();
    for (begin, step) in kinds {
        edges = vec![begin];
        while let Some(next) = edges.last().filter(|edge| **edge <= last).and_then(|edge| edge.checked_add(step).ok()) {
            edges.push(next);
            if edges.len() > MOST_STRETCHES + 1 {
                break;
            }
        }
        if edges.len() <= MOST_STRETCHES + 1 {
            return edges;
        }
    }
    // More years than anybody keeps: the first ones.
    edges
}

impl FigureSummary {
    /// +1 when more of it is worse, -1 when less is, 0 when neither.
    pub fn worse(&self) -> f64 {
        figure::worse(&self.figure, self.unit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Date {
        text.parse().expect("a date")
    }

    #[test]
    fn stretches_are_days_weeks_months_or_years() {
        let of = |first: &str, last: &str| {
            let edges = edges(day(first), day(last));
            (edges[0].to_string(), edges[edges.len() - 1].to_string(), edges.len() - 1)
        };
        // Counted on a calendar.
        assert_eq!(of("2026-01-05", "2026-01-05"), ("2026-01-05".into(), "2026-01-06".into(), 1));
        assert_eq!(of("2026-01-05", "2026-02-04"), ("2026-01-05".into(), "2026-02-05".into(), 31));
        // 2026-01-08 is a Thursday; its week begins on the 5th.
        assert_eq!(of("2026-01-08", "2026-02-10"), ("2026-01-05".into(), "2026-02-16".into(), 6));
        assert_eq!(of("2026-01-08", "2027-01-07"), ("2026-01-01".into(), "2027-02-01".into(), 13));
        assert_eq!(of("2020-05-08", "2026-01-07"), ("2020-01-01".into(), "2027-01-01".into(), 7));
        assert_eq!((weekday(0), weekday(-3), weekday(4)), (4, 1, 1), "1970-01-01 was a Thursday");
    }

    fn hours(places: &[(i64, i8, &[f64])]) -> Vec<(Hour, Vec<Point>)> {
        let point = |value: &f64| Point { at: 0, value: *value, verdict: (*value > 5.0).then_some(Verdict::Fail) };
        places.iter().map(|(day, hour, values)| ((*day, *hour), values.iter().map(point).collect())).collect()
    }

    #[test]
    fn a_stretch_without_a_figure_breaks_its_line() {
        let held = hours(&[(0, 0, &[1.0, 3.0]), (0, 1, &[2.0]), (0, 3, &[2.0]), (0, 8, &[9.0])]);
        let hours: Vec<(Hour, &[Point])> = held.iter().map(|(at, part)| (*at, part.as_slice())).collect();
        let found = medians(&hours, true);
        let values: Vec<Option<f64>> = found.iter().map(|(_, value)| *value).collect();
        assert_eq!(values, [Some(2.0), Some(2.0), Some(2.0), None, Some(9.0)]);
        assert!((found[0].0 - 0.5 / 24.0).abs() < 1e-12);
        assert_eq!(medians(&hours, false), [(0.5, Some(2.0))]);
    }

    #[test]
    fn an_hour_without_a_visit_one_without_the_figure_and_a_bad_one_are_three_things() {
        let terms = super::super::tests::terms("UTC");
        let clock = Clock::new(&terms);
        let at = |hour: i64, service| {
            let mut visit = super::super::tests::visit(0, service);
            visit.started = jiff::Timestamp::from_millisecond(hour * 3_600_000).expect("in range");
            visit
        };
        let visits =
            [at(0, Service::Up), at(1, Service::Down), at(1, Service::Down), at(3, Service::Up), at(24 * 7, Service::Up)];
        let held = hours(&[(0, 0, &[1.0]), (0, 3, &[9.0]), (7, 0, &[3.0])]);
        let hours: Vec<(Hour, &[Point])> = held.iter().map(|(at, part)| (*at, part.as_slice())).collect();
        let figure = |name: &str| Figure { name: name.to_owned(), target: None, direction: None, family: None, load: None };
        let days = field(&visits, &hours, &figure("twoway.round_trip_p50"), &clock, false);
        assert_eq!(days.len(), 2);
        let cells = &days[0].cells;
        assert_eq!(cells[0].map(|cell| (cell.visits, cell.down, cell.value, cell.missed)), Some((1, 0, Some(1.0), 0)));
        assert_eq!(cells[1].map(|cell| (cell.visits, cell.down, cell.value)), Some((2, 2, None)));
        assert_eq!(cells[2], None);
        assert_eq!(cells[3].map(|cell| (cell.value, cell.missed, cell.judged)), Some((Some(9.0), 1, 1)));
        let weeks = field(&visits, &hours, &figure("twoway.loss_ratio"), &clock, true);
        assert_eq!(weeks.len(), 1);
        assert_eq!(weeks[0].of, RowOf::Weekday(4));
        assert_eq!(weeks[0].cells[0].map(|cell| (cell.visits, cell.value)), Some((2, Some(2.0))), "the mean of a share");
    }
}
