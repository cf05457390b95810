use super::*;
use crate::record::schema::{Agent, Place};
use jiff::Timestamp;

fn record() -> Record {
    let agent = Agent { version: "0.1.0".into(), host: "van-7".into(), kernel: "6.1.0".into() };
    let started: Timestamp = "2026-11-25T10:00:00Z".parse().unwrap();
    Record::begin(uuid::Uuid::from_u128(0x0193_0000_0000_7000_8000_0000_0000_0001), started, agent, Place::default(), None)
}

fn parse_text(text: &str) -> StoreError {
    parse(text.as_bytes(), Path::new("visit.json")).unwrap_err()
}

#[test]
fn what_was_saved_is_read_back_and_only_its_owner_may_read_it() {
    use std::os::unix::fs::PermissionsExt as _;
    let directory = tempfile::tempdir().unwrap();
    let path = save_in(&directory.path().join("a/b"), &record()).unwrap();
    assert_eq!(read(&path).unwrap(), record());
    assert_eq!(path.file_name().unwrap(), "20261125T100000Z-01930000-0000-7000-8000-000000000001.json");
    assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    assert_eq!(fs::metadata(path.parent().unwrap()).unwrap().permissions().mode() & 0o777, 0o700);
}

#[test]
fn a_failed_write_leaves_the_earlier_state_and_no_temporary_file() {
    let directory = tempfile::tempdir().unwrap();
    let path = save_in(directory.path(), &record()).unwrap();
    let full = replace(&path, |file| {
        file.write_all(b"{\"schema\": \"doorst")?;
        Err(io::Error::from(io::ErrorKind::StorageFull))
    });
    assert_eq!(full.unwrap_err().kind(), io::ErrorKind::StorageFull);
    assert_eq!(read(&path).unwrap(), record());
    assert_eq!(fs::read_dir(directory.path()).unwrap().count(), 1);
}

#[test]
fn every_truncation_is_refused_as_cut_off() {
    let text = serde_json::to_string_pretty(&record()).unwrap();
    for end in 0..text.len() {
        let error = parse(&text.as_bytes()[..end], Path::new("x")).unwrap_err();
        assert!(matches!(error, StoreError::Truncated { .. }), "cut at {end}: {error}");
    }
}

#[test]
fn a_newer_schema_a_foreign_document_and_a_wrong_field_are_told_apart() {
    assert!(matches!(parse_text(r#"{"schema": "doorstep-record/2"}"#), StoreError::Newer { .. }));
    assert!(matches!(parse_text(r#"{"schema": "doorstep-record/x"}"#), StoreError::NotARecord { .. }));
    assert!(matches!(parse_text(r#"{"schema": "invoice/1"}"#), StoreError::NotARecord { .. }));
    assert!(matches!(parse_text("[1, 2]"), StoreError::NotARecord { .. }));
    assert!(matches!(parse_text("hello"), StoreError::NotJson { .. }));
    let wrong = serde_json::to_string_pretty(&record()).unwrap().replace("\"complete\": false", "\"complete\": 7");
    let message = parse_text(&wrong).to_string();
    assert!(message.contains("invalid type: integer `7`, expected a boolean at line 5"), "{message}");
}

#[test]
fn unknown_fields_of_a_later_minor_version_are_read_over() {
    let text = serde_json::to_string(&record()).unwrap().replacen('{', "{\"weather\": \"rain\", ", 1);
    assert_eq!(parse(text.as_bytes(), Path::new("x")).unwrap(), record());
}

#[test]
fn the_directory_follows_the_base_directory_specification() {
    let path = |s: &str| Some(PathBuf::from(s));
    let ok = |state, home| directory_from(state, home).unwrap().join("records").display().to_string();
    assert_eq!(ok(path("/s"), path("/h")), "/s/doorstep/records");
    assert_eq!(ok(path("relative"), path("/h")), "/h/.local/state/doorstep/records");
    assert_eq!(ok(None, path("/h")), "/h/.local/state/doorstep/records");
    assert!(matches!(directory_from(None, None), Err(StoreError::NoDirectory)));
}

/// Not a test of its own: what the next test runs in a process whose files may not grow beyond a few blocks.
#[test]
fn child_that_saves_a_large_record() {
    let Some(path) = std::env::var_os("DOORSTEP_TEST_SAVE") else { return };
    let mut large = record();
    large.place.note = Some("x".repeat(1 << 20));
    let error = save(Path::new(&path), &large).unwrap_err();
    assert!(error.to_string().contains("an earlier saved state of this visit is unharmed"), "{error}");
}

#[test]
fn a_write_that_the_kernel_stops_halfway_leaves_the_earlier_state() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("visit.json");
    save(&path, &record()).unwrap();
    // A limit of the file size stops write(2) in the middle, as a full disk does (getrlimit(2), RLIMIT_FSIZE).
    let child = std::process::Command::new("sh")
        .args(["-c", "trap '' XFSZ; ulimit -f 64; exec \"$0\" --exact record::store::tests::child_that_saves_a_large_record"])
        .arg(std::env::current_exe().unwrap())
        .env("DOORSTEP_TEST_SAVE", &path)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&child.stdout);
    assert!(child.status.success() && said.contains("1 passed"), "{said}");
    assert_eq!(read(&path).unwrap(), record());
    assert_eq!(fs::read_dir(directory.path()).unwrap().count(), 1, "the temporary file is gone");
}

#[test]
fn nothing_but_an_ordinary_file_is_ever_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("socket");
    let _listener = std::os::unix::net::UnixListener::bind(&socket).unwrap();
    let before = fs::symlink_metadata(&socket).unwrap().file_type();
    assert!(matches!(try_file(&socket), Err(StoreError::NotWritable { .. })));
    assert!(replace(&socket, |_| Ok(())).is_err());
    assert_eq!(fs::symlink_metadata(&socket).unwrap().file_type(), before);
    assert!(try_file(&folder.path().join("new.json")).is_ok());
    assert!(try_file(&folder.path().join("missing/new.json")).is_err());
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "trying leaves nothing");
}
