//! Records on disk: written whole or not at all, read with bounds.
//!
//! Bare functions, no state. The hard thing is power and space: a save writes beside the target, makes the data durable and
//! then renames, so that a full disk or a pulled plug leaves the last saved state of the visit readable.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

use super::schema::{Record, SCHEMA};
use crate::unit::digest::sha256_words;

/// Larger documents are refused before they fill memory; a soak of a day with its series stays well below.
pub const MAX_OCTETS: u64 = 256 << 20;

/// Why a record can't be kept or read.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The directory can't be made.
    #[error("making the record directory {}: {source}", .path.display())]
    Directory {
        /// The directory.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// Neither variable that leads to the directory is set.
    #[error("finding the record directory: neither XDG_STATE_HOME nor HOME is set to an absolute path; name a file instead")]
    NoDirectory,
    /// The place can't be written to at all; told before the visit begins.
    #[error("no record can be written to {}: {source}; name another file with --record", .path.display())]
    NotWritable {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The file can't be written; what was saved before is unharmed.
    #[error("saving the record to {}: {source}; an earlier saved state of this visit is unharmed", .path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A document beside the records can't be written; what was there before is unharmed.
    #[error("writing {}: {source}; nothing was written and what stood there before is unharmed; {}", .path.display(), advice(.source))]
    Document {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The file can't be read.
    #[error("reading the record {}: {source}", .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The file is larger than any record.
    #[error("reading the record {}: it is larger than {} MB, no record is", .path.display(), MAX_OCTETS >> 20)]
    TooLarge {
        /// The file.
        path: PathBuf,
    },
    /// The file ends in the middle of the document.
    #[error("reading the record {}: the file is cut off at line {line}; it was not written by this program's own save, look for the original", .path.display())]
    Truncated {
        /// The file.
        path: PathBuf,
        /// Last line.
        line: usize,
    },
    /// Not JSON.
    #[error("reading the record {}: not a JSON document: {source}", .path.display())]
    NotJson {
        /// The file.
        path: PathBuf,
        /// Where and why.
        source: serde_json::Error,
    },
    /// JSON, but not a record.
    #[error("reading the record {}: its schema is {found}, not {SCHEMA:?}; this is not a doorstep record", .path.display())]
    NotARecord {
        /// The file.
        path: PathBuf,
        /// What stands there.
        found: String,
    },
    /// Written by a newer program.
    #[error("reading the record {}: it has schema {found:?}, newer than {SCHEMA:?}, which this version reads; use the version that wrote it or a later one", .path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its schema.
        found: String,
    },
    /// A record of this version with a field that does not fit.
    #[error("reading the record {}: a field does not fit {SCHEMA:?}: {source}", .path.display())]
    Field {
        /// The file.
        path: PathBuf,
        /// Where and why.
        source: serde_json::Error,
    },
}

impl StoreError {
    /// Whether there was no room: something smaller may still fit.
    pub fn is_full(&self) -> bool {
        let (Self::Directory { source, .. }
        | Self::NotWritable { source, .. }
        | Self::Write { source, .. }
        | Self::Document { source, .. }) = self
        else {
            return false;
        };
        matches!(source.kind(), io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded)
    }
}

/// Octets that the disk of a file or directory has left for this user.
///
/// # Errors
/// When it can't be asked.
pub fn free_octets(path: &Path) -> io::Result<u64> {
    let state = nix::sys::statvfs::statvfs(path)?;
    Ok(state.blocks_available() as u64 * state.fragment_size() as u64)
}

/// Where records go: `records` in the [`state_directory`].
///
/// # Errors
/// When there is none.
pub fn default_directory() -> Result<PathBuf, StoreError> {
    Ok(state_directory()?.join("records"))
}

/// `$XDG_STATE_HOME/doorstep`, else `~/.local/state/doorstep`. Relative values count as unset, as the XDG base directory
/// specification asks.
///
/// # Errors
/// When neither variable gives an absolute path.
pub fn state_directory() -> Result<PathBuf, StoreError> {
    directory_from(std::env::var_os("XDG_STATE_HOME").map(PathBuf::from), std::env::var_os("HOME").map(PathBuf::from))
}

fn directory_from(state: Option<PathBuf>, home: Option<PathBuf>) -> Result<PathBuf, StoreError> {
    let absolute = |path: PathBuf| path.is_absolute().then_some(path);
    let state = state.and_then(absolute).or_else(|| home.and_then(absolute).map(|home| home.join(".local/state")));
    Ok(state.ok_or(StoreError::NoDirectory)?.join("doorstep"))
}

/// The name of a record's file: start in UTC, then the id, so that a listing is in order of time.
pub fn file_name(record: &Record) -> String {
    format!("{}-{}.json", record.started.strftime("%Y%m%dT%H%M%SZ"), record.id)
}

/// Saves into a directory, which is made when missing (readable by its owner only: records tell about customers).
/// Saving the same record again replaces its file.
///
/// # Errors
/// When the directory or file can't be written.
pub fn save_in(directory: &Path, record: &Record) -> Result<PathBuf, StoreError> {
    make_directory(directory)?;
    let path = directory.join(file_name(record));
    save(&path, record)?;
    Ok(path)
}

/// Sees that a record can be saved to a file, by making one beside it and removing it again.
///
/// # Errors
/// When it can't.
pub fn try_file(path: &Path) -> Result<(), StoreError> {
    let tried = beside(path).and_then(|temporary| File::create_new(&temporary).and_then(|_| fs::remove_file(&temporary)));
    tried.map_err(|source| StoreError::NotWritable { path: path.to_owned(), source })
}

/// The same for a directory, which is made when missing.
///
/// # Errors
/// When it can't.
pub fn try_directory(directory: &Path) -> Result<(), StoreError> {
    make_directory(directory)?;
    try_file(&directory.join("record.json"))
}

/// Makes a directory that only its owner may look into, and those above it, unless it is there.
///
/// # Errors
/// When it can't be made.
pub fn make_directory(directory: &Path) -> Result<(), StoreError> {
    let made = fs::DirBuilder::new().recursive(true).mode(0o700).create(directory);
    made.map_err(|source| StoreError::Directory { path: directory.to_owned(), source })
}

/// Saves to a file: whole or not at all.
///
/// # Errors
/// When the file can't be written. What was there before is unharmed then.
pub fn save(path: &Path, record: &Record) -> Result<(), StoreError> {
    let document = || -> io::Result<Vec<u8>> {
        let mut bytes = serde_json::to_vec_pretty(record)?;
        bytes.push(b'\n');
        Ok(bytes)
    };
    let saved = document().and_then(|bytes| write_whole(path, &bytes));
    saved.map_err(|source| StoreError::Write { path: path.to_owned(), source })
}

/// Writes a document that was made of a record to a file: whole or not at all.
///
/// # Errors
/// When the file can't be written, with what to do about it.
pub fn write_document(path: &Path, octets: &[u8]) -> Result<(), StoreError> {
    write_whole(path, octets).map_err(|source| StoreError::Document { path: path.to_owned(), source })
}

/// What to do when a file can't be written.
fn advice(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => "free some space, or name a file on another disk",
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => "name a file in a directory that you may write to",
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => "make its directory first, or name a file in one that exists",
        _ => "name another file, or - for standard output",
    }
}

/// Reads a record, and the digest of its file: `sha256:` and 64 hexadecimal digits (FIPS 180-4).
///
/// # Errors
/// As [`read`].
pub fn read_with_digest(path: &Path) -> Result<(Record, String), StoreError> {
    let octets = document(path)?;
    Ok((parse(&octets, path)?, sha256_words(&octets)))
}

/// Reads a record.
///
/// # Errors
/// When the file can't be read, is too large, cut off, not JSON, not a record, or of a newer schema.
pub fn read(path: &Path) -> Result<Record, StoreError> {
    parse(&document(path)?, path)
}

/// Reads a record's document as it stands, to be checked octet by octet; [`parse`] makes a record of it.
///
/// # Errors
/// When the file can't be read or is too large.
pub fn document(path: &Path) -> Result<Vec<u8>, StoreError> {
    let failed = |source| StoreError::Read { path: path.to_owned(), source };
    let mut bytes = Vec::new();
    File::open(path).map_err(failed)?.take(MAX_OCTETS + 1).read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() as u64 > MAX_OCTETS {
        return Err(StoreError::TooLarge { path: path.to_owned() });
    }
    Ok(bytes)
}

/// Parses a record; `path` names it in errors.
///
/// # Errors
/// As [`read`].
pub fn parse(bytes: &[u8], path: &Path) -> Result<Record, StoreError> {
    let path = || path.to_owned();
    let value: serde_json::Value = serde_json::from_slice(bytes).map_err(|source| {
        if source.is_eof() {
            StoreError::Truncated { path: path(), line: source.line() }
        } else {
            StoreError::NotJson { path: path(), source }
        }
    })?;
    let found = value.get("schema").and_then(serde_json::Value::as_str);
    let ours = SCHEMA.rsplit_once('/').map(|(name, _)| name);
    match found {
        Some(schema) if schema == SCHEMA => {}
        // Only an older or equal number is ours to read; version 1 has no older one.
        Some(schema)
            if schema.rsplit_once('/').is_some_and(|(name, n)| Some(name) == ours && n.parse::<u32>().is_ok_and(|n| n > 1)) =>
        {
            return Err(StoreError::Newer { path: path(), found: schema.to_owned() });
        }
        other => {
            let found = other.map_or_else(|| "missing".to_owned(), |s| format!("{s:?}"));
            return Err(StoreError::NotARecord { path: path(), found });
        }
    }
    // From the text again, so that an error has a line and column.
    serde_json::from_slice(bytes).map_err(|source| StoreError::Field { path: path(), source })
}

/// The name of a file beside `path`, on the same file system, for [`replace`].
fn beside(path: &Path) -> io::Result<PathBuf> {
    let directory = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let name = path.file_name().ok_or_else(|| io::Error::new(io::ErrorKind::InvalidInput, "the path names no file"))?;
    // A rename would put a file in the place of a device or a pipe, for everybody on the machine.
    if fs::symlink_metadata(path).is_ok_and(|found| !found.is_file()) {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "something that is no ordinary file stands there"));
    }
    Ok(directory.join(format!(".{}.{}.part", name.to_string_lossy(), std::process::id())))
}

/// Writes a small file beside the records: whole or not at all, readable by its owner only.
pub(super) fn write_whole(path: &Path, octets: &[u8]) -> io::Result<()> {
    replace(path, |file| file.write_all(octets))
}

/// Replaces a file with what `write` produces: temporary file in the same directory (a rename never crosses a file
/// system), data to the disk, rename, directory to the disk. On any failure the temporary file goes and the old one stays.
fn replace(path: &Path, write: impl FnOnce(&mut File) -> io::Result<()>) -> io::Result<()> {
    let temporary = beside(path)?;
    let directory = temporary.parent().unwrap_or_else(|| Path::new("."));
    // A leftover of a crashed process with the same number is ours to replace; a link there is not followed.
    match fs::remove_file(&temporary) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&temporary)?;
    let done = write(&mut file).and_then(|()| file.sync_all()).and_then(|()| fs::rename(&temporary, path));
    if let Err(error) = done {
        let _ = fs::remove_file(&temporary);
        return Err(error);
    }
    File::open(directory)?.sync_all()
}

#[cfg(test)]
mod tests;
