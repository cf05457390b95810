//! Two visits compared, as text for a terminal.

use super::{Look, NARROWEST, Page, verdict_words};
use crate::compare::{Change, Comparison, Course, Fate, Side, Trouble};
use crate::reading::words;
use crate::report::model::Mark;

/// Renders a comparison; every line is at most as wide as the look says, and ends with a line end.
pub fn render_comparison(comparison: &Comparison, look: Look) -> String {
    let mut page = Page { text: String::new(), width: look.width.max(NARROWEST), colour: look.colour };
    page.paragraph(0, &sentence(&comparison.conclusion));
    if let Some(segment) = comparison.segment {
        page.hanging(2, "where: ", &segment.to_string());
    }
    for step in &comparison.next {
        page.hanging(2, "next: ", step);
    }
    page.heading("The visits");
    page.side("first", &comparison.first);
    page.side("second", &comparison.second);
    if !comparison.troubles.is_empty() {
        page.heading("Limits that either visit missed");
        for trouble in &comparison.troubles {
            page.paragraph(2, &trouble_words(trouble));
        }
    }
    page.heading(&format!("Changed beyond chance, {} together", per_cent(comparison.confidence)));
    if comparison.changes.is_empty() {
        page.paragraph(2, "nothing");
    }
    for change in &comparison.changes {
        page.paragraph(2, &change_words(change));
    }
    let others = match comparison.unchanged {
        0 => None,
        1 => Some("one figure differs by no more than chance can make".to_owned()),
        n => Some(format!("{n} figures differ by no more than chance can make")),
    };
    if let Some(others) = others {
        page.paragraph(2, &others);
    }
    for (flaws, what) in [(&comparison.flaws_gone, "seen in the first only"), (&comparison.flaws_new, "seen in the second only")]
    {
        if !flaws.is_empty() {
            page.paragraph(2, &format!("{what}: {}", flaws.join(", ")));
        }
    }
    if !comparison.untold.is_empty() {
        page.heading("Not comparable");
        for untold in &comparison.untold {
            page.paragraph(2, &format!("{}: {}", named(&untold.reading, &untold.of), untold.because));
        }
    }
    if !comparison.cautions.is_empty() {
        page.heading("To bear in mind");
        for caution in &comparison.cautions {
            page.paragraph(2, &sentence(caution));
        }
    }
    page.text
}

impl Page {
    fn side(&mut self, which: &str, side: &Side) {
        let word = verdict_words(side.verdict);
        let painted = self.painted(word, Mark::Judged(side.verdict));
        let fault = side.fault.as_deref().map(|fault| format!(", {fault}")).unwrap_or_default();
        let start = format!("  {which:<7} {painted}  ");
        let used = 2 + 7 + 1 + word.len() + 2;
        let about = format!("{}, {}{fault}, record {}", side.started.strftime("%Y-%m-%d %H:%M UTC"), side.position, side.id);
        self.wrapped(&start, used, &about, 4);
    }
}

fn trouble_words(trouble: &Trouble) -> String {
    let fate = match trouble.fate {
        Fate::Gone => "gone",
        Fate::New => "new",
        Fate::Stays => "stays",
        Fate::Unclear => "unclear",
    };
    let turned = matches!(trouble.fate, Fate::Gone | Fate::New);
    let chance = if turned && !trouble.beyond_chance { " (chance can make that difference)" } else { "" };
    let Trouble { criterion, reading, of, first, second, .. } = trouble;
    format!("{fate}: {criterion}, {}: {}, then {}{chance}", named(reading, of), first.word(), second.word())
}

fn change_words(change: &Change) -> String {
    let figure = |value| words::figure(&change.reading, change.unit, value);
    let course = match change.course {
        Course::Worse => "worse: ",
        Course::Better => "better: ",
        Course::Other => "",
    };
    // From the smaller to the larger change.
    let by = match (change.low, change.high) {
        (Some(low), Some(high)) if low.abs() <= high.abs() => format!(" (by {} to {})", figure(low.abs()), figure(high.abs())),
        (Some(low), Some(high)) => format!(" (by {} to {})", figure(high.abs()), figure(low.abs())),
        (Some(end), None) | (None, Some(end)) => format!(" (by {} at least)", figure(end.abs())),
        (None, None) => String::new(),
    };
    format!("{course}{}: {}, then {}{by}", named(&change.reading, &change.of), figure(change.first), figure(change.second))
}

fn named(reading: &str, of: &str) -> String {
    if of.is_empty() { reading.to_owned() } else { format!("{reading} ({of})") }
}

/// With a capital letter and a full stop.
fn sentence(text: &str) -> String {
    let stop = if text.ends_with('.') { "" } else { "." };
    format!("{}{stop}", words::capital(text))
}

fn per_cent(share: f64) -> String {
    format!("{} %", words::significant(share * 100.0))
}
