//! `verify --continue`: a visit that left something to prove goes on, and one record holds the evidence of both.

use std::path::{Path, PathBuf};
use std::process::Command;

use doorstep::practice::Node;
use serde_json::Value;

use crate::run::{Ended, PROGRAM, Run, program};
use crate::support::{Scene, readings, status_of};

/// The digest that records name files by, from a program outside this one.
fn sha256(path: &Path) -> String {
    let out = Command::new("sha256sum").arg(path).output().expect("coreutils are installed");
    let text = String::from_utf8(out.stdout).expect("text");
    format!("sha256:{}", text.split_whitespace().next().expect("a digest"))
}

/// An invented tier whose loss limit 300 packets can't prove: without loss they bound it at 1.22 %.
fn tier(scene: &Scene, most: f64) -> PathBuf {
    let criterion = |name: &str, reading: &str, rest: &str| {
        format!("[[criterion]]\nname = \"{name}\"\nreading = \"{reading}\"\nseverity = \"must\"\nbasis = \"invented\"\n{rest}\n")
    };
    let text = format!(
        "name = \"going-on\"\ntitle = \"Invented tier\"\n[sold]\ndown = 100\nup = 40\nlayer = \"ip\"\nbasis = \"invented\"\n{}{}{}{}",
        criterion("carrier", "link.carrier", "at_least = 1"),
        criterion("names", "dns.failure_ratio", "at_most = 0.5"),
        criterion("loss", "twoway.loss_ratio", &format!("at_most = {most}")),
        criterion("rate down", "throughput.tcp_payload_rate", "direction = \"down\"\nshare_of_sold = 0.5"),
    );
    let path = scene.folder.path().join("tier.toml");
    std::fs::write(&path, text).expect("written");
    path
}

fn command(scene: &Scene) -> Command {
    let mut command = scene.line.namespace(Node::Laptop).command(PROGRAM);
    command.arg("verify").env("XDG_STATE_HOME", scene.folder.path());
    command
}

/// The first visit, which nobody lets fill the line.
fn first(scene: &Scene, tier: &Path) -> Ended {
    let mut command = command(scene);
    command.arg("--profile").arg(tier).args(["--depth", "quick", "--circuit", "EVB-000123", "--json", "--far-end"]);
    command.arg(scene.folder.path().join("far.toml")).arg("--record").arg(scene.record_path());
    Run::start(&mut command).end()
}

fn go_on(scene: &Scene, from: &Path, to: &str, more: &[&str]) -> Ended {
    let mut command = command(scene);
    command.arg("--continue").arg(from).arg("--far-end").arg(scene.folder.path().join("far.toml"));
    command.arg("--record").arg(scene.folder.path().join(to)).args(more);
    Run::start(&mut command).end()
}

fn verdict_on<'a>(record: &'a Value, criterion: &str) -> Vec<&'a Value> {
    let judgements = record["judgements"].as_array().into_iter().flatten();
    judgements.filter(|judgement| judgement["criterion"] == criterion).map(|judgement| &judgement["verdict"]).collect()
}

#[test]
fn what_a_visit_left_open_is_proven_by_going_on_with_it() {
    let scene = Scene::new();
    let tier = tier(&scene, 0.004);
    let ended = first(&scene, &tier);
    let before = ended.record();
    assert_eq!((ended.status, &before["verdict"]), (Some(3), &"not-proven".into()), "{:#}", before["judgements"]);
    assert!(verdict_on(&before, "loss").iter().all(|verdict| **verdict == "not-proven"));
    assert_eq!(verdict_on(&before, "rate down"), ["not-tested"], "nobody was there to agree");
    for judgement in before["judgements"].as_array().expect("judged").iter().filter(|judgement| judgement["verdict"] != "pass") {
        assert!(judgement["to_prove"].as_array().is_some_and(|steps| !steps.is_empty()), "{judgement:#} names nothing");
    }
    let file = std::fs::read(scene.record_path()).expect("the first record");

    // ln(0.0125) / ln(1 - 0.004) = 1093.3 packets at 97.5 %, of which 300 are there.
    let plan = go_on(&scene, &scene.record_path(), "none.json", &["--plan", "--yes"]);
    assert_eq!(plan.status, Some(0), "{plan:?}");
    assert!(plan.stdout.contains("twoway takes 800 more on top of 300, of 1,094 that prove it"), "{}", plan.stdout);
    assert!(plan.stdout.contains("throughput runs") && plan.stdout.contains("This visit takes about"), "{}", plan.stdout);
    assert!(!scene.folder.path().join("none.json").exists() && scene.laptop_has().is_empty(), "nothing was sent");

    let ended = go_on(&scene, &scene.record_path(), "whole.json", &["--yes", "--json"]);
    let whole = ended.record();
    assert_eq!((ended.status, &whole["verdict"]), (Some(0), &"pass".into()), "{:#}\n{}", whole["judgements"], ended.stderr);
    assert_eq!(std::fs::read(scene.record_path()).expect("still there"), file, "the first record stays as it is");
    let part = &whole["continues"][0];
    assert_eq!((&part["record"], &part["digest"]), (&before["id"], &sha256(&scene.record_path()).into()));
    assert_eq!(whole["place"]["circuit"], "EVB-000123");
    assert!(part["signature"].as_str().is_some_and(|words| words.starts_with("untouched, signed by this user's own key")));

    // The counts of both, each way.
    let loss = readings(&whole, "twoway.loss_ratio");
    assert!(!loss.is_empty() && loss.iter().all(|reading| reading["samples"].as_u64() >= Some(1090)), "{loss:#?}");
    assert!(loss.iter().all(|reading| reading["confidence"] == 0.975), "{loss:#?}");
    // Only what is needed ran anew; the rest stands as the first visit left it, and says so.
    let ran = |check: &str| whole["checks"].as_array().into_iter().flatten().any(|c| c["check"] == check && c["part"].is_null());
    assert!(ran("twoway") && ran("throughput") && ran("dhcp4") && !ran("dns") && !ran("path"), "{:#}", whole["checks"]);
    assert_eq!((status_of(&whole, "dns"), verdict_on(&whole, "names").len()), (Some("done"), verdict_on(&before, "names").len()));

    // Shown, checked and read again as any record.
    let path = scene.folder.path().join("whole.json");
    let path = path.to_str().expect("text");
    let shown = program(&["report", path]);
    assert!(
        shown.stdout.contains("Visits in this record") && shown.stdout.contains("of all visits together"),
        "{}",
        shown.stdout
    );

    let again = go_on(&scene, Path::new(path), "more.json", &["--yes"]);
    assert_eq!(again.status, Some(0), "{again:?}");
    assert!(again.stderr.contains("Nothing is left to prove"), "{}", again.stderr);
    assert!(!scene.folder.path().join("more.json").exists(), "no visit was made");
}

fn gateway(scene: &Scene, rules: &str) {
    let status = scene.line.namespace(Node::Gateway).command("nft").arg(rules).status();
    assert!(status.expect("nftables are installed").success(), "{rules}");
}

#[test]
fn a_line_that_changed_between_the_visits_is_not_made_one_with_what_it_was() {
    let scene = Scene::new();
    let tier = tier(&scene, 0.03);
    // One in fifty of the measuring packets (192 octets of payload) on its way up, one by one: 2 %, across a limit of 3 %.
    gateway(
        &scene,
        "add table netdev home; add chain netdev home c { type filter hook ingress device lan priority 0; }; \
         add rule netdev home c ip protocol udp udp length 200 numgen inc mod 50 == 0 drop",
    );
    let ended = first(&scene, &tier);
    let before = ended.record();
    assert!(verdict_on(&before, "loss").contains(&&Value::from("not-proven")), "{:#}", before["judgements"]);
    gateway(&scene, "delete table netdev home");
    let ended = go_on(&scene, &scene.record_path(), "whole.json", &["--yes", "--json"]);
    let whole = ended.record();
    assert_eq!((ended.status, &whole["verdict"]), (Some(3), &"not-proven".into()), "{:#}", whole["merged"]);
    let differs = whole["merged"].as_array().into_iter().flatten().find(|note| note["what"] == "both-stand");
    let because = differs.and_then(|note| note["because"].as_str()).expect("told");
    assert!(because.contains("differ beyond chance"), "{because}");
}

#[test]
fn what_can_t_be_continued_is_refused_with_the_reason() {
    let scene = Scene::new();
    let tier = tier(&scene, 0.004);
    first(&scene, &tier);
    let refused = |more: &[&str], told: &str| {
        let ended = go_on(&scene, &scene.record_path(), "whole.json", more);
        assert_eq!(ended.status, Some(2), "{ended:?}");
        assert!(ended.stderr.contains(told), "{told}: {}", ended.stderr);
    };
    refused(&["--circuit", "EVB-000124"], "names circuit EVB-000123 and not EVB-000124");
    refused(&["--position", "ont"], "was made at gateway and not at ont");
    refused(&["--profile", "vdsl-100-40"], "held against the tier going-on and not vdsl-100-40");
    refused(&["--depth", "soak"], "cannot be used with");
    // Both open limits need a far end: no lease is taken for nothing.
    let without = Run::start(command(&scene).arg("--continue").arg(scene.record_path()).arg("--yes")).end();
    assert_eq!((without.status, scene.laptop_has().as_str()), (Some(2), ""), "{without:?}");
    assert!(
        without.stderr.contains("nothing that is left to prove can be tested") && without.stderr.contains("no far end was given")
    );
    let onto_itself = go_on(&scene, &scene.record_path(), "visit.json", &["--yes"]);
    assert_eq!(onto_itself.status, Some(2), "{onto_itself:?}");
    // One figure bettered by hand.
    let text = std::fs::read_to_string(scene.record_path()).expect("a record");
    std::fs::write(scene.record_path(), text.replacen("\"samples\": 300", "\"samples\": 900", 1)).expect("written");
    refused(&["--yes"], "was altered since it was signed");
}
