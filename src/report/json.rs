//! The record as a JSON document, for programs.

use crate::record::Record;

/// The whole record, indented, with a line end; the same document that is stored.
pub fn render(record: &Record) -> String {
    // Writing to memory fails only for maps whose keys are no strings; those of a record are.
    let mut text = serde_json::to_string_pretty(record).expect("the keys of a record's maps are strings");
    text.push('\n');
    text
}
