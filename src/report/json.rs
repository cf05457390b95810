//! The record as a JSON document, for programs.

use crate::record::Record;

/// The whole record, indented, with a line end; the same document that is stored.
///
/// # Errors
/// Only if a fact can't be written as JSON, which none that was read from JSON is.
pub fn render(record: &Record) -> serde_json::Result<String> {
    let mut text = serde_json::to_string_pretty(record)?;
    text.push('\n');
    Ok(text)
}
