//! Figures by their numbers and numbers by their figures, read once: no visit reads or writes their JSON again.

use std::collections::HashMap;

use rusqlite::{Connection, Row};

use super::read::{from_json, named};
use crate::history::Figure;
use crate::reading::Unit;

/// The figures that a history holds, as far as this program has met them.
#[derive(Debug, Default)]
pub(super) struct Catalogue {
    numbers: HashMap<Figure, i64>,
    entries: HashMap<i64, Entry>,
}

/// One figure.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    pub(super) figure: Figure,
    pub(super) unit: Unit,
    /// As it is kept: JSON.
    pub(super) text: String,
}

impl Catalogue {
    /// All that are held.
    pub(super) fn read(connection: &Connection) -> rusqlite::Result<Self> {
        let mut catalogue = Self::default();
        let mut query = connection.prepare("SELECT id, of, unit FROM figure")?;
        let mut rows = query.query([])?;
        while let Some(row) = rows.next()? {
            catalogue.learn(row.get(0)?, Entry::read(row, 1)?);
        }
        Ok(catalogue)
    }

    pub(super) fn learn(&mut self, number: i64, entry: Entry) {
        self.numbers.insert(entry.figure.clone(), number);
        self.entries.insert(number, entry);
    }

    pub(super) fn number(&self, figure: &Figure) -> Option<i64> {
        self.numbers.get(figure).copied()
    }

    pub(super) fn entry(&self, number: i64) -> Option<&Entry> {
        self.entries.get(&number)
    }

    /// All numbers.
    pub(super) fn numbers(&self) -> impl Iterator<Item = i64> + '_ {
        self.entries.keys().copied()
    }

    /// All figures with their numbers.
    pub(super) fn figures(&self) -> impl Iterator<Item = (&Figure, i64)> + '_ {
        self.numbers.iter().map(|(figure, number)| (figure, *number))
    }
}

impl Entry {
    /// From columns of JSON and unit, the first at a place.
    pub(super) fn read(row: &Row<'_>, column: usize) -> rusqlite::Result<Self> {
        Ok(Self { figure: from_json(row, column)?, unit: named(row, column + 1)?, text: row.get(column)? })
    }
}
