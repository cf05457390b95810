//! Lines and pages: what stands where. Nothing here knows the PDF library.

use super::super::picture::layout::Drawing;
use super::Paper;
use super::face::Faces;

/// Room at the left and right of the text.
pub(super) const MARGIN: f64 = 50.0;
const TOP: f64 = 50.0;
const BOTTOM: f64 = 62.0;

/// What stands on the sheets, and what each part is.
pub(super) struct Placed {
    /// The sheets.
    pub(super) sheets: Vec<Vec<Item>>,
    /// The parts in reading order; items name theirs by its place here.
    pub(super) parts: Vec<Part>,
}

/// What a part of the text is, for a screen reader.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Part {
    /// A heading.
    Heading(u16),
    /// A paragraph.
    Paragraph,
    /// A point of a list: the list, and whether it is numbered.
    Point(usize, bool),
    /// A cell: the table, its row, and whether it heads a column or row.
    Cell(usize, usize, Head),
    /// A picture with the text that stands for it.
    Figure(String),
}

/// What a cell heads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Head {
    /// Nothing.
    No,
    /// Its column.
    Column,
    /// Its row.
    Row,
}

/// Something with its place, from the top left corner of its sheet.
pub(super) struct Item {
    /// The part that it belongs to; none for what only decorates.
    pub(super) part: Option<usize>,
    /// What it is.
    pub(super) what: What,
}

/// What is placed.
pub(super) enum What {
    /// A line of text on its base line.
    Text { x: f64, y: f64, style: Style, text: String },
    /// A straight line.
    Rule { from: (f64, f64), to: (f64, f64), width: f64, colour: &'static str },
    /// A rectangle; a pattern of dashes for its outline.
    Frame { x: f64, y: f64, width: f64, height: f64, colour: &'static str, is_filled: bool, dash: &'static [f64] },
    /// A drawing, scaled.
    Drawing { x: f64, y: f64, scale: f64, drawing: Drawing },
}

/// How a text looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Style {
    pub(super) size: f64,
    pub(super) is_bold: bool,
    pub(super) colour: &'static str,
}

impl Style {
    pub(super) const fn new(size: f64, is_bold: bool, colour: &'static str) -> Self {
        Self { size, is_bold, colour }
    }

    /// From one base line to the next.
    pub(super) fn leading(self) -> f64 {
        self.size * 1.42
    }
}

/// A column of text that goes on from sheet to sheet.
pub(super) struct Flow<'a> {
    pub(super) faces: &'a Faces,
    pub(super) placed: Placed,
    pub(super) width: f64,
    /// The top of what comes next.
    pub(super) y: f64,
    bottom: f64,
}

impl<'a> Flow<'a> {
    pub(super) fn new(paper: Paper, faces: &'a Faces) -> Self {
        let (width, height) = paper.size();
        let placed = Placed { sheets: vec![Vec::new()], parts: Vec::new() };
        Self { faces, placed, width: width - 2.0 * MARGIN, y: TOP, bottom: height - BOTTOM }
    }

    pub(super) fn put(&mut self, part: Option<usize>, what: What) {
        self.placed.sheets.last_mut().expect("there is always a sheet").push(Item { part, what });
    }

    pub(super) fn part(&mut self, part: Part) -> usize {
        self.placed.parts.push(part);
        self.placed.parts.len() - 1
    }

    /// Height of a whole sheet's column.
    pub(super) fn sheet_height(&self) -> f64 {
        self.bottom - TOP
    }

    /// Begins a sheet when less than a height is left. True when it did.
    pub(super) fn keep(&mut self, height: f64) -> bool {
        let is_full = self.y + height > self.bottom && self.y > TOP;
        if is_full {
            self.placed.sheets.push(Vec::new());
            self.y = TOP;
        }
        is_full
    }

    /// Room below, unless a sheet begins here.
    pub(super) fn skip(&mut self, height: f64) {
        if self.y > TOP {
            self.y += height;
        }
    }

    /// Running text between two edges, counted from the left margin.
    pub(super) fn text(&mut self, part: usize, text: &str, style: Style, left: f64, right: f64) {
        for line in self.faces.lines(text, style.size, style.is_bold, right - left) {
            self.keep(style.leading());
            self.line(part, line, style, left, self.y);
            self.y += style.leading();
        }
    }

    /// One line with its top at a height.
    pub(super) fn line(&mut self, part: usize, text: String, style: Style, left: f64, top: f64) {
        if !text.is_empty() {
            self.put(Some(part), What::Text { x: MARGIN + left, y: top + style.size * 1.08, style, text });
        }
    }

    /// Height that a text takes.
    pub(super) fn height(&self, text: &str, style: Style, width: f64) -> f64 {
        self.faces.lines(text, style.size, style.is_bold, width).len() as f64 * style.leading()
    }
}
