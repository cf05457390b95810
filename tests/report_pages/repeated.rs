//! Invented histories (tests/common/repeats.rs) for looking at: a week, seven weeks with a gap, and one visit.

use std::path::Path;

use doorstep::history::Span;
use doorstep::history::entry::Entry;
use doorstep::history::store::{Care, Policy, Store};
use doorstep::history::summary::{HOURS, Terms, detail, summarise};
use doorstep::report::page::Page;
use doorstep::report::repeats;

use super::repeats::Repeats;

/// Names of the histories.
pub(crate) const NAMES: [&str; 3] = ["week", "seven-weeks", "one-visit"];

/// A history of the visits up to a number, of which every so-manieth is kept, and none of some hours in the second quarter.
pub(crate) fn store(path: &Path, visits: usize, every: usize) -> Store {
    let mut store = Store::open(path, Care::Whole).expect("a new history");
    let mut repeats = Repeats::new(7, visits);
    let gap = visits / 4..visits / 4 + visits / 12;
    for n in (0..visits).step_by(every).filter(|n| !gap.contains(n)) {
        let mut record = repeats.visit(n);
        // A line that is down gives no rate.
        if repeats.is_down(n) {
            for check in record.checks.iter_mut().filter(|check| check.check == "throughput") {
                check.outcome.readings.clear();
            }
        }
        store.add(&Entry::of(&record), &Policy::default()).expect("added");
    }
    store
}

/// The page of a history.
pub(crate) fn page(name: &str) -> Page {
    let (visits, every) = match name {
        "week" => (7 * 288, 1),
        "seven-weeks" => (49 * 288, 12),
        _ => (1, 1),
    };
    let folder = tempfile::tempdir().expect("a folder");
    let store = store(&folder.path().join("h"), visits, every);
    let line = store.lines().expect("lines").remove(0);
    let [busy, quiet] = HOURS;
    let extent = store.extent(&line).expect("read").expect("visits");
    let to = extent.to.checked_add(jiff::SignedDuration::from_millis(1)).expect("in range");
    let zone = jiff::tz::TimeZone::get("UTC").expect("a zone");
    let terms = Terms { span: Span { from: extent.from, to }, zone, busy, quiet };
    let summary = summarise(&store, &line, &terms).expect("a summary");
    let figures: Vec<_> = repeats::tracks(&summary).into_iter().map(|figure| figure.figure.clone()).collect();
    repeats::page(&summary, &detail(&store, &line, &terms, &figures).expect("read"))
}
