//! Shapes as SVG 2 elements for a page of HTML: colours are classes, so that the page's light, dark and print sheets rule them.

use std::fmt::Write as _;

use minijinja::HtmlEscape;

use super::Picture;
use super::layout::{Anchor, Drawing, Ink, SMALL, Shape, WIDTH, layout};

/// A picture as an `svg` element with title and description (SVG 2 section 5.8). All text is escaped.
pub fn svg(picture: &Picture) -> String {
    let Drawing { height, shapes } = layout(picture);
    let id = HtmlEscape(&picture.id).to_string();
    let mut out = format!(
        "<svg viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-labelledby=\"{id}-title {id}-desc\" font-size=\"{SMALL}\">\
         <title id=\"{id}-title\">{}</title><desc id=\"{id}-desc\">{}</desc>",
        HtmlEscape(&picture.title),
        HtmlEscape(&picture.seen)
    );
    for shape in &shapes {
        draw(&mut out, shape);
    }
    out.push_str("</svg>");
    out
}

/// The class of an ink, and its name among the colours.
pub fn class(ink: Ink) -> &'static str {
    match ink {
        Ink::Text => "text",
        Ink::Faint => "faint",
        Ink::Grid => "grid",
        Ink::Soft => "soft",
        Ink::First => "first",
        Ink::Second => "second",
        Ink::Third => "third",
        Ink::Fourth => "fourth",
        Ink::Lost => "lost",
    }
}

fn draw(out: &mut String, shape: &Shape) {
    let drawn = match shape {
        Shape::Path { runs, ink, width, dash } => {
            let mut d = String::new();
            for run in runs {
                for (at, (x, y)) in run.iter().enumerate() {
                    let _ = write!(d, "{}{} {}", if at == 0 { "M" } else { "L" }, short(*x), short(*y));
                }
            }
            let dash: Vec<String> = dash.iter().map(|length| short(*length)).collect();
            let dash = if dash.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{}\"", dash.join(" ")) };
            write!(out, "<path class=\"s-{}\" stroke-width=\"{}\"{dash} d=\"{d}\"/>", class(*ink), short(*width))
        }
        Shape::Box { x, y, width, height, ink, is_filled } => {
            let (x, y, width, height) = (short(*x), short(*y), short(*width), short(*height));
            write!(out, "<rect class=\"{}\" x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{height}\"/>", face(*ink, *is_filled))
        }
        Shape::Disc { at, radius, ink, is_filled } => {
            let (x, y) = (short(at.0), short(at.1));
            write!(out, "<circle class=\"{}\" cx=\"{x}\" cy=\"{y}\" r=\"{radius}\"/>", face(*ink, *is_filled))
        }
        Shape::Text { at, anchor, ink, is_bold, text } => {
            let anchor = match anchor {
                Anchor::Start => "start",
                Anchor::Middle => "middle",
                Anchor::End => "end",
            };
            let bold = if *is_bold { " font-weight=\"600\"" } else { "" };
            let (x, y) = (short(at.0), short(at.1));
            let ink = class(*ink);
            write!(out, "<text class=\"f-{ink}\" x=\"{x}\" y=\"{y}\" text-anchor=\"{anchor}\"{bold}>{}</text>", HtmlEscape(text))
        }
    };
    drawn.expect("writing to memory does not fail");
}

fn face(ink: Ink, is_filled: bool) -> String {
    format!("{}-{}", if is_filled { "f" } else { "s" }, class(ink))
}

/// A tenth of a unit is finer than any screen shows.
fn short(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map(str::to_owned).unwrap_or(text)
}
