//! What a visit tells whoever watches: terminal, JSON lines and tests are equal listeners.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use crate::check::LiveFigure;
use crate::reading::Outcome;
use crate::record::Judgement;

/// Called for each event, in order, on the visit's tasks; must not block.
pub type Listener = Arc<dyn Fn(&VisitEvent) + Send + Sync>;

/// Something that happened in a visit.
#[derive(Debug, Clone)]
pub enum VisitEvent {
    /// The plan stands; nothing has been sent.
    Planned {
        /// Expected time on a healthy line.
        time: Duration,
        /// Octets moved at most.
        octets: u64,
        /// The checks, in the plan's order.
        checks: Vec<&'static str>,
    },
    /// A check has started.
    Started {
        /// Its name.
        check: &'static str,
    },
    /// A running check has a current figure.
    Figure(LiveFigure),
    /// A check has ended, or will not run.
    Ended {
        /// Its name.
        check: &'static str,
        /// How long it ran.
        took: Duration,
        /// What it found.
        outcome: Outcome,
    },
    /// What the checks that have ended say, held against the profile; sent after each check of a visit that has one. Later checks can
    /// still show that a limit was the test set's.
    Judged {
        /// One per criterion and reading; criteria on checks that have not ended are not tested.
        so_far: Vec<Judgement>,
    },
    /// The visit was asked to end early.
    EndingEarly,
    /// Something held could not be given back in time; it expires by itself.
    NotReleased {
        /// What.
        what: String,
    },
    /// The concluded record is on disk.
    Saved {
        /// Where.
        path: PathBuf,
    },
    /// The capture ended before the visit, which goes on.
    CaptureStopped {
        /// Why.
        why: String,
    },
    /// The disk has no room for the whole record: it was saved without its raw series.
    SavedWithoutSeries {
        /// Why.
        error: String,
    },
    /// The record could not be saved; the visit goes on.
    SaveFailed {
        /// Why, and what to do.
        error: String,
    },
}
