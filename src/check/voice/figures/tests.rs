use super::*;
use crate::check::voice::run::Call;
use crate::reading::Status;
use crate::unit::{Depth, Family};
use crate::wire::call::{Arrival, Leg};

const MS: i64 = 1_000_000;

/// A call of ten seconds over 10 ms each way that arrives with this marking; what is added to a packet on its way down, `None` loses it. The far end's clock is its own.
fn call(marked: u8, down: impl Fn(u16) -> Option<i64>) -> Call {
    let start = 1_700_000_000_000_000_000;
    let (far, place) = (777 * MS, |i: u16| start + i64::from(i) * 20 * MS);
    let arrival = |i: u16, at_ns| Arrival { place: i, class: marked << 2, at_ns };
    let mut arrived: Vec<Arrival> =
        (0..500).filter_map(|i| Some(arrival(i, place(i) + 7 * MS + 10 * MS + down(i)? * MS))).collect();
    arrived.sort_by_key(|one| one.at_ns);
    let own = Leg { opened: true, sent: (0..500).map(|i| Some(place(i))).collect(), arrived, ..Leg::default() };
    let theirs = Leg {
        opened: true,
        sent: (0..500).map(|i| Some(place(i) + 7 * MS + far)).collect(),
        arrived: (0..500).map(|i| arrival(i, place(i) + 10 * MS + far)).collect(),
        ..Leg::default()
    };
    Call { own, theirs }
}

fn outcome(calls: Vec<Call>, has_unmarked: bool, load: Load) -> Outcome {
    let effort = Effort {
        depth: Depth::Handoff,
        sold_down_mbit: 0.0,
        sold_up_mbit: 0.0,
        streams: 4,
        load_time: Duration::ZERO,
        max_octets: None,
        confidence: 0.95,
        dscp: 0,
        capacity: Default::default(),
        classes: None,
        voice: CallTerms::default(),
        sizes: crate::plan::Sizes::NONE,
    };
    let round = Round { load, family: Family::Ipv4, calls, has_unmarked, failures: Vec::new() };
    let mut outcome = Outcome::new(Status::Done);
    add(&mut outcome, &effort, &round, Duration::ZERO);
    outcome
}

fn of<'a>(outcome: &'a Outcome, name: &str, direction: Direction) -> &'a Reading {
    let found: Vec<_> = outcome.readings.iter().filter(|r| r.name == name && r.direction == Some(direction)).collect();
    assert_eq!(found.len(), 1, "{name} {direction}: {:#?}", outcome.readings);
    found[0]
}

#[test]
fn a_clean_call_has_the_rating_of_its_delay_alone() {
    let outcome = outcome(vec![call(46, |_| Some(0))], false, Load::Idle);
    for direction in [Direction::Down, Direction::Up] {
        // Half of 20 ms, 20 ms of coding, and a buffer that holds 40 ms for a second and 20 ms for nine: 22.
        assert!((of(&outcome, "voice.mouth_to_ear_delay", direction).value - 52.0).abs() < 1e-6);
        let rating = of(&outcome, "voice.rating", direction);
        // 91.72 at 52 ms by the formula; no loss in 500 packets bounds it at 0.74 %, which takes 2.7 points with concealment.
        assert!((rating.value - 91.7).abs() < 0.1 && rating.high == Some(rating.value), "{rating:?}");
        assert!(rating.low.is_some_and(|low| (rating.value - low - 2.7).abs() < 0.1), "{rating:?}");
        assert_eq!(of(&outcome, "voice.marking_kept", direction).value, 1.0);
        assert_eq!((rating.load, of(&outcome, "voice.bad_second_ratio", direction).samples), (None, 10));
    }
    assert!(outcome.flaws.is_empty() && outcome.series.iter().all(|series| series.values.len() == 10), "{:?}", outcome.flaws);
    let trip = outcome.readings.iter().find(|r| r.name == "voice.round_trip_p50").expect("measured");
    assert!((trip.value - 20.0).abs() < 1e-6 && trip.direction.is_none());
}

#[test]
fn stalls_are_late_packets_and_bad_seconds_one_way_only() {
    // Each second the line holds everything for 300 ms: fifteen packets, of which those held for more than 120 ms can't be played.
    let stalled = |place: u16| Some(if place % 50 < 15 { 300 - 20 * i64::from(place % 50) } else { 0 });
    let outcome = outcome(vec![call(46, stalled)], false, Load::Both);
    let late = of(&outcome, "voice.late_ratio", Direction::Down).value;
    assert!((0.15..0.25).contains(&late), "{late}");
    assert_eq!(of(&outcome, "voice.late_ratio", Direction::Up).value, 0.0);
    let burstiness = of(&outcome, "voice.burstiness", Direction::Down).value;
    assert!(burstiness > 4.0, "runs of about ten: {burstiness}");
    let rating = of(&outcome, "voice.rating", Direction::Down);
    assert!(rating.value < 50.0 && rating.load == Some(Load::Both), "{rating:?}");
    assert_eq!(of(&outcome, "voice.bad_second_ratio", Direction::Down).value, 1.0);
    assert!(of(&outcome, "voice.underruns", Direction::Down).value >= 9.0);
    assert_eq!(of(&outcome, "voice.loss_ratio", Direction::Down).value, 0.0);
    assert!(of(&outcome, "voice.jitter", Direction::Down).value > 1.0);
}

#[test]
fn the_unmarked_call_is_compared_and_a_lost_marking_is_named() {
    let lossy = |place: u16| (!place.is_multiple_of(10)).then_some(0);
    let outcome = outcome(vec![call(0, |_| Some(0)), call(0, lossy)], true, Load::Both);
    let gain = of(&outcome, "voice.marking_gain", Direction::Down);
    // A tenth lost, concealed: 27 points.
    assert!((gain.value - 27.0).abs() < 1.0 && gain.low.is_some_and(|low| low > 15.0), "{gain:?}");
    let beside = of(&outcome, "voice.best_effort_rating", Direction::Down);
    assert!(beside.value < 70.0 && of(&outcome, "voice.rating", Direction::Down).value > 90.0);
    assert_eq!(of(&outcome, "voice.marking_gain", Direction::Up).value, 0.0);
    assert_eq!(of(&outcome, "voice.marking_kept", Direction::Down).value, 0.0);
    let codes: Vec<&str> = outcome.flaws.iter().map(|flaw| flaw.code.as_str()).collect();
    assert_eq!(codes, ["dscp-rewritten-down", "dscp-rewritten-up"]);
}

#[test]
fn what_is_not_the_line_s_is_named_and_a_call_that_did_not_begin_is_a_flaw() {
    let mut ours = call(46, |_| Some(0));
    ours.own.sent[7] = None;
    ours.theirs.arrived.retain(|one| one.place != 7);
    ours.own.dropped = 4;
    ours.own.user_stamped = 1;
    let silent = Call { own: Leg { opened: true, ..Leg::default() }, theirs: Leg::default() };
    let outcome = outcome(vec![ours, silent], false, Load::Idle);
    let (up, down) = (of(&outcome, "voice.rating", Direction::Up), of(&outcome, "voice.rating", Direction::Down));
    assert_eq!(up.stamped_by, Some(StampSource::User));
    assert_eq!((up.limited_by[0].side, down.limited_by[0].side), (Limit::TestSet, Limit::TestSet));
    assert_eq!(of(&outcome, "voice.loss_ratio", Direction::Up).value, 0.0);
    assert_eq!(outcome.flaws[0].code, "voice-call-unanswered");
}
