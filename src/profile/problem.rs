//! Why a profile can't be used.

use std::path::PathBuf;

use crate::typed::problem::{Problem, listed};

/// Why a profile can't be used.
#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    /// The text is not a valid profile; what was found is listed in the order of the text.
    #[error("{origin} is not a valid profile\n{}", listed(.problems, *.more))]
    Invalid {
        /// File name, or what the text is.
        origin: String,
        /// Never empty.
        problems: Vec<Problem>,
        /// Problems found beyond those listed.
        more: usize,
    },
    /// Neither a built-in name nor a file.
    #[error("no built-in profile is called {asked:?}{}; built in are {known}; a path of a file ends in .toml or holds a slash", nearest_words(.nearest.as_deref()))]
    Unknown {
        /// What was asked for.
        asked: String,
        /// The built-in name that comes nearest.
        nearest: Option<String>,
        /// All built-in names, joined.
        known: String,
    },
    /// The file can't be read.
    #[error("reading profile {}: {source}", .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file is larger than any profile.
    #[error("profile {} has more than {limit} octets; is it a profile?", .path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// The bound.
        limit: u64,
    },
}

fn nearest_words(nearest: Option<&str>) -> String {
    nearest.map(|n| format!(" (perhaps meant: {n})")).unwrap_or_default()
}
