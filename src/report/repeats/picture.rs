//! The pictures of a history: how visits ended over the span, how a figure moved, and which hours are bad.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime, Weekday};

use super::super::picture::{
    Axis, Column, Columns, Field, FieldCell, FieldRow, Kind, Line, Panel, Pen, Picture, Plot, Sign, Table,
};
use super::words::{self as said, Moments};
use crate::history::summary::{Cell, Detail, FigureSummary, Row, RowOf, Stretch, Summary, Track};
use crate::reading::{Unit, words};

/// From this share of a cell's visits on that found the line down, the cell says so *(ours)*: a quarter of an hour in an hour of visits.
const DOWN_FROM: f64 = 0.25;
/// Grades span at least this share of the best value *(ours)*: what moves less is not painted as if it were bad.
const LEAST_SPREAD: f64 = 0.1;
/// The same for shares of lost packets, in shares.
const LEAST_LOSS: f64 = 0.005;

/// How the visits ended, and when the line carried nothing.
pub fn verdicts(summary: &Summary, detail: &Detail) -> Option<Picture> {
    let (first, last) = (detail.stretches.first()?, detail.stretches.last()?);
    let moments = Moments::of(summary);
    let columns = detail.stretches.iter().map(|stretch| {
        let all = stretch.verdicts.all().max(1) as f64;
        let of = stretch.verdicts;
        let shares = [of.fail, of.not_proven, of.pass].map(|count| count as f64 / all);
        Column { from: place_of(stretch.from.into()), to: place_of(stretch.to.into()), shares }
    });
    let place = |at: Timestamp| place_of(moments.local(at));
    let marks = summary.outages.iter().map(|outage| (place(outage.start), place(outage.up_after.unwrap_or(outage.end))));
    let head = [stretch_words(first), "visits", "fail", "not proven", "pass", "carried packets"].map(str::to_owned).to_vec();
    let rows = detail.stretches.iter().map(|stretch| {
        let Stretch { verdicts, up, down, .. } = stretch;
        let share =
            if up + down > 0 { words::figure("up_ratio", Unit::One, *up as f64 / (up + down) as f64) } else { String::new() };
        let counts =
            [verdicts.all(), verdicts.fail, verdicts.not_proven, verdicts.pass].map(|count| words::grouped(count as f64));
        [first_day(stretch)].into_iter().chain(counts).chain([share]).collect()
    });
    Some(Picture {
        id: "verdicts".to_owned(),
        title: format!("How the visits of each {} ended", stretch_words(first)),
        seen: verdicts_seen(detail),
        kind: Kind::Columns(Columns {
            across: Axis::dates(across_label(detail, &moments), place_of(first.from.into()), place_of(last.to.into())),
            label: format!("share of the visits of each {}", stretch_words(first)),
            parts: ["fail", "not proven", "pass"].map(str::to_owned),
            columns: columns.collect(),
            marks_name: "no packets carried".to_owned(),
            marks: marks.collect(),
        }),
        table: Table { head, rows: rows.collect() },
    })
}

fn verdicts_seen(detail: &Detail) -> String {
    let share = |stretch: &Stretch| stretch.verdicts.fail as f64 / stretch.verdicts.all().max(1) as f64;
    let stretches = || detail.stretches.iter();
    let kind = detail.stretches.first().map_or("day", stretch_words);
    let worst = stretches().max_by(|one, other| share(one).total_cmp(&share(other)).then(other.from.cmp(&one.from)));
    let worst = match worst.filter(|worst| worst.verdicts.fail > 0) {
        None => "No visit failed.".to_owned(),
        Some(worst) => format!(
            "Most failed in the {kind} of {}: {} of {}.",
            day_words(worst.from),
            words::grouped(worst.verdicts.fail as f64),
            words::grouped(worst.verdicts.all() as f64)
        ),
    };
    let clean = match stretches().filter(|stretch| stretch.verdicts.all() > 0 && stretch.verdicts.fail == 0).count() {
        0 => format!(" No {kind} was without a visit that failed."),
        clean => format!(" {} had visits and none that failed.", counted(clean, kind)),
    };
    let empty = stretches().filter(|stretch| stretch.verdicts.all() == 0).count();
    let empty = if empty > 0 { format!(" {} had no visit.", counted(empty, kind)) } else { String::new() };
    format!("{worst}{clean}{empty}")
}

/// How a figure moved, with its changes of level.
pub fn track(figure: &FigureSummary, track: &Track, summary: &Summary, detail: &Detail) -> Picture {
    let moments = Moments::of(summary);
    let place = |at: Timestamp| place_of(moments.local(at));
    let (from, to) = (place_of(detail.days[0].into()), place_of(detail.days[1].into()) + 1.0);
    let turns: Vec<f64> = figure.changes.iter().map(|change| place(change.at)).collect();
    let of = |value| said::value(figure, value);
    let kind = if track.is_hourly { "hour" } else { "day" };
    let [_, low, median, high, _] = figure.quantiles;
    // Before the first change, and after each.
    let first = figure.changes.first().map_or(median, |first| first.before);
    let levels: Vec<f64> = [first].into_iter().chain(figure.changes.iter().map(|change| change.then)).collect();
    let edges: Vec<f64> = [from].into_iter().chain(turns.iter().copied()).chain([to]).collect();
    let scale = scale_of(figure);
    let mut lines = vec![Line {
        name: format!("median of each {kind}"),
        pen: Pen::First,
        points: track.medians.iter().map(|(at, value)| (*at, value.map(|value| value * scale))).collect(),
        is_stepped: false,
    }];
    if !turns.is_empty() {
        let mut points: Vec<(f64, Option<f64>)> =
            edges.iter().zip(&levels).map(|(at, level)| (*at, Some(level * scale))).collect();
        points.push((to, levels.last().map(|level| level * scale)));
        lines.push(Line { name: "level".to_owned(), pen: Pen::Second, points, is_stepped: true });
    }
    let drawn = || lines.iter().flat_map(|line| line.points.iter().filter_map(|(_, value)| *value));
    let up = Axis::over(axis_label(figure), drawn().fold(f64::INFINITY, f64::min), drawn().fold(f64::NEG_INFINITY, f64::max));
    let mut seen =
        vec![format!("Half of the visits show {} or less; nine of ten lie between {} and {}.", of(median), of(low), of(high))];
    seen.extend(said::drift(figure).map(|drift| format!("It drifts by {drift}.")));
    seen.push(match figure.changes.len() {
        0 => "Its level did not change beyond chance.".to_owned(),
        1 => "Its level changed once.".to_owned(),
        n => format!("Its level changed {n} times."),
    });
    seen.extend(figure.missed.filter(|(missed, _)| *missed > 0).map(|(missed, judged)| {
        format!("A limit was missed in {} of {} visits.", words::grouped(missed as f64), words::grouped(judged as f64))
    }));
    let head = ["from", "to", "level"].map(str::to_owned).to_vec();
    let begins = [summary.span.from].into_iter().chain(figure.changes.iter().map(|change| change.at));
    let ends = figure.changes.iter().map(|change| change.after).chain([summary.span.to]);
    let rows = begins.zip(ends).zip(&levels).map(|((begin, end), level)| vec![moments.at(begin), moments.at(end), of(*level)]);
    let table = Table { head, rows: rows.collect() };
    Picture {
        id: format!("track-{}", word_of(figure)),
        title: said::named(&figure.figure),
        seen: seen.join(" "),
        kind: Kind::Plot(Plot {
            across: Axis::dates(across_label(detail, &moments), from, to),
            panels: vec![Panel { up, lines, levels: Vec::new(), lost: Vec::new(), turns, height: 92.0 }],
        }),
        table,
    }
}

/// The hours of a figure; `None` where no two cells differ.
pub fn field(figure: &FigureSummary, track: &Track, summary: &Summary) -> Option<Picture> {
    let grades = Grades::of(figure, &track.field)?;
    let moments = Moments::of(summary);
    let cells = |row: &Row| -> Vec<FieldCell> { row.cells.iter().map(|cell| cell_of(cell.as_ref(), &grades)).collect() };
    let rows: Vec<FieldRow> = track.field.iter().map(|row| FieldRow { name: row_words(row.of), cells: cells(row) }).collect();
    let kind = if figure.figure.name.ends_with("_ratio") { "mean" } else { "median" };
    let head = ["day", "visits", "best hour", "worst hour", "limit missed"].map(str::to_owned).to_vec();
    let table = track.field.iter().map(|row| {
        let taken = |better: f64| {
            let valued = row.cells.iter().enumerate().filter_map(|(hour, cell)| Some((hour, (*cell)?.value?)));
            let best = valued.min_by(|one, other| (one.1 * better).total_cmp(&(other.1 * better)));
            best.map_or_else(String::new, |(hour, value)| format!("{hour}: {}", said::value(figure, value)))
        };
        let sum = |of: &dyn Fn(&Cell) -> u64| row.cells.iter().flatten().map(of).sum::<u64>();
        let (visits, missed, judged) = (sum(&|cell| cell.visits), sum(&|cell| cell.missed), sum(&|cell| cell.judged));
        let missed = if judged > 0 { format!("{missed} of {judged}") } else { String::new() };
        vec![row_words(row.of), words::grouped(visits as f64), taken(grades.worse), taken(-grades.worse), missed]
    });
    Some(Picture {
        id: format!("hours-{}", word_of(figure)),
        title: format!("{} by the hour", said::named(&figure.figure)),
        seen: field_seen(figure, track, &grades),
        kind: Kind::Field(Field {
            label: format!("{kind} of each hour, time zone {}", moments.zone()),
            grades: grades.words(figure),
            rows,
        }),
        table: Table { head, rows: table.collect() },
    })
}

fn field_seen(figure: &FigureSummary, track: &Track, grades: &Grades) -> String {
    let all = || track.field.iter().flat_map(|row| row.cells.iter().enumerate().map(move |(hour, cell)| (row.of, hour, *cell)));
    let valued = || all().filter_map(|(of, hour, cell)| Some((of, hour, cell?.value?)));
    let at = |worse: f64| {
        let found = valued().max_by(|one, other| (one.2 * worse).total_cmp(&(other.2 * worse)));
        found.map(|(of, hour, value)| {
            let to = (hour + 1) % 24;
            format!("{}, {hour} to {to}: {}", row_words(of), said::value(figure, value))
        })
    };
    let mut seen = Vec::new();
    seen.extend(at(grades.worse).zip(at(-grades.worse)).map(|(worst, best)| format!("Worst on {worst}; best on {best}.")));
    let down = all().filter(|(_, _, cell)| cell.is_some_and(|cell| is_down(&cell))).count();
    let unvisited = all().filter(|(_, _, cell)| cell.is_none()).count();
    let missed = all().filter(|(_, _, cell)| cell.is_some_and(|cell| is_missed(&cell))).count();
    for (count, what) in [
        (missed, "most visits missed a limit"),
        (down, "a quarter of the visits or more found the line carrying nothing"),
        (unvisited, "there was no visit"),
    ] {
        if count > 0 {
            seen.push(format!("In {} of {} hours {what}.", count, all().count()));
        }
    }
    seen.join(" ")
}

/// How values of a field are graded.
struct Grades {
    best: f64,
    step: f64,
    /// +1 when more is worse, -1 when less is.
    worse: f64,
}

impl Grades {
    fn of(figure: &FigureSummary, rows: &[Row]) -> Option<Self> {
        let mut values: Vec<f64> = rows.iter().flat_map(|row| row.cells.iter().flatten().filter_map(|cell| cell.value)).collect();
        values.sort_by(f64::total_cmp);
        let (least, most) = (*values.first()?, *values.last()?);
        if least == most {
            return None;
        }
        let worse = if figure.worse() < 0.0 { -1.0 } else { 1.0 };
        let best = if worse > 0.0 { least } else { most };
        let floor = if figure.figure.name.ends_with("_ratio") { LEAST_LOSS } else { LEAST_SPREAD * best.abs() };
        Some(Self { best, step: (most - least).max(floor) / Field::GRADES as f64, worse })
    }

    fn grade(&self, value: f64) -> usize {
        let steps = (value - self.best) * self.worse / self.step;
        (steps.max(0.0) as usize).min(Field::GRADES - 1)
    }

    /// What each grade is.
    fn words(&self, figure: &FigureSummary) -> Vec<String> {
        let edge = |grade: usize| said::value(figure, self.best + self.worse * self.step * grade as f64);
        let last = Field::GRADES - 1;
        let word = |grade: usize| match (self.worse > 0.0, grade == last) {
            (true, false) => format!("up to {}", edge(grade + 1)),
            (true, true) => "more".to_owned(),
            (false, false) => format!("{} or more", edge(grade + 1)),
            (false, true) => "less".to_owned(),
        };
        (0..Field::GRADES).map(word).collect()
    }
}

fn cell_of(cell: Option<&Cell>, grades: &Grades) -> FieldCell {
    let Some(cell) = cell else { return FieldCell { sign: Sign::Unvisited, is_missed: false } };
    let sign = match cell.value {
        _ if is_down(cell) => Sign::Down,
        Some(value) => Sign::Grade(grades.grade(value)),
        None => Sign::Untaken,
    };
    FieldCell { sign, is_missed: is_missed(cell) }
}

fn is_down(cell: &Cell) -> bool {
    cell.down > 0 && cell.down as f64 >= DOWN_FROM * cell.visits as f64
}

fn is_missed(cell: &Cell) -> bool {
    2 * cell.missed > cell.judged
}

/// Days since 1970-01-01, as axes of dates count them.
fn place_of(at: DateTime) -> f64 {
    at.duration_since(Date::constant(1970, 1, 1).into()).as_secs_f64() / 86_400.0
}

fn across_label(detail: &Detail, moments: &Moments) -> String {
    let [first, last] = detail.days.map(Date::year);
    let years = if first == last { first.to_string() } else { format!("{first} to {last}") };
    format!("{years}, time zone {}", moments.zone())
}

/// `day`, `week`, `month` or `year`.
fn stretch_words(stretch: &Stretch) -> &'static str {
    match stretch.to.duration_since(stretch.from).as_hours() / 24 {
        1 => "day",
        7 => "week",
        8..=31 => "month",
        _ => "year",
    }
}

/// A stretch by its first day, without a place to break at.
fn first_day(stretch: &Stretch) -> String {
    let form = match stretch_words(stretch) {
        "month" => "%b\u{a0}%Y",
        "year" => "%Y",
        _ => "%-d\u{a0}%b",
    };
    stretch.from.strftime(form).to_string()
}

fn day_words(day: Date) -> String {
    day.strftime("%Y-%m-%d").to_string()
}

fn row_words(of: RowOf) -> String {
    match of {
        RowOf::Day(day) => day.strftime("%-d\u{a0}%b").to_string(),
        RowOf::Weekday(n) => match Weekday::from_monday_one_offset(n) {
            Ok(Weekday::Monday) => "Mon",
            Ok(Weekday::Tuesday) => "Tue",
            Ok(Weekday::Wednesday) => "Wed",
            Ok(Weekday::Thursday) => "Thu",
            Ok(Weekday::Friday) => "Fri",
            Ok(Weekday::Saturday) => "Sat",
            _ => "Sun",
        }
        .to_owned(),
    }
}

fn counted(count: usize, what: &str) -> String {
    if count == 1 { format!("One {what}") } else { format!("{count} {what}s") }
}

/// Shares are drawn in per cent.
fn scale_of(figure: &FigureSummary) -> f64 {
    if figure.figure.name.ends_with("_ratio") { 100.0 } else { 1.0 }
}

fn axis_label(figure: &FigureSummary) -> String {
    match figure.unit {
        Unit::One if figure.figure.name.ends_with("_ratio") => "%".to_owned(),
        Unit::One => figure.figure.name.clone(),
        unit => unit.symbol().to_owned(),
    }
}

/// A figure as a word for anchors.
fn word_of(figure: &FigureSummary) -> String {
    let text = said::named(&figure.figure);
    let letters = text.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' });
    let word: String = letters.collect();
    word.split('-').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("-")
}
