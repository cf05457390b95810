//! What a history keeps and how long. It is set once, in the file, so that every visit that is added obeys it.

use rusqlite::params;

use super::{HistoryError, Store};

/// What is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Policy {
    /// Whether records are kept as they are, deflated.
    pub keep_documents: bool,
    /// The file grows to so many octets; 0 for as many as the disk has.
    pub most_octets: u64,
    /// Documents, delay sketches and bounds of single visits are kept for so many days; `None` for as long as there is room. Their values, the
    /// merged sketches of their days and their verdicts stay.
    pub raw_days: Option<u32>,
}

impl Default for Policy {
    /// No documents, 2 GB, of any age.
    fn default() -> Self {
        Self { keep_documents: false, most_octets: 2_000_000_000, raw_days: None }
    }
}

const DOCUMENTS: &str = "keep_documents";
const OCTETS: &str = "most_octets";
const DAYS: &str = "raw_days";

impl Store {
    /// What this history keeps.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn policy(&self) -> Result<Policy, HistoryError> {
        let mut policy = Policy::default();
        let set = self.all("SELECT name, value FROM setting", [], |row| Ok((row.get::<_, String>(0)?, row.get::<_, i64>(1)?)))?;
        for (name, value) in set {
            match name.as_str() {
                DOCUMENTS => policy.keep_documents = value != 0,
                OCTETS => policy.most_octets = value.unsigned_abs(),
                DAYS => policy.raw_days = u32::try_from(value).ok(),
                // Of a later version.
                _ => {}
            }
        }
        Ok(policy)
    }

    /// Sets what this history keeps from now on; what is there goes with the next visit that is added.
    ///
    /// # Errors
    /// When the file can't be written.
    pub fn keep(&mut self, policy: &Policy) -> Result<(), HistoryError> {
        let path = self.path.clone();
        let octets = i64::try_from(policy.most_octets).unwrap_or(i64::MAX);
        // Below zero: for as long as there is room.
        let days = policy.raw_days.map_or(-1, i64::from);
        let mut set = || -> rusqlite::Result<()> {
            let step = self.connection.transaction()?;
            for (name, value) in [(DOCUMENTS, i64::from(policy.keep_documents)), (OCTETS, octets), (DAYS, days)] {
                step.execute("INSERT OR REPLACE INTO setting (name, value) VALUES (?, ?)", params![name, value])?;
            }
            step.commit()
        };
        set().map_err(|source| super::classified(&path, source))
    }
}
