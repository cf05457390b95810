//! A report as text for a terminal or a text file.
//!
//! Records hold words from the network (names of servers, reasons of peers) and from files of others: control characters
//! never reach the terminal. Colour is an addition to words, and only on request.

mod comparison;
mod history;
mod why;

use std::fmt::Write as _;

use unicode_width::UnicodeWidthChar as _;

use super::model::{Budget, Cause, CheckLine, Item, Mark, Report, verdict_words};
use crate::record::Verdict;

pub use comparison::render_comparison;
pub use history::render_history;
pub use why::render_why;

/// How to render.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// Columns, at least [`NARROWEST`].
    pub width: usize,
    /// True to add colour by ANSI sequences.
    pub colour: bool,
}

impl Default for Look {
    fn default() -> Self {
        Self { width: 80, colour: false }
    }
}

/// Narrower terminals get lines of this width.
pub const NARROWEST: usize = 40;

/// Columns of the marks at the right of the check lines.
const MARK: usize = 10;

/// Renders a report; every line is at most as wide as the look says, and ends with a line end.
pub fn render(report: &Report, look: Look) -> String {
    let mut page = Page { text: String::new(), width: look.width.max(NARROWEST), colour: look.colour };
    let word = verdict_words(report.verdict);
    let painted = page.painted(word, Mark::Judged(report.verdict));
    page.wrapped(&format!("{painted}  "), printed_width(word) + 2, &report.headline, 0);
    page.paragraph(0, &report.place);
    if let Some(incomplete) = &report.incomplete {
        page.paragraph(0, incomplete);
    }
    if let Some(cause) = &report.cause {
        page.cause(cause);
    }
    page.items("Missed", &report.missed);
    page.items("Neither met nor missed", &report.unproven);
    page.items("Not tested", &report.untested);
    page.checks(&report.checks);
    page.items("Visits in this record", &report.earlier);
    page.items("Sold and delivered", &report.sold);
    page.budget(&report.budget);
    if !report.cautions.is_empty() {
        page.heading("To bear in mind");
        for caution in &report.cautions {
            page.paragraph(2, caution);
        }
    }
    page.text.push('\n');
    page.paragraph(0, &report.footer);
    page.text
}

struct Page {
    text: String,
    width: usize,
    colour: bool,
}

impl Page {
    fn heading(&mut self, title: &str) {
        self.text.push('\n');
        self.paragraph(0, title);
    }

    fn cause(&mut self, cause: &Cause) {
        self.text.push('\n');
        self.paragraph(0, &cause.sentence);
        for step in &cause.next {
            self.hanging(2, "next: ", step);
        }
        for reason in &cause.because {
            self.hanging(2, "seen: ", reason);
        }
        for other in &cause.others {
            self.paragraph(2, other);
        }
    }

    fn items(&mut self, title: &str, items: &[Item]) {
        if items.is_empty() {
            return;
        }
        self.heading(title);
        for item in items {
            self.paragraph(2, &format!("{}: {}", item.name, item.text));
            if let Some(remedy) = &item.remedy {
                self.hanging(4, "to prove it: ", remedy);
            }
        }
    }

    fn budget(&mut self, budgets: &[Budget]) {
        if budgets.is_empty() {
            return;
        }
        self.heading("Speed budget");
        for budget in budgets {
            self.paragraph(2, &format!("{}:", budget.title));
            for step in &budget.steps {
                self.hanging(4, "- ", step);
            }
        }
    }

    /// Name, figures and mark in three columns; the figures wrap within theirs.
    fn checks(&mut self, checks: &[CheckLine]) {
        if checks.is_empty() {
            return;
        }
        self.heading("Checks");
        let name_width = checks.iter().map(|c| printed_width(&printable(&c.name))).max().unwrap_or(0).clamp(1, 16);
        let figures_width = self.width.saturating_sub(2 + name_width + 2 + 2 + MARK).max(8);
        for check in checks {
            let mark = self.painted(check.mark.word(), check.mark);
            let names = wrap(&printable(&check.name), name_width, name_width);
            let figures = wrap(&printable(&check.text), figures_width, figures_width);
            for row in 0..names.len().max(figures.len()).max(1) {
                let name = padded(names.get(row).map_or("", String::as_str), name_width);
                let figure = figures.get(row).map_or("", String::as_str);
                if row == 0 {
                    let _ = writeln!(self.text, "  {name}  {}  {mark}", padded(figure, figures_width));
                } else {
                    let _ = writeln!(self.text, "  {name}  {figure}");
                }
            }
        }
    }

    /// A paragraph; one that is indented has its further lines two columns further in.
    fn paragraph(&mut self, indent: usize, text: &str) {
        let under = if indent == 0 { 0 } else { indent + 2 };
        self.wrapped(&" ".repeat(indent), indent, text, under);
    }

    /// A paragraph whose further lines stand below the text behind the lead.
    fn hanging(&mut self, indent: usize, lead: &str, text: &str) {
        let start = format!("{}{lead}", " ".repeat(indent));
        let width = printed_width(&start);
        self.wrapped(&start, width, text, width);
    }

    /// Text behind a start that takes `used` columns (and may hold colour); further lines are indented by `under` columns.
    fn wrapped(&mut self, start: &str, used: usize, text: &str, under: usize) {
        let lines = wrap(&printable(text), self.width.saturating_sub(used), self.width.saturating_sub(under));
        self.text.push_str(start);
        for (i, line) in lines.iter().enumerate() {
            if i > 0 {
                self.text.push_str(&" ".repeat(under));
            }
            self.text.push_str(line);
            self.text.push('\n');
        }
        if lines.is_empty() {
            self.text.push('\n');
        }
    }

    fn painted(&self, word: &str, mark: Mark) -> String {
        // Bold with green, red or yellow; the default colour where nothing is judged (ECMA-48 section 8.3.117).
        let code = match mark {
            Mark::Judged(Verdict::Pass) => "1;32",
            Mark::Judged(Verdict::Fail) => "1;31",
            Mark::Judged(Verdict::NotProven | Verdict::NotTested) => "1;33",
            Mark::NoLimit => return word.to_owned(),
        };
        if self.colour { format!("\x1b[{code}m{word}\x1b[0m") } else { word.to_owned() }
    }
}

/// Text without control characters and without characters that turn the direction of writing; line ends become blanks.
pub(super) fn printable(text: &str) -> String {
    let turns = |c: char| matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let shown = |c: char| match c {
        '\n' | '\r' | '\t' => ' ',
        c if c.is_control() || turns(c) => '\u{fffd}',
        c => c,
    };
    text.chars().map(shown).collect()
}

/// Columns that a text takes.
fn printed_width(text: &str) -> usize {
    text.chars().map(|c| c.width().unwrap_or(0)).sum()
}

fn padded(text: &str, width: usize) -> String {
    format!("{text}{}", " ".repeat(width.saturating_sub(printed_width(text))))
}

/// Lines of at most `first` and then `rest` columns, broken at blanks, and within a word only when it is wider than a line.
fn wrap(text: &str, first: usize, rest: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in pieces(text) {
        let word = word.as_str();
        let limit = if lines.is_empty() { first } else { rest };
        if !line.is_empty() && printed_width(&line) + 1 + printed_width(word) > limit {
            lines.push(std::mem::take(&mut line));
        } else if !line.is_empty() {
            line.push(' ');
        }
        for c in word.chars() {
            let limit = if lines.is_empty() { first } else { rest };
            if !line.is_empty() && printed_width(&line) + c.width().unwrap_or(0) > limit {
                lines.push(std::mem::take(&mut line));
            }
            line.push(c);
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// The words of a text; a unit stays with its number.
pub(super) fn pieces(text: &str) -> Vec<String> {
    let mut pieces: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let is_unit = ["%", "ms", "s", "Mbit/s"].contains(&word.trim_end_matches([',', ';', '.', ':', ')']));
        match pieces.last_mut() {
            Some(last) if is_unit && last.ends_with(|c: char| c.is_ascii_digit()) => {
                last.push(' ');
                last.push_str(word);
            }
            _ => pieces.push(word.to_owned()),
        }
    }
    pieces
}

#[cfg(test)]
mod tests;
