//! Whole days packed into one row a figure: what a year's summary reads instead of millions of rows.
//!
//! A day's octets are moments (milliseconds of the day, 4 octets), values (8 octets, as they were measured) and verdicts (1 octet), each a column, little
//! endian. Nothing is rounded: a packed day says the same as its readings. Days are those of UTC; the last one, which may still grow, is never packed.

use rusqlite::{OptionalExtension as _, Transaction, params};

use super::{HistoryError, Store};
use crate::history::Millis;
use crate::metric::quantile::DelayHistogram;
use crate::record::Verdict;

/// Milliseconds of a day of UTC (without leap seconds, as in POSIX).
pub(super) const DAY: Millis = 86_400_000;

/// One value of a figure in time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Start of its visit.
    pub at: Millis,
    /// The value.
    pub value: f64,
    /// The worst verdict on it.
    pub verdict: Option<Verdict>,
}

impl Store {
    /// Packs every day of every line before the last that has a visit; gives how many. Days packed before are left alone.
    ///
    /// # Errors
    /// When the file can't be read or written. Where room runs out nothing is dropped for it: that is for [`Store::drop_oldest`].
    pub fn pack(&mut self) -> Result<usize, HistoryError> {
        let path = self.path.clone();
        self.pack_days().map_err(|source| super::classified(&path, source))
    }

    fn pack_days(&mut self) -> rusqlite::Result<usize> {
        let open: Vec<(i64, i64)> = {
            // Days that begin before the last visit's, walked by the index from one to the next.
            let mut lines = self.connection.prepare_cached("SELECT line, min(started), max(started) FROM visit GROUP BY line")?;
            let spans = lines.query_map([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?, row.get::<_, i64>(2)?)))?;
            let mut open = Vec::new();
            for span in spans {
                let (line, first, last) = span?;
                let mut held = self.connection.prepare_cached("SELECT day FROM packed WHERE line = ?")?;
                let held: std::collections::HashSet<i64> = held.query_map([line], |row| row.get(0))?.collect::<Result<_, _>>()?;
                let days = first.div_euclid(DAY)..last.div_euclid(DAY);
                open.extend(days.filter(|day| !held.contains(day)).map(|day| (line, day)));
            }
            open
        };
        for (line, day) in &open {
            self.pack_day(*line, *day)?;
        }
        Ok(open.len())
    }

    fn pack_day(&mut self, line: i64, day: i64) -> rusqlite::Result<()> {
        let figures: Vec<i64> = self.catalogue.numbers().collect();
        let step = self.connection.transaction()?;
        for figure in figures {
            let span = params![line, figure, day * DAY, (day + 1) * DAY];
            let points = {
                let mut query = step.prepare_cached(SELECT_POINTS)?;
                query.query_map(span, point)?.collect::<Result<Vec<_>, _>>()?
            };
            if !points.is_empty() {
                step.prepare_cached("INSERT OR REPLACE INTO day (line, figure, day, octets) VALUES (?,?,?,?)")?
                    .execute(params![line, figure, day, packed(&points, day)])?;
            }
            let mut merged: Option<DelayHistogram> = None;
            let mut query =
                step.prepare_cached("SELECT octets FROM sketch WHERE line = ? AND figure = ? AND at >= ? AND at < ?")?;
            let mut rows = query.query(span)?;
            while let Some(row) = rows.next()? {
                if let Some(sketch) = DelayHistogram::from_octets(row.get_ref(0)?.as_blob()?) {
                    merged.get_or_insert_default().merge(&sketch);
                }
            }
            drop(rows);
            drop(query);
            if let Some(merged) = merged {
                step.prepare_cached("INSERT OR REPLACE INTO day_sketch (line, figure, day, octets) VALUES (?,?,?,?)")?
                    .execute(params![line, figure, day, merged.to_octets()])?;
            }
        }
        step.execute("INSERT OR REPLACE INTO packed (line, day) VALUES (?, ?)", [line, day])?;
        step.commit()
    }
}

/// Adds a visit to a packed day whose readings or sketches are gone.
pub(super) fn join(
    step: &Transaction<'_>,
    line: i64,
    day: i64,
    points: &[(i64, Point)],
    sketches: &[(i64, &DelayHistogram)],
) -> rusqlite::Result<()> {
    let held = |table: &str, figure: i64| {
        let mut query = step.prepare_cached(&format!("SELECT octets FROM {table} WHERE line = ? AND figure = ? AND day = ?"))?;
        query.query_row([line, figure, day], |row| row.get::<_, Vec<u8>>(0)).optional()
    };
    let put = |table: &str, figure: i64, octets: Vec<u8>| {
        let insert = format!("INSERT OR REPLACE INTO {table} (line, figure, day, octets) VALUES (?,?,?,?)");
        step.prepare_cached(&insert)?.execute(params![line, figure, day, octets])
    };
    for (figure, point) in points {
        let mut all = Vec::new();
        if let Some(octets) = held("day", *figure)? {
            unpack(&octets, day, &mut all);
        }
        all.push(*point);
        all.sort_by_key(|point| point.at);
        put("day", *figure, packed(&all, day))?;
    }
    for (figure, sketch) in sketches {
        let mut merged = held("day_sketch", *figure)?.and_then(|octets| DelayHistogram::from_octets(&octets)).unwrap_or_default();
        merged.merge(sketch);
        put("day_sketch", *figure, merged.to_octets())?;
    }
    Ok(())
}

pub(super) const SELECT_POINTS: &str =
    "SELECT at, value, verdict FROM reading WHERE line = ? AND figure = ? AND at >= ? AND at < ? ORDER BY at, visit";

pub(super) fn point(row: &rusqlite::Row<'_>) -> rusqlite::Result<Point> {
    let verdict = row.get_ref(2)?.as_str_or_null().ok().flatten().and_then(verdict_of);
    Ok(Point { at: row.get(0)?, value: row.get(1)?, verdict })
}

const VERDICTS: [Option<Verdict>; 5] =
    [None, Some(Verdict::Pass), Some(Verdict::Fail), Some(Verdict::NotProven), Some(Verdict::NotTested)];

pub(super) fn verdict_of(word: &str) -> Option<Verdict> {
    VERDICTS.into_iter().flatten().find(|verdict| verdict.word() == word)
}

fn packed(points: &[Point], day: i64) -> Vec<u8> {
    let mut out = Vec::with_capacity(points.len() * 13);
    out.extend(points.iter().flat_map(|point| ((point.at - day * DAY) as u32).to_le_bytes()));
    out.extend(points.iter().flat_map(|point| point.value.to_le_bytes()));
    out.extend(points.iter().map(|point| VERDICTS.iter().position(|verdict| *verdict == point.verdict).unwrap_or(0) as u8));
    out
}

/// The points of a packed day; octets left over are ignored.
pub(super) fn unpack(octets: &[u8], day: i64, out: &mut Vec<Point>) {
    let n = octets.len() / 13;
    let (moments, rest) = octets.split_at(4 * n);
    let (values, verdicts) = rest.split_at(8 * n);
    let (moments, values) = (moments.as_chunks::<4>().0, values.as_chunks::<8>().0);
    for ((moment, value), verdict) in moments.iter().zip(values).zip(verdicts) {
        let at = day * DAY + i64::from(u32::from_le_bytes(*moment));
        let verdict = VERDICTS.get(usize::from(*verdict)).copied().flatten();
        out.push(Point { at, value: f64::from_le_bytes(*value), verdict });
    }
}
