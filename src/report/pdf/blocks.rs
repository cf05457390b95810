//! The blocks of a page, one after the other into the flow.

mod figure;
mod table;

use super::super::page::{Block, Page, Tone};
use super::Paper;
use super::face::Faces;
use super::flow::{Flow, MARGIN, Part, Placed, Style, What};

const BODY: Style = Style::new(9.5, false, "text");
const STRONG: Style = Style::new(9.5, true, "text");
const FAINT: Style = Style::new(9.5, false, "faint");
const SECTION: Style = Style::new(14.0, true, "text");
const SMALL_HEADING: Style = Style::new(10.5, true, "text");
const FOOT: Style = Style::new(7.5, false, "faint");
/// Width of the column of words before what stands behind them.
const WORDS: f64 = 96.0;

/// Places a whole page, with number and record at the foot of each sheet.
pub(super) fn place(page: &Page, paper: Paper, faces: &Faces) -> Placed {
    let mut flow = Flow::new(paper, faces);
    head(&mut flow, page);
    for section in &page.sections {
        heading(&mut flow, &section.title, 2);
        for block in &section.blocks {
            place_block(&mut flow, block);
        }
    }
    feet(flow, page, paper)
}

fn head(flow: &mut Flow<'_>, page: &Page) {
    let part = flow.part(Part::Heading(1));
    let word = Style::new(26.0, true, if page.tone == Tone::Fail { "page" } else { page.tone.colour() });
    let (width, height) = (flow.faces.width(&page.word, word.size, true) + 28.0, 44.0);
    let frame = |colour, is_filled, dash| What::Frame { x: MARGIN, y: flow.y, width, height, colour, is_filled, dash };
    let frame = match page.tone {
        Tone::Fail => frame("fail", true, &[]),
        Tone::Open => frame("open", false, &[6.0, 4.0]),
        Tone::Pass | Tone::Plain => frame(page.tone.colour(), false, &[]),
    };
    flow.put(None, frame);
    let top = flow.y;
    flow.line(part, page.word.clone(), word, 14.0, top + 7.0);
    let headline = Style::new(12.5, true, "text");
    let left = width + 16.0;
    let lines = flow.height(&page.headline, headline, flow.width - left);
    flow.y = top + ((height - lines) / 2.0).max(0.0);
    flow.text(part, &page.headline, headline, left, flow.width);
    flow.y = flow.y.max(top + height) + 12.0;
    if let Some(incomplete) = &page.incomplete {
        let part = flow.part(Part::Paragraph);
        flow.text(part, incomplete, STRONG, 0.0, flow.width);
        flow.y += 6.0;
    }
    facts(flow, &page.facts);
}

fn heading(flow: &mut Flow<'_>, title: &str, level: u16) {
    let style = if level == 2 { SECTION } else { SMALL_HEADING };
    flow.skip(if level == 2 { 20.0 } else { 7.0 });
    // Never alone at the foot of a sheet.
    flow.keep(style.leading() + 54.0);
    if level == 2 {
        let y = flow.y;
        flow.put(None, What::Rule { from: (MARGIN, y), to: (MARGIN + flow.width, y), width: 1.6, colour: "text" });
        flow.y += 5.0;
    }
    let part = flow.part(Part::Heading(level));
    flow.text(part, title, style, 0.0, flow.width);
    flow.y += 3.0;
}

fn place_block(flow: &mut Flow<'_>, block: &Block) {
    match block {
        Block::Heading(title) => heading(flow, title, 3),
        Block::Text(text) => {
            let part = flow.part(Part::Paragraph);
            flow.text(part, text, BODY, 0.0, flow.width);
            flow.y += 4.0;
        }
        Block::Steps(all) => points(flow, all, true),
        Block::Points(all) => points(flow, all, false),
        Block::Items(items) => {
            for item in items {
                let remedy = item.remedy.as_ref().map(|remedy| format!("To prove it: {remedy}"));
                named(flow, &item.name, &item.text, remedy.as_deref());
            }
        }
        Block::Facts(all) => facts(flow, all),
        Block::Picture(picture) => figure::place(flow, picture),
        Block::Table(figures, tones) => table::place(flow, figures, tones.as_deref(), 0.0, 8.5),
        Block::Chain(chain) => {
            flow.skip(6.0);
            flow.keep(70.0);
            let part = flow.part(Part::Heading(3));
            let (word, colour) = (chain.verdict.word(), Tone::of(chain.verdict).colour());
            let style = Style::new(9.5, true, colour);
            let width = flow.faces.width(word, style.size, true) + 10.0;
            let top = flow.y;
            let dash: &'static [f64] = if Tone::of(chain.verdict) == Tone::Open { &[3.0, 2.0] } else { &[] };
            let is_filled = Tone::of(chain.verdict) == Tone::Fail;
            flow.put(None, What::Frame { x: MARGIN, y: top - 1.0, width, height: 14.0, colour, is_filled, dash });
            flow.line(part, word.to_owned(), Style { colour: if is_filled { "page" } else { colour }, ..style }, 5.0, top);
            flow.text(part, &chain.name, STRONG, width + 8.0, flow.width);
            flow.y += 2.0;
            let links: Vec<(String, String)> =
                chain.links.iter().map(|(word, text)| ((*word).to_owned(), text.clone())).collect();
            facts(flow, &links);
        }
    }
}

fn points(flow: &mut Flow<'_>, all: &[String], is_numbered: bool) {
    let list = flow.placed.parts.len();
    for (at, text) in all.iter().enumerate() {
        flow.keep(BODY.leading());
        let part = flow.part(Part::Point(list, is_numbered));
        let sign = if is_numbered { format!("{}.", at + 1) } else { "•".to_owned() };
        flow.line(part, sign, BODY, 2.0, flow.y);
        flow.text(part, text, BODY, 18.0, flow.width);
        flow.y += 2.0;
    }
    flow.y += 3.0;
}

fn facts(flow: &mut Flow<'_>, all: &[(String, String)]) {
    for (word, text) in all {
        flow.keep(BODY.leading());
        let part = flow.part(Part::Paragraph);
        let top = flow.y;
        flow.line(part, flow.faces.shown(word, false), FAINT, 0.0, top);
        flow.text(part, text, BODY, WORDS, flow.width);
    }
    flow.y += 3.0;
}

fn named(flow: &mut Flow<'_>, name: &str, text: &str, remedy: Option<&str>) {
    flow.keep(3.0 * BODY.leading());
    let part = flow.part(Part::Paragraph);
    flow.text(part, name, STRONG, 0.0, flow.width);
    for text in [Some(text), remedy].into_iter().flatten() {
        flow.text(part, text, BODY, 12.0, flow.width);
    }
    flow.y += 5.0;
}

/// Number and record at the foot of each sheet, once it is known how many there are.
fn feet(mut flow: Flow<'_>, page: &Page, paper: Paper) -> Placed {
    let (width, height) = paper.size();
    let all = flow.placed.sheets.len();
    let footer = flow.faces.shown(&page.footer, false);
    for (at, sheet) in flow.placed.sheets.iter_mut().enumerate() {
        let number = format!("{} of {all}", at + 1);
        let left = width - MARGIN - flow.faces.width(&number, FOOT.size, false);
        let mut put = |x, y, text| sheet.push(super::flow::Item { part: None, what: What::Text { x, y, style: FOOT, text } });
        for (row, line) in flow.faces.lines(&footer, FOOT.size, false, left - MARGIN - 24.0).into_iter().take(2).enumerate() {
            put(MARGIN, height - 38.0 + row as f64 * FOOT.leading(), line);
        }
        put(left, height - 38.0, number);
        let y = height - 50.0;
        let rule = What::Rule { from: (MARGIN, y), to: (width - MARGIN, y), width: 0.6, colour: "faint" };
        sheet.push(super::flow::Item { part: None, what: rule });
    }
    flow.placed
}
