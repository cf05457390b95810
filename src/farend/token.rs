//! Tokens: who may use a far end. Kept hashed in one file of the state directory.
//!
//! A token is 32 octets of the system's random source, so a plain SHA-256 is enough: a slow password hash protects words
//! that can be guessed, and these can't. It must not know what a token is good for.

use std::fs;
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use ring::digest::{SHA256, digest};
use ring::rand::{SecureRandom, SystemRandom};
use serde::{Deserialize, Serialize};

use super::api::Secret;

/// The tokens of a far end.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tokens {
    #[serde(default)]
    token: Vec<Entry>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    label: String,
    sha256: String,
}

/// Why tokens can't be read or changed.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// The file can't be read or written.
    #[error("cannot {doing} the tokens in {}: {source}", path.display())]
    File {
        /// "read" or "write".
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The file is not what this program writes.
    #[error("{} does not hold tokens: {what}", path.display())]
    Content {
        /// The file.
        path: PathBuf,
        /// Place and reason.
        what: String,
    },
    /// The label is taken.
    #[error("there is a token labelled `{0}` already; choose another label, or take that one back first")]
    Taken(String),
    /// No such label.
    #[error("no token is labelled `{0}`")]
    NoSuchLabel(String),
    /// The system gave no random octets.
    #[error("the system gave no random octets")]
    NoRandom,
}

impl Tokens {
    /// Reads the file; a missing one holds none.
    ///
    /// # Errors
    /// When it can't be read or is no such file.
    pub fn read(path: &Path) -> Result<Self, TokenError> {
        match fs::read_to_string(path) {
            Ok(text) => toml::from_str(&text)
                .map_err(|error| TokenError::Content { path: path.to_owned(), what: error.message().to_owned() }),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Self::default()),
            Err(source) => Err(TokenError::File { doing: "read", path: path.to_owned(), source }),
        }
    }

    /// Writes the file, mode 0600, whole or not at all.
    ///
    /// # Errors
    /// When it can't be written.
    pub fn write(&self, path: &Path) -> Result<(), TokenError> {
        let failed = |source| TokenError::File { doing: "write", path: path.to_owned(), source };
        let text = toml::to_string(self).map_err(|error| failed(io::Error::other(error)))?;
        let fresh = path.with_extension("new");
        let write = || -> io::Result<()> {
            let mut file = fs::OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&fresh)?;
            file.write_all(text.as_bytes())?;
            file.sync_all()?;
            fs::rename(&fresh, path)
        };
        write().map_err(failed)
    }

    /// Makes a token and keeps its hash. The token itself is only ever here.
    ///
    /// # Errors
    /// When the label is taken or the system has no random octets.
    pub fn add(&mut self, label: &str) -> Result<String, TokenError> {
        if self.token.iter().any(|entry| entry.label == label) {
            return Err(TokenError::Taken(label.to_owned()));
        }
        let mut octets = [0; 32];
        SystemRandom::new().fill(&mut octets).map_err(|_| TokenError::NoRandom)?;
        let token = Secret::from_octets(&octets).expose().to_owned();
        self.token.push(Entry { label: label.to_owned(), sha256: hash(&token) });
        Ok(token)
    }

    /// Takes a token back.
    ///
    /// # Errors
    /// When no token has the label.
    pub fn remove(&mut self, label: &str) -> Result<(), TokenError> {
        let before = self.token.len();
        self.token.retain(|entry| entry.label != label);
        if self.token.len() == before { Err(TokenError::NoSuchLabel(label.to_owned())) } else { Ok(()) }
    }

    /// The label of a token; `None` when it is not one of these.
    ///
    /// Hashes are compared, not tokens: how far two hashes agree tells nothing about the token, so the time that the
    /// comparison takes is no help to whoever guesses.
    pub fn label_of(&self, token: &str) -> Option<&str> {
        let hashed = hash(token);
        self.token.iter().find(|entry| entry.sha256 == hashed).map(|entry| entry.label.as_str())
    }

    /// The labels in the order in which they were made.
    pub fn labels(&self) -> impl Iterator<Item = &str> {
        self.token.iter().map(|entry| entry.label.as_str())
    }
}

fn hash(token: &str) -> String {
    Secret::from_octets(digest(&SHA256, token.as_bytes()).as_ref()).expose().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_known_by_its_hash_until_it_is_taken_back() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("tokens.toml");
        let mut tokens = Tokens::read(&path).unwrap();
        let token = tokens.add("van 7").unwrap();
        assert!(matches!(tokens.add("van 7"), Err(TokenError::Taken(_))));
        tokens.write(&path).unwrap();
        let text = fs::read_to_string(&path).unwrap();
        assert!(!text.contains(&token), "the file must not hold the token");
        let mut read = Tokens::read(&path).unwrap();
        assert_eq!(read.label_of(&token), Some("van 7"));
        assert_eq!(read.label_of("another"), None);
        read.remove("van 7").unwrap();
        assert_eq!(read.label_of(&token), None);
        assert!(matches!(read.remove("van 7"), Err(TokenError::NoSuchLabel(_))));
    }

    #[test]
    fn the_hash_is_sha_256() {
        // FIPS 180-4 example "abc", as in the NIST example values.
        assert_eq!(hash("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }
}
