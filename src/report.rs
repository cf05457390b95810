//! Reports: [`model`] decides once what is said and in which order, the renderers obey. All from the record.
//!
//! The room renders to text and writes nowhere. It must not know checks, profiles or who asked. The hard thing is to say
//! the verdict, the cause and the next step so that they are read in ten seconds, and to leave nothing out behind them.

mod earlier;
mod explain_text;
mod figures;
pub mod html;
pub mod json;
pub mod model;
pub mod page;
pub mod palette;
pub mod pdf;
pub mod picture;
mod plan_text;
pub mod repeats;
pub mod standing;
pub mod terminal;
mod wanted_text;
pub mod why;

pub use explain_text::explain_text;
pub use plan_text::plan_text;
pub use wanted_text::wanted_text;

use crate::compare::Comparison;
use crate::history::summary::Summary;
use crate::record::Record;

/// A record, or what two of them say together, as JSON; see [`json::render`].
pub fn json(document: &impl serde::Serialize) -> String {
    json::render(document)
}

/// Why a visit ended as it did, as text of 80 columns; see [`terminal::render_why`] for other widths.
pub fn why(record: &Record, colour: bool) -> String {
    terminal::render_why(&why::why(record), terminal::Look { colour, ..terminal::Look::default() })
}

/// Two visits compared, as text of 80 columns; see [`terminal::render_comparison`] for other widths.
pub fn comparison(comparison: &Comparison, colour: bool) -> String {
    terminal::render_comparison(comparison, terminal::Look { colour, ..terminal::Look::default() })
}

/// What a span of a line's history says, as text of 80 columns; see [`terminal::render_history`] for other widths.
pub fn history(summary: &Summary, colour: bool) -> String {
    terminal::render_history(summary, terminal::Look { colour, ..terminal::Look::default() })
}

/// The record as text of 80 columns; see [`terminal::render`] for other widths.
pub fn terminal(record: &Record, colour: bool) -> String {
    terminal::render(&model::report(record), terminal::Look { colour, ..terminal::Look::default() })
}

/// The record as one page of HTML that needs nothing beside it. `digest` names the record's file.
pub fn html(record: &Record, digest: Option<&str>) -> String {
    html::render(&page::page(record, digest))
}

/// The record as PDF.
///
/// # Errors
/// When the PDF library refuses what it was given.
pub fn pdf(record: &Record, digest: Option<&str>, paper: pdf::Paper) -> Result<Vec<u8>, pdf::PdfError> {
    pdf::render(&page::page(record, digest), paper)
}

#[cfg(test)]
mod tests;
