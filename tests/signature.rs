//! Signed records held against an independent pair: the canonical form by the Python package rfc8785, the signature by `cryptography` (OpenSSL's
//! Ed25519). Neither shares a line with ours.
//!
//! Needs root (a practice line), python3 and the packages of tests/python.txt in target/python (tests/run puts them there): fails loudly without.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

#[path = "common/python.rs"]
mod python;

const VERIFIER: &str = r#"
import json, sys
import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.exceptions import InvalidSignature
record = json.load(open(sys.argv[1], encoding="utf-8"))
signature = record["signature"]
value = bytes.fromhex(signature.pop("value"))
key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(signature["public_key"]))
try:
    key.verify(value, rfc8785.dumps(record))
    print("fits")
except InvalidSignature:
    print("does not fit")
"#;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// What the independent pair says of a record.
fn told_by_others(record: &Path) -> String {
    python::python(VERIFIER, &[record.as_os_str()], "").trim().to_owned()
}

fn doorstep(state: &Path, args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_doorstep"));
    command.env("XDG_STATE_HOME", state).env_remove("HOME").args(args).output().expect("it runs")
}

fn json(path: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).expect("a record")).expect("JSON")
}

fn state_of(run: &Output) -> (Option<i32>, Value) {
    let told = serde_json::from_slice(&run.stdout).unwrap_or_else(|error| panic!("{error}: {run:?}"));
    (run.status.code(), told)
}

#[test]
fn a_visit_is_signed_so_that_others_can_check_it_and_changes_show() {
    let folder = tempfile::tempdir().expect("a folder");
    let (van, office) = (folder.path().join("van"), folder.path().join("office"));
    let record = folder.path().join("visit.json");
    let at = record.to_str().expect("a path");
    let demo = doorstep(&van, &["demo", "--record", at]);
    assert!(matches!(demo.status.code(), Some(0 | 1 | 3)), "{}", String::from_utf8_lossy(&demo.stderr));
    assert_eq!(told_by_others(&record), "fits");

    let (status, own) = state_of(&doorstep(&van, &["report", at, "--check", "--json"]));
    assert_eq!((status, &own["state"], &own["key"]["standing"]), (Some(0), &"untouched".into(), &"own".into()));
    // The office does not know the van's key until it is told.
    let (status, stranger) = state_of(&doorstep(&office, &["report", at, "--check", "--json"]));
    assert_eq!((status, &stranger["key"]["standing"]), (Some(3), &"unknown".into()));
    let key = String::from_utf8_lossy(&doorstep(&van, &["keys", "show"]).stdout).trim().to_owned();
    assert!(doorstep(&office, &["keys", "trust", "van-7", &key]).status.success());
    let (status, known) = state_of(&doorstep(&office, &["report", at, "--check", "--json"]));
    assert_eq!((status, &known["key"]["standing"]["known"]), (Some(0), &"van-7".into()));

    // The copy for outside: signed over itself, no circuit, no address of the practice line.
    let copy = folder.path().join("copy.json");
    let made = doorstep(&van, &["report", at, "--redact", copy.to_str().expect("a path")]);
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    assert_eq!(told_by_others(&copy), "fits");
    let text = std::fs::read_to_string(&copy).expect("a copy");
    for told in [
        "EVB-000123",
        "192.168.",
        "198.51.100.",
        "203.0.113.",
        "192.0.2.",
        "2001:db8",
        "fe80:",
        ".example.net",
        ".test\"",
        ".test.",
        ".test ",
    ] {
        assert!(!text.contains(told), "{told} is left: {}", text.lines().find(|line| line.contains(told)).unwrap_or_default());
    }
    assert_eq!(json(&copy)["verdict"], json(&record)["verdict"]);
    let shown = doorstep(&van, &["report", copy.to_str().expect("a path")]);
    assert!(shown.status.success(), "{}", String::from_utf8_lossy(&shown.stderr));
    let compared = doorstep(&van, &["compare", at, copy.to_str().expect("a path")]);
    assert_eq!(compared.status.code(), Some(2));

    // One figure changed by hand.
    let mut forged = json(&record);
    forged["verdict"] = if forged["verdict"] == "pass" { "fail".into() } else { "pass".into() };
    let path = folder.path().join("forged.json");
    std::fs::write(&path, forged.to_string()).expect("written");
    assert_eq!(told_by_others(&path), "does not fit");
    let (status, told) = state_of(&doorstep(&van, &["report", path.to_str().expect("a path"), "--check", "--json"]));
    assert_eq!((status, &told["state"]), (Some(1), &"altered".into()));
    // A record of a version that did not sign.
    let old = root().join("tests/golden/pass.json");
    let (status, told) = state_of(&doorstep(&van, &["report", old.to_str().expect("a path"), "--check", "--json"]));
    assert_eq!((status, &told["state"]), (Some(3), &"unsigned".into()));
}

#[test]
fn without_a_home_the_visit_is_kept_unsigned_and_says_so() {
    let folder = tempfile::tempdir().expect("a folder");
    let record = folder.path().join("visit.json");
    let mut command = Command::new(env!("CARGO_BIN_EXE_doorstep"));
    command.env_remove("HOME").env_remove("XDG_STATE_HOME");
    let ran = command.args(["check", "link", "--interface", "lo", "--record"]).arg(&record).output().expect("it runs");
    let said = String::from_utf8_lossy(&ran.stderr);
    assert!(said.contains("The record will bear no signature"), "{said}");
    let kept = json(&record);
    assert!(
        kept.get("signature").is_none() && kept["unsigned_because"].as_str().is_some_and(|why| why.contains("HOME")),
        "{kept}"
    );
}
