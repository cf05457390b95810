//! The profiles inside the binary, and finding one by name or path. A profile may extend another: [`super::extends`].

use std::io::Read as _;
use std::path::{Path, PathBuf};

use super::{Profile, ProfileError, extends, parse};
use crate::typed::problem::nearest;

/// Larger than any sensible profile, small enough to refuse a wrong file before it fills memory.
const MAX_OCTETS: u64 = 1 << 20;

/// The built-in texts by name.
const TEXTS: &[(&str, &str)] = &[
    ("adsl-16-1", include_str!("../../profiles/adsl-16-1.toml")),
    ("business-100-100-sla", include_str!("../../profiles/business-100-100-sla.toml")),
    ("cable-500-50", include_str!("../../profiles/cable-500-50.toml")),
    ("fibre-1000-500", include_str!("../../profiles/fibre-1000-500.toml")),
    ("fibre-250-50", include_str!("../../profiles/fibre-250-50.toml")),
    ("fibre-250-50-tv", include_str!("../../profiles/fibre-250-50-tv.toml")),
    ("fibre-250-50-statement", include_str!("../../profiles/fibre-250-50-statement.toml")),
    ("gfast-300-100", include_str!("../../profiles/gfast-300-100.toml")),
    ("telephony-50-10", include_str!("../../profiles/telephony-50-10.toml")),
    ("vdsl-100-40", include_str!("../../profiles/vdsl-100-40.toml")),
    ("wireless-50-10", include_str!("../../profiles/wireless-50-10.toml")),
    ("y1541-class-0", include_str!("../../profiles/y1541-class-0.toml")),
    ("y1541-class-1", include_str!("../../profiles/y1541-class-1.toml")),
    ("y1541-class-2", include_str!("../../profiles/y1541-class-2.toml")),
    ("y1541-class-3", include_str!("../../profiles/y1541-class-3.toml")),
    ("y1541-class-4", include_str!("../../profiles/y1541-class-4.toml")),
];

/// A built-in profile, for lists.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// Name to give to [`load`].
    pub name: &'static str,
    /// The tier in words.
    pub title: String,
}

/// The built-in profiles by name.
pub fn list() -> Vec<Listed> {
    TEXTS.iter().map(|(name, _)| Listed { name, title: load(name).map(|p| p.title).unwrap_or_default() }).collect()
}

/// Loads a built-in profile by name, or a file when the word holds a slash or ends in `.toml`.
///
/// # Errors
/// When there is no such profile, the file can't be read, or its text is not valid.
pub fn load(name_or_path: &str) -> Result<Profile, ProfileError> {
    let source = source(name_or_path, None)?;
    let origin = source.origin.clone();
    match extends::whole(source)? {
        extends::Whole::Alone(text) => parse(&text, &origin),
        extends::Whole::Extended(text) => parse(&text, &format!("{origin} with what it extends")),
    }
}

/// A profile's text as it is written, and where it comes from.
#[derive(Debug, Clone)]
pub(super) struct Source {
    pub(super) text: String,
    /// For messages.
    pub(super) origin: String,
    /// The folder that paths in it start from; `None` for a built-in one.
    pub(super) folder: Option<PathBuf>,
    /// The same for one profile however it is named.
    pub(super) key: String,
}

/// Finds a profile's text; a path that is not absolute starts from `folder`.
pub(super) fn source(name_or_path: &str, folder: Option<&Path>) -> Result<Source, ProfileError> {
    if name_or_path.contains('/') || name_or_path.ends_with(".toml") {
        return read_file(&folder.unwrap_or_else(|| Path::new("")).join(name_or_path));
    }
    match TEXTS.iter().find(|(name, _)| *name == name_or_path) {
        Some((name, text)) => Ok(Source {
            text: (*text).to_owned(),
            origin: format!("built-in profile {name}"),
            folder: None,
            key: (*name).to_owned(),
        }),
        None => Err(ProfileError::Unknown {
            asked: name_or_path.to_owned(),
            nearest: nearest(name_or_path, TEXTS.iter().map(|(name, _)| *name)),
            known: TEXTS.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", "),
        }),
    }
}

fn read_file(path: &Path) -> Result<Source, ProfileError> {
    let failed = |source| ProfileError::Read { path: path.to_owned(), source };
    let mut text = String::new();
    let mut file = std::fs::File::open(path).map_err(failed)?.take(MAX_OCTETS + 1);
    let read = file.read_to_string(&mut text).map_err(failed)?;
    if read as u64 > MAX_OCTETS {
        return Err(ProfileError::TooLarge { path: path.to_owned(), limit: MAX_OCTETS });
    }
    let key = path.canonicalize().map_err(failed)?.to_string_lossy().into_owned();
    Ok(Source {
        text,
        origin: format!("profile {}", path.display()),
        folder: Some(path.parent().unwrap_or_else(|| Path::new("")).to_owned()),
        key,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_built_in_profile_is_valid_and_carries_its_name() {
        for (name, _) in TEXTS {
            let profile = load(name).unwrap_or_else(|error| panic!("{error}"));
            assert_eq!(profile.name, *name);
            assert!(!profile.criteria.is_empty());
        }
        assert!(list().iter().all(|listed| !listed.title.is_empty()));
    }

    #[test]
    fn an_unknown_name_is_answered_with_the_nearest_and_all() {
        let message = load("fiber-1000-500").unwrap_err().to_string();
        assert!(message.contains("perhaps meant: fibre-1000-500"), "{message}");
        assert!(TEXTS.iter().all(|(name, _)| message.contains(name)), "{message}");
    }

    #[test]
    fn a_file_is_loaded_by_its_path_and_a_huge_one_is_refused() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("own.toml");
        std::fs::write(&path, TEXTS[0].1).unwrap();
        assert_eq!(load(path.to_str().unwrap()).unwrap().name, TEXTS[0].0);
        std::fs::write(&path, vec![b'#'; 2 << 20]).unwrap();
        assert!(matches!(load(path.to_str().unwrap()), Err(ProfileError::TooLarge { .. })));
        assert!(matches!(load("./absent.toml"), Err(ProfileError::Read { .. })));
    }
}
