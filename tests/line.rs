//! `--line`: facts typed in reach record, report and conclusion, and what can't be is refused before anything is sent.
//!
//! Needs root for the practice line; all traffic stays in namespaces that the visit makes.

use crate::run::program;
use serde_json::Value;

#[path = "common/run.rs"]
mod run;

fn written(folder: &tempfile::TempDir, text: &str) -> String {
    let path = folder.path().join("line.toml");
    std::fs::write(&path, text).expect("written");
    path.to_str().expect("text").to_owned()
}

#[test]
fn a_line_in_sync_below_the_sold_rate_is_told_with_the_arithmetic() {
    let folder = tempfile::tempdir().expect("a folder");
    let facts = written(
        &folder,
        "technology = \"vdsl2\"\nprofile = \"17a\"\n[down]\nrate = 51.2\nmargin = 3.1\n[up]\nrate = 20.4\nmargin = 5\n",
    );
    let record_path = folder.path().join("visit.json");
    let record_name = record_path.to_str().expect("text");
    // The practice line carries half of what was sold, as such a line would.
    let ended = program(&["demo", "--fault", "slow-line", "--line", &facts, "--record", record_name]);
    let record: Value = serde_json::from_str(&std::fs::read_to_string(&record_path).expect("kept")).expect("JSON");
    // A busy machine bounds the rates: then the verdict stays open.
    assert!(matches!(ended.status, Some(1 | 3)), "{ended:?}");
    assert_eq!(record["line"]["source"], "typed in by the technician");
    assert_eq!(record["line"]["facts"]["down"]["rate_mbit"], 51.2);
    let down = &record["line"]["budget"][0];
    assert_eq!((&down["direction"], &down["bound_by"]), (&Value::from("down"), &Value::from("line")));
    // 51.2 Mbit/s x 1440 / (1526 x 65 / 64).
    let expected = down["expected_mbit"].as_f64().expect("a rate");
    assert!((expected - 51.2 * 1440.0 / 1_549.843_75).abs() < 1e-9, "{expected}");
    assert_eq!((&record["isolation"]["fault"], &record["isolation"]["segment"]), (&"sync-below-sold".into(), &"access".into()));
    for words in
        ["Speed budget", "x 65 / 64 = 1,549.8", "expect at most 47.6 Mbit/s", "typed in: down 51.2 Mbit/s, margin 3.1 dB"]
    {
        let page = ended.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(page.contains(words), "{words}\n{}", ended.stdout);
    }
}

#[test]
fn impossible_facts_are_refused_with_their_place_before_anything_is_sent() {
    let folder = tempfile::tempdir().expect("a folder");
    let facts = written(&folder, "technology = \"adsl2+\"\n[down]\nrate = 16000\n");
    for command in [vec!["demo", "--line", &facts], vec!["verify", "--profile", "adsl-16-1", "--line", &facts]] {
        let ended = program(&command);
        assert_eq!(ended.status, Some(2), "{ended:?}");
        assert!(ended.stderr.contains("line 3, column 8, at down.rate"), "{}", ended.stderr);
    }
}

#[test]
fn without_a_terminal_nobody_is_asked() {
    let ended = program(&["demo", "--line", "ask"]);
    assert_eq!(ended.status, Some(2), "{ended:?}");
    assert!(ended.stderr.contains("no terminal"), "{}", ended.stderr);
}

#[test]
fn at_a_terminal_each_question_is_asked_until_its_answer_can_be() {
    use std::io::Write;
    use std::process::{Command, Stdio};
    // script(1) of the bsdutils package gives the program a terminal.
    let visit = format!("{} verify --profile vdsl-100-40 --line ask --interface eth99", run::PROGRAM);
    let mut child = Command::new("timeout")
        .args(["30", "script", "-qec", &visit, "/dev/null"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("bsdutils and coreutils are installed");
    let answers = format!("vdls2\nvdsl2\n17a\n\n105300\n105.3{}", "\n".repeat(12));
    child.stdin.take().expect("piped").write_all(answers.as_bytes()).expect("it reads");
    let ended = child.wait_with_output().expect("it ends");
    let said = String::from_utf8_lossy(&ended.stdout);
    assert!(said.contains("\"vdls2\" is not one of the words"), "{said}");
    assert!(said.contains("VDSL2 17a can't carry more than 245.76 Mbit/s down"), "{said}");
    // All questions done, it goes on to the interface, which is not there.
    assert!(said.contains("eth99") && ended.status.code() == Some(4), "{said}");
}
