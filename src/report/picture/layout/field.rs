//! Hours across, days downwards: a ground where somebody looked, and on it a square that grows the worse it was.
//!
//! Size, frame and cross say all; the colours only add. An hour that nobody looked at has a dash and no ground.

use super::super::{Field, FieldCell, Sign};
use super::{Anchor, Board, Drawing, Ink, Key, Shape, WIDTH, cut};

/// Room for the names of rows.
const NAMES: f64 = 52.0;
/// From one cell to the next.
const CELL: f64 = (WIDTH - NAMES) / 24.0;
/// Side of a cell's ground.
const GROUND: f64 = CELL - 1.0;
/// Sides of the squares by grade.
const SIDES: [f64; Field::GRADES] = [1.6, 3.2, 4.7, 6.2, 7.7];
/// Hours with a word above them.
const MARKED: usize = 3;

pub(super) fn layout(field: &Field) -> Drawing {
    let mut board = Board::new();
    board.y += 13.0;
    board.text((0.0, board.y), Anchor::Start, Ink::Text, true, cut(&field.label, WIDTH, true));
    board.y += 5.0;
    key(&mut board, field);
    board.y += 14.0;
    for hour in (0..24).step_by(MARKED) {
        let x = NAMES + f64::from(hour) * CELL;
        board.text((x, board.y), Anchor::Start, Ink::Faint, false, hour.to_string());
    }
    board.text((0.0, board.y), Anchor::Start, Ink::Faint, false, "hour");
    board.y += 5.0;
    for row in &field.rows {
        board.text((0.0, board.y + CELL - 2.5), Anchor::Start, Ink::Faint, false, cut(&row.name, NAMES - 4.0, false));
        for (hour, cell) in row.cells.iter().enumerate().take(24) {
            let top = board.y;
            draw(&mut board, (NAMES + hour as f64 * CELL, top), *cell);
        }
        // Rows a little further apart than columns: a text's height is the least.
        board.y += CELL.max(12.5);
    }
    board.y += 3.0;
    board.done()
}

/// The grades, and of the other signs those that the field has.
fn key(board: &mut Board, field: &Field) {
    let mut key = Key::new(GROUND + 5.0);
    let mut place = |board: &mut Board, name: &str, cell: FieldCell| {
        let (x, y) = key.place(board, name);
        draw(board, (x, y - GROUND + 1.5), cell);
    };
    for (grade, name) in field.grades.iter().enumerate() {
        place(board, name, FieldCell { sign: Sign::Grade(grade), is_missed: false });
    }
    let cells = || field.rows.iter().flat_map(|row| &row.cells);
    if cells().any(|cell| cell.is_missed) {
        place(board, "limit missed in most visits", FieldCell { sign: Sign::Grade(Field::GRADES - 1), is_missed: true });
    }
    for (sign, name) in
        [(Sign::Down, "no packets carried"), (Sign::Untaken, "visited, figure not taken"), (Sign::Unvisited, "no visit")]
    {
        if cells().any(|cell| cell.sign == sign) {
            place(board, name, FieldCell { sign, is_missed: false });
        }
    }
    key.end(board);
}

fn draw(board: &mut Board, (x, y): (f64, f64), cell: FieldCell) {
    let (centre_x, centre_y) = (x + GROUND / 2.0, y + GROUND / 2.0);
    let across = |half: f64| vec![(centre_x - half, centre_y - half), (centre_x + half, centre_y + half)];
    let back = |half: f64| vec![(centre_x - half, centre_y + half), (centre_x + half, centre_y - half)];
    if cell.sign != Sign::Unvisited {
        board.filled((x, y), (GROUND, GROUND), Ink::Soft);
    }
    match cell.sign {
        Sign::Unvisited => {
            let run = vec![(centre_x - 1.5, centre_y), (centre_x + 1.5, centre_y)];
            board.shapes.push(Shape::Path { runs: vec![run], ink: Ink::Faint, width: 1.0, dash: &[] });
        }
        Sign::Untaken => {
            board.shapes.push(Shape::Disc { at: (centre_x, centre_y), radius: 2.6, ink: Ink::Faint, is_filled: false });
        }
        Sign::Down => {
            let runs = vec![across(GROUND / 2.0 - 1.5), back(GROUND / 2.0 - 1.5)];
            board.shapes.push(Shape::Path { runs, ink: Ink::Lost, width: 2.2, dash: &[] });
        }
        Sign::Grade(grade) => {
            let side = SIDES[grade.min(Field::GRADES - 1)];
            board.filled((centre_x - side / 2.0, centre_y - side / 2.0), (side, side), Ink::First);
        }
    }
    if cell.is_missed {
        let (left, top, right, bottom) = (x + 0.6, y + 0.6, x + GROUND - 0.6, y + GROUND - 0.6);
        let run = vec![(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
        board.shapes.push(Shape::Path { runs: vec![run], ink: Ink::Lost, width: 1.2, dash: &[] });
    }
}
