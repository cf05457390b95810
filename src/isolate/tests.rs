use super::model::Symptom;
use super::*;
use crate::judge::judge;
use crate::metric::loss_interval::clopper_pearson;
use crate::profile;
use crate::reading::{Limit, Outcome, Reading, Status, Target};
use crate::unit::{Direction, Family, Interval, Load, Position, Segment};

use made_up::*;
use scenarios::{all_scenarios, scenarios};

mod line;
mod made_up;
mod scenarios;
mod shaping;
mod simulated;
mod tv;
mod voice;

#[test]
fn each_made_up_line_is_blamed_on_its_own_fault_and_segment() {
    for (fault, visit, segment) in all_scenarios() {
        let found = visit.isolate();
        assert_eq!((found.fault.as_str(), found.segment), (fault, segment), "{found:#?}");
        assert!(found.confidence >= 0.5, "{fault}: {found:#?}");
        if fault != "none-found" {
            assert!(!found.because.is_empty() && !found.next.is_empty(), "{found:#?}");
        }
    }
}

#[test]
fn every_fault_of_the_catalogue_has_a_made_up_line() {
    let mut told: std::collections::BTreeSet<&str> = all_scenarios().map(|(fault, ..)| fault).collect();
    // Of a tier of its own.
    told.extend(voice::marking_lost().fault.eq("marking-lost").then_some("marking-lost"));
    let missing: Vec<&str> = catalogue::all().map(|f| f.id).filter(|id| !told.contains(id)).collect();
    assert!(missing.is_empty(), "{missing:?}");
}

#[test]
fn routers_that_limit_their_echoes_lose_nothing() {
    // 30 % at the gateway and all at the provider's hop, but not one packet of the far end's stream.
    let found = sound().with("echo", echo((120, 0.6), (400, 0.0), (0, 9.0))).isolate();
    assert_eq!(found.fault, "none-found", "{found:#?}");
    assert!(found.because.iter().any(|words| words.contains("limits its answers and loses nothing")), "{found:#?}");
}

#[test]
fn a_router_that_limits_its_echoes_takes_no_blame_for_loss_behind_it() {
    // 30 % at the gateway and 3 % behind the provider: what is lost at the gateway would be missing behind it too.
    let found = sound().with("echo", echo((120, 0.6), (0, 3.0), (13, 9.0))).with("twoway", twoway(30, 9.0)).isolate();
    assert_eq!((found.fault.as_str(), found.segment), ("network-loss", Some(Segment::Network)), "{found:#?}");
}

#[test]
fn a_segment_is_not_named_by_how_often_faults_occur() {
    // The provider's hop answers nobody: loss to the far end may be of the access line or of the network.
    let found = sound().with("echo", echo((0, 0.6), (400, 3.0), (13, 9.0))).with("twoway", twoway(30, 9.0)).isolate();
    assert_eq!((found.fault.as_str(), found.segment), ("not-sure", None), "{found:#?}");
    let named: Vec<_> = found.alternatives.iter().map(|other| other.fault.as_str()).collect();
    assert_eq!(named[..2], ["access-loss", "network-loss"], "{found:#?}");
}

#[test]
fn ipv6_that_fails_with_ipv4_is_no_fault_of_its_own() {
    let dead = sound()
        .with("ipv6", flawed(ipv6(), "ipv6-leads-nowhere"))
        .with("echo", echo((0, 0.6), (0, 3.0), (400, 0.0)))
        .with("dns", dns((40, 0.0), (40, 0.0)))
        .with("farend", failed_farend(""))
        .without(&["twoway", "throughput"], "needs a session with the far end");
    let found = dead.isolate();
    assert_eq!((found.fault.as_str(), found.also.len()), ("network-down", 0), "{found:#?}");
}

#[test]
fn two_faults_at_once_are_both_named() {
    let found = sound().with("dns", dns((40, 0.0), (0, 0.0))).with("throughput", throughput(94.0, 19.0)).isolate();
    let mut named: Vec<_> = found.also.iter().map(|a| a.fault.as_str()).collect();
    named.push(&found.fault);
    named.sort_unstable();
    assert_eq!(named, ["access-slow", "one-resolver-dead"], "{found:#?}");
}

/// Heavy loss keeps percentiles of the delay from being known, and brings a second fault close: that one is no rival of the first.
#[test]
fn what_stands_beside_a_sure_fault_takes_nothing_from_it() {
    let late = Reading::new("twoway.round_trip_p95", 2000.0, 280, around(2000.0, 0.01)).on(Target::FarEnd);
    let mut stream = twoway(60, 9.0);
    stream.readings.retain(|reading| reading.name != "twoway.round_trip_p95");
    stream.readings.push(late);
    let visit = sound().with("echo", echo((48, 0.6), (48, 3.0), (50, 9.0))).with("twoway", stream);
    let visit = visit.with("throughput", deep_queue()).with("ipv6", flawed(ipv6(), "ipv6-no-prefix"));
    let found = visit.isolate();
    let named: Vec<_> = found.also.iter().map(|a| a.fault.as_str()).chain([found.fault.as_str()]).collect();
    assert!(named.contains(&"home-loss") && named.contains(&"no-prefix"), "{found:#?}");
}

/// Units of two faults whose signs lie apart: each pair is found as the two that it is.
#[test]
fn pairs_of_faults_are_found_as_two() {
    let second_server = flawed(dhcp4(), "dhcp4-second-server");
    let slow = throughput(94.0, 19.0);
    let far = |visit: Visit| visit.with("echo", echo((0, 0.6), (0, 3.0), (0, 70.0))).with("twoway", twoway(0, 70.0));
    let dead = dns((40, 0.0), (0, 0.0));
    let cases = [
        (["access-slow", "one-resolver-dead"], sound().with("dns", dead.clone()).with("throughput", slow.clone())),
        (["network-delay", "second-address-server"], far(sound().with("dhcp4", second_server.clone()))),
        (
            ["carrier-nat", "deep-queue"],
            sound().with("throughput", deep_queue()).beside("between", between(2.0, 1.0, "between-carrier-nat")),
        ),
        (["resolver-lies", "small-mtu"], sound().with("dns", dns((0, 3.0), (0, 0.0))).beside("mtu", mtu(1400.0, 0.0))),
        // So long a delay misses the limit under load as well: no queue is needed for that.
        (
            ["network-delay", "resolver-lies"],
            sound()
                .with("echo", echo((0, 0.6), (0, 3.0), (0, 120.0)))
                .with("twoway", twoway(0, 120.0))
                .with("dns", dns((0, 3.0), (0, 0.0)))
                .with("throughput", shaping::queues(160.0, 160.0)),
        ),
        (["access-slow", "network-delay"], far(sound().with("throughput", slow.clone()))),
        (
            ["home-loss", "no-prefix"],
            sound()
                .with("echo", echo((12, 0.6), (12, 3.0), (14, 9.0)))
                .with("twoway", twoway(30, 9.0))
                .with("ipv6", flawed(ipv6(), "ipv6-no-prefix")),
        ),
        (
            ["gateway-rewrites-sip", "one-resolver-dead"],
            sound().with("dns", dead).beside("sip", flawed(voice(1.0, Some(1.0)), "sip-rewritten")),
        ),
        (
            ["carrier-drops", "second-address-server"],
            sound().with("dhcp4", second_server).with("link", flawed(link(), "link-carrier-lost")),
        ),
    ];
    for (pair, visit) in cases {
        let found = visit.isolate();
        let mut named: Vec<_> = found.also.iter().map(|a| a.fault.as_str()).chain([found.fault.as_str()]).collect();
        named.sort_unstable();
        assert_eq!(named, pair, "{found:#?}");
    }
}

#[test]
fn a_missed_limit_that_nothing_explains_is_not_smoothed_over() {
    // The lookup of names fails for a quarter of all names at both resolvers: no entry of the catalogue says so.
    let found = sound().with("dns", dns((20, 0.0), (20, 0.0))).isolate();
    assert_eq!((found.fault.as_str(), found.segment), ("not-sure", None), "{found:#?}");
    assert!(found.because[0].contains("names resolve"), "{found:#?}");
}

#[test]
fn nothing_looked_at_means_not_sure() {
    assert_eq!(isolate(&Position::Gateway.into(), &[], &[]).fault, "not-sure");
}

#[test]
fn from_the_terminal_nothing_is_blamed_on_the_home() {
    for (_, visit, _) in scenarios() {
        let found = visit.at(Position::Ont).isolate();
        assert_ne!(found.segment, Some(Segment::Home), "{found:#?}");
        assert!(found.alternatives.iter().all(|a| a.segment != Some(Segment::Home)), "{found:#?}");
    }
}

#[test]
fn the_catalogue_is_sound() {
    let mut seen = std::collections::BTreeSet::new();
    for fault in catalogue::all() {
        assert!(seen.insert(fault.id), "{} stands twice", fault.id);
        assert!(fault.prior > 0.0 && !fault.shows.is_empty() && !fault.next.is_empty(), "{}", fault.id);
        for (symptom, p) in fault.shows {
            assert!(*p > 0.0 && *p < 1.0, "{} {symptom:?}: a likelihood of 0 or 1 could never be outweighed", fault.id);
            assert!(catalogue::stray(*symptom) > 0.0 && catalogue::stray(*symptom) < 1.0);
        }
    }
}

#[test]
fn evidence_for_a_fault_never_lowers_the_belief_in_it() {
    let observation = |seen| model::Observation { symptom: Symptom::DownTooSlow, seen, words: String::new() };
    let belief = |observations: &[model::Observation]| {
        rank::rank(Position::Gateway, observations).faults.iter().find(|(f, _)| f.id == "access-slow-down").unwrap().1
    };
    let (none, seen, absent) = (belief(&[]), belief(&[observation(true)]), belief(&[observation(false)]));
    assert!(absent < none && none < seen, "{absent} {none} {seen}");
}

#[test]
fn beliefs_are_probabilities() {
    for (_, visit, _) in scenarios() {
        let outcomes: Vec<(&str, &Outcome)> = visit.checks.iter().map(|(name, outcome)| (*name, outcome)).collect();
        let ranking = rank::rank(visit.position, &observe::observe(&visit.position.into(), &outcomes, &[]));
        let all = ranking.faults.iter().map(|(_, b)| *b).chain([ranking.sound]);
        assert!(all.clone().all(|b| (0.0..=1.0 + 1e-9).contains(&b)), "{ranking:?}");
        // Each hypothesis counts once for the sound line or for each of at most two faults.
        let sum: f64 = all.sum();
        assert!((1.0 - 1e-9..=2.0 + 1e-9).contains(&sum), "{sum}");
    }
}

#[test]
fn the_page_of_faults_is_that_of_the_catalogue() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/faults.md");
    if std::env::var_os("DOORSTEP_UPDATE").is_some() {
        std::fs::write(&path, catalogue::page()).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == catalogue::page(),
        "docs/faults.md is out of date; write it again with: DOORSTEP_UPDATE=1 cargo test --lib isolate::"
    );
}
