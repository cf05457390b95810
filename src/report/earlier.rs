//! What is said of a record that goes on with earlier visits: which they are, and what was made of figures that more than one of them took.

use super::model::Item;
use crate::reading::words;
use crate::record::{MergeNote, Merging, Record};

/// The visits and the figures; empty for a record of one visit.
pub(super) fn items(record: &Record) -> Vec<Item> {
    let mut items: Vec<Item> = record.continues.iter().map(visit).collect();
    items.extend(record.merged.iter().map(figure));
    if !items.is_empty() {
        let text = "what was looked at again was held to half the risk each time, so that all looks at a limit together are wrong less than twice as \
                    often as the first alone";
        items.push(Item { name: "risk".to_owned(), text: text.to_owned(), remedy: None });
    }
    items
}

fn visit(part: &crate::record::Part) -> Item {
    let digest: String = part.digest.trim_start_matches("sha256:").chars().take(12).collect();
    let text = format!(
        "ended {}; record {} (sha256 {digest}), {}; doorstep {} on {}",
        part.verdict.word(),
        part.record,
        part.signature,
        part.agent.version,
        part.agent.host
    );
    Item { name: part.started.strftime("%Y-%m-%d %H:%M UTC").to_string(), text, remedy: None }
}

fn figure(note: &MergeNote) -> Item {
    let name = words::named(&note.reading, &note.of);
    let what = match note.what {
        Merging::Pooled => "of all visits together",
        Merging::BothStand => "both stand",
        Merging::Earlier => "of the earlier visit",
        Merging::Later => "of the later visit",
    };
    Item { name, text: format!("{what}: {}", note.because), remedy: None }
}
