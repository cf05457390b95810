//! What a span of a line's history says: whether it carried packets, what its figures are, drift, change, and follow the hour.
//!
//! [`summarise`] asks the store for visits and values and hands them to pure parts: [`outage`] makes outages of visits, [`figure`] says everything of one
//! figure, [`pattern`] tells a busy-hour trouble from one that is always there, [`mod@detail`] looks closer for a page, [`statement`] holds the rates against the speeds that a contract states. The hard thing is to claim little: each part names its method and how often it
//! is wrong, and a figure that can't carry a claim says so.

mod detail;
mod figure;
mod outage;
mod pattern;
mod statement;

use jiff::tz::TimeZone;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use detail::{Cell, Detail, Row, RowOf, Stretch, Track, detail};
pub use figure::{Change, Course, Delays, FigureSummary, Related, Trend};
pub use outage::{Availability, Outage};
pub use pattern::{Finding, Pattern};
pub use statement::{LeftOut, Stated};

use super::store::{HistoryError, Store};
use super::{Figure, Line, Span, Visit};
use crate::record::Verdict;
use crate::unit::Interval;

/// Confidence of every interval here.
pub const CONFIDENCE: f64 = 0.95;

/// Hours of the day, first and the one after the last; may run over midnight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Hours {
    /// First.
    pub from: i8,
    /// The one after the last.
    pub to: i8,
}

impl Hours {
    /// Whether an hour of the day, 0 to 23, is one of them.
    pub fn contain(self, hour: i8) -> bool {
        if self.from <= self.to { (self.from..self.to).contains(&hour) } else { hour >= self.from || hour < self.to }
    }
}

/// How a summary is made.
#[derive(Debug, Clone)]
pub struct Terms {
    /// What is looked at.
    pub span: Span,
    /// The time zone of hours and days.
    pub zone: TimeZone,
    /// Hours when many use their lines.
    pub busy: Hours,
    /// Hours when few do.
    pub quiet: Hours,
}

/// Evening and night, *common practice*: from seven to eleven, and from two to six.
pub const HOURS: [Hours; 2] = [Hours { from: 19, to: 23 }, Hours { from: 2, to: 6 }];

/// How many visits ended with each verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Verdicts {
    /// Pass.
    pub pass: u64,
    /// Fail.
    pub fail: u64,
    /// Not proven, or nothing tested.
    pub not_proven: u64,
}

impl Verdicts {
    fn count(&mut self, verdict: Verdict) {
        match verdict {
            Verdict::Pass => self.pass += 1,
            Verdict::Fail => self.fail += 1,
            Verdict::NotProven | Verdict::NotTested => self.not_proven += 1,
        }
    }

    /// All of them.
    pub fn all(&self) -> u64 {
        self.pass + self.fail + self.not_proven
    }
}

/// What a span of a line's history says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Summary {
    /// The line.
    pub line: Line,
    /// The span.
    pub span: Span,
    /// Time zone of its hours and days.
    pub zone: String,
    /// Busy and quiet hours.
    pub hours: [Hours; 2],
    /// Visits that began in it.
    pub visits: u64,
    /// Their verdicts.
    pub verdicts: Verdicts,
    /// Faults that visits named, the most frequent first, with their number.
    pub faults: Vec<(String, u64)>,
    /// Whether the line carried packets.
    pub availability: Availability,
    /// Outages in the order of time.
    pub outages: Vec<Outage>,
    /// What the visits say of the speeds that the tier states, where it states some.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub stated: Option<Stated>,
    /// Every figure that moved or has a limit.
    pub figures: Vec<FigureSummary>,
    /// Figures that had one value throughout, by name.
    pub still: Vec<(Figure, f64)>,
    /// Delays sample by sample.
    pub delays: Vec<Delays>,
    /// Figures that move with what was typed in about the line.
    pub related: Vec<Related>,
    /// Claims of a pattern that chance alone would be expected to make.
    pub patterns_by_chance: f64,
}

/// Summarises a span of a line.
///
/// # Errors
/// When the history can't be read.
pub fn summarise(store: &Store, line: &Line, terms: &Terms) -> Result<Summary, HistoryError> {
    let visits = store.visits(line, terms.span)?;
    let clock = pattern::Clock::new(terms);
    let (mut figures, mut still) = (Vec::new(), Vec::new());
    let mut by_day = Vec::new();
    for (figure, unit) in store.figures()? {
        let points = store.points(line, &figure, terms.span)?;
        if points.is_empty() {
            continue;
        }
        by_day.push((figure.clone(), figure::days(&points, &clock)));
        let judged = points.iter().any(|point| point.verdict.is_some());
        if !judged && points.iter().all(|point| point.value == points[0].value) {
            still.push((figure, points[0].value));
        } else {
            figures.push(figure::summarise(figure, unit, &points, &clock));
        }
    }
    let mut delays = Vec::new();
    for figure in store.sketched(line)? {
        delays.extend(store.delays(line, &figure, terms.span)?.map(|sketch| Delays::of(figure, &sketch)));
    }
    let tested = figures.iter().filter(|figure| figure.pattern.p.is_some()).count();
    Ok(Summary {
        line: line.clone(),
        span: terms.span,
        zone: terms.zone.iana_name().unwrap_or("a fixed offset").to_owned(),
        hours: [terms.busy, terms.quiet],
        visits: visits.len() as u64,
        verdicts: verdicts(&visits),
        faults: faults(&visits),
        availability: outage::availability(&visits),
        outages: outage::outages(&visits),
        stated: statement::summarise(store, line, terms, &visits)?,
        figures,
        still,
        delays,
        related: figure::related(&by_day),
        patterns_by_chance: tested as f64 * pattern::LEVEL,
    })
}

fn verdicts(visits: &[Visit]) -> Verdicts {
    let mut counted = Verdicts::default();
    for visit in visits {
        counted.count(visit.verdict);
    }
    counted
}

fn faults(visits: &[Visit]) -> Vec<(String, u64)> {
    let mut counted = std::collections::BTreeMap::new();
    for visit in visits.iter().filter(|visit| !["", "none-found"].contains(&visit.fault.as_str())) {
        *counted.entry(visit.fault.clone()).or_insert(0) += 1;
    }
    let mut counted: Vec<(String, u64)> = counted.into_iter().collect();
    counted.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    counted
}

/// Limits of an interval, as they are written.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Limits {
    /// Lower one.
    pub low: Option<f64>,
    /// Upper one.
    pub high: Option<f64>,
}

impl From<Interval> for Limits {
    fn from(interval: Interval) -> Self {
        Self { low: interval.low, high: interval.high }
    }
}

#[cfg(test)]
mod tests;
