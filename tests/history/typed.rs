//! The command as it is typed.

use std::process::{Command, Output};

use serde_json::Value;

use super::*;

pub(crate) fn history(path: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_doorstep")).arg("history").args(args).arg("--history").arg(path).output().expect("it runs")
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

#[test]
fn what_was_planted_is_said_and_nothing_else() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    let visits = 14 * 288;
    drop(filled(&path, visits, &Policy::default()));
    let shown = history(&path, &["show", "--days", "14", "--time-zone", "UTC", "--json"]);
    assert_eq!(shown.status.code(), Some(0), "{}", said(&shown));
    let summary: Value = serde_json::from_slice(&shown.stdout).expect("JSON");
    let repeats = Repeats::new(7, visits);
    let down = (0..visits).filter(|n| repeats.is_down(*n)).count();
    assert_eq!(summary["visits"], visits);
    assert_eq!(summary["availability"]["down"], down);
    // Outages: three visits, then twelve; from the first start to the last end, and from the end of the visit before to the start of the one after.
    let outages: Vec<[f64; 2]> = summary["outages"]
        .as_array()
        .unwrap()
        .iter()
        .map(|o| [o["at_least_s"].as_f64().unwrap(), o["at_most_s"].as_f64().unwrap()])
        .collect();
    assert_eq!(outages, [[642.0, 1158.0], [3342.0, 3858.0]]);
    let of = |name: &str| {
        summary["figures"].as_array().unwrap().iter().filter(|f| f["figure"]["name"] == name).cloned().collect::<Vec<_>>()
    };
    let change = &of("dns.lookup_time_p50")[0]["changes"];
    let planted = jiff::Timestamp::from_millisecond(repeats::BEGIN_MS + repeats.change() as i64 * repeats::INTERVAL_MS).unwrap();
    assert_eq!(change.as_array().unwrap().len(), 1, "{change}");
    let found: jiff::Timestamp = change[0]["at"].as_str().unwrap().parse().unwrap();
    assert!((found.as_millisecond() - planted.as_millisecond()).abs() <= repeats::INTERVAL_MS, "{found}, planted {planted}");
    assert!((change[0]["then"].as_f64().unwrap() - change[0]["before"].as_f64().unwrap() - 4.0).abs() < 0.1);
    // Rates miss their limit in the evening and never at night; the evening is no change of level.
    for rate in of("throughput.tcp_payload_rate") {
        assert_eq!(rate["pattern"]["finding"], "busy-hours", "{}", rate["pattern"]);
        assert_eq!(rate["changes"], serde_json::json!([]));
    }
    for trip in of("twoway.round_trip_p50") {
        assert!((trip["pattern"]["shift"].as_f64().unwrap() - 15.0).abs() < 0.2, "{}", trip["pattern"]);
    }
    let drift = of("echo.round_trip_p50").iter().map(|f| f["trend"]["per_day"].as_f64().unwrap()).fold(0.0, f64::max);
    assert!((drift - 0.5 / 14.0).abs() < 0.003, "{drift}");
    let text = history(&path, &["show", "--days", "14", "--time-zone", "UTC"]);
    let text = said(&text);
    for words in [
        "down 2026-01-05 08:20 to 2026-01-05 08:30",
        "Limits missed in busy hours: congestion",
        "Changed their level",
        "worse: dns.lookup_time_p50",
    ] {
        assert!(text.contains(words), "{words}:\n{text}");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn records_are_added_checked_backed_up_and_errors_say_what_to_do() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("new/h");
    let missing = history(&path, &["show"]);
    assert_eq!(missing.status.code(), Some(2));
    assert!(said(&missing).contains("history add"), "{}", said(&missing));
    let golden = |name: &str| format!("{}/tests/golden/{name}.json", env!("CARGO_MANIFEST_DIR"));
    let added = history(&path, &["add", &golden("pass"), &golden("fail"), "/nonexistent.json"]);
    assert_eq!(added.status.code(), Some(2));
    assert!(said(&added).contains("2 added, 0 known already, 1 not read"), "{}", said(&added));
    let which = history(&path, &["show"]);
    assert!(said(&which).contains("--circuit") && said(&which).contains("EV-0001 at the gateway"), "{}", said(&which));
    assert_eq!(history(&path, &["show", "--circuit", "EV-0001"]).status.code(), Some(0));
    let copy = folder.path().join("copy");
    let copy_name = copy.to_str().expect("a plain name");
    assert_eq!(history(&path, &["backup", copy_name]).status.code(), Some(0));
    assert!(said(&history(&path, &["backup", copy_name])).contains("never overwrites"));
    let checked = history(&copy, &["check", "--json"]);
    let found: Value = serde_json::from_slice(&checked.stdout).expect("JSON");
    assert_eq!((&found["visits"], &found["breaks"]), (&2.into(), &serde_json::json!([])));
    let head = found["head"].as_str().unwrap();
    assert_eq!(history(&path, &["check", "--head", head]).status.code(), Some(0));
    assert_eq!(history(&path, &["check", "--head", "0000"]).status.code(), Some(1));
    use std::os::unix::fs::PermissionsExt as _;
    for file in [&path, &copy] {
        assert_eq!(std::fs::metadata(file).unwrap().permissions().mode() & 0o777, 0o600);
    }
}
