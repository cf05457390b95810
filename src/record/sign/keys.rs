//! Where the keys are: this user's own secret and the public keys that this user trusts.
//!
//! Both are files of one directory that nobody else can enter. The secret is made at first use and never leaves its file: it is in
//! no record, log or message. The file of trusted keys is plain text, a name and a key a line, so that an office can hand it out.

use std::fs::{self, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

use super::{PublicKey, Signer, Standing};
use crate::record::store::{self, StoreError};
use crate::unit::digest::{from_hexadecimal, hexadecimal};

/// File of the secret: 64 hexadecimal digits.
const SECRET: &str = "own";
/// File of the trusted keys.
const TRUSTED: &str = "trusted";
/// No such file is larger: a thousand keys with names.
const MAX_OCTETS: u64 = 1 << 20;

/// Why keys can't be had or kept.
#[derive(Debug, thiserror::Error)]
pub enum KeyError {
    /// There is no place for them.
    #[error(transparent)]
    Place(#[from] StoreError),
    /// A file can't be read or written.
    #[error("{doing} {}: {source}", .path.display())]
    File {
        /// What was done.
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
    /// Somebody else may have read the secret.
    #[error("others can read the key {}: chmod 600 it if nobody did, else move it away, and a new one is made", .0.display())]
    Exposed(PathBuf),
    /// The secret is none. The file is not quoted.
    #[error("the key {} is not 64 hexadecimal digits: move it away, and a new one is made", .0.display())]
    NoKey(PathBuf),
    /// A line of the trusted keys.
    #[error("line {line} of {}: {what}", .path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// From 1.
        line: usize,
        /// What is wrong.
        what: String,
    },
    /// A key or a name that can't be trusted as given.
    #[error("{0}")]
    Refused(String),
}

/// The directory of the keys, beside that of the records.
///
/// # Errors
/// When there is no home to have one in.
pub fn directory() -> Result<PathBuf, KeyError> {
    Ok(store::default_directory()?.with_file_name("keys"))
}

/// The own key, made with `secret` if there is none yet.
///
/// # Errors
/// When it can't be read or made, or others can read it.
pub fn own(directory: &Path, secret: impl FnOnce() -> io::Result<[u8; 32]>) -> Result<Signer, KeyError> {
    if let Some(found) = read_own(directory)? {
        return Ok(found);
    }
    let made = || -> io::Result<()> {
        fs::DirBuilder::new().recursive(true).mode(0o700).create(directory)?;
        let part = directory.join(format!(".{SECRET}.{}.part", std::process::id()));
        let written = || -> io::Result<()> {
            let secret = secret()?;
            let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&part)?;
            file.write_all(hexadecimal(&secret).as_bytes())?;
            file.sync_all()
        };
        // A link fails where a file stands already: of two visits that begin at once the first one's key stays.
        let linked = written().and_then(|()| match fs::hard_link(&part, directory.join(SECRET)) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Ok(()),
            other => other,
        });
        let _ = fs::remove_file(&part);
        linked?;
        fs::File::open(directory)?.sync_all()
    };
    let path = || directory.join(SECRET);
    made().map_err(|source| KeyError::File { doing: "making the key", path: path(), source })?;
    read_own(directory)?.ok_or_else(|| KeyError::NoKey(path()))
}

/// The own key, if there is one.
fn read_own(directory: &Path) -> Result<Option<Signer>, KeyError> {
    let path = directory.join(SECRET);
    let failed = |source| KeyError::File { doing: "reading the key", path: path.clone(), source };
    let mode = match fs::metadata(&path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        other => other.map_err(failed)?.mode(),
    };
    if mode & 0o077 != 0 {
        return Err(KeyError::Exposed(path));
    }
    let secret = from_hexadecimal(fs::read_to_string(&path).map_err(failed)?.trim()).and_then(|octets| octets.try_into().ok());
    secret.map(|secret| Some(Signer::from_secret(&secret))).ok_or(KeyError::NoKey(path))
}

/// A key that is trusted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trusted {
    /// Whose it is, in this user's words.
    pub name: String,
    /// The key.
    pub key: PublicKey,
}

/// Keys that tell whose signature a record bears.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Keyring {
    /// This user's own.
    pub own: Option<PublicKey>,
    /// Others'.
    pub trusted: Vec<Trusted>,
}

impl Keyring {
    /// What the directory holds; nothing is made.
    ///
    /// # Errors
    /// When a file can't be read or is wrong.
    pub fn read(directory: &Path) -> Result<Self, KeyError> {
        let own = read_own(directory)?.and_then(|signer| signer.public_key());
        Ok(Self { own, trusted: trusted(directory)? })
    }

    /// Whose a key is.
    pub fn standing(&self, key: &PublicKey) -> Standing {
        if self.own.as_ref() == Some(key) {
            return Standing::Own;
        }
        let named = self.trusted.iter().find(|one| one.key == *key);
        named.map_or(Standing::Unknown, |one| Standing::Known(one.name.clone()))
    }
}

/// Adds a key to the trusted ones.
///
/// # Errors
/// When the name or the key is none or taken, or the file can't be written.
pub fn trust(directory: &Path, name: &str, key: &str) -> Result<PublicKey, KeyError> {
    let key = PublicKey::from_digits(key).ok_or_else(|| {
        KeyError::Refused("a public key is 64 hexadecimal digits, as `doorstep keys show` prints them".to_owned())
    })?;
    if !is_name(name) {
        return Err(KeyError::Refused(format!("{name:?} is no name: letters, digits, points, lines and @, at most 64")));
    }
    let mut all = trusted(directory)?;
    if let Some(taken) = all.iter().find(|one| one.name == name || one.key == key) {
        let what = format!(
            "already trusted: {} {}; take it off first with `doorstep keys distrust {}`",
            taken.name,
            taken.key.digits(),
            taken.name
        );
        return Err(KeyError::Refused(what));
    }
    all.push(Trusted { name: name.to_owned(), key });
    write_trusted(directory, &all)?;
    Ok(key)
}

/// Takes a key off the trusted ones, by its name.
///
/// # Errors
/// When none is called so, or the file can't be written.
pub fn distrust(directory: &Path, name: &str) -> Result<(), KeyError> {
    let mut all = trusted(directory)?;
    let before = all.len();
    all.retain(|one| one.name != name);
    if all.len() == before {
        return Err(KeyError::Refused(format!("no trusted key is called {name:?}")));
    }
    write_trusted(directory, &all)
}

fn trusted(directory: &Path) -> Result<Vec<Trusted>, KeyError> {
    let path = directory.join(TRUSTED);
    let failed = |source| KeyError::File { doing: "reading the trusted keys", path: path.clone(), source };
    match fs::metadata(&path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Ok(found) if found.len() > MAX_OCTETS => return Err(failed(io::Error::other("larger than 1 MB, no such file is"))),
        other => other.map_err(failed)?,
    };
    let text = fs::read_to_string(&path).map_err(failed)?;
    let mut all = Vec::new();
    for (index, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty() && !line.starts_with('#')) {
        let wrong = |what: &str| KeyError::Line { path: path.clone(), line: index + 1, what: what.to_owned() };
        let mut words = line.split_whitespace();
        let (Some(name), Some(key), None) = (words.next(), words.next(), words.next()) else {
            return Err(wrong("a line is a name and a key of 64 hexadecimal digits"));
        };
        let key = PublicKey::from_digits(key).ok_or_else(|| wrong("this is no public key"))?;
        all.push(Trusted { name: name.to_owned(), key });
    }
    Ok(all)
}

fn write_trusted(directory: &Path, all: &[Trusted]) -> Result<(), KeyError> {
    let lines: String = all.iter().map(|one| format!("{} {}\n", one.name, one.key.digits())).collect();
    let text = format!("# Keys whose records are trusted: a name and a key a line.\n{lines}");
    let path = directory.join(TRUSTED);
    let made = fs::DirBuilder::new().recursive(true).mode(0o700).create(directory);
    made.and_then(|()| store::write_whole(&path, text.as_bytes())).map_err(|source| KeyError::File {
        doing: "writing the trusted keys",
        path,
        source,
    })
}

/// A word of its own on a line of the file.
fn is_name(name: &str) -> bool {
    let fits = |c: char| c.is_alphanumeric() || matches!(c, '.' | '-' | '_' | '@');
    !name.is_empty() && name.chars().count() <= 64 && name.chars().all(fits)
}
