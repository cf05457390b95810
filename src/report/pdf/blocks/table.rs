//! Tables: columns as wide as their texts need, narrowed where they need too much; the head again on each sheet.

use super::super::super::page::Tone;
use super::super::super::picture::Table;
use super::super::flow::{Flow, Head, MARGIN, Part, Style, What};

/// Room between columns.
const GAP: f64 = 10.0;

/// Places a table from an edge to the right margin, in texts of a size.
pub(super) fn place(flow: &mut Flow<'_>, table: &Table, tones: Option<&[Tone]>, left: f64, size: f64) {
    let number = flow.placed.parts.len();
    let widths = widths(flow, table, flow.width - left, size);
    let head = Style::new(size, false, "faint");
    row(flow, number, 0, &table.head, &widths, left, &|_| head);
    for (at, cells) in table.rows.iter().enumerate() {
        let tone = tones.and_then(|tones| tones.get(at)).copied().unwrap_or(Tone::Plain);
        let style = |column: usize| match column {
            0 => Style::new(size, true, "text"),
            last if last + 1 == cells.len() && tone != Tone::Plain => Style::new(size, true, tone.colour()),
            _ => Style::new(size, false, "text"),
        };
        if flow.keep(height(flow, cells, &widths, &style)) {
            // The same head once more is no part of the table.
            row(flow, usize::MAX, 0, &table.head, &widths, left, &|_| head);
        }
        row(flow, number, at + 1, cells, &widths, left, &style);
    }
    flow.y += 4.0;
}

/// Height that a table takes from an edge.
pub(super) fn height_of(flow: &Flow<'_>, table: &Table, left: f64, size: f64) -> f64 {
    let widths = widths(flow, table, flow.width - left, size);
    let style = |column: usize| Style::new(size, column == 0, "text");
    std::iter::once(&table.head).chain(&table.rows).map(|cells| height(flow, cells, &widths, &style)).sum()
}

fn height(flow: &Flow<'_>, cells: &[String], widths: &[f64], style: &dyn Fn(usize) -> Style) -> f64 {
    let each = cells.iter().zip(widths).enumerate().map(|(column, (text, width))| flow.height(text, style(column), *width));
    each.fold(0.0_f64, f64::max) + 3.0
}

fn row(
    flow: &mut Flow<'_>,
    table: usize,
    row: usize,
    cells: &[String],
    widths: &[f64],
    left: f64,
    style: &dyn Fn(usize) -> Style,
) {
    flow.keep(height(flow, cells, widths, style));
    let top = flow.y;
    let mut x = left;
    for (column, (text, width)) in cells.iter().zip(widths).enumerate() {
        let head = match (row, column) {
            (0, _) => Head::Column,
            (_, 0) => Head::Row,
            _ => Head::No,
        };
        let part = (table != usize::MAX).then(|| flow.part(Part::Cell(table, row, head)));
        let style = style(column);
        for (at, line) in flow.faces.lines(text, style.size, style.is_bold, *width).into_iter().enumerate() {
            let y = top + at as f64 * style.leading() + style.size * 1.08;
            if !line.is_empty() {
                flow.put(part, What::Text { x: MARGIN + x, y, style, text: line });
            }
        }
        x += width + GAP;
    }
    flow.y = top + height(flow, cells, widths, style);
    let (y, from) = (flow.y - 2.0, MARGIN + left);
    let colour = if row == 0 { "faint" } else { "grid" };
    flow.put(None, What::Rule { from: (from, y), to: (MARGIN + flow.width, y), width: 0.6, colour });
}

/// Each column gets what its widest text needs; what is missing is taken from those above an equal share.
fn widths(flow: &Flow<'_>, table: &Table, room: f64, size: f64) -> Vec<f64> {
    let columns = table.head.len().max(1);
    let room = room - GAP * (columns - 1) as f64;
    let need = |column: usize| {
        let all = std::iter::once(&table.head).chain(&table.rows).filter_map(|cells| cells.get(column));
        all.map(|text| flow.faces.width(&flow.faces.shown(text, true), size, true)).fold(12.0_f64, f64::max) + 1.0
    };
    let needs: Vec<f64> = (0..columns).map(need).collect();
    if needs.iter().sum::<f64>() <= room {
        return needs;
    }
    let mut widths = vec![None; columns];
    loop {
        let taken: f64 = widths.iter().flatten().sum();
        let open = widths.iter().filter(|width| width.is_none()).count();
        let share = (room - taken) / open.max(1) as f64;
        let fits = (0..columns).filter(|at| widths[*at].is_none() && needs[*at] <= share).collect::<Vec<_>>();
        if fits.is_empty() || open == 0 {
            return widths.into_iter().map(|width| width.unwrap_or(share)).collect();
        }
        for at in fits {
            widths[at] = Some(needs[at]);
        }
    }
}
