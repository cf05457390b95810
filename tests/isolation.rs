//! Isolation on real visits, shortened: slight faults that differ, pairs of faults, and a healthy line. The heavy ones stand in tests/visit.
//!
//! Needs root: visits are made on practice lines. `cargo bench --bench isolation` makes them all, and prints what docs/isolation.md holds.

#[path = "common/faulty.rs"]
mod faulty;
#[path = "common/run.rs"]
mod run;

use doorstep::practice::{Extent, Fault};
use faulty::{Case, Told, names};

/// A segment that is named is the right one; a machine that is busy may leave it open, as a busy test set must.
fn told(case: &Case) -> Told {
    let folder = tempfile::tempdir().expect("a folder");
    let record = case.visit(1, &folder.path().join("visit.json")).expect("a visit");
    let told = case.held_against(&record["isolation"]);
    assert!(!matches!(told, Told::Wrong | Told::Sound), "{}: {:#}", case.name(), record["isolation"]);
    told
}

fn slight(fault: Fault) {
    let told = told(&Case::of(&[(fault, Extent::Slight)]));
    assert_eq!(told, Told::Fault, "{fault}: {}", told.word());
}

fn pair(first: Fault, second: Fault) {
    let case = Case::of(&[(first, Extent::Heavy), (second, Extent::Heavy)]);
    assert_eq!(told(&case), Told::Fault, "{}", case.name());
}

#[test]
fn a_slightly_long_delay_is_found() {
    slight(Fault::LongDelay);
}

#[test]
fn a_slightly_deep_buffer_is_found() {
    slight(Fault::DeepBuffer);
}

#[test]
fn a_second_address_server_and_a_small_mtu_are_found_as_two() {
    pair(Fault::RogueDhcp, Fault::SmallMtu);
}

#[test]
fn a_long_delay_and_lying_resolvers_are_found_as_two() {
    pair(Fault::LongDelay, Fault::DnsLying);
}

#[test]
fn a_deep_buffer_and_a_second_translator_are_found_as_two() {
    pair(Fault::DeepBuffer, Fault::DoubleNat);
}

#[test]
fn every_practice_fault_has_its_names_in_the_catalogue() {
    let known: Vec<&str> = doorstep::isolate::catalogue::all().map(|fault| fault.id).collect();
    for fault in Fault::ALL {
        let names = names(fault).unwrap_or_else(|| panic!("{fault}: write down in tests/common/faulty.rs what it is"));
        assert!(names.iter().all(|name| known.contains(name)), "{fault}: {names:?}");
        let entry = doorstep::isolate::catalogue::all().find(|entry| entry.id == names[0]).expect("known");
        // From the gateway's port, but for a session, which is opened in the gateway's place.
        let position = if fault.handoff().is_some() { doorstep::unit::Position::Ont } else { doorstep::unit::Position::Gateway };
        assert_eq!(
            entry.segment(position),
            Some(fault.segment()),
            "{fault}: the catalogue and the line disagree about where it lies"
        );
    }
}
