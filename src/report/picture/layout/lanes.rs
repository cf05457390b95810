//! Things one below the other, with bars or marks along a common axis.

use super::super::{Lane, Lanes, Station};
use super::{Anchor, Board, Drawing, Ink, Shape, WIDTH, cut, text_width};

/// Room for the way at the left of its stations.
const WAY: f64 = 20.0;
/// Height of a bar or strip.
const BAR: f64 = 10.0;

pub(super) fn layout(lanes: &Lanes) -> Drawing {
    let mut board = Board::new();
    let is_way = lanes.lanes.iter().any(|lane| lane.station.is_some());
    let left = if is_way { WAY } else { 0.0 };
    let right = WIDTH - 12.0;
    let mut group = "";
    let mut before: Option<f64> = None;
    for lane in &lanes.lanes {
        if lane.group != group {
            group = &lane.group;
            board.y += if before.is_some() { 20.0 } else { 13.0 };
            board.text((left, board.y), Anchor::Start, Ink::Text, true, cut(group, WIDTH - left, true));
            board.line((left, board.y + 4.0), (WIDTH, board.y + 4.0), Ink::Grid, 1.0, &[]);
            board.y += 4.0;
        }
        board.y += 16.0;
        let says = text_width(&lane.says, false);
        board.text((left, board.y), Anchor::Start, Ink::Faint, false, cut(&lane.name, WIDTH - left - says - 10.0, false));
        board.text((WIDTH, board.y), Anchor::End, Ink::Text, lane.is_measured, lane.says.clone());
        if let Some(station) = lane.station {
            let y = board.y - 4.0;
            if let Some(before) = before {
                board.line((7.0, before + 6.0), (7.0, y - 6.0), Ink::Text, 1.5, &[]);
            }
            sign(&mut board, (7.0, y), station);
            before = Some(y);
        }
        board.y += 5.0;
        strip(&mut board, lane, lanes, left, right);
        board.y += BAR + 4.0;
    }
    board.y += 2.0;
    board.axis_across(&lanes.across, left, right);
    if is_way {
        signs(&mut board, lanes);
    } else if lanes.lanes.iter().any(|lane| !lane.lost.is_empty()) {
        board.line((4.0, board.y - 2.0), (4.0, board.y + 8.0), Ink::Lost, 1.6, &[]);
        board.text((12.0, board.y + 8.0), Anchor::Start, Ink::Faint, false, "a loss");
        board.y += 12.0;
    }
    board.done()
}

fn strip(board: &mut Board, lane: &Lane, lanes: &Lanes, left: f64, right: f64) {
    let place = |value: f64| left + lanes.across.place(value) * (right - left);
    let y = board.y;
    let field =
        |end: f64, ink, is_filled| Shape::Box { x: left, y, width: (place(end) - left).max(1.0), height: BAR, ink, is_filled };
    if let Some(end) = lane.bar {
        if lane.is_measured {
            board.shapes.push(field(end, Ink::First, true));
        } else {
            board.shapes.push(field(end, Ink::Soft, true));
            board.shapes.push(field(end, Ink::Faint, false));
        }
    } else if let Some(until) = lane.until {
        board.shapes.push(field(until, Ink::Soft, true));
        board.shapes.push(field(until, Ink::Faint, false));
        let marks: Vec<Vec<(f64, f64)>> = lane.lost.iter().map(|at| place(*at)).map(|x| vec![(x, y), (x, y + BAR)]).collect();
        if !marks.is_empty() {
            board.shapes.push(Shape::Path { runs: marks, ink: Ink::Lost, width: 1.6, dash: &[] });
        }
    }
}

/// Full for what loses nothing, a ring with a cross for loss, an empty ring for silence.
fn sign(board: &mut Board, at: (f64, f64), station: Station) {
    let disc = |ink, is_filled| Shape::Disc { at, radius: 5.0, ink, is_filled };
    match station {
        Station::Sound => board.shapes.push(disc(Ink::First, true)),
        Station::Silent => board.shapes.push(disc(Ink::Faint, false)),
        Station::Loses => {
            board.shapes.push(disc(Ink::Lost, false));
            let (x, y, half) = (at.0, at.1, 3.2);
            let runs = vec![vec![(x - half, y - half), (x + half, y + half)], vec![(x - half, y + half), (x + half, y - half)]];
            board.shapes.push(Shape::Path { runs, ink: Ink::Lost, width: 1.6, dash: &[] });
        }
    }
}

/// What the signs of a way mean, of those that it has.
fn signs(board: &mut Board, lanes: &Lanes) {
    let mut x = 7.0;
    let y = board.y + 4.0;
    for (station, name) in [(Station::Sound, "no loss up to here"), (Station::Loses, "loss"), (Station::Silent, "silent")] {
        if lanes.lanes.iter().any(|lane| lane.station == Some(station)) {
            sign(board, (x, y), station);
            board.text((x + 10.0, y + 4.0), Anchor::Start, Ink::Faint, false, name);
            x += 10.0 + text_width(name, false) + 20.0;
        }
    }
    board.y += 14.0;
}
