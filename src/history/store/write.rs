//! Adding a visit: all of it or nothing, in one transaction. Nothing that is held is ever altered by it.

use std::io::Write as _;

use flate2::Compression;
use flate2::write::DeflateEncoder;
use rusqlite::{OptionalExtension as _, Transaction, TransactionBehavior, params};

use super::catalogue::{self, Catalogue};
use super::days::{self, DAY, Point};
use super::retain::{DROPPED_DOCUMENT, DROPPED_READINGS, DROPPED_SKETCHES};
use super::{HistoryError, Policy, Store};
use crate::history::entry::{Digest, Entry, entry_digest, figures_digest, limits_text};
use crate::history::{Figure, Kept, Millis};
use crate::metric::quantile::DelayHistogram;
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
        let now = entry.visit.started.as_millisecond();
        let mut dropped = self.make_room(now)?;
        loop {
            match self.try_add(entry, policy) {
                Err(HistoryError::Full(path)) => match self.drop_oldest(now)? {
                    Some(what) => dropped.push(what.to_string()),
                    None => return Err(HistoryError::Full(path)),
                },
                Ok(Added::New { head, .. }) => {
                    match self.drop_aged(&entry.visit, policy) {
                        Ok(aged) => dropped.extend(aged),
                        // The visit is in; what is old goes with a later one.
                        Err(HistoryError::Full(_) | HistoryError::Busy(_)) => {}
                        Err(error) => return Err(error),
                    }
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
            Some(held) if held == visit.record_digest || entry.is_without_series => return Ok(Added::Known),
            Some(held) => return Err(HistoryError::Differs { id: visit.id, held }),
            None => {}
        }
        // Numbers that this transaction gives out are known for good only when it is through.
        let mut figures = Numbers { known: &self.catalogue, new: Vec::new() };
        let head = insert(&step, entry, policy, &mut figures).map_err(failed)?;
        let new = figures.new;
        step.commit().map_err(failed)?;
        for (number, entry) in new {
            self.catalogue.learn(number, entry);
        }
        Ok(Added::New { head: hexadecimal(&head), dropped: Vec::new() })
    }
}

fn insert(step: &Transaction<'_>, entry: &Entry, policy: &Policy, figures: &mut Numbers<'_>) -> rusqlite::Result<Digest> {
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
    let numbers = entry.readings.iter().map(|kept| figures.number(step, &kept.figure, kept.unit));
    let numbers = numbers.collect::<rusqlite::Result<Vec<i64>>>()?;
    let digest = figures_digest(numbers.iter().zip(&entry.readings).map(|(number, kept)| (figures.text(*number), kept)));
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
    for (figure, kept) in numbers.iter().zip(&entry.readings) {
        insert_reading(step, [line, *figure, at, sequence], kept)?;
    }
    let mut sketches = Vec::with_capacity(entry.sketches.len());
    for (figure, sketch) in &entry.sketches {
        let figure = figures.number(step, figure, Unit::Millisecond)?;
        step.prepare_cached("INSERT OR REPLACE INTO sketch (line, figure, at, visit, octets) VALUES (?,?,?,?,?)")?
            .execute(params![line, figure, at, sequence, sketch.to_octets()])?;
        sketches.push((figure, sketch));
    }
    if policy.keep_documents {
        step.prepare_cached("INSERT INTO document (visit, octets) VALUES (?, ?)")?
            .execute(params![sequence, deflated(&entry.document)])?;
    }
    let point = |kept: &Kept| Point { at, value: kept.value, verdict: kept.verdict };
    let points: Vec<(i64, Point)> = numbers.into_iter().zip(entry.readings.iter().map(point)).collect();
    join_day(step, line, at, &points, &sketches)?;
    Ok(head)
}

/// Sees that a day that was packed without this visit has it. It is packed again when it is asked for; where what it was packed of is gone already, the
/// visit joins what is there.
fn join_day(
    step: &Transaction<'_>,
    line: i64,
    at: Millis,
    points: &[(i64, Point)],
    sketches: &[(i64, &DelayHistogram)],
) -> rusqlite::Result<()> {
    let day = at.div_euclid(DAY);
    let packed = "SELECT EXISTS (SELECT 1 FROM packed WHERE line = ? AND day = ?)";
    if !step.prepare_cached(packed)?.query_row([line, day], |row| row.get::<_, bool>(0))? {
        return Ok(());
    }
    let gone = "SELECT EXISTS (SELECT 1 FROM visit WHERE line = ? AND started >= ? AND started < ? AND dropped & ? <> 0)";
    let flags = DROPPED_SKETCHES | DROPPED_READINGS;
    if step.query_row(gone, [line, day * DAY, (day + 1) * DAY, flags], |row| row.get::<_, bool>(0))? {
        return days::join(step, line, day, points, sketches);
    }
    for table in ["packed", "day", "day_sketch"] {
        step.execute(&format!("DELETE FROM {table} WHERE line = ? AND day = ?"), [line, day])?;
    }
    Ok(())
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

/// Numbers of figures while a visit is added: those that are known, and those that are new with it.
struct Numbers<'a> {
    known: &'a Catalogue,
    new: Vec<(i64, catalogue::Entry)>,
}

impl Numbers<'_> {
    fn number(&mut self, step: &Transaction<'_>, figure: &Figure, unit: Unit) -> rusqlite::Result<i64> {
        let new = || self.new.iter().find(|(_, entry)| entry.figure == *figure).map(|(number, _)| *number);
        if let Some(number) = self.known.number(figure).or_else(new) {
            return Ok(number);
        }
        let text = serde_json::to_string(figure).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
        // Another program may have given it a number since this one read them.
        step.prepare_cached("INSERT OR IGNORE INTO figure (of, unit) VALUES (?, ?)")?.execute([text.as_str(), unit.symbol()])?;
        let number = step.prepare_cached("SELECT id FROM figure WHERE of = ?")?.query_row([&text], |row| row.get(0))?;
        self.new.push((number, catalogue::Entry { figure: figure.clone(), unit, text }));
        Ok(number)
    }

    /// The figure with a number, as JSON.
    fn text(&self, number: i64) -> &str {
        let new = || self.new.iter().find(|(it, _)| *it == number).map(|(_, entry)| entry);
        self.known.entry(number).or_else(new).map_or("", |entry| &entry.text)
    }
}

fn deflated(document: &[u8]) -> Vec<u8> {
    let mut out = DeflateEncoder::new(Vec::new(), Compression::fast());
    // Writing to memory does not fail.
    let _ = out.write_all(document);
    out.finish().unwrap_or_default()
}
