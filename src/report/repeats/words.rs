//! What a span of a line's history says, in sentences.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

use crate::history::summary::{Change, Course, Delays, FigureSummary, Finding, Hours, Outage, Related, Summary, Trend};
use crate::history::{Figure, Span};
use crate::reading::{Unit, words};

/// Moments in the time zone of a summary.
#[derive(Debug, Clone)]
pub struct Moments(TimeZone);

impl Moments {
    /// Of a summary.
    pub fn of(summary: &Summary) -> Self {
        Self(TimeZone::get(&summary.zone).unwrap_or(TimeZone::UTC))
    }

    /// To the minute.
    pub fn at(&self, moment: Timestamp) -> String {
        self.local(moment).strftime("%Y-%m-%d %H:%M").to_string()
    }

    /// On the clock on the wall.
    pub fn local(&self, moment: Timestamp) -> DateTime {
        self.0.to_datetime(moment)
    }

    /// Name of the zone.
    pub fn zone(&self) -> &str {
        self.0.iana_name().unwrap_or("UTC")
    }

    /// From, to, and the zone.
    pub fn span(&self, span: Span) -> String {
        format!("{} to {}, {}", self.at(span.from), self.at(span.to), self.zone())
    }
}

/// In how many visits the line carried packets.
pub fn availability(summary: &Summary) -> String {
    let told = summary.availability;
    let Some(share) = told.share else { return "no visit tells whether the line carried packets".to_owned() };
    let per_cent = |share: f64| format!("{:.3} %", share * 100.0);
    let limits = told.limits.low.zip(told.limits.high).map(|(low, high)| format!(" ({} to {})", per_cent(low), per_cent(high)));
    let unknown = if told.unknown > 0 { format!("; {} visits can't tell", told.unknown) } else { String::new() };
    format!("in {} of {} visits, {}{}{unknown}", told.up, told.up + told.down, per_cent(share), limits.unwrap_or_default())
}

/// An outage: from, to, and how long at least and at most.
pub fn outage(outage: &Outage, moments: &Moments) -> String {
    let end = match outage.up_after {
        Some(_) => format!("to {}", moments.at(outage.end)),
        None => "and still at the end".to_owned(),
    };
    let most = outage.at_most_s.map(|most| format!(", at most {}", lasting(most))).unwrap_or_default();
    let visits = if outage.visits == 1 { "one visit".to_owned() } else { format!("{} visits", outage.visits) };
    format!("{} {end}: {visits}, at least {}{most}", moments.at(outage.start), lasting(outage.at_least_s))
}

/// A time in seconds, minutes or hours.
pub fn lasting(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

/// Hours of the day.
pub fn hours(hours: Hours) -> String {
    format!("{:02} to {:02}", hours.from, hours.to)
}

/// How a figure misses its limits in busy and quiet hours.
pub fn by_hours(figure: &FigureSummary, busy: &str, quiet: &str) -> String {
    let pattern = &figure.pattern;
    let share = |share: Option<f64>| share.map_or_else(|| "no".to_owned(), |share| format!("{:.0} % of", share * 100.0));
    let of = |of: f64| value(figure, of);
    let shift = match (pattern.shift, pattern.limits.low, pattern.limits.high) {
        (Some(shift), Some(low), Some(high)) => format!("; busy less quiet {} ({} to {})", of(shift), of(low), of(high)),
        _ => String::new(),
    };
    let missed = match (pattern.missed_busy, pattern.missed_quiet) {
        (None, None) => format!("from {busy} and from {quiet}"),
        (in_busy, in_quiet) => {
            format!("missed in {} visits from {busy}, {} from {quiet}", share(in_busy), share(in_quiet))
        }
    };
    format!("{}: {missed}{shift}; {} days", named(&figure.figure), pattern.days)
}

/// What a pattern by hours means; `None` where it means nothing.
pub fn finding(finding: Finding) -> Option<&'static str> {
    match finding {
        Finding::BusyHours => Some("limits missed in busy hours: congestion"),
        Finding::Steady => Some("limits missed in quiet hours as well: no congestion by others"),
        Finding::Differs => Some("it differs between busy and quiet hours"),
        Finding::Even | Finding::TooFewDays => None,
    }
}

/// A change of level, with the figure that changed.
pub fn change(figure: &FigureSummary, of: &Change, moments: &Moments) -> String {
    let level = |level| value(figure, level);
    format!(
        "{}{} from {} to {}, between {} and {}",
        course(of.course),
        named(&figure.figure),
        level(of.before),
        level(of.then),
        moments.at(of.after),
        moments.at(of.at)
    )
}

/// `worse: `, `better: ` or nothing.
fn course(course: Course) -> &'static str {
    match course {
        Course::Worse => "worse: ",
        Course::Better => "better: ",
        Course::Other => "",
    }
}

/// A figure in a line: median, 5 and 95 per cent, limits missed, drift.
pub fn figure(figure: &FigureSummary) -> String {
    let of = |of| value(figure, of);
    let [_, low, median, high, _] = figure.quantiles;
    let missed = figure.missed.filter(|(missed, _)| *missed > 0);
    let missed = missed.map(|(missed, judged)| format!("; limit missed in {missed} of {judged}")).unwrap_or_default();
    let drift = drift(figure).map(|drift| format!("; drifts by {drift}")).unwrap_or_default();
    format!("{}: {}, {} to {}{missed}{drift}", named(&figure.figure), of(median), of(low), of(high))
}

/// A drift whose limits leave out zero.
pub fn drift(figure: &FigureSummary) -> Option<String> {
    let of = |of| value(figure, of);
    let is_clear =
        |trend: &Trend| trend.limits.low.is_some_and(|low| low > 0.0) || trend.limits.high.is_some_and(|high| high < 0.0);
    figure.trend.filter(is_clear).map(|trend| {
        let limits = trend.limits.low.zip(trend.limits.high).map(|(low, high)| format!(" ({} to {})", of(low), of(high)));
        format!("{} a day{}", of(trend.per_day), limits.unwrap_or_default())
    })
}

/// Delays of all samples: quantiles, how many, how many lost.
pub fn delays(delays: &Delays) -> String {
    let count = words::grouped((delays.samples + delays.lost) as f64);
    let lost = words::grouped(delays.lost as f64);
    format!("{}: {}; {count} samples, {lost} lost", named(&delays.figure), quantiles(delays).join(", "))
}

/// The quantiles of delays: 50, 95, 99 and 99.9 per cent.
pub fn quantiles(delays: &Delays) -> [String; 4] {
    [delays.p50, delays.p95, delays.p99, delays.p999].map(|value| {
        value.map_or_else(|| "lost".to_owned(), |value| words::figure(&delays.figure.name, Unit::Millisecond, value))
    })
}

/// A figure that moves with one of the line's page.
pub fn related(related: &Related) -> String {
    let limits = related.limits.low.zip(related.limits.high);
    let limits = limits.map(|(low, high)| format!(" ({low:.2} to {high:.2})")).unwrap_or_default();
    let (one, other) = (named(&related.figure), named(&related.with));
    format!("{one} with {other}: rank correlation {:.2}{limits}, {} days", related.rho, related.days)
}

/// What to bear in mind.
pub fn cautions(summary: &Summary) -> [String; 2] {
    let expected = words::significant(summary.patterns_by_chance);
    [
        format!("Of the figures without a pattern by hours, chance alone makes some {expected} look as if they had one."),
        "A level is said to change where none did in at most one figure of a hundred; between visits nobody looked.".to_owned(),
    ]
}

/// A value of a figure with its unit.
pub fn value(figure: &FigureSummary, value: f64) -> String {
    words::figure(&figure.figure.name, figure.unit, value)
}

/// A figure's name, with what it was taken on.
pub fn named(figure: &Figure) -> String {
    let selector = figure.selector();
    if selector.is_empty() { figure.name.clone() } else { format!("{} ({selector})", figure.name) }
}
