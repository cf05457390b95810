//! What is wrong with a text: the place, the key path, what is allowed and the nearest valid word.

use std::fmt;
use std::ops::Range;

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The line's text.
    pub source_line: String,
    /// Characters to mark from `column`.
    pub width: usize,
    /// Key path: `criterion[2].at_most`; empty for the whole text.
    pub path: String,
    /// What is wrong.
    pub what: String,
    /// What would be right, if that can be listed.
    pub allowed: Option<String>,
    /// The valid word that comes nearest to what was typed.
    pub nearest: Option<String>,
}

impl Problem {
    /// A problem at a byte range of `text`.
    pub(crate) fn at(text: &str, span: Range<usize>, path: &str, what: String) -> Self {
        let start = floor_boundary(text, span.start);
        let line_start = text[..start].rfind('\n').map_or(0, |i| i + 1);
        let line_end = text[start..].find('\n').map_or(text.len(), |i| start + i);
        let end = floor_boundary(text, span.end.clamp(start, line_end));
        Self {
            line: text[..line_start].matches('\n').count() + 1,
            column: text[line_start..start].chars().count() + 1,
            source_line: text[line_start..line_end].trim_end_matches('\r').to_owned(),
            width: text[start..end].chars().count().max(1),
            path: path.to_owned(),
            what,
            allowed: None,
            nearest: None,
        }
    }
}

/// The largest character boundary that is not behind `at`.
fn floor_boundary(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { line, column, source_line, width, path, what, allowed, nearest } = self;
        write!(f, "line {line}, column {column}")?;
        if !path.is_empty() {
            write!(f, ", at {path}")?;
        }
        writeln!(f, ": {what}")?;
        // Tabs become one blank each, so that the mark stands below what it means.
        writeln!(f, "    {}", source_line.replace('\t', " "))?;
        write!(f, "    {}{}", " ".repeat(column - 1), "^".repeat(*width))?;
        if let Some(nearest) = nearest {
            write!(f, "\n    perhaps meant: {nearest}")?;
        }
        if let Some(allowed) = allowed {
            write!(f, "\n    allowed: {allowed}")?;
        }
        Ok(())
    }
}

/// Problems one below the other, with the number of those that are not told.
pub(crate) fn listed(problems: &[Problem], more: usize) -> String {
    let tail = (more > 0).then(|| format!("and {more} more"));
    problems.iter().map(ToString::to_string).chain(tail).collect::<Vec<_>>().join("\n")
}

/// The candidate with the smallest edit distance, when it is near enough to be meant: at most a third of its length.
pub(crate) fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<String> {
    candidates
        .into_iter()
        .map(|c| (distance(word, c), c))
        .filter(|(d, c)| *d <= (c.chars().count() / 3).max(1))
        .min_by_key(|(d, _)| *d)
        .map(|(_, c)| c.to_owned())
}

/// Edit distance: insertions, deletions and replacements (dynamic programming over two rows).
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(ca != *cb);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edit_distance_agrees_with_hand_counted_pairs() {
        for (a, b, want) in [("", "", 0), ("", "abc", 3), ("loss", "lost", 1), ("down", "dwon", 2), ("kitten", "sitting", 3)] {
            assert_eq!(distance(a, b), want, "{a} {b}");
            assert_eq!(distance(b, a), want, "{b} {a}");
        }
    }

    #[test]
    fn a_word_too_far_from_all_has_no_nearest() {
        assert_eq!(nearest("at_mots", ["at_least", "at_most"]), Some("at_most".to_owned()));
        assert_eq!(nearest("colour", ["at_least", "at_most"]), None);
    }

    #[test]
    fn the_mark_counts_characters_not_octets() {
        let text = "title = \"größer\" # ä\nläne = ü1\n";
        let start = text.find('ü').unwrap();
        let problem = Problem::at(text, start..start + 3, "", "x".to_owned());
        assert_eq!((problem.line, problem.column, problem.width), (2, 8, 2));
    }
}
