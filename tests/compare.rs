//! `compare` as it is typed: kept records, edited into two visits of one line.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

fn golden(name: &str) -> Value {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("tests/golden/{name}.json"));
    serde_json::from_str(&std::fs::read_to_string(path).expect("a kept record")).expect("JSON")
}

fn written(folder: &Path, name: &str, record: &Value) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, record.to_string()).expect("a file");
    path
}

fn compare(first: &Path, second: &Path, more: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_doorstep")).arg("compare").args([first, second]).args(more).output().expect("it runs")
}

#[test]
fn two_places_of_one_line_are_compared_and_two_lines_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut inside = golden("fail");
    let outside = golden("not-proven");
    let refused = compare(&written(folder.path(), "a", &inside), &written(folder.path(), "b", &outside), &[]);
    assert_eq!(refused.status.code(), Some(2));
    let said = String::from_utf8_lossy(&refused.stderr);
    assert!(said.contains("can't be compared: they are of two circuits, EV-0002 and EV-0003"), "{said}");

    inside["place"]["circuit"] = outside["place"]["circuit"].clone();
    inside["place"]["position"] = "inside".into();
    let (first, second) = (written(folder.path(), "a", &inside), written(folder.path(), "b", &outside));
    let told = compare(&first, &second, &["--json"]);
    assert_eq!(told.status.code(), Some(3), "missed once and not proven then: {}", String::from_utf8_lossy(&told.stderr));
    let comparison: Value = serde_json::from_slice(&told.stdout).expect("JSON");
    assert_eq!((&comparison["first"]["position"], &comparison["second"]["position"]), (&"inside".into(), &"gateway".into()));
    let loss = comparison["changes"].as_array().and_then(|all| all.iter().find(|one| one["reading"] == "twoway.loss_ratio"));
    assert_eq!(loss.map(|loss| &loss["course"]), Some(&"better".into()), "{comparison:#}");
    let shown = compare(&first, &second, &[]);
    assert!(String::from_utf8_lossy(&shown.stdout).lines().all(|line| line.chars().count() <= 80), "80 columns");

    std::fs::write(&second, "{ \"schema\": ").expect("a file");
    let cut = compare(&first, &second, &[]);
    assert_eq!((cut.status.code(), cut.stdout.len()), (Some(2), 0), "{}", String::from_utf8_lossy(&cut.stderr));
}
