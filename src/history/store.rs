//! The history file: SQLite with a write-ahead log, in a form that is numbered and brought up to date when it is opened.
//!
//! [`mod@write`] adds visits and keeps the file within its size, [`read`] gets them back, [`chain`] proves that none is missing. Nothing here repairs or
//! overwrites a file that is damaged or not ours: it says so and what to do. The hard thing is speed over a year: readings lie sorted by figure and
//! time, and whole days of them are packed into one row each ([`days`]), which is what summaries read.

mod catalogue;
pub mod chain;
mod days;
mod policy;
mod rates;
mod read;
mod retain;
mod write;

use std::fs::OpenOptions;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::ffi::SQLITE_IOERR_SHMSIZE;
use rusqlite::{Connection, ErrorCode, OpenFlags, backup::Backup};

use catalogue::Catalogue;
pub use policy::Policy;
pub use rates::RatePoint;
pub use read::Point;
pub use retain::Dropped;
pub use write::Added;

/// Marks the file as ours in its header ("DSTP"; SQLite file format, application id at offset 68).
const APPLICATION: i64 = 0x4453_5450;

/// The steps from an empty file to the newest form; each is applied once, in one transaction. Steps are added, never changed.
const STEPS: [&str; 3] = [include_str!("store/step1.sql"), include_str!("store/step2.sql"), include_str!("store/step3.sql")];

/// The log is written back into the file when it holds so much, and may keep so much room when it is idle: enough to delete from a full
/// disk without growing. A visit changes some 50 pages, so with SQLite's own bound of 1,000 pages every twentieth insert wrote back for
/// some 6 ms; with this every hundred and twentieth does, for some 24 ms (docs/performance.md).
const LOG_OCTETS: i64 = 32 << 20;
/// Size of a page of new files (SQLite's own).
const PAGE_OCTETS: i64 = 4096;

/// An open history.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    path: PathBuf,
    catalogue: Catalogue,
}

/// What can go wrong with the file.
#[derive(Debug, thiserror::Error)]
pub enum HistoryError {
    /// There is none.
    #[error("there is no history at {}; `doorstep history add RECORD...` begins one", .0.display())]
    Missing(PathBuf),
    /// It could not be made or opened.
    #[error("opening the history {}: {source}; check that its directory exists and that you may write there", .path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// It is damaged.
    #[error(
        "the history {} is damaged ({what}). It was left as it is. Copy the file and those beside it (-wal, -shm) to a safe place, then put the last `history backup` in its place, or begin a new one and add the saved records again",
        .path.display()
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What was found.
        what: String,
    },
    /// It is another kind of file.
    #[error("{} is no history of doorstep: it was left as it is, name another file", .0.display())]
    NotOurs(PathBuf),
    /// It was written by a newer program.
    #[error("the history {} has form {found}, newer than {}, which this version knows; use the version that wrote it or a later one", .path.display(), STEPS.len())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its form.
        found: i64,
    },
    /// No room is left.
    #[error("no room is left for the history {} and nothing more can be dropped from it; free space on its disk or raise its largest size. Nothing that it held was lost", .0.display())]
    Full(PathBuf),
    /// The same visit is there with other contents.
    #[error(
        "visit {id} is in the history with another content (SHA-256 {held}); one of the two was altered, compare them with `doorstep compare`"
    )]
    Differs {
        /// The record.
        id: uuid::Uuid,
        /// What is held.
        held: String,
    },
    /// A backup's target exists.
    #[error("{} exists already; a backup never overwrites a file, name another", .0.display())]
    Exists(PathBuf),
    /// Another program holds the file.
    #[error("the history {} is in use by another program for longer than five seconds; try again", .0.display())]
    Busy(PathBuf),
    /// Anything else.
    #[error("the history {}: {source}", .path.display())]
    Other {
        /// The file.
        path: PathBuf,
        /// Why.
        source: rusqlite::Error,
    },
}

/// How well a file is looked at before it is used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Care {
    /// Its structure as a whole (SQLite's quick_check), which reads all of it: before writing.
    Whole,
    /// What is met on the way.
    OnTheWay,
}

impl Store {
    /// Opens a history, and makes it when it is missing: readable by its owner only, since it tells about customers.
    ///
    /// # Errors
    /// When it can't be opened, is damaged, not ours or newer.
    pub fn open(path: &Path, care: Care) -> Result<Self, HistoryError> {
        if !path.exists() {
            let made = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path);
            made.map_err(|source| HistoryError::Open { path: path.to_owned(), source })?;
        }
        Self::open_existing(path, care)
    }

    /// Opens a history that must be there.
    ///
    /// # Errors
    /// As [`Store::open`], and when it is missing.
    pub fn open_existing(path: &Path, care: Care) -> Result<Self, HistoryError> {
        match std::fs::metadata(path) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Err(HistoryError::Missing(path.to_owned())),
            Err(source) => return Err(HistoryError::Open { path: path.to_owned(), source }),
            Ok(_) => {}
        }
        let failed = |source| classified(path, source);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut connection = Connection::open_with_flags(path, flags).map_err(failed)?;
        connection.busy_timeout(Duration::from_secs(5)).map_err(failed)?;
        examine(&connection, path, care)?;
        // NORMAL in WAL mode: a power cut may lose the last visits, and never harms the file (SQLite, "PRAGMA synchronous").
        let settings = format!(
            "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL; PRAGMA foreign_keys = ON; PRAGMA journal_size_limit = {LOG_OCTETS};
             PRAGMA wal_autocheckpoint = {}; PRAGMA cache_size = -65536; PRAGMA mmap_size = 4294967296; PRAGMA temp_store = MEMORY;",
            LOG_OCTETS / PAGE_OCTETS
        );
        connection.execute_batch(&settings).map_err(failed)?;
        bring_up_to_date(&mut connection).map_err(failed)?;
        connection.set_prepared_statement_cache_capacity(64);
        let catalogue = Catalogue::read(&connection).map_err(failed)?;
        Ok(Self { connection, path: path.to_owned(), catalogue })
    }

    /// Copies the history as it stands at one moment into a new file, while others may write (SQLite's online backup).
    ///
    /// # Errors
    /// When the target exists or can't be written; what was written of it is removed then.
    pub fn backup(&self, target: &Path) -> Result<(), HistoryError> {
        match OpenOptions::new().write(true).create_new(true).mode(0o600).open(target) {
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
                return Err(HistoryError::Exists(target.to_owned()));
            }
            Err(source) => return Err(HistoryError::Open { path: target.to_owned(), source }),
            Ok(_) => {}
        }
        let copy = || -> rusqlite::Result<()> {
            let mut copy = Connection::open(target)?;
            Backup::new(&self.connection, &mut copy)?.run_to_completion(4096, Duration::ZERO, None)
        };
        copy().map_err(|source| {
            let _ = std::fs::remove_file(target);
            classified(target, source)
        })
    }

    fn failed(&self, source: rusqlite::Error) -> HistoryError {
        classified(&self.path, source)
    }
}

/// Refuses what is not ours, newer or damaged, before anything is written.
fn examine(connection: &Connection, path: &Path, care: Care) -> Result<(), HistoryError> {
    let number =
        |pragma: &str| connection.query_row(pragma, [], |row| row.get::<_, i64>(0)).map_err(|source| classified(path, source));
    let (form, application) = (number("PRAGMA user_version")?, number("PRAGMA application_id")?);
    let tables = number("SELECT count(*) FROM sqlite_schema")?;
    if application != APPLICATION && (tables > 0 || form != 0 || application != 0) {
        return Err(HistoryError::NotOurs(path.to_owned()));
    }
    if form > STEPS.len() as i64 {
        return Err(HistoryError::Newer { path: path.to_owned(), found: form });
    }
    if care == Care::Whole {
        let found: String =
            connection.query_row("PRAGMA quick_check(1)", [], |row| row.get(0)).map_err(|source| classified(path, source))?;
        if found != "ok" {
            return Err(HistoryError::Damaged { path: path.to_owned(), what: found });
        }
    }
    Ok(())
}

fn bring_up_to_date(connection: &mut Connection) -> rusqlite::Result<()> {
    let step = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    let form: i64 = step.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    let missing = STEPS.iter().enumerate().skip(usize::try_from(form).unwrap_or(0));
    for (number, sql) in missing {
        step.execute_batch(sql)?;
        step.execute_batch(&format!("PRAGMA application_id = {APPLICATION}; PRAGMA user_version = {};", number + 1))?;
    }
    step.commit()
}

fn classified(path: &Path, source: rusqlite::Error) -> HistoryError {
    let path = path.to_owned();
    match source.sqlite_error_code() {
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => HistoryError::Damaged { path, what: source.to_string() },
        Some(ErrorCode::DiskFull) => HistoryError::Full(path),
        // No room for the index of the log, which lies beside it.
        _ if source.sqlite_error().is_some_and(|error| error.extended_code == SQLITE_IOERR_SHMSIZE) => HistoryError::Full(path),
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => HistoryError::Busy(path),
        _ => HistoryError::Other { path, source },
    }
}
