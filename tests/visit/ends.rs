//! Visits that do not run to their end: cable out, far end gone, Ctrl-C, kill, a full disk. What was measured is kept.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use doorstep::farend::invitation;
use doorstep::practice::Node;
use nix::sys::signal::Signal;
use serde_json::Value;

use crate::disk::Disk;
use crate::run::{Ended, PROGRAM, Run, program};
use crate::support::{Scene, readings, status_of};

fn kept(scene: &Scene) -> Value {
    let text = std::fs::read_to_string(scene.record_path()).expect("the record is on disk");
    serde_json::from_str(&text).expect("a whole document")
}

/// Any record on disk can be shown again.
fn can_be_shown(scene: &Scene) -> String {
    let shown = program(&["report", scene.record_path().to_str().expect("text")]);
    assert_eq!(shown.status, Some(0), "{shown:?}");
    shown.stdout
}

#[test]
fn a_cable_pulled_in_the_midst_of_the_load_ends_in_a_record_that_says_so() {
    let scene = Scene::new();
    let run = scene.verify();
    scene.wait_for("twoway");
    std::thread::sleep(Duration::from_millis(1500));
    let pulled = scene.line.namespace(Node::Gateway).command("ip").args(["link", "set", "lan", "down"]).status();
    assert!(pulled.expect("iproute2 is installed").success());
    let ended = run.end();
    let record = ended.record();
    assert_eq!(record["complete"], true, "{ended:?}");
    assert_ne!(record["verdict"], "pass");
    assert_eq!(record["isolation"]["segment"], "home", "{:#}", record["isolation"]);
    assert_eq!(status_of(&record, "twoway"), Some("done"), "what was measured before is kept");
    assert!(can_be_shown(&scene).contains("cable"), "the report tells of the cable");
}

#[test]
fn a_far_end_that_dies_in_the_midst_of_the_load_fails_no_line() {
    let mut scene = Scene::new();
    let run = scene.verify();
    scene.wait_for("twoway");
    std::thread::sleep(Duration::from_millis(1500));
    scene.line.end_far_end();
    let ended = run.end();
    let record = ended.record();
    assert_eq!(record["complete"], true, "{ended:?}");
    assert_eq!((ended.status, &record["verdict"]), (Some(3), &Value::from("not-proven")), "{:#}", record["judgements"]);
    assert_eq!(record["isolation"]["segment"], "far-end", "{:#}", record["isolation"]);
    can_be_shown(&scene);
}

#[test]
fn an_interrupt_ends_the_visit_with_its_record_and_gives_the_lease_back() {
    let scene = Scene::new();
    let run = scene.verify();
    scene.wait_for("twoway");
    assert!(scene.laptop_has().contains("192.0.2."), "the lease is in use");
    run.signal(Signal::SIGINT);
    let ended = run.end();
    let record = ended.record();
    assert_eq!((ended.status, &record["complete"]), (Some(3), &Value::Bool(false)), "{ended:?}");
    assert_eq!(record, kept(&scene));
    assert!(!readings(&record, "twoway.loss_ratio").is_empty(), "what was measured is kept");
    assert_eq!(scene.laptop_has(), "", "address and route are gone");
    assert_eq!(scene.line.dhcp().expect("the role").counts().releases, 1, "the server heard the release");
    can_be_shown(&scene);
}

#[test]
fn a_killed_visit_leaves_what_it_had_measured() {
    let scene = Scene::new();
    let run = scene.verify();
    scene.wait_for("twoway");
    run.signal(Signal::SIGKILL);
    assert_eq!(run.end().status, None);
    let record = kept(&scene);
    assert_eq!(record["complete"], false);
    assert!(!readings(&record, "twoway.loss_ratio").is_empty());
    let shown = can_be_shown(&scene);
    assert!(shown.contains("ended early") || shown.contains("incomplete"), "{shown}");
    // What the killed one had put on the port does no harm to the next.
    let next = scene.verify().end();
    assert_eq!(next.status, Some(0), "{}", next.stderr);
}

#[test]
fn a_disk_that_fills_up_keeps_the_last_whole_record_and_still_tells_the_result() {
    let scene = Scene::new();
    let folder = scene.folder.path().join("disk");
    let _disk = Disk::at(&folder, 24 << 10);
    let path = folder.join("visit.json");
    let ended = scene.verify_into(&path).end();
    let printed = ended.record();
    assert_eq!(printed["verdict"], "pass", "the result is told");
    assert!(printed.to_string().len() > 24 * 1024, "the record does not fit, or nothing is shown here");
    let told = ended.stderr.to_lowercase();
    assert!(told.contains("no space left") && told.contains("visit.json"), "{}", ended.stderr);
    let left = std::fs::read_to_string(&path).expect("an earlier state is on disk");
    let left: Value = serde_json::from_str(&left).expect("a whole document, not a torn one");
    assert_eq!((&left["id"], &left["complete"]), (&printed["id"], &Value::Bool(false)));
    let others: Vec<_> = std::fs::read_dir(&folder).expect("readable").flatten().map(|e| e.file_name()).collect();
    assert_eq!(others.len(), 1, "no half-written file stays: {others:?}");
}

#[test]
fn where_the_whole_record_does_not_fit_verdict_and_readings_are_kept_without_the_series() {
    let scene = Scene::new();
    // How large it is with its series and without.
    assert_eq!(scene.verify().end().status, Some(0));
    let mut record = doorstep::record::store::read(&scene.record_path()).expect("a record");
    let octets = |path: &Path| std::fs::metadata(path).expect("a file").len();
    let whole = octets(&scene.record_path());
    record.give_up_series();
    let small = scene.folder.path().join("small.json");
    doorstep::record::store::save(&small, &record).expect("saved");
    let small = octets(&small);
    assert!(whole > small + (48 << 10), "series are most of a record, or nothing is shown here: {whole}, {small}");
    // The state before and the next one without series fit side by side, one with series does not.
    let folder = scene.folder.path().join("disk");
    let _disk = Disk::at(&folder, 2 * small + (24 << 10));
    let path = folder.join("visit.json");
    let ended = scene.verify_into(&path).end();
    assert!(ended.stderr.contains("was saved without its raw series; verdict and readings are kept"), "{}", ended.stderr);
    let (printed, kept) = (ended.record(), doorstep::record::store::read(&path).expect("a whole record"));
    assert!(kept.series_given_up && kept.complete);
    assert_eq!(printed["verdict"], kept.verdict.word());
    assert_eq!(printed["id"], kept.id.to_string());
    let readings = |check: &Value| check["readings"].as_array().map_or(0, Vec::len);
    let all: usize = printed["checks"].as_array().expect("checks").iter().map(readings).sum();
    assert_eq!(kept.checks.iter().map(|check| check.outcome.readings.len()).sum::<usize>(), all);
}

#[test]
fn a_demo_that_is_interrupted_ends_soon_with_its_record() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("visit.json");
    let run = Run::start(Command::new(PROGRAM).args(["demo", "--json", "--record"]).arg(&path));
    while !std::fs::read_to_string(&path).is_ok_and(|text| text.contains("dhcp4.")) {
        std::thread::sleep(Duration::from_millis(20));
    }
    run.signal(Signal::SIGINT);
    let ended: Ended = run.end();
    assert_eq!((ended.status, &ended.record()["complete"]), (Some(3), &Value::Bool(false)));
}

#[test]
fn an_invitation_that_is_refused_is_told_as_such_and_fails_no_line() {
    let scene = Scene::new();
    let right = scene.line.far_end_target();
    let mut stranger = right.clone();
    stranger.token = stranger.token.replace(char::is_alphanumeric, "A");
    let mut elsewhere = right;
    elsewhere.fingerprint[0] ^= 1;
    for (target, code, says) in [
        (stranger, "farend-token-refused", "refuses the token"),
        (elsewhere, "farend-fingerprint-mismatch", "is not the invited far end's"),
    ] {
        let path = scene.folder.path().join("far.toml");
        std::fs::remove_file(&path).expect("the last one");
        invitation::write(&path, &target).expect("the far end's file");
        let ended = scene.verify().end();
        let record = kept(&scene);
        let shown = can_be_shown(&scene);
        assert_eq!(ended.status, Some(3), "{code}: {shown}");
        assert!(shown.contains(says), "{code}: {shown}");
        assert!(record.to_string().contains(code), "{code}: {shown}");
        assert!(!record.to_string().contains(&target.token), "the token must not be in the record");
    }
}
