//! The profiles inside the binary, and finding one by name or path.

use std::io::Read as _;
use std::path::Path;

use super::{Profile, ProfileError, parse};
use crate::typed::problem::nearest;

/// Larger than any sensible profile, small enough to refuse a wrong file before it fills memory.
const MAX_OCTETS: u64 = 1 << 20;

/// The built-in texts by name.
const TEXTS: &[(&str, &str)] = &[
    ("adsl-16-1", include_str!("../../profiles/adsl-16-1.toml")),
    ("fibre-1000-500", include_str!("../../profiles/fibre-1000-500.toml")),
    ("fibre-250-50", include_str!("../../profiles/fibre-250-50.toml")),
    ("fibre-250-50-tv", include_str!("../../profiles/fibre-250-50-tv.toml")),
    ("vdsl-100-40", include_str!("../../profiles/vdsl-100-40.toml")),
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
    TEXTS.iter().map(|(name, text)| Listed { name, title: parse(text, name).map(|p| p.title).unwrap_or_default() }).collect()
}

/// Loads a built-in profile by name, or a file when the word holds a slash or ends in `.toml`.
///
/// # Errors
/// When there is no such profile, the file can't be read, or its text is not valid.
pub fn load(name_or_path: &str) -> Result<Profile, ProfileError> {
    if name_or_path.contains('/') || name_or_path.ends_with(".toml") {
        return load_file(Path::new(name_or_path));
    }
    match TEXTS.iter().find(|(name, _)| *name == name_or_path) {
        Some((name, text)) => parse(text, &format!("built-in profile {name}")),
        None => Err(ProfileError::Unknown {
            asked: name_or_path.to_owned(),
            nearest: nearest(name_or_path, TEXTS.iter().map(|(name, _)| *name)),
            known: TEXTS.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", "),
        }),
    }
}

fn load_file(path: &Path) -> Result<Profile, ProfileError> {
    let failed = |source| ProfileError::Read { path: path.to_owned(), source };
    let mut text = String::new();
    let mut file = std::fs::File::open(path).map_err(failed)?.take(MAX_OCTETS + 1);
    let read = file.read_to_string(&mut text).map_err(failed)?;
    if read as u64 > MAX_OCTETS {
        return Err(ProfileError::TooLarge { path: path.to_owned(), limit: MAX_OCTETS });
    }
    parse(&text, &format!("profile {}", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_built_in_profile_is_valid_and_carries_its_name() {
        for (name, text) in TEXTS {
            let profile = parse(text, name).unwrap_or_else(|error| panic!("{error}"));
            assert_eq!(profile.name, *name);
            assert!(!profile.criteria.is_empty());
        }
        assert!(list().iter().all(|listed| !listed.title.is_empty()));
    }

    #[test]
    fn an_unknown_name_is_answered_with_the_nearest_and_all() {
        let message = load("fiber-1000-500").unwrap_err().to_string();
        assert!(message.contains("perhaps meant: fibre-1000-500"), "{message}");
        assert!(message.contains("adsl-16-1, fibre-1000-500, fibre-250-50, fibre-250-50-tv, vdsl-100-40"), "{message}");
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
