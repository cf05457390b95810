//! Adding a visit: all of it or nothing, in one transaction. Nothing that is held is ever altered by it.

use std::io::Write as _;

use flate2::Compression;
use flate2::write::DeflateEncoder;
use rusqlite::{OptionalExtension as _, Transaction, TransactionBehavior, params};

use super::days::DAY;
use super::retain::{DROPPED_DOCUMENT, Policy};
use super::{HistoryError, Store};
use crate::history::entry::{Digest, Entry, entry_digest, figures_digest, limits_text};
use crate::history::{Figure, Kept};
use crate::reading::Unit;
use crate::record::Verdict;
use crate::unit::digest::hexadecimal;

/// What became of a visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Added {
    /// It is kept; the digest is the chain's new head.
    New {
        /// The entry's digest.
        head: String,
        /// What was dropped to make room, in words; empty when nothing was.
        dropped: Vec<String>,
    },
    /// It was there already, the same.
    Known,
}

impl Store {
    /// Adds a visit. When no room is left, what the policy says is dropped, oldest first, and it is tried again.
    ///
    /// # Errors
    /// When the same visit is held with other contents, no room is left, or the file can't be written.
    pub fn add(&mut self, entry: &Entry, policy: &Policy) -> Result<Added, HistoryError> {
        self.limit_size(policy)?;
        let mut dropped = Vec::new();
        loop {
            match self.try_add(entry, policy) {
                Err(HistoryError::Full(path)) => match self.drop_oldest(entry.visit.started.as_millisecond())? {
                    Some(what) => dropped.push(what.to_string()),
                    None => return Err(HistoryError::Full(path)),
                },
                Ok(Added::New { head, .. }) => {
                    dropped.dedup();
                    return Ok(Added::New { head, dropped });
                }
                other => return other,
            }
        }
    }

    fn try_add(&mut self, entry: &Entry, policy: &Policy) -> Result<Added, HistoryError> {
        let visit = &entry.visit;
        let path = self.path.clone();
        let failed = |source| super::classified(&path, source);
        let step = self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
        let held: Option<String> = step
            .prepare_cached("SELECT record_digest FROM visit WHERE id = ?")
            .and_then(|mut query| query.query_row([visit.id.to_string()], |row| row.get(0)).optional())
            .map_err(failed)?;
        match held {
            Some(held) if held == visit.record_digest => return Ok(Added::Known),
            Some(held) => return Err(HistoryError::Differs { id: visit.id, held }),
            None => {}
        }
        // Numbers that this transaction gives out are known for good only when it is through.
        let mut figures = self.figures.clone();
        let head = insert(&step, entry, policy, &mut figures).map_err(failed)?;
        step.commit().map_err(failed)?;
        self.figures = figures;
        Ok(Added::New { head: hexadecimal(&head), dropped: Vec::new() })
    }
}

fn insert(
    step: &Transaction<'_>,
    entry: &Entry,
    policy: &Policy,
    figures: &mut std::collections::HashMap<Figure, i64>,
) -> rusqlite::Result<Digest> {
    let visit = &entry.visit;
    let at = visit.started.as_millisecond();
    let (circuit, position) = (&visit.line.circuit, &visit.line.position);
    step.prepare_cached("INSERT OR IGNORE INTO line (circuit, position) VALUES (?, ?)")?.execute([circuit, position])?;
    let line: i64 = step
        .prepare_cached("SELECT id FROM line WHERE circuit = ? AND position = ?")?
        .query_row([circuit, position], |row| row.get(0))?;
    let facts = if visit.line_facts.is_empty() {
        None
    } else {
        step.prepare_cached("INSERT OR IGNORE INTO line_facts (text) VALUES (?)")?.execute([&visit.line_facts])?;
        let query = step.prepare_cached("SELECT id FROM line_facts WHERE text = ?");
        Some(query?.query_row([&visit.line_facts], |row| row.get::<_, i64>(0))?)
    };
    let last: Option<(i64, Digest)> = step
        .prepare_cached("SELECT seq, entry FROM visit ORDER BY seq DESC LIMIT 1")?
        .query_row([], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    let (before, previous) = last.unwrap_or((0, [0; 32]));
    let sequence = before + 1;
    let digest = figures_digest(&entry.readings);
    let head = entry_digest(previous, sequence, visit, digest);
    step.prepare_cached(
        "INSERT INTO visit (seq, id, line, started, finished, complete, depth, profile, profile_digest, verdict, service, segment, fault,
         confidence, line_facts, record_digest, figures, previous, entry, dropped) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
    )?
    .execute(params![
        sequence,
        visit.id.to_string(),
        line,
        at,
        visit.finished.map(jiff::Timestamp::as_millisecond),
        visit.complete,
        visit.depth.to_string(),
        visit.profile,
        visit.profile_digest,
        visit.verdict.word(),
        visit.service.word(),
        visit.segment.map(|segment| segment.to_string()),
        visit.fault,
        visit.confidence,
        facts,
        visit.record_digest,
        digest,
        previous,
        head,
        if policy.keep_documents { 0 } else { DROPPED_DOCUMENT },
    ])?;
    if let Some(text) = &entry.tier {
        step.prepare_cached("INSERT OR IGNORE INTO tier (digest, text) VALUES (?, ?)")?.execute([&visit.profile_digest, text])?;
    }
    for kept in &entry.readings {
        let figure = number(step, figures, &kept.figure, kept.unit)?;
        insert_reading(step, [line, figure, at, sequence], kept)?;
    }
    for (figure, sketch) in &entry.sketches {
        let figure = number(step, figures, figure, Unit::Millisecond)?;
        step.prepare_cached("INSERT OR REPLACE INTO sketch (line, figure, at, visit, octets) VALUES (?,?,?,?,?)")?
            .execute(params![line, figure, at, sequence, sketch.to_octets()])?;
    }
    if policy.keep_documents {
        step.prepare_cached("INSERT INTO document (visit, octets) VALUES (?, ?)")?
            .execute(params![sequence, deflated(&entry.document)])?;
    }
    // A day that was packed without this visit is packed again when it is asked for.
    let day = at.div_euclid(DAY);
    if step.prepare_cached("DELETE FROM packed WHERE line = ? AND day = ?")?.execute([line, day])? > 0 {
        for table in ["day", "day_sketch"] {
            step.execute(&format!("DELETE FROM {table} WHERE line = ? AND day = ?"), [line, day])?;
        }
    }
    Ok(head)
}

fn insert_reading(step: &Transaction<'_>, key: [i64; 4], kept: &Kept) -> rusqlite::Result<()> {
    let [line, figure, at, visit] = key;
    step.prepare_cached(
        "INSERT INTO reading (line, figure, at, visit, value, low, high, confidence, samples, exceeds, verdict, limited)
         VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
    )?
    .execute(params![
        line,
        figure,
        at,
        visit,
        kept.value,
        kept.low,
        kept.high,
        kept.confidence,
        // More than SQLite's integers hold is never counted.
        i64::try_from(kept.samples).unwrap_or(i64::MAX),
        kept.exceeds,
        kept.verdict.map(Verdict::word),
        kept.limited.as_deref().map(limits_text),
    ])?;
    Ok(())
}

fn number(
    step: &Transaction<'_>,
    figures: &mut std::collections::HashMap<Figure, i64>,
    figure: &Figure,
    unit: Unit,
) -> rusqlite::Result<i64> {
    if let Some(number) = figures.get(figure) {
        return Ok(*number);
    }
    let of = serde_json::to_string(figure).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
    // Another program may have given it a number since this one read them.
    step.prepare_cached("INSERT OR IGNORE INTO figure (of, unit) VALUES (?, ?)")?.execute([of.as_str(), unit.symbol()])?;
    let number = step.prepare_cached("SELECT id FROM figure WHERE of = ?")?.query_row([&of], |row| row.get(0))?;
    figures.insert(figure.clone(), number);
    Ok(number)
}

fn deflated(document: &[u8]) -> Vec<u8> {
    let mut out = DeflateEncoder::new(Vec::new(), Compression::fast());
    // Writing to memory does not fail.
    let _ = out.write_all(document);
    out.finish().unwrap_or_default()
}
