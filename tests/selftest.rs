//! The self-test as the program runs it: on request, and before a visit whose tier needs it; nothing of it on the wire.
//!
//! Needs root for the practice line; all traffic stays in namespaces that the visit makes, and on their loopback.

use crate::run::program;
use serde_json::Value;

#[path = "common/run.rs"]
mod run;

fn check<'a>(record: &'a Value, name: &str) -> &'a Value {
    record["checks"].as_array().expect("checks").iter().find(|check| check["check"] == name).expect(name)
}

fn value(check: &Value, name: &str) -> Option<f64> {
    let readings = check["readings"].as_array()?;
    readings.iter().find(|reading| reading["name"] == name)?["value"].as_f64()
}

#[test]
fn a_demo_looks_at_the_test_set_first_and_its_tier_needs_no_load() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("visit.json");
    let ended = program(&["demo", "--record", path.to_str().expect("text")]);
    assert!(matches!(ended.status, Some(0 | 3)), "{ended:?}");
    let record: Value = serde_json::from_str(&std::fs::read_to_string(&path).expect("kept")).expect("JSON");
    let looked = check(&record, "selftest");
    assert_eq!(looked["status"], "done");
    // The demo's tier is below the rate from which on the loads are run.
    assert!(looked["facts"]["left_out"].as_str().is_some_and(|why| why.contains("300 Mbit/s")), "{looked}");
    assert_eq!((value(looked, "selftest.tcp_rate"), looked["facts"]["port_is_radio"].as_bool()), (None, Some(false)));
    // Counted over the visit: there at its end, and a share.
    let stolen = value(looked, "selftest.cpu_stolen").expect("taken at the end");
    assert!((0.0..=1.0).contains(&stolen), "{stolen}");
    let order: Vec<_> = ended.stderr.lines().filter(|line| line.starts_with("  ")).collect();
    assert!(order[0].trim_start().starts_with("selftest"), "first of all: {order:?}");
}

#[test]
fn a_plan_says_that_the_test_set_is_measured_first() {
    let ended = program(&["verify", "--profile", "fibre-1000-500", "--interface", "lo", "--plan"]);
    assert_eq!(ended.status, Some(0), "{ended:?}");
    let line = ended.stdout.lines().find(|line| line.trim_start().starts_with("selftest")).expect("planned");
    assert!(line.contains("0.5 s") && line.contains("before all else: what this test set itself can do"), "{line}");
}

#[test]
fn asked_for_by_name_it_measures_tcp_and_both_ways_of_udp() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("visit.json");
    let ended = program(&["check", "selftest", "--interface", "lo", "--record", path.to_str().expect("text")]);
    let record: Value = serde_json::from_str(&std::fs::read_to_string(&path).expect("kept")).expect("JSON");
    let measured = check(&record, "selftest");
    assert_eq!(measured["status"], "done", "{ended:?}");
    // Slower than this nothing runs that this program runs on; a wrong unit would be off by 8, 20 or 1000.
    let tcp = value(measured, "selftest.tcp_rate").expect("a rate");
    assert!((100.0..1_000_000.0).contains(&tcp), "{tcp} Mbit/s");
    let udp: Vec<&Value> =
        measured["readings"].as_array().expect("readings").iter().filter(|r| r["name"] == "selftest.udp_rate").collect();
    assert_eq!(udp.iter().map(|r| r["direction"].as_str().expect("a way")).collect::<Vec<_>>(), ["up", "down"]);
    assert!(udp.iter().all(|r| r["layer"] == "ip" && r["value"].as_f64().is_some_and(|mbit| mbit > 10.0)), "{udp:?}");
    assert!(measured["took_ms"].as_f64().is_some_and(|ms| ms < 2_500.0), "{}", measured["took_ms"]);
}

/// A tunnel that takes half of all addresses, as many do to leave the default route in its place.
#[test]
fn a_tunnel_that_this_machine_s_programs_take_is_told() {
    let folder = tempfile::tempdir().expect("a folder");
    for (has_route, told) in [(false, false), (true, true)] {
        let path = folder.path().join(format!("visit-{has_route}.json"));
        let route = if has_route { "ip route add 128.0.0.0/1 dev work0" } else { "true" };
        let script = format!(
            "set -e; ip link set lo up; ip tuntap add work0 mode tun; ip link set work0 up; {route}; \
             exec {} check selftest --interface lo --depth quick --record {}",
            run::PROGRAM,
            path.display()
        );
        let ran = std::process::Command::new("unshare").args(["--net", "sh", "-c", &script]).output().expect("unshare is there");
        let text =
            std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{error}: {}", String::from_utf8_lossy(&ran.stderr)));
        let record: Value = serde_json::from_str(&text).expect("JSON");
        let looked = check(&record, "selftest");
        let flaws = looked["flaws"].as_array().cloned().unwrap_or_default();
        assert_eq!(flaws.iter().any(|flaw| flaw["code"] == "selftest-tunnel"), told, "{looked:#}");
        let named = looked["facts"]["tunnels"].as_array().expect("a list").iter().any(|name| name == "work0");
        assert_eq!(named, told, "{looked:#}");
    }
}
