//! The practice line's strangers in whole visits: the verdict, the stretch, the fault by name and the station's address.

use doorstep::practice::Fault;
use serde_json::Value;

use crate::run::program;

fn demo(fault: Fault) -> (Option<i32>, Value) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("visit.json");
    let ended = program(&["demo", "--json", "--record", path.to_str().expect("text"), "--fault", fault.name()]);
    (ended.status, ended.record())
}

fn is_told(fault: Fault, named: &str, criterion: &str, station: &str) {
    let (status, record) = demo(fault);
    assert_eq!((status, &record["verdict"]), (Some(1), &"fail".into()), "{:#}", record["judgements"]);
    let isolation = &record["isolation"];
    assert_eq!((&isolation["fault"], &isolation["segment"]), (&named.into(), &"home".into()), "{isolation:#}");
    let because = isolation["because"].as_array().expect("reasons").iter().filter_map(Value::as_str);
    assert!(because.clone().any(|reason| reason.contains(station)), "{isolation:#}");
    let judged = record["judgements"].as_array().expect("a list").iter().find(|j| j["criterion"] == criterion).expect("judged");
    assert_eq!(judged["verdict"], "fail", "{judged:#}");
}

#[test]
fn a_rogue_dhcp_server_fails_the_visit_and_is_named() {
    is_told(Fault::RogueDhcp, "second-address-server", "one address server", "02:00:5e:00:71:01");
}

#[test]
fn a_duplicate_address_fails_the_visit_and_its_holder_is_named() {
    is_told(Fault::DuplicateAddress, "address-conflict", "address of its own", "02:00:5e:00:71:02");
}
