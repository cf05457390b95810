//! What is dropped when room runs out or a visit is old, and in which order: raw material of the oldest visits first, verdicts never.
//!
//! Dropping writes too, into the log: on a full disk it would come too late, so it begins while there is room for it ([`RESERVE`]).

use std::path::Path;

use rusqlite::params;

use super::days::DAY;
use super::{HistoryError, Policy, Store};
use crate::history::{Millis, Visit};
use crate::record::store::free_octets;

pub(super) const DROPPED_DOCUMENT: i64 = 1;
pub(super) const DROPPED_SKETCHES: i64 = 2;
pub(super) const DROPPED_READINGS: i64 = 4;

/// Visits whose material is dropped in one go: little work, and room for some thousand new ones.
const BATCH: i64 = 500;

/// The disk is to have so much left for the log of what is dropped: a day's readings of a line are some 5 MB of it.
const RESERVE: u64 = 16 << 20;
/// Or the file itself so much that it may use again: some hundred visits.
const SPARE: u64 = 2 << 20;

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

    /// Drops until the disk or the file has room for what comes, or nothing is left to drop; gives what was dropped, in words.
    pub(super) fn make_room(&mut self, now: Millis) -> Result<Vec<String>, HistoryError> {
        let mut dropped = Vec::new();
        // A disk that can't be asked is met when it is written to.
        let is_tight = |path: &Path| free_octets(path).is_ok_and(|free| free < RESERVE);
        if !is_tight(&self.path) {
            return Ok(dropped);
        }
        // Values stay where their days are packed.
        match self.pack() {
            Ok(_) | Err(HistoryError::Full(_)) => {}
            Err(error) => return Err(error),
        }
        loop {
            // The log gives its room back first.
            self.write_back()?;
            if !is_tight(&self.path) || self.spare()? >= SPARE {
                return Ok(dropped);
            }
            match self.drop_oldest(now)? {
                Some(what) => dropped.push(what.to_string()),
                None => return Ok(dropped),
            }
        }
    }

    /// Writes the log back into the file and empties it. Whoever reads meanwhile keeps it from that, and a full disk too: then it stays as it is.
    fn write_back(&self) -> Result<(), HistoryError> {
        match self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).map_err(|source| self.failed(source)) {
            Err(HistoryError::Full(_) | HistoryError::Busy(_)) => Ok(()),
            written => written,
        }
    }

    /// Octets of the file that hold nothing and are used again.
    fn spare(&self) -> Result<u64, HistoryError> {
        let number = |pragma| self.connection.query_row(pragma, [], |row| row.get::<_, i64>(0)).map(i64::unsigned_abs);
        let spare = || Ok(number("PRAGMA freelist_count")? * number("PRAGMA page_size")?);
        spare().map_err(|source| self.failed(source))
    }

    /// Drops what the policy keeps no longer, of the oldest days that still have it; gives what was dropped, in words.
    ///
    /// A day is packed first, so that its values stay. Looked at once a day, with the day's first visit of a line.
    pub(super) fn drop_aged(&mut self, added: &Visit, policy: &Policy) -> Result<Vec<String>, HistoryError> {
        let Some(days) = policy.raw_days else { return Ok(Vec::new()) };
        let now = added.started.as_millisecond();
        if !self.is_first_of_its_day(added)? {
            return Ok(Vec::new());
        }
        let before = (now.div_euclid(DAY) - i64::from(days)) * DAY;
        let oldest = "SELECT EXISTS (SELECT 1 FROM visit WHERE started < ?1 AND dropped & ?2 <> ?2)";
        let all = DROPPED_DOCUMENT | DROPPED_SKETCHES | DROPPED_READINGS;
        let is_there = self.connection.query_row(oldest, [before, all], |row| row.get::<_, bool>(0));
        let mut dropped = Vec::new();
        if !is_there.map_err(|source| self.failed(source))? {
            return Ok(dropped);
        }
        match self.pack() {
            Ok(_) => {}
            // Nothing is dropped that could not be packed.
            Err(HistoryError::Full(_)) => return Ok(dropped),
            Err(error) => return Err(error),
        }
        let path = self.path.clone();
        while let Some(what) = self.drop_raw(before).map_err(|source| super::classified(&path, source))? {
            dropped.push(what.to_string());
        }
        Ok(dropped)
    }

    fn is_first_of_its_day(&self, visit: &Visit) -> Result<bool, HistoryError> {
        let at = visit.started.as_millisecond();
        let before = "SELECT EXISTS (SELECT 1 FROM visit v JOIN line l ON l.id = v.line
             WHERE l.circuit = ? AND l.position = ? AND v.started >= ? AND v.started < ?)";
        let terms = params![visit.line.circuit, visit.line.position, at.div_euclid(DAY) * DAY, at];
        let others = self.connection.query_row(before, terms, |row| row.get::<_, bool>(0));
        others.map(|others| !others).map_err(|source| self.failed(source))
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
        if let Some(what) = self.drop_raw(now)? {
            return Ok(Some(what));
        }
        let step = self.connection.transaction()?;
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

    /// Drops what visits before a moment have beside their verdicts and the packed values of their days: the oldest of the least worth.
    fn drop_raw(&mut self, before: Millis) -> rusqlite::Result<Option<Dropped>> {
        let step = self.connection.transaction()?;
        let documents = step.execute(
            "DELETE FROM document WHERE visit IN (SELECT d.visit FROM document d JOIN visit v ON v.seq = d.visit WHERE v.started < ?
             ORDER BY d.visit LIMIT ?)",
            [before, BATCH],
        )?;
        if documents > 0 {
            step.execute(
                "UPDATE visit SET dropped = dropped | ?1 WHERE dropped & ?1 = 0 AND NOT EXISTS (SELECT 1 FROM document WHERE visit = seq)",
                [DROPPED_DOCUMENT],
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
            let oldest = step.query_row(query, [flag, before], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?)));
            let Ok((line, at)) = oldest else { continue };
            let (from, to) = (at.div_euclid(DAY) * DAY, (at.div_euclid(DAY) + 1) * DAY);
            // Figure by figure, so that the key is used.
            let figures: Vec<i64> = self.catalogue.numbers().collect();
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
        Ok(None)
    }
}
