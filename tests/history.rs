//! The history as it is typed, on an invented line (`common/repeats.rs`), its tables read back by an independent engine, its metrics by an independent
//! parser and an independent receiver, its changes held against an independent library.

#[path = "common/disk.rs"]
mod disk;
#[path = "common/python.rs"]
mod python;
#[path = "common/repeats.rs"]
mod repeats;

#[path = "history/otlp.rs"]
mod otlp;
#[path = "history/outside.rs"]
mod outside;
#[path = "history/room.rs"]
mod room;
#[path = "history/statement.rs"]
mod statement;
#[path = "history/store.rs"]
mod store;
#[path = "history/typed.rs"]
mod typed;

use std::path::Path;

use doorstep::history::entry::Entry;
use doorstep::history::store::{Care, Policy, Store};

use repeats::Repeats;

/// Room for all, documents too.
const WIDE: Policy = Policy { keep_documents: true, most_octets: 0, raw_days: None };

/// A history of so many visits.
fn filled(path: &Path, visits: usize, policy: &Policy) -> Store {
    let mut store = Store::open(path, Care::Whole).expect("a new history");
    let mut repeats = Repeats::new(7, visits);
    for n in 0..visits {
        store.add(&Entry::of(&repeats.visit(n)), policy).expect("added");
    }
    store
}
