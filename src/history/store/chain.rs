//! Proving that no visit was taken out or altered since it was added.
//!
//! Each entry's digest covers the one before, so that a change shows in the entry itself and a missing one in its successor. Whoever can write the file can
//! also make a whole new chain, or cut off its end: that shows only against a head that was noted elsewhere.

use std::borrow::Cow;
use std::io::Read as _;

use flate2::read::DeflateDecoder;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::read::{SELECT_CHAIN, visit_at};
use super::retain::{DROPPED_DOCUMENT, DROPPED_READINGS};
use super::{HistoryError, Store};
use crate::history::entry::{Digest, entry_digest, figures_digest};
use crate::history::{Figure, Millis};
use crate::unit::digest::{hexadecimal, sha256};

/// More than any record; a damaged stream must not fill the memory.
const MOST_DOCUMENT: u64 = 256 << 20;

/// What a look at the whole history found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Soundness {
    /// Visits in it.
    pub visits: u64,
    /// Visits whose readings were dropped for room: only their digest could be used.
    pub without_readings: u64,
    /// Digest of the last entry; note it elsewhere.
    pub head: String,
    /// What is wrong, in words; empty when nothing is.
    pub breaks: Vec<String>,
}

impl Store {
    /// Looks at the whole file: SQLite's integrity check, then every entry and its place in the chain. `head` is one that was noted before.
    ///
    /// # Errors
    /// When the file is damaged or can't be read.
    pub fn check(&self, head: Option<&str>) -> Result<Soundness, HistoryError> {
        let found = self.all("PRAGMA integrity_check(10)", [], |row| row.get::<_, String>(0))?;
        if found != ["ok"] {
            return Err(HistoryError::Damaged { path: self.path.clone(), what: found.join("; ") });
        }
        let mut breaks = Vec::new();
        let (mut visits, mut without_readings, mut last, mut next) = (0, 0, [0; 32], 1);
        let mut head_seen = head.is_none();
        let mut query = self.connection.prepare(SELECT_CHAIN).map_err(|source| self.failed(source))?;
        let mut rows = query.query([]).map_err(|source| self.failed(source))?;
        while let Some(row) = rows.next().map_err(|source| self.failed(source))? {
            let read = || -> rusqlite::Result<_> {
                let numbers: (i64, i64, Digest, Digest, Digest) =
                    (row.get(16)?, row.get(17)?, row.get(18)?, row.get(19)?, row.get(20)?);
                Ok((visit_at(row)?, numbers, row.get::<_, i64>(21)?, row.get::<_, Option<Vec<u8>>>(22)?))
            };
            let (visit, (sequence, line, figures, previous, entry), dropped, document) =
                read().map_err(|source| self.failed(source))?;
            visits += 1;
            let of = format!("visit {} of {}", visit.id, visit.started);
            if sequence != next {
                breaks.push(format!(
                    "{} before {of}",
                    if sequence == next + 1 {
                        "a visit is missing".to_owned()
                    } else {
                        format!("{} visits are missing", sequence - next)
                    }
                ));
            } else if previous != last {
                breaks.push(format!("the visit before {of} was replaced"));
            }
            if entry_digest(previous, sequence, &visit, figures) != entry {
                breaks.push(format!("{of} was altered"));
            }
            if dropped & DROPPED_READINGS != 0 {
                without_readings += 1;
            } else if self.figures_of(sequence, line, visit.started.as_millisecond())? != figures {
                breaks.push(format!("readings of {of} were altered"));
            }
            let sound = match &document {
                Some(octets) => inflated(octets).is_some_and(|text| hexadecimal(&sha256(&text)) == visit.record_digest),
                None => dropped & DROPPED_DOCUMENT != 0,
            };
            if !sound {
                breaks.push(format!("the record kept with {of} was altered or taken out"));
            }
            head_seen |= head.is_some_and(|head| hexadecimal(&entry) == head);
            (last, next) = (entry, sequence + 1);
        }
        if !head_seen {
            breaks.push("the entry that was noted is not there: visits were cut off or the chain was made anew".to_owned());
        }
        Ok(Soundness { visits, without_readings, head: hexadecimal(&last), breaks })
    }
}

impl Store {
    /// Digest of a visit's readings as they are held. Its order is that of the figures, as when they were added.
    fn figures_of(&self, sequence: i64, line: i64, at: Millis) -> Result<Digest, HistoryError> {
        let readings = self.readings_of(sequence, line, at)?;
        let texts: Vec<Cow<'_, str>> = readings.iter().map(|kept| self.text_of(&kept.figure)).collect();
        Ok(figures_digest(texts.iter().map(AsRef::as_ref).zip(&readings)))
    }

    /// A figure as JSON.
    fn text_of(&self, figure: &Figure) -> Cow<'_, str> {
        match self.catalogue.number(figure).and_then(|number| self.catalogue.entry(number)) {
            Some(entry) => Cow::Borrowed(&entry.text),
            // Another program has added it since this one opened the file.
            None => Cow::Owned(serde_json::to_string(figure).unwrap_or_default()),
        }
    }
}

fn inflated(octets: &[u8]) -> Option<Vec<u8>> {
    let mut text = Vec::new();
    DeflateDecoder::new(octets).take(MOST_DOCUMENT).read_to_end(&mut text).ok()?;
    Some(text)
}
