//! What is dropped when room runs out, and in which order: raw material of the oldest visits first, verdicts never.

use rusqlite::params;

use super::days::DAY;
use super::{HistoryError, Store};
use crate::history::Millis;

pub(super) const DROPPED_DOCUMENT: i64 = 1;
pub(super) const DROPPED_SKETCHES: i64 = 2;
pub(super) const DROPPED_READINGS: i64 = 4;

/// Visits whose material is dropped in one go: little work, and room for some thousand new ones.
const BATCH: i64 = 500;

/// What is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Policy {
    /// Whether records are kept as they are, deflated.
    pub keep_documents: bool,
    /// The file grows to so many octets; 0 for as many as the disk has.
    pub most_octets: u64,
}

impl Default for Policy {
    /// No documents, 2 GB.
    fn default() -> Self {
        Self { keep_documents: false, most_octets: 2_000_000_000 }
    }
}

/// What was dropped to make room.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dropped {
    /// Documents of the oldest visits.
    Documents,
    /// Sketches of single visits; those of their days stay.
    Sketches,
    /// Bounds and samples of single readings; their values stay, packed by days.
    Readings,
    /// Values and sketches of the oldest days. Visits with their verdicts stay.
    Days,
}

impl std::fmt::Display for Dropped {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Documents => "record documents of the oldest visits",
            Self::Sketches => "delay sketches of the oldest single visits (their days' stay)",
            Self::Readings => "bounds and sample counts of the oldest readings (their values stay)",
            Self::Days => "values of the oldest days (their visits and verdicts stay)",
        })
    }
}

impl Store {
    /// Sets how large the file may grow.
    pub(super) fn limit_size(&self, policy: &Policy) -> Result<(), HistoryError> {
        let page: i64 =
            self.connection.query_row("PRAGMA page_size", [], |row| row.get(0)).map_err(|source| self.failed(source))?;
        let pages = match policy.most_octets {
            0 => i64::from(u32::MAX) - 1,
            octets => i64::try_from(octets).unwrap_or(i64::MAX) / page.max(1),
        };
        let set = self.connection.query_row(&format!("PRAGMA max_page_count = {}", pages.max(64)), [], |_| Ok(()));
        set.map_err(|source| self.failed(source))
    }

    /// Drops the oldest material of the least worth, of visits before `now`; gives what, or `None` when only verdicts are left.
    ///
    /// The order: documents, sketches of visits, readings of packed days, packed days. Freed pages are used again; the file does not shrink.
    ///
    /// # Errors
    /// When the file can't be written.
    pub fn drop_oldest(&mut self, now: Millis) -> Result<Option<Dropped>, HistoryError> {
        let path = self.path.clone();
        self.drop_some(now).map_err(|source| super::classified(&path, source))
    }

    fn drop_some(&mut self, now: Millis) -> rusqlite::Result<Option<Dropped>> {
        let step = self.connection.transaction()?;
        let documents =
            step.execute("DELETE FROM document WHERE visit IN (SELECT visit FROM document ORDER BY visit LIMIT ?)", [BATCH])?;
        if documents > 0 {
            let first: i64 = step.query_row("SELECT coalesce(min(visit), 1 << 62) FROM document", [], |row| row.get(0))?;
            step.execute(
                "UPDATE visit SET dropped = dropped | ?1 WHERE seq < ?2 AND dropped & ?1 = 0",
                [DROPPED_DOCUMENT, first],
            )?;
            step.commit()?;
            return Ok(Some(Dropped::Documents));
        }
        for (table, flag, what) in
            [("sketch", DROPPED_SKETCHES, Dropped::Sketches), ("reading", DROPPED_READINGS, Dropped::Readings)]
        {
            // Only of packed days, whose values and merged sketches stay: the oldest such day that still has its readings.
            let query = "SELECT v.line, v.started FROM visit v WHERE v.dropped & ?1 = 0 AND v.started < ?2
                 AND EXISTS (SELECT 1 FROM packed p WHERE p.line = v.line AND p.day = v.started / 86400000) ORDER BY v.seq LIMIT 1";
            let oldest = step.query_row(query, [flag, now], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?)));
            let Ok((line, at)) = oldest else { continue };
            let (from, to) = (at.div_euclid(DAY) * DAY, (at.div_euclid(DAY) + 1) * DAY);
            // Figure by figure, so that the key is used.
            let figures: Vec<i64> = self.figures.values().copied().collect();
            for figure in figures {
                step.execute(
                    &format!("DELETE FROM {table} WHERE line = ? AND figure = ? AND at >= ? AND at < ?"),
                    params![line, figure, from, to],
                )?;
            }
            step.execute(
                "UPDATE visit SET dropped = dropped | ? WHERE line = ? AND started >= ? AND started < ?",
                params![flag, line, from, to],
            )?;
            step.commit()?;
            return Ok(Some(what));
        }
        let oldest =
            step.query_row("SELECT min(day) FROM (SELECT day FROM day UNION SELECT day FROM day_sketch)", [], |row| {
                row.get::<_, Option<i64>>(0)
            })?;
        let Some(day) = oldest else { return Ok(None) };
        step.execute("DELETE FROM day WHERE day = ?", [day])?;
        step.execute("DELETE FROM day_sketch WHERE day = ?", [day])?;
        step.commit()?;
        Ok(Some(Dropped::Days))
    }
}
