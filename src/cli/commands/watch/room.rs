//! Room on the disk for the next record. What goes first is what is worth least a year later: captures, then the raw series of records,
//! oldest first. Verdicts, readings and what was concluded stay.

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::super::super::failure::Failure;
use super::super::super::{meaning, output};
use crate::record::store;

/// Free octets that a visit is begun with: the largest record of a heavy visit and its capture fit several times.
const ENOUGH: u64 = 64 << 20;
/// Free octets that a visit is worth: a record without its series fits several times.
const LEAST: u64 = 1 << 20;

/// What the disk has room for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Room {
    /// A whole visit.
    Enough,
    /// A record, perhaps without its series, and no capture.
    Tight,
}

/// Makes room in a watch's directory, if there is too little.
///
/// # Errors
/// When the disk can't be asked, or not even verdict and readings of a visit would fit.
pub(super) fn make(directory: &Path) -> Result<Room, Failure> {
    let mut gone = (0, 0);
    let room = loop {
        let free = free(directory)?;
        if free >= ENOUGH {
            break Some(Room::Enough);
        }
        if let Some(capture) = oldest(directory, "pcapng", |_| true)? {
            remove(&capture)?;
            gone.0 += 1;
        } else if let Some(record) = oldest(directory, "json", has_series)?
            && strip(&record)?
        {
            gone.1 += 1;
        } else {
            break (free >= LEAST).then_some(Room::Tight);
        }
    };
    if gone != (0, 0) {
        output::note(&format!(
            "The disk is nearly full: {} captures and the raw series of {} records were given up.",
            gone.0, gone.1
        ));
    }
    room.ok_or_else(|| {
        Failure::could_not_run(format_args!(
            "the disk of {} is full, and only verdicts and readings are left there; free some space",
            directory.display()
        ))
    })
}

fn free(directory: &Path) -> Result<u64, Failure> {
    store::free_octets(directory)
        .map_err(|error| Failure::could_not_run(format_args!("asking how full the disk of {} is: {error}", directory.display())))
}

/// The oldest file of a kind that fits; names begin with the time.
fn oldest(directory: &Path, extension: &str, fits: impl Fn(&Path) -> bool) -> Result<Option<PathBuf>, Failure> {
    let entries = fs::read_dir(directory)
        .map_err(|error| Failure::could_not_run(format_args!("reading {}: {error}", directory.display())))?;
    let mut found: Vec<PathBuf> = entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
    found.retain(|path| path.extension() == Some(OsStr::new(extension)) && begins_with_a_time(path));
    found.sort();
    Ok(found.into_iter().find(|path| fits(path)))
}

fn begins_with_a_time(path: &Path) -> bool {
    path.file_name().and_then(OsStr::to_str).is_some_and(|name| name.starts_with(|letter: char| letter.is_ascii_digit()))
}

fn has_series(path: &Path) -> bool {
    store::read(path).is_ok_and(|record| record.checks.iter().any(|check| !check.outcome.series.is_empty()))
}

fn remove(path: &Path) -> Result<(), Failure> {
    fs::remove_file(path).map_err(|error| Failure::could_not_run(format_args!("removing {}: {error}", path.display())))
}

/// Gives up a record's series, and signs what is left; false where the disk has no room for the smaller one beside it.
fn strip(path: &Path) -> Result<bool, Failure> {
    let mut record = store::read(path).map_err(Failure::could_not_run)?;
    record.give_up_series();
    meaning::signer().sign(&mut record, Timestamp::now());
    match store::save(path, &record) {
        Err(error) if error.is_full() => Ok(false),
        saved => saved.map(|()| true).map_err(Failure::could_not_run),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn captures_go_oldest_first_and_only_files_of_visits_are_looked_at() {
        let directory = tempfile::tempdir().expect("a directory");
        for name in
            ["20260302T080000Z-thorough.pcapng", "20260301T080000Z-thorough.pcapng", "mine.pcapng", "20260301T080000Z-light.json"]
        {
            fs::write(directory.path().join(name), b"x").expect("a file");
        }
        let found = oldest(directory.path(), "pcapng", |_| true).expect("a listing").expect("a capture");
        assert_eq!(found.file_name(), Some(OsStr::new("20260301T080000Z-thorough.pcapng")));
        remove(&found).expect("removed");
        let next = oldest(directory.path(), "pcapng", |_| true).expect("a listing").expect("a capture");
        assert_eq!(next.file_name(), Some(OsStr::new("20260302T080000Z-thorough.pcapng")));
        remove(&next).expect("removed");
        assert_eq!(oldest(directory.path(), "pcapng", |_| true).expect("a listing"), None);
    }
}
