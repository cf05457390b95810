//! What a span of a line's history says, as text for a terminal.

use super::{Look, NARROWEST, Page};
use crate::history::summary::{FigureSummary, Finding, Summary};
use crate::report::repeats::statement;
use crate::report::repeats::words::{self as said, Moments};

/// Outages that are listed one by one; the rest is counted.
const MOST_OUTAGES: usize = 12;

/// Renders a summary; every line is at most as wide as the look says, and ends with a line end.
pub fn render_history(summary: &Summary, look: Look) -> String {
    let mut page = Page { text: String::new(), width: look.width.max(NARROWEST), colour: look.colour };
    let moments = Moments::of(summary);
    page.paragraph(0, &format!("{}, {}: {} visits", summary.line, moments.span(summary.span), summary.visits));
    let verdicts = summary.verdicts;
    page.paragraph(2, &format!("{} pass, {} fail, {} not proven", verdicts.pass, verdicts.fail, verdicts.not_proven));
    for (fault, count) in &summary.faults {
        page.paragraph(2, &format!("{fault}: {count}"));
    }
    page.heading("Carried packets");
    page.paragraph(2, &said::availability(summary));
    for outage in summary.outages.iter().take(MOST_OUTAGES) {
        page.hanging(2, "down ", &said::outage(outage, &moments));
    }
    if summary.outages.len() > MOST_OUTAGES {
        page.paragraph(2, &format!("and {} more", summary.outages.len() - MOST_OUTAGES));
    }
    let steady = summary.figures.iter().filter(|figure| figure.pattern.finding == Finding::Steady);
    let busy = summary.figures.iter().filter(|figure| figure.pattern.finding == Finding::BusyHours);
    let [busy_hours, quiet_hours] = summary.hours.map(said::hours);
    page.figures("Limits missed in quiet hours as well: no congestion by others", steady, |figure| {
        said::by_hours(figure, &busy_hours, &quiet_hours)
    });
    page.figures("Limits missed in busy hours: congestion", busy, |figure| said::by_hours(figure, &busy_hours, &quiet_hours));
    let changed: Vec<&FigureSummary> = summary.figures.iter().filter(|figure| !figure.changes.is_empty()).collect();
    if !changed.is_empty() {
        page.heading("Changed their level");
        for figure in changed {
            for change in &figure.changes {
                page.paragraph(2, &said::change(figure, change, &moments));
            }
        }
    }
    if let Some(stated) = &summary.stated {
        page.heading(&statement::heading(stated));
        for point in statement::points(stated) {
            page.paragraph(2, &point);
        }
    }
    page.heading("Figures: median of visits, 5 % and 95 % of them");
    for figure in &summary.figures {
        page.paragraph(2, &said::figure(figure));
    }
    if !summary.delays.is_empty() {
        page.heading("Delays, all samples together: 50, 95, 99 and 99.9 %");
        for delays in &summary.delays {
            page.paragraph(2, &said::delays(delays));
        }
    }
    if !summary.related.is_empty() {
        page.heading("Moves with what the line's page showed");
        for related in &summary.related {
            page.paragraph(2, &said::related(related));
        }
    }
    page.heading("To bear in mind");
    for caution in said::cautions(summary) {
        page.paragraph(2, &caution);
    }
    page.text
}

impl Page {
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
