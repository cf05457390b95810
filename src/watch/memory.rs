//! What a watch remembers between visits, as the document that outlives the process.

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use super::policy::{Due, Kind};
use crate::record::Verdict;

/// The document's schema.
pub const SCHEMA: &str = "doorstep-watch/1";

/// What is remembered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Memory {
    /// [`SCHEMA`].
    pub schema: String,
    /// When the watch began; even rhythms are counted from here.
    pub began: Timestamp,
    /// What chance adds to each moment follows from this.
    pub seed: u64,
    /// When the last visit of any kind began.
    pub last_visit: Option<Timestamp>,
    /// When the last heavy visit began.
    pub last_heavy: Option<Timestamp>,
    /// What was moved today.
    pub spent: Option<Spent>,
    /// A light visit failed, and the thorough one has not been made yet.
    pub thorough_wanted: bool,
    /// Thorough visits since the trouble began.
    pub thorough: u32,
    /// None before this.
    pub no_thorough_before: Option<Timestamp>,
    /// How the last visit ended.
    pub last: Option<Last>,
    /// The next visit, as it was known when this was written; missing while one is made and once the watch is over.
    pub next: Option<Due>,
    /// What was made and what was not.
    pub counts: Counts,
}

/// Octets moved on one day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Spent {
    /// The day, in the schedule's time zone.
    pub day: Date,
    /// What its visits may have moved: their plans' bounds.
    pub octets: u64,
}

/// How a visit ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Last {
    /// When.
    pub at: Timestamp,
    /// What it was.
    pub kind: Kind,
    /// Its verdict; missing where no visit could be made.
    pub verdict: Option<Verdict>,
    /// Where its record is, or why there is none.
    pub told: String,
}

/// What was made and what was not.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// Visits made.
    pub made: u64,
    /// Of them, how many failed.
    pub failed: u64,
    /// Moments that passed while the machine slept or was off.
    pub missed: u64,
    /// Visits left out or made lighter for the day's data.
    pub spared: u64,
    /// Visits that could not be made.
    pub broken: u64,
}

impl Memory {
    /// Of a watch that begins now.
    pub fn begun(began: Timestamp, seed: u64) -> Self {
        Self {
            schema: SCHEMA.to_owned(),
            began,
            seed,
            last_visit: None,
            last_heavy: None,
            spent: None,
            thorough_wanted: false,
            thorough: 0,
            no_thorough_before: None,
            last: None,
            next: None,
            counts: Counts::default(),
        }
    }

    /// Reads the document.
    ///
    /// # Errors
    /// Says what is wrong with it.
    pub fn parse(text: &str) -> Result<Self, String> {
        let memory: Self = serde_json::from_str(text).map_err(|error| format!("not what a watch remembers: {error}"))?;
        if memory.schema != SCHEMA {
            return Err(format!("its schema is {:?}, and this version reads {SCHEMA:?}", memory.schema));
        }
        Ok(memory)
    }

    /// After the clock was set back: whatever lies ahead of now by more than any plan can is brought to now, so that nothing waits for a
    /// time that is far away.
    pub(super) fn mended(&mut self, now: Timestamp, longest: SignedDuration) {
        let ahead = |at: Timestamp, by: SignedDuration| at.duration_since(now) > by;
        if ahead(self.began, SignedDuration::ZERO) {
            self.began = now;
        }
        self.last_visit = self.last_visit.map(|at| at.min(now));
        self.last_heavy = self.last_heavy.map(|at| at.min(now));
        if self.no_thorough_before.is_some_and(|at| ahead(at, longest)) {
            self.no_thorough_before = Some(now);
        }
    }
}
