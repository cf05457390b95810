//! Getting visits, values and sketches back.

use rusqlite::{Row, params};
use serde::de::DeserializeOwned;

use super::catalogue::Entry;
pub use super::days::Point;
use super::days::{DAY, SELECT_POINTS, point, unpack, verdict_of};
use super::{HistoryError, Store};
use crate::history::entry::limits_of;
use crate::history::{Figure, Kept, Line, Span, Visit};
use crate::metric::quantile::DelayHistogram;
use crate::reading::Unit;

const SELECT_VISITS: &str =
    "SELECT v.id, l.circuit, l.position, v.started, v.finished, v.complete, v.depth, v.profile, v.profile_digest, v.verdict,
    v.service, v.segment, v.fault, v.confidence, f.text, v.record_digest
    FROM visit v JOIN line l ON l.id = v.line LEFT JOIN line_facts f ON f.id = v.line_facts";

/// The readings of a visit. `CROSS JOIN` keeps the order (SQLite, "Manual Control Of Query Plans Using CROSS JOIN"): each figure finds its row by the
/// whole key. Left to itself the planner went through every reading of the line for each visit.
const SELECT_READINGS: &str =
    "SELECT f.id, r.value, r.low, r.high, r.confidence, r.samples, r.exceeds, r.verdict, r.limited FROM figure f
    CROSS JOIN reading r ON r.line = ?2 AND r.figure = f.id AND r.at = ?3 AND r.visit = ?1";

impl Store {
    /// The lines that visits were made at, in the order of their names.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn lines(&self) -> Result<Vec<Line>, HistoryError> {
        self.all("SELECT circuit, position FROM line ORDER BY circuit, position", [], |row| {
            Ok(Line { circuit: row.get(0)?, position: row.get(1)? })
        })
    }

    /// The visits of a line that began in a span, in the order of time.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn visits(&self, line: &Line, span: Span) -> Result<Vec<Visit>, HistoryError> {
        let Some(line) = self.line_number(line)? else { return Ok(Vec::new()) };
        let (from, to) = span.millis();
        let query = format!("{SELECT_VISITS} WHERE v.line = ? AND v.started >= ? AND v.started < ? ORDER BY v.started, v.seq");
        self.all(&query, params![line, from, to], visit)
    }

    /// The last visit of each line.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn last_visits(&self) -> Result<Vec<Visit>, HistoryError> {
        let last = "v.seq = (SELECT seq FROM visit WHERE line = l.id ORDER BY started DESC, seq DESC LIMIT 1)";
        self.all(&format!("{SELECT_VISITS} WHERE {last} ORDER BY l.circuit, l.position"), [], visit)
    }

    /// Start of the first and of the last visit of a line.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn extent(&self, line: &Line) -> Result<Option<Span>, HistoryError> {
        let Some(line) = self.line_number(line)? else { return Ok(None) };
        let found = self.all("SELECT min(started), max(started) FROM visit WHERE line = ?", [line], |row| {
            Ok((row.get::<_, Option<i64>>(0)?, row.get::<_, Option<i64>>(1)?))
        })?;
        let moment = |at: Option<i64>| at.and_then(|at| jiff::Timestamp::from_millisecond(at).ok());
        Ok(found.first().and_then(|(first, last)| Some(Span { from: moment(*first)?, to: moment(*last)? })))
    }

    /// The readings of one visit, in the order of their figures.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn readings(&self, visit: &Visit) -> Result<Vec<Kept>, HistoryError> {
        let held = self.all("SELECT seq, line, started FROM visit WHERE id = ?", [visit.id.to_string()], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        })?;
        held.first().map_or(Ok(Vec::new()), |(sequence, line, at)| self.readings_of(*sequence, *line, *at))
    }

    pub(super) fn readings_of(&self, sequence: i64, line: i64, at: i64) -> Result<Vec<Kept>, HistoryError> {
        let rows = || -> rusqlite::Result<Vec<Kept>> {
            let mut query = self.connection.prepare_cached(SELECT_READINGS)?;
            query.query_map(params![sequence, line, at], |row| self.kept(row))?.collect()
        };
        let mut kept = rows().map_err(|source| self.failed(source))?;
        kept.sort_by(|one, other| one.figure.cmp(&other.figure));
        Ok(kept)
    }

    fn kept(&self, row: &Row<'_>) -> rusqlite::Result<Kept> {
        let number = row.get(0)?;
        let read;
        let entry = match self.catalogue.entry(number) {
            Some(entry) => entry,
            // Another program has given the number since this one opened the file.
            None => {
                let mut query = self.connection.prepare_cached("SELECT of, unit FROM figure WHERE id = ?")?;
                read = query.query_row([number], |row| Entry::read(row, 0))?;
                &read
            }
        };
        Ok(Kept {
            figure: entry.figure.clone(),
            unit: entry.unit,
            value: row.get(1)?,
            low: row.get(2)?,
            high: row.get(3)?,
            confidence: row.get(4)?,
            samples: row.get::<_, i64>(5)?.unsigned_abs(),
            exceeds: row.get(6)?,
            verdict: row.get_ref(7)?.as_str_or_null().ok().flatten().and_then(verdict_of),
            limited: row.get_ref(8)?.as_str_or_null().ok().flatten().map(limits_of),
        })
    }

    /// The figures that readings are held of, with their units, in order.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn figures(&self) -> Result<Vec<(Figure, Unit)>, HistoryError> {
        let mut figures =
            self.all("SELECT of, unit FROM figure", [], |row| Entry::read(row, 0).map(|it| (it.figure, it.unit)))?;
        figures.sort_by(|one, other| one.0.cmp(&other.0));
        Ok(figures)
    }

    /// The values of a figure on a line in a span, in the order of time.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn points(&self, line: &Line, figure: &Figure, span: Span) -> Result<Vec<Point>, HistoryError> {
        let (Some(line), Some(figure)) = (self.line_number(line)?, self.catalogue.number(figure)) else {
            return Ok(Vec::new());
        };
        self.points_of(line, figure, span).map_err(|source| self.failed(source))
    }

    fn points_of(&self, line: i64, figure: i64, span: Span) -> rusqlite::Result<Vec<Point>> {
        let (from, to) = span.millis();
        let mut points = Vec::new();
        let read_rows = |from: i64, to: i64, points: &mut Vec<Point>| -> rusqlite::Result<()> {
            let mut query = self.connection.prepare_cached(SELECT_POINTS)?;
            for found in query.query_map(params![line, figure, from, to], point)? {
                points.push(found?);
            }
            Ok(())
        };
        // Whole packed days; between them what isn't packed.
        let mut query = self.connection.prepare_cached(
            "SELECT p.day, d.octets FROM packed p LEFT JOIN day d ON d.line = p.line AND d.figure = ?2 AND d.day = p.day
             WHERE p.line = ?1 AND p.day >= ?3 AND p.day <= ?4 ORDER BY p.day",
        )?;
        let mut rows = query.query(params![line, figure, from.div_euclid(DAY), to.div_euclid(DAY)])?;
        let mut read_to = from;
        while let Some(row) = rows.next()? {
            let day: i64 = row.get(0)?;
            if day * DAY > read_to {
                read_rows(read_to, (day * DAY).min(to), &mut points)?;
            }
            if let Some(octets) = row.get_ref(1)?.as_blob_or_null()? {
                unpack(octets, day, &mut points);
            }
            read_to = (day + 1) * DAY;
        }
        if read_to < to {
            read_rows(read_to, to, &mut points)?;
        }
        points.retain(|point| (from..to).contains(&point.at));
        Ok(points)
    }

    /// All delays of a figure on a line in a span, merged; whole days where they are packed, so that its ends are those of days of UTC then.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn delays(&self, line: &Line, figure: &Figure, span: Span) -> Result<Option<DelayHistogram>, HistoryError> {
        let (Some(line), Some(figure)) = (self.line_number(line)?, self.catalogue.number(figure)) else { return Ok(None) };
        let (from, to) = span.millis();
        // Days that lie wholly inside and are packed come merged; between them visit by visit.
        let (first, last) = ((from + DAY - 1).div_euclid(DAY), to.div_euclid(DAY));
        let days: Vec<i64> = self.all(
            "SELECT day FROM packed WHERE line = ? AND day >= ? AND day < ? ORDER BY day",
            [line, first, last],
            |row| row.get(0),
        )?;
        let packed = "SELECT octets FROM day_sketch WHERE line = ? AND figure = ? AND day >= ? AND day < ?";
        let single = "SELECT octets FROM sketch WHERE line = ? AND figure = ? AND at >= ? AND at < ?";
        let mut octets: Vec<Vec<u8>> = self.all(packed, [line, figure, first, last], |row| row.get(0))?;
        let mut read_to = from;
        for (begin, end) in days.into_iter().map(|day| (day * DAY, (day + 1) * DAY)).chain([(to, to)]) {
            if begin > read_to {
                octets.extend(self.all(single, [line, figure, read_to, begin], |row| row.get::<_, Vec<u8>>(0))?);
            }
            read_to = end;
        }
        let mut merged: Option<DelayHistogram> = None;
        for sketch in octets.iter().filter_map(|octets| DelayHistogram::from_octets(octets)) {
            merged.get_or_insert_default().merge(&sketch);
        }
        Ok(merged)
    }

    /// Figures that sketches are held of.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn sketched(&self, line: &Line) -> Result<Vec<Figure>, HistoryError> {
        let Some(line) = self.line_number(line)? else { return Ok(Vec::new()) };
        let mut held = Vec::new();
        for (figure, number) in self.catalogue.figures() {
            let found = self.all(
                "SELECT EXISTS (SELECT 1 FROM sketch WHERE line = ?1 AND figure = ?2) OR EXISTS (SELECT 1 FROM day_sketch WHERE line = ?1 AND figure = ?2)",
                [line, number],
                |row| row.get::<_, bool>(0),
            )?;
            if found == [true] {
                held.push(figure.clone());
            }
        }
        held.sort();
        Ok(held)
    }

    pub(super) fn line_number(&self, line: &Line) -> Result<Option<i64>, HistoryError> {
        let found =
            self.all("SELECT id FROM line WHERE circuit = ? AND position = ?", [&line.circuit, &line.position], |row| {
                row.get(0)
            })?;
        Ok(found.first().copied())
    }

    pub(super) fn all<T>(
        &self,
        query: &str,
        terms: impl rusqlite::Params,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, HistoryError> {
        let rows = || self.connection.prepare_cached(query)?.query_map(terms, read)?.collect::<Result<Vec<T>, _>>();
        rows().map_err(|source| self.failed(source))
    }
}

pub(super) fn visit_at(row: &Row<'_>) -> rusqlite::Result<Visit> {
    visit(row)
}

fn visit(row: &Row<'_>) -> rusqlite::Result<Visit> {
    let moment = |at: i64| jiff::Timestamp::from_millisecond(at).map_err(|error| unreadable(3, error));
    Ok(Visit {
        id: row.get::<_, String>(0)?.parse().map_err(|error| unreadable(0, error))?,
        line: Line { circuit: row.get(1)?, position: row.get(2)? },
        started: moment(row.get(3)?)?,
        finished: row.get::<_, Option<i64>>(4)?.map(moment).transpose()?,
        complete: row.get(5)?,
        depth: named(row, 6)?,
        profile: row.get(7)?,
        profile_digest: row.get(8)?,
        verdict: named(row, 9)?,
        service: named(row, 10)?,
        segment: row.get::<_, Option<String>>(11)?.map(|_| named(row, 11)).transpose()?,
        fault: row.get(12)?,
        confidence: row.get(13)?,
        line_facts: row.get::<_, Option<String>>(14)?.unwrap_or_default(),
        record_digest: row.get(15)?,
    })
}

fn unreadable(column: usize, error: impl std::error::Error + Send + Sync + 'static) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, rusqlite::types::Type::Text, Box::new(error))
}

/// A value that is kept by the word that records have for it.
pub(super) fn named<T: DeserializeOwned>(row: &Row<'_>, column: usize) -> rusqlite::Result<T> {
    serde_json::from_value(serde_json::Value::String(row.get(column)?)).map_err(|error| unreadable(column, error))
}

/// A value that is kept as JSON.
pub(super) fn from_json<T: DeserializeOwned>(row: &Row<'_>, column: usize) -> rusqlite::Result<T> {
    serde_json::from_str(row.get_ref(column)?.as_str()?).map_err(|error| unreadable(column, error))
}

pub(super) const SELECT_CHAIN: &str = "SELECT v.id, l.circuit, l.position, v.started, v.finished, v.complete, v.depth, v.profile, v.profile_digest, v.verdict,
    v.service, v.segment, v.fault, v.confidence, f.text, v.record_digest, v.seq, v.line, v.figures, v.previous, v.entry, v.dropped, d.octets
    FROM visit v JOIN line l ON l.id = v.line LEFT JOIN line_facts f ON f.id = v.line_facts LEFT JOIN document d ON d.visit = v.seq ORDER BY v.seq";

#[cfg(test)]
mod tests {
    use super::super::Care;
    use super::*;

    #[test]
    fn a_visits_readings_are_found_by_the_whole_key() {
        let folder = tempfile::tempdir().expect("a folder");
        let store = Store::open(&folder.path().join("h"), Care::Whole).expect("a new history");
        let plan = format!("EXPLAIN QUERY PLAN {SELECT_READINGS}");
        let steps = store.all(&plan, [1, 1, 1], |row| row.get::<_, String>(3)).expect("a plan");
        assert!(steps.iter().any(|step| step.contains("line=? AND figure=? AND at=? AND visit=?")), "{steps:?}");
    }
}
