//! What typed line facts say about where a fault lies. All figures are invented.

use super::*;

pub(super) const BELOW_SOLD: &str = "technology = \"vdsl2\"\n[down]\nrate = 180\n[up]\nrate = 60";
pub(super) const DISTURBED: &str =
    "technology = \"vdsl2\"\ncounted_over = 900\n[down]\nrate = 330\nmargin = 1.5\nerrored_seconds = 120\n[up]\nrate = 70";
pub(super) const DARK: &str = "technology = \"gpon\"\n[optical]\nreceived = -31";

/// The outcome `line` of a record in which these facts were typed in for the tier of these tests.
fn typed(facts: &str) -> Outcome {
    use crate::record::{Agent, Place, Record};
    let tier = profile::load("fibre-250-50").unwrap();
    let agent = Agent { version: String::new(), host: String::new(), kernel: String::new() };
    let mut record = Record::begin(uuid::Uuid::nil(), jiff::Timestamp::UNIX_EPOCH, agent, Place::default(), Some(&tier));
    record.note_line(&crate::line::parse(facts, "test").unwrap(), Some(&tier));
    record.checks.remove(0).outcome
}

impl Visit {
    pub(super) fn with_line(self, facts: &str) -> Self {
        self.beside("line", typed(facts))
    }
}

#[test]
fn a_line_rate_below_the_sold_one_is_the_access_lines_fault() {
    let facts = BELOW_SOLD;
    for visit in [sound().with_line(facts), sound().with("throughput", throughput(165.0, 48.0)).with_line(facts)] {
        let isolation = visit.isolate();
        assert_eq!((isolation.fault.as_str(), isolation.segment), ("sync-below-sold", Some(Segment::Access)), "{isolation:#?}");
        assert!(isolation.because.iter().any(|b| b.contains("180 Mbit/s, as typed in")), "{isolation:#?}");
    }
}

#[test]
fn a_line_rate_as_sold_leaves_a_slow_line_to_what_else_slows_it() {
    let facts = "technology = \"vdsl2\"\n[down]\nrate = 330\nmargin = 8\n[up]\nrate = 70\nmargin = 8";
    assert_eq!(sound().with_line(facts).isolate().fault, "none-found");
    let slow = sound().with("throughput", throughput(120.0, 48.0)).with_line(facts).isolate();
    assert_eq!(slow.fault, "access-slow-down");
}

#[test]
fn loss_on_a_disturbed_line_is_the_access_lines() {
    let visit = sound().with("echo", echo((0, 0.6), (14, 3.0), (14, 9.0))).with("twoway", twoway(30, 9.0)).with_line(DISTURBED);
    assert_eq!(visit.isolate().segment, Some(Segment::Access), "{:#?}", visit.isolate());
}

#[test]
fn enough_light_speaks_for_no_fault() {
    assert_eq!(sound().with_line("technology = \"gpon\"\n[optical]\nreceived = -20").isolate().fault, "none-found");
}
