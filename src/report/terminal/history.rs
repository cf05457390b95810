//! What a span of a line's history says, as text for a terminal.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{Look, NARROWEST, Page};
use crate::history::Figure;
use crate::history::summary::{Change, Course, Delays, FigureSummary, Finding, Hours, LeftOut, Outage, Stated, Summary};
use crate::judge::statement::{Ruling, Stated as Speed};
use crate::reading::{Unit, words};

/// Outages that are listed one by one; the rest is counted.
const MOST_OUTAGES: usize = 12;

/// Renders a summary; every line is at most as wide as the look says, and ends with a line end.
pub fn render_history(summary: &Summary, look: Look) -> String {
    let mut page = Page { text: String::new(), width: look.width.max(NARROWEST), colour: look.colour };
    let zone = TimeZone::get(&summary.zone).unwrap_or(TimeZone::UTC);
    let at = |moment: Timestamp| zone.to_datetime(moment).strftime("%Y-%m-%d %H:%M").to_string();
    let (from, to) = (at(summary.span.from), at(summary.span.to));
    page.paragraph(
        0,
        &format!("{}, {from} to {to}, {}: {} visits", summary.line, zone.iana_name().unwrap_or("UTC"), summary.visits),
    );
    let verdicts = summary.verdicts;
    page.paragraph(2, &format!("{} pass, {} fail, {} not proven", verdicts.pass, verdicts.fail, verdicts.not_proven));
    for (fault, count) in &summary.faults {
        page.paragraph(2, &format!("{fault}: {count}"));
    }
    page.heading("Carried packets");
    page.paragraph(2, &availability(summary));
    for outage in summary.outages.iter().take(MOST_OUTAGES) {
        page.hanging(2, "down ", &outage_words(outage, &at));
    }
    if summary.outages.len() > MOST_OUTAGES {
        page.paragraph(2, &format!("and {} more", summary.outages.len() - MOST_OUTAGES));
    }
    let steady = summary.figures.iter().filter(|figure| figure.pattern.finding == Finding::Steady);
    let busy = summary.figures.iter().filter(|figure| figure.pattern.finding == Finding::BusyHours);
    let [busy_hours, quiet_hours] = summary.hours.map(hours_words);
    page.figures("Limits missed in quiet hours as well: no congestion by others", steady, |figure| {
        hours_of(figure, &busy_hours, &quiet_hours)
    });
    page.figures("Limits missed in busy hours: congestion", busy, |figure| hours_of(figure, &busy_hours, &quiet_hours));
    let changed: Vec<&FigureSummary> = summary.figures.iter().filter(|figure| !figure.changes.is_empty()).collect();
    if !changed.is_empty() {
        page.heading("Changed their level");
        for figure in changed {
            for change in &figure.changes {
                page.paragraph(2, &change_words(figure, change, &at));
            }
        }
    }
    if let Some(stated) = &summary.stated {
        page.stated(stated);
    }
    page.heading("Figures: median of visits, 5 % and 95 % of them");
    for figure in &summary.figures {
        page.paragraph(2, &figure_words(figure));
    }
    if !summary.delays.is_empty() {
        page.heading("Delays, all samples together: 50, 95, 99 and 99.9 %");
        for delays in &summary.delays {
            page.paragraph(2, &delay_words(delays));
        }
    }
    if !summary.related.is_empty() {
        page.heading("Moves with what the line's page showed");
        for related in &summary.related {
            let (one, other) = (named(&related.figure), named(&related.with));
            let limits = related.limits.low.zip(related.limits.high);
            let limits = limits.map(|(low, high)| format!(" ({low:.2} to {high:.2})")).unwrap_or_default();
            page.paragraph(2, &format!("{one} with {other}: rank correlation {:.2}{limits}, {} days", related.rho, related.days));
        }
    }
    page.heading("To bear in mind");
    let expected = words::significant(summary.patterns_by_chance);
    page.paragraph(
        2,
        &format!("Of the figures without a pattern by hours, chance alone makes some {expected} look as if they had one."),
    );
    page.paragraph(
        2,
        "A level is said to change where none did in at most one figure of a hundred; between visits nobody looked.",
    );
    page.text
}

impl Page {
    fn stated(&mut self, stated: &Stated) {
        self.heading(&format!("Speeds that {} states: {}", stated.tier, ruling_words(stated.ruling)));
        for finding in &stated.findings {
            let what = match finding.stated {
                Speed::Minimum => "minimum",
                Speed::Normal => "normally available",
                Speed::Maximum => "maximum",
            };
            let speed = words::figure("throughput.tcp_payload_rate", Unit::MegabitPerSecond, finding.mbit);
            let ruling = ruling_words(finding.ruling);
            self.paragraph(2, &format!("{} {what} {speed}: {ruling}; {}", finding.direction, finding.because));
        }
        for progress in &stated.progress {
            let missing = progress.measurements.saturating_sub(progress.counted);
            if missing > 0 || progress.days_counted < progress.days {
                let days = progress.days.saturating_sub(progress.days_counted);
                let (way, all) = (progress.direction, progress.days);
                self.paragraph(2, &format!("{way}, still missing: {missing} measurements or more, {days} of {all} full days"));
            }
        }
        let LeftOut { bounded, unknown, other_tier } = stated.left_out;
        for (count, why) in [
            (bounded, "the test set, the far end or other traffic bounded them"),
            (unknown, "nobody kept what bounded them"),
            (other_tier, "their tier states other speeds, or its text is not kept"),
        ] {
            if count > 0 {
                self.paragraph(2, &format!("{count} measurements do not count: {why}"));
            }
        }
        self.paragraph(2, &format!("by {}", stated.basis));
    }

    fn figures<'a>(
        &mut self,
        heading: &str,
        figures: impl Iterator<Item = &'a FigureSummary>,
        words: impl Fn(&FigureSummary) -> String,
    ) {
        let mut begun = false;
        for figure in figures {
            if !std::mem::replace(&mut begun, true) {
                self.heading(heading);
            }
            self.paragraph(2, &words(figure));
        }
    }
}

fn availability(summary: &Summary) -> String {
    let told = summary.availability;
    let Some(share) = told.share else { return "no visit tells whether the line carried packets".to_owned() };
    let per_cent = |share: f64| format!("{:.3} %", share * 100.0);
    let limits = told.limits.low.zip(told.limits.high).map(|(low, high)| format!(" ({} to {})", per_cent(low), per_cent(high)));
    let unknown = if told.unknown > 0 { format!("; {} visits can't tell", told.unknown) } else { String::new() };
    format!("in {} of {} visits, {}{}{unknown}", told.up, told.up + told.down, per_cent(share), limits.unwrap_or_default())
}

fn outage_words(outage: &Outage, at: &impl Fn(Timestamp) -> String) -> String {
    let end = if outage.up_after.is_some() { format!("to {}", at(outage.end)) } else { "and still at the end".to_owned() };
    let most = outage.at_most_s.map(|most| format!(", at most {}", span_words(most))).unwrap_or_default();
    let visits = if outage.visits == 1 { "one visit".to_owned() } else { format!("{} visits", outage.visits) };
    format!("{} {end}: {visits}, at least {}{most}", at(outage.start), span_words(outage.at_least_s))
}

fn span_words(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

fn hours_words(hours: Hours) -> String {
    format!("{:02} to {:02}", hours.from, hours.to)
}

fn hours_of(figure: &FigureSummary, busy: &str, quiet: &str) -> String {
    let pattern = &figure.pattern;
    let share = |share: Option<f64>| share.map_or_else(|| "no".to_owned(), |share| format!("{:.0} % of", share * 100.0));
    let of = |value: f64| value_words(figure, value);
    let shift = match (pattern.shift, pattern.limits.low, pattern.limits.high) {
        (Some(shift), Some(low), Some(high)) => format!("; busy less quiet {} ({} to {})", of(shift), of(low), of(high)),
        _ => String::new(),
    };
    let (in_busy, in_quiet) = (share(pattern.missed_busy), share(pattern.missed_quiet));
    format!(
        "{}: missed in {in_busy} visits from {busy}, {in_quiet} from {quiet}{shift}; {} days",
        named(&figure.figure),
        pattern.days
    )
}

fn change_words(figure: &FigureSummary, change: &Change, at: &impl Fn(Timestamp) -> String) -> String {
    let course = match change.course {
        Course::Worse => "worse: ",
        Course::Better => "better: ",
        Course::Other => "",
    };
    let of = |value| value_words(figure, value);
    format!(
        "{course}{} from {} to {}, between {} and {}",
        named(&figure.figure),
        of(change.before),
        of(change.then),
        at(change.after),
        at(change.at)
    )
}

fn figure_words(figure: &FigureSummary) -> String {
    let of = |value| value_words(figure, value);
    let [_, low, median, high, _] = figure.quantiles;
    let missed = figure.missed.filter(|(missed, _)| *missed > 0);
    let missed = missed.map(|(missed, judged)| format!("; limit missed in {missed} of {judged}")).unwrap_or_default();
    let clear = |trend: &crate::history::summary::Trend| {
        trend.limits.low.is_some_and(|low| low > 0.0) || trend.limits.high.is_some_and(|high| high < 0.0)
    };
    let trend = figure.trend.filter(clear).map(|trend| {
        let limits = trend.limits.low.zip(trend.limits.high).map(|(low, high)| format!(" ({} to {})", of(low), of(high)));
        format!("; drifts by {} a day{}", of(trend.per_day), limits.unwrap_or_default())
    });
    format!("{}: {}, {} to {}{missed}{}", named(&figure.figure), of(median), of(low), of(high), trend.unwrap_or_default())
}

fn delay_words(delays: &Delays) -> String {
    let of = |value: Option<f64>| {
        value.map_or_else(|| "lost".to_owned(), |value| words::figure(&delays.figure.name, Unit::Millisecond, value))
    };
    let quantiles = [delays.p50, delays.p95, delays.p99, delays.p999].map(of).join(", ");
    let count = words::grouped((delays.samples + delays.lost) as f64);
    format!("{}: {quantiles}; {count} samples, {} lost", named(&delays.figure), words::grouped(delays.lost as f64))
}

fn value_words(figure: &FigureSummary, value: f64) -> String {
    words::figure(&figure.figure.name, figure.unit, value)
}

fn ruling_words(ruling: Ruling) -> &'static str {
    match ruling {
        Ruling::Delivered => "delivered",
        Ruling::NotDelivered => "not delivered",
        Ruling::NotEnough => "not to be told yet",
    }
}

fn named(figure: &Figure) -> String {
    let selector = figure.selector();
    if selector.is_empty() { figure.name.clone() } else { format!("{} ({selector})", figure.name) }
}
