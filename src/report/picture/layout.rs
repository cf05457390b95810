//! From a picture to shapes in a field of [`WIDTH`] units: axes, marks, keys and labels get their places here, once for all renderers.
//!
//! The hard thing is that no two texts meet: names of lines and levels stand in a key above their field, never in it, and texts that
//! share a row are cut by an estimate of their width that errs to the wide side.

mod columns;
mod field;
mod lanes;
mod plot;

use super::{Kind, Pen, Picture};

/// Width of every picture; at this width a text of [`SMALL`] is read on a phone.
pub const WIDTH: f64 = 340.0;
/// Size of all texts in pictures.
pub const SMALL: f64 = 12.0;

/// Shapes in a field, origin at the top left.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// Height of the field; its width is [`WIDTH`].
    pub height: f64,
    /// In the order of drawing.
    pub shapes: Vec<Shape>,
}

/// What renderers draw.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// Connected points, each run by itself.
    Path {
        /// The runs.
        runs: Vec<Vec<(f64, f64)>>,
        /// Of what colour.
        ink: Ink,
        /// How thick.
        width: f64,
        /// Lengths of dash and gap; empty for an unbroken line.
        dash: &'static [f64],
    },
    /// A rectangle.
    Box {
        /// Left.
        x: f64,
        /// Top.
        y: f64,
        /// Width.
        width: f64,
        /// Height.
        height: f64,
        /// Of what colour.
        ink: Ink,
        /// False for an outline.
        is_filled: bool,
    },
    /// A disc.
    Disc {
        /// Centre.
        at: (f64, f64),
        /// Radius.
        radius: f64,
        /// Of what colour.
        ink: Ink,
        /// False for a ring.
        is_filled: bool,
    },
    /// A line of text on its base line.
    Text {
        /// The anchor.
        at: (f64, f64),
        /// Which part of the text stands at the anchor.
        anchor: Anchor,
        /// Of what colour.
        ink: Ink,
        /// True for emphasis.
        is_bold: bool,
        /// The text.
        text: String,
    },
}

/// Which part of a text stands at its anchor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// Its beginning.
    Start,
    /// Its middle.
    Middle,
    /// Its end.
    End,
}

/// The part that a colour plays; [`super::super::palette`] has the colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// Text and axes.
    Text,
    /// Text of less weight.
    Faint,
    /// Lines behind the figures.
    Grid,
    /// Fields of less weight.
    Soft,
    /// The first line and what was measured.
    First,
    /// The second line.
    Second,
    /// The third line.
    Third,
    /// The fourth line.
    Fourth,
    /// What was lost.
    Lost,
}

impl Pen {
    fn ink(self) -> Ink {
        match self {
            Self::First => Ink::First,
            Self::Second => Ink::Second,
            Self::Third => Ink::Third,
            Self::Fourth => Ink::Fourth,
        }
    }

    fn dash(self) -> &'static [f64] {
        match self {
            Self::First => &[],
            Self::Second => &[7.0, 3.0],
            Self::Third => &[2.0, 2.5],
            Self::Fourth => &[8.0, 2.5, 2.0, 2.5],
        }
    }
}

/// Lays a picture out.
pub fn layout(picture: &Picture) -> Drawing {
    match &picture.kind {
        Kind::Plot(plot) => plot::layout(plot),
        Kind::Lanes(lanes) => lanes::layout(lanes),
        Kind::Columns(columns) => columns::layout(columns),
        Kind::Field(field) => field::layout(field),
    }
}

/// Shapes that grow downwards.
struct Board {
    shapes: Vec<Shape>,
    y: f64,
}

impl Board {
    fn new() -> Self {
        Self { shapes: Vec::new(), y: 0.0 }
    }

    fn text(&mut self, at: (f64, f64), anchor: Anchor, ink: Ink, is_bold: bool, text: impl Into<String>) {
        self.shapes.push(Shape::Text { at, anchor, ink, is_bold, text: text.into() });
    }

    fn line(&mut self, from: (f64, f64), to: (f64, f64), ink: Ink, width: f64, dash: &'static [f64]) {
        self.shapes.push(Shape::Path { runs: vec![vec![from, to]], ink, width, dash });
    }

    /// Marks and label of the axis across, below the field between two edges.
    fn axis_across(&mut self, axis: &super::Axis, left: f64, right: f64) {
        let top = self.y;
        self.line((left, top), (right, top), Ink::Text, 1.0, &[]);
        let mut free_from = f64::NEG_INFINITY;
        for (value, words) in axis.marks() {
            let x = left + axis.place(value) * (right - left);
            self.line((x, top), (x, top + 4.0), Ink::Text, 1.0, &[]);
            let half = text_width(&words, false) / 2.0;
            // A mark whose word would meet the one before it stays without.
            if x - half < free_from {
                continue;
            }
            free_from = x + half + 6.0;
            self.text((x.clamp(half, WIDTH - half), top + 16.0), Anchor::Middle, Ink::Faint, false, words);
        }
        self.text((right, top + 32.0), Anchor::End, Ink::Faint, false, axis.label.clone());
        self.y = top + 38.0;
    }

    fn filled(&mut self, (x, y): (f64, f64), (width, height): (f64, f64), ink: Ink) {
        self.shapes.push(Shape::Box { x, y, width, height, ink, is_filled: true });
    }

    fn outlined(&mut self, (x, y): (f64, f64), (width, height): (f64, f64), ink: Ink) {
        self.shapes.push(Shape::Box { x, y, width, height, ink, is_filled: false });
    }

    fn done(self) -> Drawing {
        Drawing { height: self.y.ceil(), shapes: self.shapes }
    }
}

/// What signs mean: rows of a sign's room and its word, from left to right.
struct Key {
    x: f64,
    has_row: bool,
    room: f64,
}

impl Key {
    /// With so much room for each sign.
    fn new(room: f64) -> Self {
        Self { x: 0.0, has_row: false, room }
    }

    /// Writes a word; gives the left end of its sign and the base line.
    fn place(&mut self, board: &mut Board, name: &str) -> (f64, f64) {
        let width = self.room + text_width(name, false) + 14.0;
        if !self.has_row || self.x + width > WIDTH + 14.0 {
            board.y += 15.0;
            (self.x, self.has_row) = (0.0, true);
        }
        let at = self.x;
        self.x += width;
        let name = cut(name, WIDTH - at - self.room, false);
        board.text((at + self.room, board.y), Anchor::Start, Ink::Faint, false, name);
        (at, board.y)
    }

    /// Leaves room below, if there was anything.
    fn end(self, board: &mut Board) {
        if self.has_row {
            board.y += 5.0;
        }
    }
}

/// An estimate of a text's width at [`SMALL`], to the wide side for the usual faces without serifs.
fn text_width(text: &str, is_bold: bool) -> f64 {
    let share = |c: char| match c {
        'i' | 'j' | 'l' | '.' | ',' | ':' | ';' | '\'' | '|' | ' ' | 'I' => 0.32,
        'f' | 't' | 'r' | '(' | ')' | '/' | '-' => 0.42,
        'm' | 'w' | 'M' | 'W' | '%' | '…' | '@' => 0.95,
        c if c.is_ascii_uppercase() => 0.76,
        _ => 0.64,
    };
    text.chars().map(share).sum::<f64>() * SMALL * if is_bold { 1.06 } else { 1.0 }
}

/// A text cut to a width, with a sign that it was.
fn cut(text: &str, width: f64, is_bold: bool) -> String {
    if text_width(text, is_bold) <= width {
        return text.to_owned();
    }
    let mut kept = String::new();
    for c in text.chars() {
        kept.push(c);
        if text_width(&kept, is_bold) + SMALL > width {
            kept.pop();
            break;
        }
    }
    format!("{}…", kept.trim_end())
}
