//! The font inside the program: how wide its texts are, and where a text breaks into lines.

use ttf_parser::Face;

use super::super::terminal::{pieces, printable};
use super::PdfError;

/// The upright face.
pub(super) static REGULAR: &[u8] = include_bytes!("font/Inter-Regular.otf");
/// The face for emphasis.
pub(super) static BOLD: &[u8] = include_bytes!("font/Inter-SemiBold.otf");

/// Both faces, for measuring.
pub(super) struct Faces {
    regular: Face<'static>,
    bold: Face<'static>,
}

impl Faces {
    pub(super) fn new() -> Result<Self, PdfError> {
        let face = |data| Face::parse(data, 0).map_err(|error| PdfError(format!("the font can't be read: {error}")));
        Ok(Self { regular: face(REGULAR)?, bold: face(BOLD)? })
    }

    fn face(&self, is_bold: bool) -> &Face<'static> {
        if is_bold { &self.bold } else { &self.regular }
    }

    /// The text as the font can show it.
    pub(super) fn shown(&self, text: &str, is_bold: bool) -> String {
        let face = self.face(is_bold);
        printable(text).chars().map(|c| if face.glyph_index(c).is_some() { c } else { '?' }).collect()
    }

    /// Width of a text in points; kerning, which only narrows it, is left out.
    pub(super) fn width(&self, text: &str, size: f64, is_bold: bool) -> f64 {
        let face = self.face(is_bold);
        let advance = |c| face.glyph_index(c).and_then(|glyph| face.glyph_hor_advance(glyph)).unwrap_or(0);
        text.chars().map(|c| f64::from(advance(c))).sum::<f64>() * size / f64::from(face.units_per_em())
    }

    /// Lines no wider than a width, broken at blanks, and within a word only when it is wider than a line.
    pub(super) fn lines(&self, text: &str, size: f64, is_bold: bool, width: f64) -> Vec<String> {
        let mut lines: Vec<String> = vec![String::new()];
        for word in pieces(&self.shown(text, is_bold)) {
            let line = lines.last_mut().expect("there is always a line");
            let longer = if line.is_empty() { word.clone() } else { format!("{line} {word}") };
            if self.width(&longer, size, is_bold) <= width {
                *line = longer;
                continue;
            }
            if !line.is_empty() {
                lines.push(String::new());
            }
            for c in word.chars() {
                let line = lines.last_mut().expect("there is always a line");
                line.push(c);
                if self.width(line, size, is_bold) > width && line.chars().count() > 1 {
                    line.pop();
                    lines.push(c.to_string());
                }
            }
        }
        lines
    }
}
