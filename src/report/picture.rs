//! Pictures: what is drawn ([`Picture`]), decided once; [`layout`] makes shapes of it, [`svg`] and the PDF draw the shapes.
//!
//! Those of a record are made here, those of a history in [`super::repeats::picture`]. A picture is drawn only of what is held. Each comes with the sentence that says what is seen and with a table of its
//! figures, for whoever can't see it. No meaning is carried by colour alone: lines differ in their dashes, marks in their form.
//! The room knows neither paper nor screen.

mod axis;
mod budget;
mod delay;
pub mod layout;
mod load;
mod loss;
mod path;
pub mod svg;

use crate::reading::{Reading, Series, Target, words};
use crate::record::Record;
use crate::unit::{Family, Load};

/// A picture with the words that say the same.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// A word for anchors and classes.
    pub id: String,
    /// What it shows.
    pub title: String,
    /// What is seen, in sentences.
    pub seen: String,
    /// What is drawn.
    pub kind: Kind,
    /// Its figures.
    pub table: Table,
}

/// Figures in rows; the first cell of a row is its heading.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Table {
    /// Headings of the columns.
    pub head: Vec<String>,
    /// The rows, each as long as the head.
    pub rows: Vec<Vec<String>>,
}

/// The kinds of pictures. A further one needs its layout only: both renderers draw shapes.
#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    /// Lines over a common axis, in panels one below the other.
    Plot(Plot),
    /// Things one below the other, each with a bar or with marks along a common axis.
    Lanes(Lanes),
    /// Shares of a whole, stretch by stretch of time.
    Columns(Columns),
    /// Hours across, days downwards.
    Field(Field),
}

/// Panels over a common axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Plot {
    /// The axis across.
    pub across: Axis,
    /// From the top downwards.
    pub panels: Vec<Panel>,
}

/// An axis with its range.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// What is counted, with its unit.
    pub label: String,
    /// Where it begins.
    pub low: f64,
    /// Where it ends.
    pub high: f64,
    /// How it is divided.
    pub scale: Scale,
}

/// How an axis is divided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Equal differences are equal lengths.
    Even,
    /// Equal ratios are equal lengths.
    Decades,
    /// Days since 1970-01-01, marked as dates.
    Dates,
}

/// Lines over one upright axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// The upright axis.
    pub up: Axis,
    /// The lines.
    pub lines: Vec<Line>,
    /// Levels to hold them against.
    pub levels: Vec<Level>,
    /// Where something was lost, on the axis across.
    pub lost: Vec<f64>,
    /// Where a level changed, on the axis across.
    pub turns: Vec<f64>,
    /// Height of the panel's field in units.
    pub height: f64,
}

/// A line.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// What it is; shown where a panel has several.
    pub name: String,
    /// How it is told from the others.
    pub pen: Pen,
    /// Its points; the line is broken where there is no value.
    pub points: Vec<(f64, Option<f64>)>,
    /// True when a value holds until the next.
    pub is_stepped: bool,
}

/// How a line is told from others: each has a colour and dashes of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pen {
    /// Unbroken.
    First,
    /// Long dashes.
    Second,
    /// Dots.
    Third,
    /// Dashes and dots.
    Fourth,
}

impl Pen {
    const ALL: [Self; 4] = [Self::First, Self::Second, Self::Third, Self::Fourth];
}

/// A level across a panel.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Where.
    pub at: f64,
    /// What it is.
    pub name: String,
}

/// Things one below the other.
#[derive(Debug, Clone, PartialEq)]
pub struct Lanes {
    /// The common axis.
    pub across: Axis,
    /// From the top downwards.
    pub lanes: Vec<Lane>,
}

/// One of the lanes.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Lane {
    /// What it belongs to; said where it changes.
    pub group: String,
    /// What it is.
    pub name: String,
    /// Its figures.
    pub says: String,
    /// The end of its bar.
    pub bar: Option<f64>,
    /// True for the bar that is held against the others.
    pub is_measured: bool,
    /// How far it was looked at, for lanes with marks.
    pub until: Option<f64>,
    /// Where something was lost.
    pub lost: Vec<f64>,
    /// What stands at its left when the lanes are stations of a way.
    pub station: Option<Station>,
}

/// A station of a way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Station {
    /// Nothing is lost up to it.
    Sound,
    /// Packets are lost up to it.
    Loses,
    /// It does not answer.
    Silent,
}

/// Shares of a whole over time, with a strip above them for what happened at moments.
#[derive(Debug, Clone, PartialEq)]
pub struct Columns {
    /// The axis across.
    pub across: Axis,
    /// What the columns are shares of.
    pub label: String,
    /// What the parts of each column are, from its foot upwards.
    pub parts: [String; 3],
    /// In the order of time.
    pub columns: Vec<Column>,
    /// What the strip's marks are.
    pub marks_name: String,
    /// From and to on the axis across.
    pub marks: Vec<(f64, f64)>,
}

/// One column.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Where it begins on the axis across.
    pub from: f64,
    /// Where it ends.
    pub to: f64,
    /// Shares of its parts, adding up to 1; all zero for an empty one.
    pub shares: [f64; 3],
}

/// Hours of the day across, days downwards, a sign in each cell.
#[derive(Debug, Clone, PartialEq)]
pub struct Field {
    /// What the cells hold.
    pub label: String,
    /// What each grade is, the best first; at most [`Field::GRADES`].
    pub grades: Vec<String>,
    /// From the top downwards.
    pub rows: Vec<FieldRow>,
}

impl Field {
    /// Grades that can be told apart by the size of their squares.
    pub const GRADES: usize = 5;
}

/// A row of a field.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldRow {
    /// Its day.
    pub name: String,
    /// 24 hours.
    pub cells: Vec<FieldCell>,
}

/// A cell of a field.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FieldCell {
    /// What is in it.
    pub sign: Sign,
    /// True when a limit was missed in most of its visits.
    pub is_missed: bool,
}

/// What a cell shows; each has a form of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// Nobody looked.
    Unvisited,
    /// It was looked at, and the figure was not taken.
    Untaken,
    /// No packets were carried.
    Down,
    /// A grade from 0, the best.
    Grade(usize),
}

/// The pictures of a record in the order in which they are looked at, and why others are missing.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Pictures {
    /// What can be drawn.
    pub drawn: Vec<Picture>,
    /// What can't, with the reason.
    pub missing: Vec<String>,
}

/// The pictures of a record.
pub fn pictures(record: &Record) -> Pictures {
    let mut pictures = Pictures::default();
    let mut take = |found: Vec<Picture>, missing: &str| {
        if found.is_empty() {
            pictures.missing.push(missing.to_owned());
        }
        pictures.drawn.extend(found);
    };
    take(budget::pictures(record), "Speed budget: the record holds neither a sold rate nor a line rate.");
    take(load::pictures(record), "Rate and delay over time: the record holds no series of a load phase.");
    take(delay::picture(record).into_iter().collect(), "Spread of the delay: the record holds no series of round trips.");
    take(path::pictures(record), "The way to the far end: the record holds no figures of its stations.");
    take(loss::picture(record).into_iter().collect(), "Loss over time: the record holds no series of probes.");
    pictures
}

/// All series with a name.
fn series<'a>(record: &'a Record, name: &'a str) -> impl Iterator<Item = &'a Series> {
    let all = record.checks.iter().flat_map(|check| &check.outcome.series);
    all.filter(move |series| series.name == name && series.at_ms.len() == series.values.len() && !series.values.is_empty())
}

/// The first reading with a name that a test holds for.
fn reading<'a>(record: &'a Record, name: &str, is_it: impl Fn(&Reading) -> bool) -> Option<&'a Reading> {
    record.checks.iter().flat_map(|check| &check.outcome.readings).find(|reading| reading.name == name && is_it(reading))
}

/// How many packets a point of a series stands for. Of long streams the record keeps the slowest packet of each stretch, and a loss
/// where any of it was lost; the reading of the loss says how many there were.
fn per_point(record: &Record, series: &Series) -> usize {
    let check = series.name.split('.').next().unwrap_or_default();
    let is_it = |r: &Reading| r.family == series.family && r.target == series.target;
    let sent = reading(record, &format!("{check}.loss_ratio"), is_it).map_or(0, |r| r.samples);
    ((sent as f64 / series.values.len().max(1) as f64).round() as usize).max(1)
}

/// `filled down`, or `idle`.
fn load_words(load: Option<Load>) -> &'static str {
    match load {
        None | Some(Load::Idle) => "idle",
        Some(Load::Down) => "filled down",
        Some(Load::Up) => "filled up",
        Some(Load::Both) => "filled both ways",
    }
}

/// IPv6 is worth a word.
fn family_words(family: Option<Family>) -> &'static str {
    if family == Some(Family::Ipv6) { ", IPv6" } else { "" }
}

/// Round trips in milliseconds, ascending, and how many were lost.
fn sorted(series: &Series) -> (Vec<f64>, usize) {
    let mut values: Vec<f64> = series.values.iter().flatten().copied().filter(|value| value.is_finite()).collect();
    values.sort_by(f64::total_cmp);
    (values, series.values.iter().filter(|value| value.is_none()).count())
}

/// The value that a share of all probes came back within; none where it lies among the lost.
fn within(sorted: &[f64], lost: usize, share: f64) -> Option<f64> {
    let rank = (share * (sorted.len() + lost) as f64).ceil().max(1.0) as usize;
    sorted.get(rank - 1).copied()
}

/// Milliseconds in words.
fn ms(value: Option<f64>) -> String {
    value.map_or_else(|| "not back".to_owned(), |value| format!("{} ms", words::significant(value)))
}

/// `3 of 1,000`.
fn count_of(part: usize, whole: usize) -> String {
    format!("{} of {}", words::grouped(part as f64), words::grouped(whole as f64))
}

fn is_far_end(target: Option<&Target>) -> bool {
    matches!(target, None | Some(Target::FarEnd))
}

#[cfg(test)]
pub(crate) mod tests;
