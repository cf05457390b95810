//! The file that a far end's host hands out: where the far end is, the token, and the certificate's fingerprint.
//!
//! One file instead of three flags, so that the token never stands on a command line, where every user of the machine can
//! read it. TOML, mode 0600. It must not know how a session is opened.

use std::fs;
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::api::Secret;
use super::client::FarEndTarget;

/// The file's content.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    host: String,
    port: u16,
    token: String,
    /// SHA-256 of the certificate, 64 hexadecimal digits.
    fingerprint: String,
    /// Zone that the far end is the authority of, if it offers one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    zone: Option<String>,
}

/// Why an invitation can't be read or written.
#[derive(Debug, thiserror::Error)]
pub enum InvitationError {
    /// The file can't be read.
    #[error("cannot read the far end's file {}: {source}; ask the far end's host for one (doorstep serve invite)", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The file can't be written.
    #[error("cannot write {}: {source}", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// It is not such a file.
    #[error("{} is not a far end's file: {what}", path.display())]
    Content {
        /// The file.
        path: PathBuf,
        /// Place and reason; never the token.
        what: String,
    },
}

/// Reads an invitation.
pub fn read(path: &Path) -> Result<FarEndTarget, InvitationError> {
    let text = fs::read_to_string(path).map_err(|source| InvitationError::Read { path: path.to_owned(), source })?;
    parse(&text).map_err(|what| InvitationError::Content { path: path.to_owned(), what })
}

/// Reads an invitation's text.
///
/// # Errors
/// What is wrong, without the token.
pub fn parse(text: &str) -> Result<FarEndTarget, String> {
    // The library's full message quotes the source line, which may hold the token: only its first words are passed on.
    let Raw { host, port, token, fingerprint, zone } = toml::from_str(text).map_err(|error| unquoted(error.message()))?;
    let fingerprint = parse_fingerprint(&fingerprint)
        .ok_or("fingerprint must be the 64 hexadecimal digits that the far end prints when it starts")?;
    if host.is_empty() || token.is_empty() {
        return Err("host and token must not be empty".to_owned());
    }
    Ok(FarEndTarget { host, port, token, fingerprint, zone })
}

/// A complaint without what it quotes, but for the names of keys: a token that was typed in the wrong place is quoted too.
fn unquoted(message: &str) -> String {
    let outside = match (message.find('"'), message.rfind('"')) {
        (Some(first), Some(last)) if first < last => format!("{}...{}", &message[..first], &message[last + 1..]),
        _ => message.to_owned(),
    };
    let pieces = outside.split('`').enumerate().map(|(n, piece)| match n % 2 {
        1 if !KEYS.contains(&piece) => "...",
        _ => piece,
    });
    pieces.collect::<Vec<_>>().join("`")
}

/// The keys of an invitation.
const KEYS: [&str; 5] = ["host", "port", "token", "fingerprint", "zone"];

/// Writes an invitation with mode 0600; refuses to overwrite.
pub fn write(path: &Path, target: &FarEndTarget) -> Result<(), InvitationError> {
    let text = text(target).map_err(|what| InvitationError::Content { path: path.to_owned(), what })?;
    let write = || -> io::Result<()> {
        let mut file = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()
    };
    write().map_err(|source| InvitationError::Write { path: path.to_owned(), source })
}

/// An invitation's text.
///
/// # Errors
/// When a value can't be written as TOML.
pub fn text(target: &FarEndTarget) -> Result<String, String> {
    let FarEndTarget { host, port, token, fingerprint, zone } = target.clone();
    let raw = Raw { host, port, token, fingerprint: format_fingerprint(&fingerprint), zone };
    toml::to_string(&raw).map_err(|error| error.to_string())
}

/// Lower-case hexadecimal digits.
pub fn format_fingerprint(fingerprint: &[u8; 32]) -> String {
    Secret::from_octets(fingerprint).expose().to_owned()
}

/// From 64 hexadecimal digits; colons and spaces between them are allowed.
pub fn parse_fingerprint(text: &str) -> Option<[u8; 32]> {
    let digits: String = text.chars().filter(|c| !matches!(c, ':' | ' ')).collect();
    Secret::from_digits(digits).octets()?.try_into().ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    fn target() -> FarEndTarget {
        FarEndTarget {
            host: "far.example.net".to_owned(),
            port: 8620,
            token: "secret".to_owned(),
            fingerprint: [0xab; 32],
            zone: None,
        }
    }

    #[test]
    fn what_is_written_is_read_back_and_only_the_owner_may_read_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("far-end.toml");
        write(&path, &target()).unwrap();
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        let read = read(&path).unwrap();
        assert_eq!(
            (read.host, read.port, read.token, read.fingerprint),
            ("far.example.net".to_owned(), 8620, "secret".to_owned(), [0xab; 32])
        );
        assert!(write(&path, &target()).is_err(), "an existing file is not overwritten");
    }

    #[test]
    fn an_error_never_shows_the_token() {
        let error = parse("host = \"h\"\nport = 1\ntoken = \"secret\nfingerprint = \"aa\"").unwrap_err();
        assert!(!error.contains("secret"), "{error}");
        for (misplaced, said) in [("port = \"secret\"", "expected u16"), ("secret = 1", "`...`"), ("host = \"h\"", "`port`")] {
            let error = parse(misplaced).unwrap_err();
            assert!(!error.contains("secret") && error.contains(said), "{error}");
        }
        let error = parse("host = \"h\"\nport = 1\ntoken = \"secret\"\nfingerprint = \"aa\"").unwrap_err();
        assert_eq!(error, "fingerprint must be the 64 hexadecimal digits that the far end prints when it starts");
    }

    #[test]
    fn fingerprints_may_be_written_with_colons() {
        assert_eq!(parse_fingerprint(&["ab"; 32].join(":")), Some([0xab; 32]));
        assert_eq!(parse_fingerprint(&format_fingerprint(&[7; 32])), Some([7; 32]));
        assert_eq!(parse_fingerprint("ab"), None);
        assert_eq!(parse_fingerprint(&"zz".repeat(32)), None);
    }
}
