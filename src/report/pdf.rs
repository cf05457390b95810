//! The page as PDF: the same words and pictures as in HTML, on A4 or Letter, tagged for screen readers.
//!
//! [`flow`] breaks lines and pages and places everything; [`mod@write`] hands what was placed to the PDF library. Dates and identifiers
//! are the record's, and the font is part of the program, so that a record gives the same octets on every machine.

mod blocks;
mod face;
mod flow;
mod write;

use super::page::Page;

/// Size of a sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// 210 mm by 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 inches by 11 inches.
    Letter,
}

impl Paper {
    /// Width and height in points of 1/72 inch.
    fn size(self) -> (f64, f64) {
        match self {
            Self::A4 => (595.276, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

/// Why there is no document.
#[derive(Debug, thiserror::Error)]
#[error("making the PDF: {0}; this is a fault of this program: --html gives the same report")]
pub struct PdfError(String);

/// Renders a page.
///
/// # Errors
/// When the PDF library refuses what it was given, which would be a fault of ours.
pub fn render(page: &Page, paper: Paper) -> Result<Vec<u8>, PdfError> {
    let faces = face::Faces::new()?;
    let placed = blocks::place(page, paper, &faces);
    write::write(page, paper, &placed)
}

#[cfg(test)]
mod tests;
