//! Visits that can't begin: each says what is wrong and what to do, with the exit status that the README states.

use doorstep::practice::Node;

use crate::run::{PROGRAM, Run, program};
use crate::support::Scene;

#[test]
fn an_interface_that_is_not_there_is_told_with_those_that_are() {
    let scene = Scene::new();
    let mut command = scene.line.namespace(Node::Laptop).command(PROGRAM);
    let ended = Run::start(command.args(["verify", "--profile", "vdsl-100-40", "--interface", "eth7", "--yes"])).end();
    assert_eq!(ended.status, Some(4), "{ended:?}");
    assert!(ended.stderr.contains("eth7") && ended.stderr.contains("lan0"), "{}", ended.stderr);
}

#[test]
fn without_the_rights_it_says_which_and_how_to_get_them() {
    let scene = Scene::new();
    let folder = tempfile::tempdir().expect("a folder");
    std::os::unix::fs::chown(folder.path(), Some(65534), Some(65534)).expect("root");
    let copy = folder.path().join("doorstep");
    std::fs::copy(PROGRAM, &copy).expect("a copy");
    // Enters the namespace first, with the rights for it, and drops them after.
    let mut command = scene.line.namespace(Node::Laptop).command("setpriv");
    command
        .args(["--reuid=65534", "--regid=65534", "--clear-groups"])
        .arg(&copy)
        .args(["verify", "--profile", "vdsl-100-40", "--yes", "--record"])
        .arg(folder.path().join("visit.json"));
    let ended = Run::start(command.current_dir("/")).end();
    assert_eq!(ended.status, Some(4), "{ended:?}");
    assert!(ended.stderr.contains("sudo") && ended.stderr.to_lowercase().contains("cap_net_raw"), "{}", ended.stderr);
}

#[test]
fn a_wrong_profile_is_told_with_line_and_column_and_the_nearest_key() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("mine.toml");
    let shown = program(&["profile", "show", "vdsl-100-40"]);
    assert_eq!(shown.status, Some(0));
    let wrong = shown.stdout.replacen("at_least", "at_leest", 1);
    assert_ne!(wrong, shown.stdout, "the tier has a lower limit to spoil");
    let line = wrong.lines().position(|l| l.contains("at_leest")).expect("spoilt") + 1;
    std::fs::write(&path, wrong).expect("written");
    let ended = program(&["profile", "validate", path.to_str().expect("text")]);
    assert_eq!(ended.status, Some(2), "{ended:?}");
    let told = format!("{}{}", ended.stdout, ended.stderr);
    assert!(told.contains("mine.toml") && told.contains(&format!("line {line}, column 1")), "file, line and column: {told}");
    assert!(told.contains("at_leest") && told.contains("at_least"), "the key and the nearest valid one: {told}");
}

#[test]
fn a_tier_that_is_not_known_is_told_with_those_that_are() {
    let ended = program(&["verify", "--profile", "fibre-1000-5000"]);
    assert_eq!(ended.status, Some(2), "{ended:?}");
    assert!(ended.stderr.contains("fibre-1000-500"), "{}", ended.stderr);
}

#[test]
fn a_record_that_cannot_be_written_is_told_before_anything_is_sent() {
    let scene = Scene::new();
    let ended = scene.verify_into(std::path::Path::new("/proc/no-such-folder/visit.json")).end();
    assert_eq!(ended.status, Some(4), "{ended:?}");
    assert!(ended.stderr.contains("/proc/no-such-folder"), "{}", ended.stderr);
    assert_eq!(scene.laptop_has(), "", "no lease was taken");
}

#[test]
fn a_record_of_a_newer_version_is_refused_with_the_reason() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("newer.json");
    std::fs::write(&path, r#"{"schema": "doorstep-record/2", "id": "x"}"#).expect("written");
    let ended = program(&["report", path.to_str().expect("text")]);
    assert_eq!(ended.status, Some(2), "{ended:?}");
    assert!(ended.stderr.contains("newer"), "{}", ended.stderr);
}

#[test]
fn a_fault_that_is_not_known_is_told_with_those_that_are() {
    let ended = program(&["demo", "--fault", "gremlins"]);
    assert_eq!(ended.status, Some(2));
    assert!(ended.stderr.contains("gremlins") && ended.stderr.contains("no-dhcp"), "{}", ended.stderr);
}
