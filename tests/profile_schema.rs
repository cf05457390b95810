//! The published schema of profiles, held against a validator and a TOML reader that are not ours: Python's `jsonschema` (draft 2020-12)
//! and `tomllib`.

use std::ffi::OsStr;
use std::path::PathBuf;

#[path = "common/python.rs"]
mod python;

/// Reads each text as TOML and says which the schema takes.
const VALIDATE: &str = r#"
import json, sys, tomllib
from jsonschema import Draft202012Validator
schema = json.load(open(sys.argv[1]))
Draft202012Validator.check_schema(schema)
validator = Draft202012Validator(schema)
for path in sys.argv[2:]:
    errors = list(validator.iter_errors(tomllib.load(open(path, "rb"))))
    print("taken" if not errors else "refused: " + errors[0].message.replace("\n", " ")[:300])
"#;

fn verdicts(paths: &[PathBuf]) -> Vec<String> {
    let schema = root().join("docs/profile.schema.json");
    let arguments: Vec<&OsStr> = std::iter::once(&schema).chain(paths).map(|path| path.as_os_str()).collect();
    python::python(VALIDATE, &arguments, "").lines().map(str::to_owned).collect()
}

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn a_general_validator_takes_every_built_in_tier() {
    let folder = std::fs::read_dir(root().join("profiles")).expect("the tiers");
    let paths: Vec<PathBuf> = folder.map(|entry| entry.expect("an entry").path()).collect();
    assert!(paths.len() >= 15, "{paths:?}");
    for (path, verdict) in paths.iter().zip(verdicts(&paths)) {
        assert_eq!(verdict, "taken", "{}", path.display());
    }
}

/// What the schema refuses, the reader refuses, and the other way round: each text differs from a sound one in one place.
#[test]
fn schema_and_reader_take_and_refuse_the_same() {
    const SOUND: &str = "name = \"t\"\ntitle = \"t\"\n[effort]\nstreams = 4\n[[criterion]]\nname = \"c\"\nreading = \"twoway.loss_ratio\"\n\
        at_most = 0.01\nposition = [\"ont\"]\nfrom_depth = \"handoff\"\nseverity = \"must\"\nbasis = \"x\"\n";
    let extended =
        "extends = \"fibre-250-50\"\nname = \"t\"\ntitle = \"t\"\n[[criterion]]\nname = \"loss\"\nseverity = \"note\"\n";
    let cases = [
        (SOUND.to_owned(), true),
        (extended.to_owned(), true),
        (extended.replace("title = \"t\"\n", ""), false),
        (extended.replace("name = \"loss\"\n", ""), false),
        (SOUND.replace("title = \"t\"\n", ""), false),
        (SOUND.replace("title = \"t\"", "title = \" \""), false),
        (SOUND.replace("basis = \"x\"\n", ""), false),
        (SOUND.replace("at_most = 0.01\n", ""), false),
        (SOUND.replace("at_most = 0.01", "at_most = \"1 %\""), false),
        (SOUND.replace("at_most = 0.01", "at_most = -1"), false),
        (SOUND.replace("twoway.loss_ratio", "twoway.los_ratio"), false),
        (SOUND.replace("\"ont\"", "\"on\""), false),
        (SOUND.replace("\"ont\"", "\"ont\", \"ont\""), false),
        (SOUND.replace("severity", "severty"), false),
        (SOUND.replace("streams = 4", "streams = 0"), false),
        (SOUND.replace("streams = 4", "streams = 4.5"), false),
        (SOUND.replace("[effort]", "drop = [\"c\"]\n[effort]"), false),
    ];
    let folder = tempfile::tempdir().expect("a folder");
    let paths: Vec<PathBuf> = (0..cases.len()).map(|n| folder.path().join(format!("{n}.toml"))).collect();
    for (path, (text, _)) in paths.iter().zip(&cases) {
        std::fs::write(path, text).expect("a file");
    }
    for ((path, (text, sound)), verdict) in paths.iter().zip(&cases).zip(verdicts(&paths)) {
        assert_eq!(verdict == "taken", *sound, "{text}\n{verdict}");
        let read = doorstep::profile::load(&path.to_string_lossy());
        assert_eq!(read.is_ok(), *sound, "{text}\n{:?}", read.err().map(|error| error.to_string()));
    }
}
