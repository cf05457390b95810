//! A picture at the left, its words and figures beside it.

use super::super::super::picture::Picture;
use super::super::super::picture::layout::{WIDTH, layout};
use super::super::flow::{Flow, MARGIN, Part, Style, What};
use super::{BODY, SMALL_HEADING, table};

/// Width of a picture on the sheet.
const ROOM: f64 = 246.0;
/// Where the words begin.
const BESIDE: f64 = 262.0;
/// Size of the figures beside it.
const FIGURES: f64 = 7.5;

pub(super) fn place(flow: &mut Flow<'_>, picture: &Picture) {
    let drawing = layout(picture);
    // A way with many stations is made to fit a sheet.
    let scale = (ROOM / WIDTH).min((flow.sheet_height() - 30.0) / drawing.height);
    let seen = Style { size: 8.5, ..BODY };
    let words = flow.height(&picture.title, SMALL_HEADING, flow.width - BESIDE)
        + flow.height(&picture.seen, seen, flow.width - BESIDE)
        + table::height_of(flow, &picture.table, BESIDE, FIGURES)
        + 12.0;
    flow.skip(8.0);
    flow.keep((drawing.height * scale).max(words));
    let (sheets, top) = (flow.placed.sheets.len(), flow.y);
    let heading = flow.part(Part::Heading(3));
    flow.text(heading, &picture.title, SMALL_HEADING, BESIDE, flow.width);
    let part = flow.part(Part::Figure(format!("{}. {}", picture.title, picture.seen)));
    let bottom = top + drawing.height * scale;
    flow.put(Some(part), What::Drawing { x: MARGIN, y: top, scale, drawing });
    flow.y += 2.0;
    let part = flow.part(Part::Paragraph);
    flow.text(part, &picture.seen, seen, BESIDE, flow.width);
    flow.y += 5.0;
    table::place(flow, &picture.table, None, BESIDE, FIGURES);
    if flow.placed.sheets.len() == sheets {
        flow.y = flow.y.max(bottom);
    }
    flow.y += 6.0;
}
