//! The record, and what two of them say together, as a JSON document, for programs.

use serde::Serialize;

/// The whole document, indented, with a line end; a record's is the one that is stored.
pub fn render(document: &impl Serialize) -> String {
    // Writing to memory fails only for maps whose keys are no strings; those of our documents are.
    let mut text = serde_json::to_string_pretty(document).expect("the keys of a document's maps are strings");
    text.push('\n');
    text
}
