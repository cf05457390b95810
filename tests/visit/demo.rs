//! `demo`, healthy and with each fault: the verdict, and the stretch that the fault truly lies in.

use doorstep::practice::Fault;
use serde_json::Value;

use crate::run::{PROGRAM, Run, program};
use crate::support::readings;

/// TCP payload per octet of IP on a line of 1500 with time stamps (RFC 7323 section 3.2): 1448 / 1500.
const PAYLOAD_SHARE: f64 = 1448.0 / 1500.0;

pub(crate) fn demo(arguments: &[&str]) -> (i32, Value) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("visit.json");
    let record = path.to_str().expect("text");
    let ended = program(&[&["demo", "--json", "--record", record], arguments].concat());
    let printed = ended.record();
    let kept: Value = serde_json::from_str(&std::fs::read_to_string(&path).expect("the record is there")).expect("JSON");
    assert_eq!(printed, kept, "what is printed is what is kept");
    (ended.status.expect("an exit status"), printed)
}

/// The fault is found in its stretch; a quick visit may leave the verdict open, but never passes.
fn is_found(fault: Fault) {
    is_found_at(fault, "quick");
}

fn is_found_at(fault: Fault, depth: &str) -> Value {
    let (status, record) = demo(&["--fault", fault.name(), "--depth", depth]);
    let isolation = &record["isolation"];
    assert_eq!(isolation["segment"], fault.segment().to_string(), "{fault}: {isolation:#}");
    assert_eq!(record["complete"], true);
    let verdict = record["verdict"].as_str().expect("a verdict");
    let stated = [("pass", 0), ("fail", 1), ("not-proven", 3)].into_iter().find(|(v, _)| *v == verdict);
    assert_eq!(Some(status), stated.map(|(_, status)| status), "{fault}: {verdict}");
    let missed = record["judgements"].as_array().into_iter().flatten().any(|j| j["verdict"] != "pass");
    assert!(missed, "{fault} misses no limit");
    // Their limits are ones that the tier should meet, not must: it may pass otherwise.
    let should_only = matches!(fault, Fault::DeepBuffer | Fault::SmallMtu | Fault::DoubleNat | Fault::MeddlingProxy);
    assert!(matches!(verdict, "fail" | "not-proven") || should_only, "{fault}: {verdict}");
    assert!(!isolation["next"].as_array().expect("steps").is_empty(), "{fault} names no next step");
    record
}

/// A quick visit fetches no page: these show from handoff depth on, by check `web`.
fn is_found_by_web(fault: Fault, named: &str, flaw: &str) {
    let record = is_found_at(fault, "handoff");
    assert_eq!(record["isolation"]["fault"], named, "{:#}", record["isolation"]);
    let web = record["checks"].as_array().expect("checks").iter().find(|check| check["check"] == "web").expect("it ran");
    let flaws = web["flaws"].as_array().expect("flaws");
    // Over either IP version, and nothing else.
    assert!(flaws.len() == 2 && flaws.iter().all(|found| found["code"] == flaw), "{web:#}");
}

#[test]
fn a_healthy_line_passes_with_the_rate_that_the_arithmetic_gives() {
    let (status, record) = demo(&[]);
    assert_eq!((status, &record["verdict"]), (0, &Value::from("pass")), "{:#}", record["judgements"]);
    assert_eq!(record["isolation"]["fault"], "none-found");
    for (direction, sold) in [("down", 100.0), ("up", 40.0)] {
        let rates = readings(&record, "throughput.tcp_payload_rate");
        let rate = rates.iter().find(|r| r["direction"] == direction).expect("a rate")["value"].as_f64().expect("a number");
        let expected = sold * PAYLOAD_SHARE;
        assert!((rate / expected - 1.0).abs() < 0.01, "{direction}: {rate} Mbit/s, the arithmetic gives {expected}");
    }
}

macro_rules! found {
    ($fault:ident) => {
        is_found(Fault::$fault)
    };
    ($fault:ident $named:literal $flaw:literal) => {
        is_found_by_web(Fault::$fault, $named, $flaw)
    };
}

macro_rules! found_in_its_stretch {
    ($($name:ident: $fault:ident $(by web as $named:literal $flaw:literal)?,)*) => {
        $(#[test]
        fn $name() {
            found!($fault $($named $flaw)?);
        })*

        #[test]
        fn every_fault_has_its_test() {
            let of_tv = Fault::ALL.iter().filter(|fault| fault.is_of_tv()).count();
            assert_eq!([$(Fault::$fault),*].len() + of_tv, Fault::ALL.len());
        }
    };
}

found_in_its_stretch! {
    no_dhcp_is_found_at_home: NoDhcp,
    a_second_dhcp_server_is_found_at_home: RogueDhcp,
    a_duplicate_address_is_found_at_home: DuplicateAddress,
    a_rogue_router_is_found_at_home: RogueRa,
    a_missing_prefix_is_found_in_the_network: NoPrefix,
    a_broken_ipv6_is_found_on_the_access_line: Ipv6Broken,
    home_loss_is_found_at_home: HomeLoss,
    cross_traffic_is_found_at_home: CrossTraffic,
    a_slow_line_is_found_on_the_access_line: SlowLine,
    another_tiers_rates_are_found_in_the_network: WrongTier,
    access_loss_is_found_on_the_access_line: AccessLoss,
    a_long_delay_is_found_on_the_access_line: LongDelay,
    a_deep_buffer_is_found_on_the_access_line: DeepBuffer,
    a_delay_that_no_telephone_can_hold_is_found_on_the_access_line: VoiceJitter,
    a_small_mtu_is_found_on_the_access_line: SmallMtu,
    swallowed_large_packets_are_found_on_the_access_line: MtuBlackhole,
    a_second_translator_is_found_in_the_network: DoubleNat,
    network_loss_is_found_in_the_network: NetworkLoss,
    dead_resolvers_are_found_in_the_network: DnsDead,
    one_dead_resolver_is_found_in_the_network: OneResolverDead,
    lying_resolvers_are_found_in_the_network: DnsLying,
    a_portal_is_found_in_the_network: Portal by web as "captive-portal" "web-captive-portal",
    a_proxy_that_meddles_is_found_in_the_network: MeddlingProxy by web as "transparent-proxy" "web-transparent-proxy",
    a_gateway_that_rewrites_sip_is_found_at_home: SipRewrite,
    a_dead_registrar_is_found_in_the_network: SipDead,
    a_dead_network_is_found_in_the_network: NetworkDead,
    a_far_end_that_is_gone_is_found_at_the_far_end: FarEndGone,
    a_missing_concentrator_is_found_on_the_access_line: NoConcentrator,
    a_refused_login_is_found_in_the_network: LoginRefused,
}

/// Loss at home takes packets of TV too: echoes in the same seconds tell it from loss of TV alone.
#[test]
fn loss_at_home_is_told_from_loss_of_tv() {
    let (_, record) = demo(&["--fault", Fault::HomeLoss.name(), "--depth", "quick", "--profile", "fibre-250-50-tv"]);
    assert_eq!(record["isolation"]["segment"], "home", "{:#}", record["isolation"]);
    let beside = readings(&record, "multicast.beside_loss_ratio");
    let gateway = beside.iter().find(|r| r["target"] == "gateway" && r["family"] == "ipv4").expect("echoes to the gateway");
    // Two passes of 6 % each are 11.6 %: of 70 echoes none is lost once in 6,000 runs.
    assert!(gateway["low"].as_f64().is_some_and(|low| low > 0.0), "{beside:?}");
}

/// Faults of TV show on a tier with channels; the rest of the line is sound.
fn is_found_on_tv(fault: Fault, named: &str) -> Value {
    let (_, record) = demo(&["--fault", fault.name(), "--depth", "quick", "--profile", "fibre-250-50-tv"]);
    let isolation = &record["isolation"];
    assert_eq!(
        (&isolation["fault"], &isolation["segment"]),
        (&named.into(), &fault.segment().to_string().into()),
        "{isolation:#}"
    );
    assert_ne!(record["verdict"], "pass");
    record
}

#[test]
fn a_tier_with_tv_passes_where_its_channels_come() {
    let (_, record) = demo(&["--depth", "quick", "--profile", "fibre-250-50-tv"]);
    assert_eq!(record["isolation"]["fault"], "none-found", "{:#}", record["isolation"]);
    for (name, want) in [("arrives", 1.0), ("stays", 1.0), ("stops_on_leave", 1.0), ("stream_continuity_errors", 0.0)] {
        let found = readings(&record, &format!("multicast.{name}"));
        assert!(!found.is_empty() && found.iter().all(|reading| reading["value"] == want), "{name}: {found:?}");
    }
    // The line is shaped to 250 Mbit/s and idle: nothing of 4 Mbit/s gets lost.
    let limits = record["judgements"].as_array().expect("judged");
    let of_tv = limits.iter().filter(|limit| limit["reading"].as_str().is_some_and(|name| name.starts_with("multicast.")));
    assert!(
        of_tv.clone().count() >= 4 && of_tv.clone().all(|limit| limit["verdict"] == "pass"),
        "{:#?}",
        of_tv.collect::<Vec<_>>()
    );
}

#[test]
fn a_missing_querier_is_found_at_home() {
    is_found_on_tv(Fault::TvNoQuerier, "tv-no-querier");
}

#[test]
fn ignored_reports_are_found_in_the_network() {
    is_found_on_tv(Fault::TvReportsIgnored, "tv-not-delivered");
}

#[test]
fn lost_packets_of_tv_are_found_in_the_network() {
    let record = is_found_on_tv(Fault::TvLoss, "tv-loss");
    // Nothing else is lost in the same seconds.
    let beside = readings(&record, "multicast.beside_loss_ratio");
    assert!(beside.len() >= 2 && beside.iter().all(|reading| reading["value"] == 0.0), "{beside:?}");
}

#[test]
fn forgotten_members_are_found_at_home() {
    is_found_on_tv(Fault::TvForgotten, "tv-forgotten");
}

/// The channels come in the older version too, so that nothing but the version is amiss.
#[test]
fn an_older_version_of_memberships_is_found_at_home() {
    let arguments = ["--fault", Fault::TvOlderVersion.name(), "--depth", "quick", "--profile", "fibre-250-50-tv"];
    let (_, record) = demo(&arguments);
    let isolation = &record["isolation"];
    assert_eq!((&isolation["fault"], &isolation["segment"]), (&"tv-older-version".into(), &"home".into()), "{isolation:#}");
    let judged = record["judgements"].as_array().expect("judged").iter().find(|j| j["reading"] == "multicast.querier_version");
    assert_eq!(judged.map(|j| (&j["verdict"], &j["value"])), Some((&"fail".into(), &2.0.into())), "{judged:?}");
    assert!(readings(&record, "multicast.arrives").iter().all(|reading| reading["value"] == 1.0));
}

#[test]
fn tv_in_another_vlan_is_found_on_the_access_line() {
    is_found_on_tv(Fault::TvOtherVlan, "tv-other-vlan");
}

#[test]
fn a_second_demo_starts_at_once_after_one_that_was_killed() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("first.json");
    let first_record = path.to_str().expect("text");
    let first = Run::start(std::process::Command::new(PROGRAM).args(["demo", "--json", "--record", first_record]));
    std::thread::sleep(std::time::Duration::from_secs(2));
    first.signal(nix::sys::signal::Signal::SIGKILL);
    let (status, record) = demo(&[]);
    assert_eq!(first.end().status, None, "killed");
    assert_eq!((status, &record["complete"]), (0, &Value::Bool(true)));
}

#[test]
fn an_ordinary_user_gets_a_demo_or_is_told_what_to_type() {
    use std::os::unix::process::CommandExt;
    let folder = tempfile::tempdir().expect("a folder");
    std::os::unix::fs::chown(folder.path(), Some(65534), Some(65534)).expect("root");
    // The build's folder may be closed to others: a copy in the open.
    let copy = folder.path().join("doorstep");
    std::fs::copy(PROGRAM, &copy).expect("a copy");
    let record = folder.path().join("visit.json");
    let mut command = std::process::Command::new(&copy);
    command.args(["demo", "--json", "--record"]).arg(&record).uid(65534).gid(65534).current_dir("/").env_remove("HOME");
    let ended = Run::start(&mut command).end();
    match ended.status {
        Some(0) => assert_eq!(ended.record()["verdict"], "pass"),
        Some(4) => assert!(ended.stderr.contains("sudo"), "{ended:?}"),
        _ => panic!("{ended:?}"),
    }
}
