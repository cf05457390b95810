//! What a contract's speeds are held against: rates one by one with their intervals and what bounded them, and the tiers' texts.

use rusqlite::params;

use super::{HistoryError, Store};
use crate::history::entry::limits_of;
use crate::history::{Figure, Line, Millis, Span};
use crate::reading::Limit;
use crate::unit::digest::sha256_words;

/// A rate of one visit.
#[derive(Debug, Clone, PartialEq)]
pub struct RatePoint {
    /// Number of the visit in the history.
    pub visit: i64,
    /// Its start.
    pub at: Millis,
    /// Lower bound.
    pub low: Option<f64>,
    /// Upper bound.
    pub high: Option<f64>,
    /// Samples behind it.
    pub samples: u64,
    /// Whose limits bounded it; `None` where that was not kept.
    pub limited: Option<Vec<Limit>>,
    /// Digest of the visit's tier.
    pub tier: String,
}

impl Store {
    /// The rates of a figure on a line in a span, in the order of time. Visits whose single readings were dropped for room have none.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn rates(&self, line: &Line, figure: &Figure, span: Span) -> Result<Vec<RatePoint>, HistoryError> {
        let (Some(line), Some(figure)) = (self.line_number(line)?, self.catalogue.number(figure)) else {
            return Ok(Vec::new());
        };
        let (from, to) = span.millis();
        self.all(
            "SELECT r.visit, r.at, r.low, r.high, r.samples, r.limited, v.profile_digest FROM reading r JOIN visit v ON v.seq = r.visit
             WHERE r.line = ? AND r.figure = ? AND r.at >= ? AND r.at < ? ORDER BY r.at, r.visit",
            params![line, figure, from, to],
            |row| {
                Ok(RatePoint {
                    visit: row.get(0)?,
                    at: row.get(1)?,
                    low: row.get(2)?,
                    high: row.get(3)?,
                    samples: row.get::<_, i64>(4)?.unsigned_abs(),
                    limited: row.get::<_, Option<String>>(5)?.as_deref().map(limits_of),
                    tier: row.get(6)?,
                })
            },
        )
    }

    /// The text of a tier by its digest; `None` where it is not kept: visits of earlier forms did not.
    ///
    /// # Errors
    /// When the file can't be read, or the text is not the one that the digest is of.
    pub fn tier(&self, digest: &str) -> Result<Option<String>, HistoryError> {
        let found: Option<String> = self.all("SELECT text FROM tier WHERE digest = ?", [digest], |row| row.get(0))?.pop();
        match found {
            Some(text) if sha256_words(text.as_bytes()) != digest => {
                let what = format!("the text of a tier does not fit its digest {digest}");
                Err(HistoryError::Damaged { path: self.path.clone(), what })
            }
            other => Ok(other),
        }
    }
}
