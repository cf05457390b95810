//! Shares of a whole over time: columns on a common foot, and a strip above them.

use super::super::Columns;
use super::{Anchor, Board, Drawing, Ink, Key, Shape, WIDTH, text_width};

/// Height of the columns.
const HEIGHT: f64 = 110.0;
/// Height of the strip.
const STRIP: f64 = 9.0;
/// From one line of the middle part to the next.
const HATCH: f64 = 3.2;

pub(super) fn layout(columns: &Columns) -> Drawing {
    let mut board = Board::new();
    let left = text_width("100 %", false) + 6.0;
    let right = WIDTH - 10.0;
    let place = |at: f64| left + columns.across.place(at) * (right - left);
    board.y += 13.0;
    board.text((0.0, board.y), Anchor::Start, Ink::Text, true, columns.label.clone());
    board.y += 5.0;
    let mut key = Key::new(18.0);
    for (at, name) in columns.parts.iter().enumerate() {
        let (x, y) = key.place(&mut board, name);
        part(&mut board, at, (x, y - 9.0), (12.0, 10.0));
    }
    if !columns.marks.is_empty() {
        let (x, y) = key.place(&mut board, &columns.marks_name);
        board.filled((x, y - 9.0), (12.0, 10.0), Ink::Soft);
        board.filled((x + 4.0, y - 9.0), (4.0, 10.0), Ink::Text);
    }
    key.end(&mut board);
    if !columns.marks.is_empty() {
        let top = board.y + 4.0;
        board.filled((left, top), (right - left, STRIP), Ink::Soft);
        for (from, to) in &columns.marks {
            // Of a minute in a year something is seen.
            let width = (place(*to) - place(*from)).max(1.2);
            board.filled((place(*from).min(right - width), top), (width, STRIP), Ink::Text);
        }
        board.y = top + STRIP;
    }
    let bottom = board.y + 9.0 + HEIGHT;
    for (share, words) in [(0.0, "0"), (0.5, "50 %"), (1.0, "100 %")] {
        let y = bottom - share * HEIGHT;
        board.line((left, y), (right, y), Ink::Grid, 1.0, &[]);
        board.text((left - 6.0, y + 4.0), Anchor::End, Ink::Faint, false, words);
    }
    for column in &columns.columns {
        let (from, to) = (place(column.from), place(column.to));
        // A hair of air between neighbours, as long as there is room for it.
        let air = if to - from > 4.0 { 0.8 } else { 0.0 };
        let mut foot = bottom;
        for (at, share) in column.shares.iter().enumerate().filter(|(_, share)| **share > 0.0) {
            let height = share * HEIGHT;
            part(&mut board, at, (from + air, foot - height), ((to - from - 2.0 * air).max(0.5), height));
            foot -= height;
        }
    }
    board.y = bottom;
    board.axis_across(&columns.across, left, right);
    board.done()
}

/// A part by its place from the foot: full, lined, light.
fn part(board: &mut Board, at: usize, (x, y): (f64, f64), (width, height): (f64, f64)) {
    match at {
        0 => board.filled((x, y), (width, height), Ink::Lost),
        1 => {
            let count = (height / HATCH) as usize;
            let lines = (0..count).map(|n| y + height - (n as f64 + 0.5) * HATCH).map(|y| vec![(x, y), (x + width, y)]).collect();
            board.outlined((x, y), (width, height), Ink::Faint);
            board.shapes.push(Shape::Path { runs: lines, ink: Ink::Faint, width: 1.0, dash: &[] });
        }
        _ => {
            board.filled((x, y), (width, height), Ink::Soft);
            board.outlined((x, y), (width, height), Ink::Faint);
        }
    }
}
