//! IPv6 on the practice line: both IP versions are measured, and each fault of IPv6 is named for what it is.

use doorstep::farend::invitation;
use doorstep::practice::topology::FAR_END_V6;
use doorstep::practice::{LineConfig, PracticeLine};
use serde_json::Value;

use crate::demo::demo;
use crate::support::{Scene, readings, status_of};

fn of_family<'a>(record: &'a Value, name: &str, family: &str) -> Vec<&'a Value> {
    readings(record, name).into_iter().filter(|reading| reading["family"] == family).collect()
}

fn flaws<'a>(record: &'a Value, check: &str) -> Vec<&'a Value> {
    let checks = record["checks"].as_array().into_iter().flatten();
    checks.filter(|c| c["check"] == check).flat_map(|c| c["flaws"].as_array().into_iter().flatten()).collect()
}

fn check<'a>(record: &'a Value, name: &str) -> &'a Value {
    record["checks"].as_array().and_then(|all| all.iter().find(|c| c["check"] == name)).expect("the check is there")
}

#[test]
fn a_visit_measures_both_versions_side_by_side() {
    let (status, record) = demo(&[]);
    assert_eq!((status, &record["isolation"]["fault"]), (0, &Value::from("none-found")), "{:#}", record["judgements"]);
    for name in [
        "dns.failure_ratio",
        "dns.lookup_time_p50",
        "echo.loss_ratio",
        "echo.round_trip_p50",
        "path.hops",
        "farend.connect_time",
        "twoway.loss_ratio",
        "twoway.round_trip_p95",
        "throughput.tcp_payload_rate",
    ] {
        assert!(!of_family(&record, name, "ipv4").is_empty(), "{name} over IPv4");
        // At quick depth the line is filled over one version only, and the record says so.
        let wanted = name != "throughput.tcp_payload_rate";
        assert_eq!(!of_family(&record, name, "ipv6").is_empty(), wanted, "{name} over IPv6");
    }
    let left_out = check(&record, "throughput")["facts"]["left_out"].as_str().expect("said");
    assert!(left_out.contains("other IP version"), "{left_out}");
    assert_eq!(readings(&record, "ipv6.delegated_prefix_length")[0]["value"], 56.0);
    assert_eq!(readings(&record, "ipv6.leads_out")[0]["value"], 1.0);
    // Each series says of which version it is.
    let series = check(&record, "twoway")["series"].as_array().expect("series").clone();
    let of = |family: &str| series.iter().filter(|one| one["family"] == family && one["name"] == "twoway.round_trip").count();
    assert_eq!([of("ipv4"), of("ipv6")], [1, 1]);
}

#[test]
fn a_handoff_fills_the_line_over_the_other_version_too() {
    let (status, record) = demo(&["--depth", "handoff"]);
    assert_eq!(status, 0, "{:#}", record["judgements"]);
    for direction in ["down", "up"] {
        let rate = |family: &str| {
            let rates = of_family(&record, "throughput.tcp_payload_rate", family);
            rates.into_iter().find(|rate| rate["direction"] == direction).expect("a rate")["value"].as_f64().expect("a number")
        };
        // 1428 of 1500 octets are payload over IPv6, 1448 over IPv4 (RFC 8200 section 3, RFC 791, RFC 7323 section 3.2).
        let share = rate("ipv6") / rate("ipv4") / (1428.0 / 1448.0);
        assert!((share - 1.0).abs() < 0.02, "{direction}: {} and {}", rate("ipv6"), rate("ipv4"));
    }
}

#[test]
fn a_rogue_router_is_named_by_both_of_its_addresses() {
    let (status, record) = demo(&["--fault", "rogue-ra"]);
    assert_eq!((status, &record["isolation"]["fault"]), (1, &Value::from("rogue-router")), "{:#}", record["isolation"]);
    let all = flaws(&record, "ipv6");
    let told = all.iter().find(|flaw| flaw["code"] == "ipv6-rogue-router").expect("told")["what"].as_str().expect("words");
    assert!(told.contains("fe80::5eff:fe00:bad0") && told.contains("02:00:5e:00:ba:d0"), "{told}");
    assert!(!told.contains("02:00:5e:00:01:02"), "the gateway is no rogue: {told}");
    assert!(record["isolation"]["because"].to_string().contains("02:00:5e:00:ba:d0"), "{:#}", record["isolation"]);
}

#[test]
fn a_gateway_without_a_prefix_is_told_with_the_server_s_word() {
    let (status, record) = demo(&["--fault", "no-prefix"]);
    assert_eq!((status, &record["isolation"]["fault"]), (1, &Value::from("no-prefix")), "{:#}", record["isolation"]);
    assert!(flaws(&record, "ipv6").iter().any(|flaw| flaw["what"].as_str().is_some_and(|what| what.contains("NoPrefixAvail"))));
    assert_eq!(readings(&record, "ipv6.prefix_delegated")[0]["value"], 0.0);
    assert!(!of_family(&record, "twoway.loss_ratio", "ipv4").is_empty(), "IPv4 is measured all the same");
}

#[test]
fn a_broken_ipv6_beside_a_working_ipv4_is_a_finding_of_its_own() {
    let (status, record) = demo(&["--fault", "ipv6-broken"]);
    assert_eq!((status, &record["isolation"]["fault"]), (1, &Value::from("ipv6-broken")), "{:#}", record["isolation"]);
    assert_eq!(record["isolation"]["also"].as_array().map_or(0, Vec::len), 0, "{:#}", record["isolation"]);
    let codes: Vec<&Value> = flaws(&record, "ipv6").iter().map(|flaw| &flaw["code"]).collect();
    assert_eq!(codes, ["ipv6-leads-nowhere"]);
    let of_four = record["judgements"].as_array().into_iter().flatten().filter(|j| j["family"] == "ipv4");
    assert!(of_four.clone().count() > 5 && of_four.into_iter().all(|j| j["verdict"] == "pass"), "{:#}", record["judgements"]);
}

#[test]
fn a_line_with_ipv6_alone_is_measured_to_the_end() {
    let mut config = LineConfig::sold_at_ip(100.0, 40.0).expect("rates");
    config.services.dhcp = false;
    let line = PracticeLine::build(config).expect("this test needs root and a kernel with veth, tbf and nf_tables");
    let folder = tempfile::tempdir().expect("a folder");
    let mut target = line.far_end_target();
    target.host = FAR_END_V6.to_string();
    invitation::write(&folder.path().join("far.toml"), &target).expect("the far end's file");
    let scene = Scene { line, folder };
    let ended = scene.verify().end();
    let record = ended.record();
    assert_eq!(
        (ended.status, &record["complete"]),
        (Some(1), &Value::Bool(true)),
        "it has no IPv4, which the tier sells: {ended:?}"
    );
    let status: Vec<_> = ["dhcp4", "ipv6", "dns", "echo", "path", "farend", "twoway", "throughput"]
        .map(|check| (check, status_of(&record, check).expect("in the record")))
        .into_iter()
        .filter(|(_, status)| *status != "done")
        .collect();
    assert_eq!(status, [("dhcp4", "failed")], "{ended:?}");
    for name in ["dns.failure_ratio", "echo.loss_ratio", "path.hops", "twoway.loss_ratio", "throughput.tcp_payload_rate"] {
        let all = readings(&record, name);
        assert!(!all.is_empty() && all.iter().all(|reading| reading["family"] == "ipv6"), "{name}: {all:#?}");
    }
    assert_eq!(scene.line.routers()[0].counts().releases, 1, "the lease was given back");
}
