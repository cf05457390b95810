//! What a test of TV channels says about where a fault lies. All figures are invented.

use super::*;

fn watched(readings: Vec<Reading>, codes: &[&str], heard: bool) -> Outcome {
    let mut outcome = codes.iter().fold(done(readings), |outcome, code| flawed(outcome, code));
    if !heard {
        outcome.fact("no_querier_heard_ipv4", "no querier of IPv4 was heard in 12 s");
    }
    outcome
}

fn lost(packets: u64) -> Reading {
    loss("multicast.stream_loss_ratio", packets, 1200).on(Target::Channel(1)).over(Family::Ipv4)
}

/// A line on which only channels lose, so many packets of 1200.
pub(super) fn losing(packets: u64) -> Visit {
    sound().beside("multicast", watched(vec![lost(packets)], &[], true))
}

/// One line for each fault, with what it shows.
pub(super) fn scenarios() -> Vec<(&'static str, Visit, Option<Segment>)> {
    const MISSING: &str = "multicast-not-arriving";
    let home = Some(Segment::Home);
    // Flaws, whether a querier was heard, packets lost of 1200, and what that is.
    type Case = (&'static [&'static str], bool, u64, &'static str, Option<Segment>);
    let cases: [Case; 10] = [
        (&[], true, 0, "none-found", None),
        // In a short look nobody need have asked.
        (&[], false, 0, "none-found", None),
        (&[MISSING], false, 0, "tv-no-querier", home),
        (&[MISSING], true, 0, "tv-not-delivered", Some(Segment::Network)),
        (&[MISSING, "multicast-wrong-tag"], false, 0, "tv-other-vlan", Some(Segment::Access)),
        (&["multicast-dropped"], false, 0, "tv-forgotten", home),
        (&["multicast-dropped"], true, 0, "tv-forgotten", home),
        (&["multicast-flooded"], true, 0, "tv-flooded", home),
        (&["multicast-does-not-stop"], true, 0, "tv-does-not-stop", home),
        (&[], true, 40, "tv-loss", Some(Segment::Network)),
    ];
    let visit = |codes: &[&str], heard, packets| {
        let readings = if codes.contains(&MISSING) { Vec::new() } else { vec![lost(packets)] };
        sound().beside("multicast", watched(readings, codes, heard))
    };
    cases.map(|(codes, heard, packets, fault, segment)| (fault, visit(codes, heard, packets), segment)).into()
}

#[test]
fn loss_of_the_network_explains_that_of_its_channels() {
    let visit = sound().with("echo", echo((0, 0.6), (0, 3.0), (14, 9.0))).with("twoway", twoway(30, 9.0));
    let isolation = visit.beside("multicast", watched(vec![lost(40)], &[], true)).isolate();
    assert_eq!((isolation.fault.as_str(), isolation.also.len()), ("network-loss", 0), "{isolation:#?}");
}
