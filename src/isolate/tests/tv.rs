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
    let cases: [Case; 15] = [
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
        (&["multicast-older-version"], true, 0, "tv-older-version", home),
        (&["multicast-several-queriers"], true, 0, "tv-several-queriers", home),
        (&["multicast-stream-damaged-at-source"], true, 0, "tv-made-wrong", Some(Segment::Network)),
        (&["multicast-stream-doubled"], true, 0, "tv-doubled", Some(Segment::Network)),
        (&["multicast-stream-restarted"], true, 0, "tv-restarted", Some(Segment::Network)),
    ];
    let visit = |codes: &[&str], heard, packets| {
        let readings = if codes.contains(&MISSING) { Vec::new() } else { vec![lost(packets)] };
        sound().beside("multicast", watched(readings, codes, heard))
    };
    let mut all: Vec<_> =
        cases.map(|(codes, heard, packets, fault, segment)| (fault, visit(codes, heard, packets), segment)).into();
    // Lost of 400 echoes each to gateway and far end, beside 40 of 1200 of the channel; check echo, on the quiet line, saw none.
    let beside: [(u64, u64, &str, Segment); 4] = [
        (14, 15, "tv-home-loss", Segment::Home),
        (0, 15, "tv-line-loss", Segment::Access),
        (0, 0, "tv-loss", Segment::Network),
        // It limits its answers.
        (14, 0, "tv-loss", Segment::Network),
    ];
    all.extend(beside.map(|(gateway, far, fault, segment)| {
        let to = |target, lost| loss("multicast.beside_loss_ratio", lost, 400).on(target).over(Family::Ipv4);
        let readings = vec![lost(40), to(Target::Gateway, gateway), to(Target::FarEnd, far)];
        (fault, sound().beside("multicast", watched(readings, &[], true)), Some(segment))
    }));
    all
}

#[test]
fn loss_of_the_network_explains_that_of_its_channels() {
    let visit = sound().with("echo", echo((0, 0.6), (0, 3.0), (14, 9.0))).with("twoway", twoway(30, 9.0));
    let isolation = visit.beside("multicast", watched(vec![lost(40)], &[], true)).isolate();
    assert_eq!((isolation.fault.as_str(), isolation.also.len()), ("network-loss", 0), "{isolation:#?}");
}

/// Each flaw that `check/stream.rs` can tell points somewhere.
#[test]
fn every_flaw_of_a_stream_is_known() {
    const CODES: [(&str, &str); 8] = [
        ("damaged-at-source", "tv-made-wrong"),
        ("unreadable", "tv-made-wrong"),
        ("no-programs", "tv-made-wrong"),
        ("no-map", "tv-made-wrong"),
        ("pid-missing", "tv-made-wrong"),
        ("clock-inaccurate", "tv-made-wrong"),
        ("doubled", "tv-doubled"),
        ("restarted", "tv-restarted"),
    ];
    for (code, fault) in CODES {
        let flaw = format!("multicast-stream-{code}");
        let isolation = sound().beside("multicast", watched(vec![lost(0)], &[&flaw], true)).isolate();
        assert_eq!(isolation.fault, fault, "{code}: {isolation:#?}");
        assert!(isolation.because.iter().any(|words| format!("{words:?}").contains(&flaw)), "{code}: {isolation:#?}");
    }
}
