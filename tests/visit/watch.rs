//! `watch`: visits by themselves, what a failing one calls, and what a restart remembers.

use std::path::PathBuf;
use std::process::Command;

use doorstep::practice::Node;
use nix::sys::signal::Signal;
use serde_json::Value;

use crate::disk::Disk;
use crate::run::{Ended, PROGRAM, Run};
use crate::support::{Scene, status_of};

fn in_the_laptops_place(scene: &Scene, arguments: &[&str]) -> Command {
    let mut command: Command = scene.line.namespace(Node::Laptop).command(PROGRAM);
    command.args(arguments).env("XDG_STATE_HOME", scene.folder.path()).env("TZ", "UTC");
    command
}

fn watch(scene: &Scene, more: &[&str]) -> Run {
    let far_end = scene.folder.path().join("far.toml").display().to_string();
    let mut arguments =
        vec!["watch", "--profile", "vdsl-100-40", "--interface", "lan0", "--circuit", "EVB-000123", "--far-end", &far_end];
    arguments.extend(more);
    Run::start(&mut in_the_laptops_place(scene, &arguments))
}

fn status(scene: &Scene) -> Value {
    Run::start(&mut in_the_laptops_place(scene, &["watch", "status", "--json"])).end().record()
}

/// What the watch left, with this ending, in order of time.
fn left(scene: &Scene, ending: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(scene.folder.path().join("doorstep/watch/line")).expect("the watch's directory");
    let mut found: Vec<PathBuf> = entries.map(|entry| entry.expect("an entry").path()).collect();
    found.retain(|path| path.to_string_lossy().ends_with(ending));
    found.sort();
    found
}

fn is_over(ended: &Ended) {
    assert_eq!(ended.status, Some(0), "{ended:?}");
    assert!(ended.stderr.contains("The watch is over."), "{ended:?}");
}

#[test]
fn a_light_visit_is_made_at_once_fills_no_line_and_is_in_the_history() {
    let scene = Scene::new();
    is_over(&watch(&scene, &["--every", "60s", "--for", "30s"]).end());
    let records = left(&scene, "-light.json");
    assert_eq!(records.len(), 1, "{records:?}");
    let text = std::fs::read_to_string(&records[0]).expect("a record");
    let record: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(status_of(&record, "twoway"), Some("done"), "{record:#}");
    assert_eq!(status_of(&record, "throughput"), Some("not-tested"), "{record:#}");
    let status = status(&scene);
    assert_eq!((&status["running"], &status["watch"]["counts"]["made"]), (&false.into(), &1.into()), "{status:#}");
    let history = Run::start(&mut in_the_laptops_place(&scene, &["history", "check"])).end();
    assert_eq!(history.status, Some(0), "{history:?}");
}

#[test]
fn a_light_visit_that_fails_is_followed_by_a_thorough_one_with_a_capture() {
    let scene = Scene::new();
    let rules = "add table netdev home; add chain netdev home c { type filter hook ingress device lan priority 0; }; \
                 add rule netdev home c ip protocol udp numgen random mod 100 < 12 drop";
    let ruled = scene.line.namespace(Node::Gateway).command("nft").arg(rules).status();
    assert!(ruled.expect("nftables is installed").success());
    is_over(&watch(&scene, &["--every", "60s", "--for", "50s", "--depth", "quick"]).end());
    let (light, thorough) = (left(&scene, "-light.json"), left(&scene, "-thorough.json"));
    assert_eq!((light.len(), thorough.len()), (1, 1), "{light:?} {thorough:?}");
    let capture = std::fs::read(&left(&scene, "-thorough.pcapng")[0]).expect("a capture");
    // Section header block (draft-ietf-opsawg-pcapng, 4.1).
    assert_eq!(capture.get(..4), Some(&[0x0a, 0x0d, 0x0d, 0x0a][..]));
    let status = status(&scene);
    assert_eq!(status["watch"]["thorough"], 1, "{status:#}");
    assert_eq!(status["watch"]["last"]["kind"], "thorough", "{status:#}");
}

#[test]
fn a_watch_that_is_ended_goes_on_where_it_was_and_runs_once() {
    let scene = Scene::new();
    let mut first = watch(&scene, &["--every", "1h"]);
    first.wait_for_note("The next visit, a light one, is due at");
    let second = watch(&scene, &["--every", "1h"]).end();
    assert_eq!(second.status, Some(4), "{second:?}");
    assert!(second.stderr.contains("the watch `line` runs already"), "{second:?}");
    assert_eq!(status(&scene)["running"], true);
    let due = status(&scene)["watch"]["next"]["at"].clone();
    first.signal(Signal::SIGTERM);
    let ended = first.end();
    assert_eq!(ended.status, Some(0), "{ended:?}");
    let mut again = watch(&scene, &["--every", "1h"]);
    again.wait_for_note("The next visit, a light one, is due at");
    let status = status(&scene);
    assert_eq!((&status["watch"]["next"]["at"], &status["watch"]["counts"]["made"]), (&due, &1.into()), "{status:#}");
    again.signal(Signal::SIGTERM);
    again.end();
    assert_eq!(left(&scene, ".json").iter().filter(|path| !path.ends_with("watch.json")).count(), 1);
}

#[test]
fn a_port_without_its_cable_costs_a_visit_and_not_the_watch() {
    let scene = Scene::new();
    let down = scene.line.namespace(Node::Laptop).command("ip").args(["link", "set", "lan0", "down"]).status();
    assert!(down.expect("iproute2 is installed").success());
    is_over(&watch(&scene, &["--every", "60s", "--for", "30s", "--no-thorough"]).end());
    let status = status(&scene);
    let counts = &status["watch"]["counts"];
    assert_eq!(counts["made"].as_u64().unwrap_or(0) + counts["broken"].as_u64().unwrap_or(0), 1, "{status:#}");
    assert_eq!(counts["missed"], 0, "{status:#}");
}

#[test]
fn a_watch_on_a_full_disk_keeps_its_verdicts_says_so_and_goes_on() {
    let scene = Scene::new();
    let disk = Disk::at(&scene.folder.path().join("doorstep"), 6 << 20);
    let first = watch(&scene, &["--every", "60s", "--for", "30s"]).end();
    is_over(&first);
    assert!(first.stderr.contains("The disk has little room"), "{first:?}");
    let record = left(&scene, "-light.json").remove(0);
    let verdict = doorstep::record::store::read(&record).expect("a record").verdict;
    // Somebody else takes the rest: no visit is begun that could not be kept, and the watch goes on.
    let filler = disk.fill_but(64 << 10);
    let second = watch(&scene, &["--name", "second", "--every", "60s", "--for", "5s", "--no-thorough"]).end();
    is_over(&second);
    assert!(second.stderr.contains("no visit: the disk of") && second.stderr.contains("free some space"), "{second:?}");
    assert_eq!(doorstep::record::store::read(&record).expect("as it was").verdict, verdict);
    std::fs::remove_file(filler).expect("removed");
    let history = Run::start(&mut in_the_laptops_place(&scene, &["history", "check", "--json"])).end();
    assert_eq!(history.status, Some(0), "{history:?}");
    assert_eq!(history.record()["visits"], 1, "{history:?}");
}

#[test]
fn the_service_is_one_that_systemd_reads_and_holds_for_well_confined() {
    let folder = tempfile::tempdir().expect("a folder");
    let far_end = folder.path().join("far end.toml");
    std::fs::write(&far_end, "").expect("a file");
    let install =
        ["watch", "install", "--print", "--name", "van-7", "--profile", "vdsl-100-40", "--at", "*/20 * * * *", "--note"];
    let mut command = Command::new(PROGRAM);
    command.args(install).arg("50 % of \"$calls\" fail").arg("--far-end").arg(&far_end).env("TZ", "UTC");
    let printed = Run::start(&mut command).end();
    assert_eq!(printed.status, Some(0), "{printed:?}");
    let unit = folder.path().join("doorstep-watch-van-7.service");
    std::fs::write(&unit, &printed.stdout).expect("the unit");
    let said = |arguments: &[&str]| {
        let ran = Command::new("systemd-analyze").args(arguments).arg(&unit).output().expect("this test needs systemd-analyze");
        let text = format!("{}{}", String::from_utf8_lossy(&ran.stdout), String::from_utf8_lossy(&ran.stderr));
        (ran.status.success(), text)
    };
    let (reads, complaints) = said(&["verify", "--man=no"]);
    assert!(reads && !complaints.contains("doorstep-watch-van-7.service:"), "{complaints}");
    // Its own measure of how far a service could reach, in tenths: 0 is nowhere, 100 everywhere; up to 20 it calls OK.
    let (confined, exposed) = said(&["security", "--offline=true", "--no-pager", "--threshold=30"]);
    assert!(confined, "{exposed}");
}
