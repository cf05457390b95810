//! Visits of several days held against the speeds that an invented contract states, from the records to what the command says.

use std::time::Duration;

use doorstep::profile::{self, Profile};
use doorstep::reading::{Limit, Outcome, Reading, Status};
use doorstep::record::{Agent, Place, Record};
use doorstep::unit::{Direction, Interval, Load};
use serde_json::Value;

use super::typed::history;
use super::*;

/// 2026-01-05 00:00 UTC.
const MONDAY_MS: i64 = 1_767_571_200_000;

fn rate(mbit: f64, direction: Direction) -> Reading {
    let interval = Interval { low: Some(mbit - 1.0), high: Some(mbit + 1.0), confidence: 0.95 };
    Reading::new("throughput.tcp_payload_rate", mbit, 150, interval).toward(direction).under(Load::from(direction))
}

/// A visit at this hour since Monday, with these rates.
fn visit(tier: &Profile, hour: i64, down: Reading, up: Reading) -> Record {
    let at = jiff::Timestamp::from_millisecond(MONDAY_MS + hour * 3_600_000).expect("in range");
    let agent = Agent { version: "0.1.0".to_owned(), host: "van-7".to_owned(), kernel: "6.1.0".to_owned() };
    let place = Place { circuit: Some("EV-0009".to_owned()), interface: "eth0".to_owned(), ..Place::default() };
    let mut record = Record::begin(uuid::Uuid::from_u128(0x7000 + hour as u128), at, agent, place, Some(tier));
    let outcome = Outcome { readings: vec![down, up], ..Outcome::new(Status::Done) };
    record.add("throughput", Duration::from_secs(30), outcome);
    record.finish(at, None);
    record.conclude(Some(tier));
    record
}

/// What the command says after ten visits on each of these days; `mbit` is the rate down by day and number.
fn said(days: i64, mbit: impl Fn(i64, i64) -> f64) -> Value {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    let mut store = Store::open(&path, Care::Whole).expect("a new history");
    let tier = profile::load("fibre-250-50-statement").expect("a tier of the program");
    for (day, n) in (0..days).flat_map(|day| (0..10).map(move |n| (day, n))) {
        let up = rate(47.0, Direction::Up);
        store.add(&Entry::of(&visit(&tier, 24 * day + 8 + n, rate(mbit(day, n), Direction::Down), up)), &WIDE).expect("added");
    }
    // At noon of the first day somebody else used the line: such a visit says nothing.
    let used = rate(20.0, Direction::Down).limited_by(Limit::CrossTraffic, "48 Mbit/s of it");
    let other = visit(&tier, 20, used, rate(47.0, Direction::Up));
    store.add(&Entry::of(&other), &WIDE).expect("added");
    assert_eq!(store.check(None).expect("checked").breaks, [""; 0]);
    drop(store);
    let shown = history(&path, &["show", "--days", "30", "--time-zone", "UTC", "--json"]);
    assert_eq!(shown.status.code(), Some(0), "{shown:?}");
    let mut summary: Value = serde_json::from_slice(&shown.stdout).expect("JSON");
    let text = history(&path, &["show", "--days", "30", "--time-zone", "UTC"]);
    summary["text"] = String::from_utf8_lossy(&text.stdout).into_owned().into();
    summary
}

/// The tier states 150, 200 and 240 Mbit/s down, 30 measurements on 3 days, nine tenths of them at 200 or more.
#[test]
fn a_line_that_keeps_what_was_stated_is_told_to() {
    let summary = said(3, |_, _| 230.0);
    let stated = &summary["stated"];
    assert_eq!((&stated["tier"], &stated["ruling"]), (&"fibre-250-50-statement".into(), &"delivered".into()), "{stated:#}");
    assert_eq!(stated["findings"].as_array().map(Vec::len), Some(6));
    assert_eq!(stated["findings"][1]["because"], "30 of 30 measurements reach 200 Mbit/s; 27 must");
    assert_eq!(stated["left_out"], serde_json::json!({ "bounded": 1, "unknown": 0, "other_tier": 0 }));
    let text = summary["text"].as_str().expect("text");
    for words in [
        "Speeds that fibre-250-50-statement states: delivered",
        "down normally available 200 Mbit/s: delivered",
        "do not count: the test set",
    ] {
        assert!(text.contains(words), "{words}:\n{text}");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn a_line_that_is_too_slow_in_more_than_a_tenth_does_not_keep_its_normal_speed() {
    let stated = &said(3, |day, n| if day == 1 && n < 4 { 180.0 } else { 230.0 })["stated"];
    assert_eq!(stated["ruling"], "not-delivered", "{stated:#}");
    assert_eq!((&stated["findings"][1]["ruling"], &stated["findings"][1]["mbit"]), (&"not-delivered".into(), &200.0.into()));
    assert_eq!(stated["findings"][0]["ruling"], "delivered");
}

#[test]
fn two_days_are_not_enough_and_what_is_missing_is_said() {
    let summary = said(2, |_, _| 100.0);
    let stated = &summary["stated"];
    assert_eq!(stated["ruling"], "not-enough", "{stated:#}");
    let down = serde_json::json!({ "direction": "down", "counted": 20, "measurements": 30, "days_counted": 2, "days": 3 });
    assert_eq!(stated["progress"][0], down);
    assert!(
        summary["text"]
            .as_str()
            .is_some_and(|text| text.contains("down, still missing: 10 measurements or more, 1 of 3 full days")),
        "{summary:#}"
    );
}

#[test]
fn a_tier_without_stated_speeds_says_nothing_of_them_and_profile_explain_says_what_they_need() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("h");
    drop(filled(&path, 3, &WIDE));
    let shown = history(&path, &["show", "--days", "30", "--json"]);
    let summary: Value = serde_json::from_slice(&shown.stdout).expect("JSON");
    assert!(summary.get("stated").is_none(), "{summary:#}");
    let explain = |tier: &str| {
        let out = std::process::Command::new(env!("CARGO_BIN_EXE_doorstep")).args(["profile", "explain", tier]).output();
        String::from_utf8(out.expect("it runs").stdout).expect("text")
    };
    let told = explain("fibre-250-50-statement");
    for words in [
        "30 measurements each way, on 3 days with 5 or more",
        "5 minutes or more between two of them",
        "down: below 150 Mbit/s on fewer than 2 days; 200 Mbit/s reached by 90 % of them; 216 Mbit/s reached on 2 days",
    ] {
        assert!(told.contains(words), "{words}:\n{told}");
    }
    assert!(!explain("fibre-250-50").contains("that the contract states"));
}
