//! Golden records: files as this version's ancestors wrote them. They stay readable, judge as they did, and render as kept.

use std::path::PathBuf;

use super::model::report;
use super::terminal::{Look, render};
use crate::record::{Record, Verdict, store};

mod fixtures;

pub(super) fn golden(name: &str) -> Record {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("tests/golden/{name}.json"));
    // A golden record is never written over: it stands for what is on disks out there. Delete it to have a new one.
    if std::env::var_os("DOORSTEP_UPDATE").is_some() && !path.exists() {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, super::json::render(&fixtures::record(name))).unwrap();
    }
    store::read(&path).unwrap_or_else(|error| panic!("{error}\nwrite it with: DOORSTEP_UPDATE=1 cargo test --lib report::"))
}

fn text(name: &str) -> String {
    render(&report(&golden(name)), Look::default())
}

#[test]
fn a_pass_says_so_and_explains_941_of_1000() {
    insta::assert_snapshot!(text("pass"));
}

#[test]
fn a_fail_says_where_and_what_next() {
    insta::assert_snapshot!(text("fail"));
}

#[test]
fn not_proven_says_what_would_prove_it() {
    insta::assert_snapshot!(text("not-proven"));
}

#[test]
fn a_dead_line_is_a_result() {
    insta::assert_snapshot!(text("dead-line"));
}

#[test]
fn an_interrupted_visit_shows_what_was_seen() {
    insta::assert_snapshot!(text("incomplete"));
}

#[test]
fn a_fail_can_be_defended_before_customer_and_engineer() {
    insta::assert_snapshot!(super::why(&golden("fail"), false));
}

#[test]
fn every_kind_of_record_says_why_and_says_nothing_that_it_does_not_hold() {
    for name in fixtures::NAMES {
        let record = golden(name);
        let why = super::why::why(&record);
        assert_eq!(why.chains.len(), record.judgements.len(), "{name}");
        let held = super::json::render(&record);
        for chain in &why.chains {
            let basis =
                chain.links.iter().find(|(lead, _)| *lead == "basis").map(|(_, text)| serde_json::to_string(text).unwrap());
            assert!(basis.is_some_and(|basis| held.contains(&basis)), "{name}: {chain:?}");
        }
        assert!(
            !why.customer.contains("Most likely") || record.isolation.is_some_and(|isolation| isolation.segment.is_some()),
            "{name}"
        );
        let text = super::terminal::render_why(&super::why::why(&golden(name)), Look { width: 60, colour: false });
        assert!(text.lines().all(|line| line.chars().count() <= 60), "{name}");
    }
}

#[test]
fn two_visits_compared_are_read_in_ten_seconds() {
    let inside = golden("fail");
    let mut outside = golden("not-proven");
    (outside.place.circuit, outside.place.position) = (inside.place.circuit.clone(), crate::unit::Position::Ont);
    let comparison = crate::compare::compare(&inside, &outside).unwrap();
    insta::assert_snapshot!(super::comparison(&comparison, false));
}

#[test]
fn a_record_read_back_renders_as_the_live_one() {
    for name in fixtures::NAMES {
        let live = fixtures::record(name);
        let read: Record = serde_json::from_str(&super::json::render(&live)).unwrap();
        assert_eq!(read, live, "{name}");
        assert_eq!(report(&read), report(&live), "{name}");
    }
}

#[test]
fn a_record_judged_again_gives_the_judgements_that_it_holds() {
    for name in fixtures::NAMES {
        let record = golden(name);
        let mut again = record.concluded_again().unwrap();
        // Versions before had no data on what would prove a limit, and no words where it was not tested: both are additions.
        for (now, then) in again.judgements.iter_mut().zip(&record.judgements) {
            let is_open = !matches!(now.verdict, Verdict::Pass | Verdict::Fail);
            assert_eq!(!now.to_prove.is_empty(), is_open, "{name}: {now:?}");
            assert_eq!(now.remedy.is_some(), is_open, "{name}: {now:?}");
            now.to_prove.clone_from(&then.to_prove);
            if then.verdict == Verdict::NotTested {
                now.remedy.clone_from(&then.remedy);
            }
        }
        assert_eq!(again.judgements, record.judgements, "{name}");
        assert_eq!(again.verdict, record.verdict, "{name}");
        // Beliefs may shift as the catalogue grows; what is blamed may not.
        let blamed = record.isolation.map(|i| (i.fault, i.segment));
        assert_eq!(Some((again.isolation.fault, again.isolation.segment)), blamed, "{name}");
    }
}

#[test]
fn every_golden_record_obeys_the_published_schema_in_its_required_fields() {
    let schema: serde_json::Value = serde_json::from_str(&crate::record::schema::json_schema()).unwrap();
    let required: Vec<&str> = schema["required"].as_array().unwrap().iter().filter_map(|r| r.as_str()).collect();
    for name in fixtures::NAMES {
        let record = serde_json::to_value(golden(name)).unwrap();
        for field in &required {
            assert!(record.get(field).is_some(), "{name} lacks {field}");
        }
        for field in record.as_object().unwrap().keys() {
            assert!(schema["properties"].get(field).is_some(), "{field} of {name} is not in the schema");
        }
    }
}
