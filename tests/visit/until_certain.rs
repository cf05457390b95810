//! Streams that end once the verdicts on them are certain, on lines whose loss is known.

use doorstep::practice::{Extent, Fault, Node};
use serde_json::Value;

use crate::run::{PROGRAM, Run};
use crate::support::{Scene, readings};

/// `check twoway --until-certain` on a line that loses so many packets each way: exit status and record.
fn twoway_on(extent: Option<Extent>, depth: &str) -> (i32, Value) {
    let scene = Scene::with(|line| {
        if let Some(extent) = extent {
            Fault::AccessLoss.apply_at(extent, line);
        }
    });
    let mut command = scene.line.namespace(Node::Laptop).command(PROGRAM);
    command.args(["check", "twoway", "--profile", "vdsl-100-40", "--until-certain", "--depth", depth, "--json", "--far-end"]);
    command.arg(scene.folder.path().join("far.toml")).arg("--record").arg(scene.record_path());
    let ended = Run::start(&mut command).end();
    (ended.status.expect("an exit status"), ended.record())
}

fn twoway(record: &Value) -> &Value {
    record["checks"].as_array().expect("checks").iter().find(|check| check["check"] == "twoway").expect("it ran")
}

fn verdicts_on_loss(record: &Value) -> Vec<&str> {
    let all = record["judgements"].as_array().into_iter().flatten();
    all.filter(|one| one["reading"] == "twoway.loss_ratio").filter_map(|one| one["verdict"].as_str()).collect()
}

#[test]
fn heavy_loss_ends_the_stream_early_with_a_fail() {
    // 6 % each way, where the tier allows 0.5 % at this depth: a tenth of the plan would do, a quarter is the least.
    let (status, record) = twoway_on(Some(Extent::Heavy), "handoff");
    let facts = &twoway(&record)["facts"];
    assert_eq!((status, &record["verdict"]), (1, &Value::from("fail")), "{:#}", record["judgements"]);
    assert!(verdicts_on_loss(&record).contains(&"fail"));
    assert_eq!((&facts["packets_planned"], &facts["packets_at_most"]), (&Value::from(1000), &Value::from(4000)));
    assert_eq!(facts["ended_since_certain"], true);
    let sent = facts["packets_sent"].as_u64().expect("a count");
    assert!((250..600).contains(&sent), "{sent} packets");
    for reading in readings(&record, "twoway.loss_ratio") {
        assert_eq!(reading["sequential"]["planned"], 1000, "{reading:#}");
    }
}

#[test]
fn loss_near_the_limit_makes_the_stream_go_on() {
    // 1.5 % each way, where the tier allows 2 %: 300 packets can't tell.
    let (_, record) = twoway_on(Some(Extent::Slight), "quick");
    let facts = &twoway(&record)["facts"];
    assert_eq!(facts["packets_planned"], 300);
    let sent = facts["packets_sent"].as_u64().expect("a count");
    assert!((301..=1200).contains(&sent), "{sent} packets");
}

#[test]
fn a_line_without_loss_is_shown_with_what_was_planned() {
    let (_, record) = twoway_on(None, "quick");
    let facts = &twoway(&record)["facts"];
    assert_eq!(facts["ended_since_certain"], true, "{facts:#}");
    let sent = facts["packets_sent"].as_u64().expect("a count");
    // Three quarters at least; a busy machine may see a delay that it makes itself, and go on for it.
    assert!((225..=1200).contains(&sent), "{sent} packets");
    assert!(verdicts_on_loss(&record).iter().all(|verdict| *verdict == "pass"), "{:?}", verdicts_on_loss(&record));
}
