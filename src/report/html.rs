//! The page as one file of HTML: no script, nothing fetched, readable on a phone, on paper without colours and by a screen reader.
//!
//! Words come from records, which hold what strangers sent: the template escapes them all (its name ends in `.html`), and characters
//! that steer a terminal or turn the direction of writing are replaced.

use std::fmt::Write as _;

use minijinja::{Environment, Value, context};

use super::page::{Block, Page, Section, Tone};
use super::palette::COLOURS;
use super::picture::Table;
use super::picture::svg::svg;
use super::terminal::printable;

/// Renders a page.
pub fn render(page: &Page) -> String {
    let mut environment = Environment::new();
    environment.add_template("page.html", include_str!("html/page.html")).expect("the template is part of the program");
    let template = environment.get_template("page.html").expect("it was just added");
    let sections: Vec<Value> = page.sections.iter().map(section).collect();
    let text = template
        .render(context! {
            title => page.title.clone(),
            word => page.word.clone(),
            tone => page.tone.colour(),
            headline => page.headline.clone(),
            incomplete => page.incomplete.clone(),
            facts => page.facts.clone(),
            sections,
            footer => page.footer.clone(),
            style => Value::from_safe_string(style()),
        })
        .expect("the template uses only what it is given");
    let mut out = String::with_capacity(text.len());
    for line in text.lines().filter(|line| !line.trim().is_empty()) {
        out.push_str(&printable(line));
        out.push('\n');
    }
    out
}

fn section(section: &Section) -> Value {
    let blocks: Vec<Value> = section.blocks.iter().map(block).collect();
    context! { id => section.id, title => section.title.as_str(), blocks }
}

fn block(block: &Block) -> Value {
    match block {
        Block::Heading(text) => context! { kind => "heading", text },
        Block::Text(text) => context! { kind => "text", text },
        Block::Steps(all) => context! { kind => "steps", all },
        Block::Points(all) => context! { kind => "points", all },
        Block::Items(items) => {
            let all: Vec<Value> = items
                .iter()
                .map(|item| context! { name => item.name.clone(), text => item.text.clone(), remedy => item.remedy.clone() })
                .collect();
            context! { kind => "items", all }
        }
        Block::Facts(all) => context! { kind => "facts", all },
        Block::Picture(picture) => {
            let drawn = Value::from_safe_string(svg(picture));
            context! { kind => "picture", id => picture.id.clone(), title => picture.title.clone(), seen => picture.seen.clone(), drawn, table => table(&picture.table, None) }
        }
        Block::Table(figures, tones) => context! { kind => "table", table => table(figures, tones.as_deref()) },
        Block::Chain(chain) => {
            let tone = Tone::of(chain.verdict).colour();
            context! { kind => "chain", name => chain.name.clone(), verdict => chain.verdict.word(), tone, links => chain.links.clone() }
        }
    }
}

fn table(table: &Table, tones: Option<&[Tone]>) -> Value {
    let rows = table.rows.iter().enumerate().map(|(at, cells)| {
        let tone = tones.and_then(|tones| tones.get(at)).copied().map_or_else(|| Tone::Plain.colour(), Tone::colour);
        context! { cells => cells.clone(), tone }
    });
    context! { head => table.head.clone(), rows => rows.collect::<Vec<_>>() }
}

/// The sheet with the colours before it: light, dark, and light again on paper.
fn style() -> String {
    let mut light = String::new();
    let mut dark = String::new();
    let mut inks = String::new();
    for colour in COLOURS {
        let name = colour.name;
        let _ = write!(light, "--{name}:{};", colour.light);
        let _ = write!(dark, "--{name}:{};", colour.dark);
        let _ = write!(inks, ".f-{name}{{fill:var(--{name})}}.s-{name}{{stroke:var(--{name});fill:none}}");
    }
    format!(
        ":root{{{light}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n{inks}\n{}",
        include_str!("html/page.css")
    )
}

#[cfg(test)]
mod tests;
