//! Files with secrets: read only where nobody else can.

use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use super::failure::Failure;
use crate::farend::api::Secret;
use crate::wire::capacity::SharedKey;
use crate::wire::stamp;

/// The text of a file that its owner alone can read. `what` it is stands in the complaint.
pub(super) fn read(path: &Path, what: &str) -> Result<String, Failure> {
    let shown = path.display();
    let cannot = |error: std::io::Error| Failure::usage(format_args!("reading {what} {shown}: {error}"));
    let mode = std::fs::metadata(path).map_err(cannot)?.mode();
    if mode & 0o077 != 0 {
        return Err(Failure::usage(format_args!("others can read {what} {shown}: chmod 600 {shown}")));
    }
    std::fs::read_to_string(path).map_err(cannot)
}

/// Keys of capacity tests, by number: TOML of `number = "hexadecimal digits"`.
pub(super) fn capacity_keys(path: &Path) -> Result<BTreeMap<u8, SharedKey>, Failure> {
    let (shown, text) = (path.display(), read(path, "the keys")?);
    // No complaint quotes the file.
    let wrong = || {
        Failure::usage(format_args!(
            "the keys {shown} can't be read: each line is a number from 0 to 255 and its key, 7 = \"00ff...\" (hexadecimal)"
        ))
    };
    let written: BTreeMap<String, String> = toml::from_str(&text).map_err(|_| wrong())?;
    let entry = |(number, digits): (String, String)| Some((number.parse().ok()?, SharedKey::new(&octets(&digits)?)));
    written.into_iter().map(|one| entry(one).ok_or_else(wrong)).collect()
}

/// A reflector's key: hexadecimal digits.
pub(super) fn reflector_key(path: &Path) -> Result<stamp::Key, Failure> {
    let (shown, text) = (path.display(), read(path, "the key")?);
    let wrong = || Failure::usage(format_args!("the key {shown} can't be read: it is an even number of hexadecimal digits"));
    octets(text.trim()).map(|octets| stamp::Key::new(&octets)).ok_or_else(wrong)
}

fn octets(digits: &str) -> Option<Vec<u8>> {
    Secret::from_digits(digits.to_owned()).octets().filter(|octets| !octets.is_empty())
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    #[test]
    fn keys_are_read_by_number_and_nothing_of_a_wrong_file_is_told() {
        let directory = tempfile::tempdir().expect("temporary directory");
        let path = directory.path().join("keys.toml");
        let written = |text: &str| {
            std::fs::write(&path, text).expect("written");
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).expect("set");
            capacity_keys(&path)
        };
        assert_eq!(written("7 = \"00ff10\"\n250 = \"aa\"\n").expect("read").keys().copied().collect::<Vec<_>>(), [7, 250]);
        for text in ["256 = \"c0ffee\"", "7 = \"c0ffe\"", "7 = \"c0ffeg\"", "c0ffee", "7 = \"\""] {
            let refusal = format!("{:?}", written(text).expect_err("refused"));
            assert!(!refusal.contains("c0ff"), "{refusal}");
        }
    }
}
