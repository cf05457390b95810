//! Panels of lines.

use super::super::{Axis, Line, Panel, Plot};
use super::{Anchor, Board, Drawing, Ink, Key, Shape, WIDTH, text_width};

pub(super) fn layout(plot: &Plot) -> Drawing {
    let mut board = Board::new();
    let words = plot.panels.iter().flat_map(|panel| panel.up.marks());
    let left = words.map(|(_, words)| text_width(&words, false)).fold(20.0_f64, f64::max) + 6.0;
    let right = WIDTH - 10.0;
    for (number, panel) in plot.panels.iter().enumerate() {
        if number > 0 {
            board.y += 12.0;
        }
        field(&mut board, panel, &plot.across, left, right);
    }
    board.axis_across(&plot.across, left, right);
    board.done()
}

fn field(board: &mut Board, panel: &Panel, across: &Axis, left: f64, right: f64) {
    board.y += 13.0;
    board.text((0.0, board.y), Anchor::Start, Ink::Text, true, panel.up.label.clone());
    board.y += 5.0;
    let is_dashed = panel.lines.len() > 1;
    key(board, panel, is_dashed);
    let (top, bottom) = (board.y + 9.0, board.y + 9.0 + panel.height);
    for (value, words) in panel.up.marks() {
        let y = bottom - panel.up.place(value) * panel.height;
        board.line((left, y), (right, y), Ink::Grid, 1.0, &[]);
        board.text((left - 6.0, y + 4.0), Anchor::End, Ink::Faint, false, words);
    }
    for level in &panel.levels {
        let y = bottom - panel.up.place(level.at) * panel.height;
        board.line((left, y), (right, y), Ink::Text, 1.2, LEVEL);
    }
    for line in &panel.lines {
        let place = |x: f64, y: f64| (left + across.place(x) * (right - left), bottom - panel.up.place(y) * panel.height);
        let dash = if is_dashed { line.pen.dash() } else { &[] };
        board.shapes.push(Shape::Path {
            runs: runs(line, place),
            ink: line.pen.ink(),
            width: if is_dashed { 2.0 } else { 1.2 },
            dash,
        });
    }
    for at in &panel.turns {
        turn(board, left + across.place(*at) * (right - left), top, bottom);
    }
    let ticks: Vec<Vec<(f64, f64)>> =
        panel.lost.iter().map(|at| left + across.place(*at) * (right - left)).map(|x| vec![(x, top), (x, top + LOST)]).collect();
    if !ticks.is_empty() {
        board.shapes.push(Shape::Path { runs: ticks, ink: Ink::Lost, width: 2.0, dash: &[] });
    }
    board.y = bottom;
}

/// Height of the mark of a loss.
const LOST: f64 = 8.0;
/// Dashes of a level.
const LEVEL: &[f64] = &[4.0, 3.0];

/// What the lines, levels and marks are, above the field.
fn key(board: &mut Board, panel: &Panel, is_dashed: bool) {
    let mut key = Key::new(24.0);
    for line in panel.lines.iter().filter(|_| is_dashed) {
        let (x, y) = key.place(board, &line.name);
        board.line((x, y - 4.0), (x + 20.0, y - 4.0), line.pen.ink(), 2.0, line.pen.dash());
    }
    for level in &panel.levels {
        let (x, y) = key.place(board, &level.name);
        board.line((x, y - 4.0), (x + 20.0, y - 4.0), Ink::Text, 1.2, LEVEL);
    }
    if !panel.lost.is_empty() {
        let (x, y) = key.place(board, "a probe was lost");
        board.line((x + 10.0, y - 8.0), (x + 10.0, y - 8.0 + LOST), Ink::Lost, 2.0, &[]);
    }
    if !panel.turns.is_empty() {
        let (x, y) = key.place(board, "the level changed");
        turn(board, x + 10.0, y - 9.0, y + 1.0);
    }
    key.end(board);
}

/// An upright line with a head, so that it is told from the field's own lines without its colour.
fn turn(board: &mut Board, x: f64, top: f64, bottom: f64) {
    let runs = vec![vec![(x, top), (x, bottom)], vec![(x - 3.0, top), (x + 3.0, top)]];
    board.shapes.push(Shape::Path { runs, ink: Ink::Second, width: 1.6, dash: &[] });
}

/// The line as runs of points, broken where there is no value; of a column of many points the least and the most are kept.
fn runs(line: &Line, place: impl Fn(f64, f64) -> (f64, f64)) -> Vec<Vec<(f64, f64)>> {
    let mut runs = vec![Vec::new()];
    for (x, value) in &line.points {
        let run = runs.last_mut().expect("there is always a run");
        match value {
            Some(value) => {
                let at = place(*x, *value);
                if line.is_stepped
                    && let Some((_, before)) = run.last().copied()
                {
                    run.push((at.0, before));
                }
                run.push(at);
            }
            None => runs.push(Vec::new()),
        }
    }
    // A single point between two losses is still seen.
    for run in &mut runs {
        if let [only] = run.as_slice() {
            run.push((only.0 + 1.0, only.1));
        }
    }
    runs.into_iter().filter(|run| !run.is_empty()).map(thinned).collect()
}

fn thinned(run: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    let mut kept: Vec<(f64, f64)> = Vec::new();
    let mut column: Vec<(f64, f64)> = Vec::new();
    let close = |column: &mut Vec<(f64, f64)>, kept: &mut Vec<(f64, f64)>| {
        let order = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
        let (least, most) = (column.iter().min_by(order).copied(), column.iter().max_by(order).copied());
        let ends = [column.first().copied(), least, most, column.last().copied()];
        for point in ends.into_iter().flatten() {
            if kept.last() != Some(&point) {
                kept.push(point);
            }
        }
        column.clear();
    };
    for point in run {
        if column.first().is_some_and(|first| point.0 - first.0 >= COLUMN) {
            close(&mut column, &mut kept);
        }
        column.push(point);
    }
    close(&mut column, &mut kept);
    kept
}

/// Width of a column within which a line is thinned.
const COLUMN: f64 = 0.75;
