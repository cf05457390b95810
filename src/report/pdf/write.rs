//! What was placed, handed to the PDF library with its tags.

use std::num::NonZeroU16;

use krilla::Document;
use krilla::SerializeSettings;
use krilla::color::rgb;
use krilla::geom::{Path, PathBuilder, Point, Rect};
use krilla::metadata::{DateTime, Metadata};
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::tagging::{
    Artifact, ArtifactType, ContentTag, Identifier, ListNumbering, SpanTag, TableHeaderScope, Tag, TagGroup, TagTree,
};
use krilla::text::{Font, TextDirection};

use super::super::page::Page;
use super::super::palette;
use super::super::picture::layout::{Anchor, SMALL, Shape};
use super::super::picture::svg::class;
use super::face::{BOLD, Faces, REGULAR};
use super::flow::{Head, Item, Part, Placed, Style, What};
use super::{Paper, PdfError};

/// The document's octets.
pub(super) fn write(page: &Page, paper: Paper, placed: &Placed) -> Result<Vec<u8>, PdfError> {
    let settings = SerializeSettings { enable_tagging: true, xmp_metadata: true, ..SerializeSettings::default() };
    let mut document = Document::new_with(settings);
    document.set_metadata(metadata(page));
    let font = |data: &'static [u8]| Font::new(data.into(), 0).ok_or_else(|| PdfError("the font can't be read".to_owned()));
    let pen = Pen { regular: font(REGULAR)?, bold: font(BOLD)?, faces: Faces::new()? };
    let (width, height) = paper.size();
    let size = PageSettings::from_wh(width as f32, height as f32).ok_or_else(|| PdfError("no size".to_owned()))?;
    let mut marked: Vec<Vec<Identifier>> = placed.parts.iter().map(|_| Vec::new()).collect();
    for sheet in &placed.sheets {
        let mut leaf = document.start_page_with(size.clone());
        let mut surface = leaf.surface();
        for Item { part, what } in sheet {
            let tag = match (part, what) {
                (None, _) => ContentTag::Artifact(Artifact::with_kind(ArtifactType::Other)),
                (_, What::Text { .. }) => ContentTag::Span(SpanTag::empty()),
                _ => ContentTag::Other,
            };
            let identifier = surface.start_tagged(tag);
            pen.draw(&mut surface, what);
            surface.end_tagged();
            if let Some(part) = part {
                marked[*part].push(identifier);
            }
        }
        surface.finish();
        leaf.finish();
    }
    document.set_tag_tree(tree(&placed.parts, marked));
    document.finish().map_err(|error| PdfError(format!("{error:?}")))
}

fn metadata(page: &Page) -> Metadata {
    let at = page.made.to_zoned_datetime(jiff::tz::TimeZone::UTC);
    let small = |value: i8| u8::try_from(value).unwrap_or(0);
    let date = DateTime::new(u16::try_from(at.year()).unwrap_or(0))
        .month(small(at.month()))
        .day(small(at.day()))
        .hour(small(at.hour()))
        .minute(small(at.minute()))
        .second(small(at.second()))
        .utc_offset_hour(0)
        .utc_offset_minute(0);
    Metadata::new()
        .title(page.title.clone())
        .language("en".to_owned())
        .creator("doorstep".to_owned())
        .creation_date(date)
        .document_id(page.id.clone())
}

/// The parts as a tree: rows in tables, points in lists, all in reading order.
fn tree(parts: &[Part], marked: Vec<Vec<Identifier>>) -> TagTree {
    let mut tree = TagTree::new().with_lang(Some("en".to_owned()));
    let mut list: Option<(usize, TagGroup)> = None;
    let mut table: Option<(usize, TagGroup, usize, TagGroup)> = None;
    for (part, identifiers) in parts.iter().zip(marked) {
        // What holds nothing has no place in the tree.
        if identifiers.is_empty() && !matches!(part, Part::Cell(..)) {
            continue;
        }
        if let Some((_, group)) = list.take_if(|(number, _)| !matches!(part, Part::Point(other, _) if other == number)) {
            tree.push(group);
        }
        if let Some(whole) = table.take_if(|(number, ..)| !matches!(part, Part::Cell(other, ..) if other == number)) {
            tree.push(closed(whole));
        }
        match part {
            Part::Heading(level) => {
                let level = NonZeroU16::new(*level).unwrap_or(NonZeroU16::MIN);
                tree.push(filled(Tag::Hn(level, None).into(), identifiers));
            }
            Part::Paragraph => tree.push(filled(Tag::P.into(), identifiers)),
            Part::Figure(text) => tree.push(filled(Tag::Figure(Some(text.clone())).into(), identifiers)),
            Part::Point(number, is_numbered) => {
                let numbering = if *is_numbered { ListNumbering::Decimal } else { ListNumbering::Disc };
                let (_, group) = list.get_or_insert_with(|| (*number, TagGroup::new(Tag::L(numbering))));
                let mut point = TagGroup::new(Tag::LI);
                point.push(filled(Tag::LBody.into(), identifiers));
                group.push(point);
            }
            Part::Cell(number, row, head) => {
                let (_, group, at, cells) =
                    table.get_or_insert_with(|| (*number, TagGroup::new(Tag::Table), *row, TagGroup::new(Tag::TR)));
                if *at != *row {
                    group.push(std::mem::replace(cells, TagGroup::new(Tag::TR)));
                    *at = *row;
                }
                let tag = match head {
                    Head::Column => Tag::TH(TableHeaderScope::Column).into(),
                    Head::Row => Tag::TH(TableHeaderScope::Row).into(),
                    Head::No => Tag::TD.into(),
                };
                cells.push(filled(tag, identifiers));
            }
        }
    }
    if let Some((_, group)) = list {
        tree.push(group);
    }
    if let Some(whole) = table {
        tree.push(closed(whole));
    }
    tree
}

fn closed((_, mut table, _, row): (usize, TagGroup, usize, TagGroup)) -> TagGroup {
    table.push(row);
    table
}

fn filled(tag: krilla::tagging::TagKind, identifiers: Vec<Identifier>) -> TagGroup {
    let mut group = TagGroup::new(tag);
    for identifier in identifiers {
        group.push(identifier);
    }
    group
}

struct Pen {
    regular: Font,
    bold: Font,
    faces: Faces,
}

impl Pen {
    fn draw(&self, surface: &mut Surface<'_>, what: &What) {
        match what {
            What::Text { x, y, style, text } => self.text(surface, (*x, *y), *style, text),
            What::Rule { from, to, width, colour } => stroked(surface, line(&[*from, *to]), colour, *width, &[]),
            What::Frame { x, y, width, height, colour, is_filled, dash } => {
                let path = rectangle(*x, *y, *width, *height);
                if *is_filled { filled_in(surface, path, colour) } else { stroked(surface, path, colour, 1.4, dash) }
            }
            What::Drawing { x, y, scale, drawing } => {
                let at = |(a, b): (f64, f64)| (x + a * scale, y + b * scale);
                for shape in &drawing.shapes {
                    self.shape(surface, shape, &at, *scale);
                }
            }
        }
    }

    fn shape(&self, surface: &mut Surface<'_>, shape: &Shape, at: &dyn Fn((f64, f64)) -> (f64, f64), scale: f64) {
        match shape {
            Shape::Path { runs, ink, width, dash } => {
                let dash: Vec<f64> = dash.iter().map(|length| length * scale).collect();
                for run in runs {
                    let points: Vec<(f64, f64)> = run.iter().map(|point| at(*point)).collect();
                    stroked(surface, line(&points), class(*ink), width * scale, &dash);
                }
            }
            Shape::Box { x, y, width, height, ink, is_filled } => {
                let (x, y) = at((*x, *y));
                let path = rectangle(x, y, width * scale, height * scale);
                if *is_filled { filled_in(surface, path, class(*ink)) } else { stroked(surface, path, class(*ink), scale, &[]) }
            }
            Shape::Disc { at: centre, radius, ink, is_filled } => {
                let path = circle(at(*centre), radius * scale);
                if *is_filled {
                    filled_in(surface, path, class(*ink))
                } else {
                    stroked(surface, path, class(*ink), 1.4 * scale, &[])
                }
            }
            Shape::Text { at: place, anchor, ink, is_bold, text } => {
                let style = Style::new(SMALL * scale, *is_bold, class(*ink));
                let text = self.faces.shown(text, *is_bold);
                let width = self.faces.width(&text, style.size, *is_bold);
                let (x, y) = at(*place);
                let left = match anchor {
                    Anchor::Start => x,
                    Anchor::Middle => x - width / 2.0,
                    Anchor::End => x - width,
                };
                self.text(surface, (left, y), style, &text);
            }
        }
    }

    fn text(&self, surface: &mut Surface<'_>, (x, y): (f64, f64), style: Style, text: &str) {
        let font = if style.is_bold { &self.bold } else { &self.regular };
        surface.set_stroke(None);
        surface.set_fill(Some(fill(style.colour)));
        let start = Point::from_xy(x as f32, y as f32);
        surface.draw_text(start, font.clone(), style.size as f32, text, false, TextDirection::LeftToRight);
    }
}

fn colour(name: &str) -> rgb::Color {
    // Paper is white whatever the page on the screen is.
    let [red, green, blue] = if name == "page" { [255; 3] } else { palette::light(name) };
    rgb::Color::new(red, green, blue)
}

fn fill(name: &str) -> Fill {
    Fill { paint: colour(name).into(), opacity: NormalizedF32::ONE, ..Fill::default() }
}

fn filled_in(surface: &mut Surface<'_>, path: Option<Path>, colour: &str) {
    surface.set_stroke(None);
    surface.set_fill(Some(fill(colour)));
    if let Some(path) = path {
        surface.draw_path(&path);
    }
}

fn stroked(surface: &mut Surface<'_>, path: Option<Path>, name: &str, width: f64, dash: &[f64]) {
    let dash = (!dash.is_empty()).then(|| StrokeDash { array: dash.iter().map(|length| *length as f32).collect(), offset: 0.0 });
    surface.set_fill(None);
    surface.set_stroke(Some(Stroke { paint: colour(name).into(), width: width as f32, dash, ..Stroke::default() }));
    if let Some(path) = path {
        surface.draw_path(&path);
    }
}

fn line(points: &[(f64, f64)]) -> Option<Path> {
    let mut path = PathBuilder::new();
    for (at, (x, y)) in points.iter().enumerate() {
        if at == 0 { path.move_to(*x as f32, *y as f32) } else { path.line_to(*x as f32, *y as f32) }
    }
    path.finish()
}

fn rectangle(x: f64, y: f64, width: f64, height: f64) -> Option<Path> {
    let mut path = PathBuilder::new();
    path.push_rect(Rect::from_xywh(x as f32, y as f32, width as f32, height as f32)?);
    path.finish()
}

/// Four cubic curves; the constant makes them differ from a circle by less than 0.03 % of the radius (common practice).
fn circle((x, y): (f64, f64), radius: f64) -> Option<Path> {
    let bend = radius * 0.552_284_75;
    let mut path = PathBuilder::new();
    let p = |dx: f64, dy: f64| ((x + dx) as f32, (y + dy) as f32);
    let (sx, sy) = p(radius, 0.0);
    path.move_to(sx, sy);
    let quarters = [
        ((radius, bend), (bend, radius), (0.0, radius)),
        ((-bend, radius), (-radius, bend), (-radius, 0.0)),
        ((-radius, -bend), (-bend, -radius), (0.0, -radius)),
        ((bend, -radius), (radius, -bend), (radius, 0.0)),
    ];
    for (one, two, end) in quarters {
        let ((ax, ay), (bx, by), (cx, cy)) = (p(one.0, one.1), p(two.0, two.1), p(end.0, end.1));
        path.cubic_to(ax, ay, bx, by, cx, cy);
    }
    path.close();
    path.finish()
}
