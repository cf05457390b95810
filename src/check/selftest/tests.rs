//! What is concluded from invented test sets.

use super::*;
use crate::proto::capacity::Terms;

fn effort(down: f64, up: f64) -> Effort {
    Effort {
        depth: Depth::Handoff,
        sold_down_mbit: down,
        sold_up_mbit: up,
        streams: 4,
        load_time: Duration::from_secs(1),
        max_octets: None,
        confidence: 0.95,
        dscp: 0,
        capacity: Terms::default(),
        classes: None,
        voice: Default::default(),
        sizes: crate::plan::Sizes::NONE,
    }
}

fn tcp(mbit: f64) -> Reading {
    Reading::exact("throughput.tcp_payload_rate", mbit).at(Layer::TcpPayload).toward(Direction::Down)
}

fn ip(mbit: f64, direction: Direction) -> Reading {
    Reading::exact("capacity.ip_rate", mbit).at(Layer::Ip).toward(direction)
}

fn is_marked(test_set: &TestSet, rate: Reading, sold: Option<f64>) -> bool {
    test_set.mark(rate, sold).limited_by.iter().any(|limited| limited.side == Limit::TestSet)
}

#[test]
fn a_rate_near_what_loopback_carries_is_the_test_set_s_unless_it_is_as_sold() {
    let test_set = TestSet { tcp_mbit: Some(1000.0), udp_mbit: Some((2000.0, 500.0)), ..TestSet::default() };
    for (rate, sold, want) in [
        (tcp(799.0), Some(1000.0), false),
        (tcp(801.0), Some(1000.0), true),
        (tcp(801.0), None, true),
        // 830 x 1448/1500 = 801.2
        (tcp(801.3), Some(830.0), false),
        (ip(401.0, Direction::Down), Some(1000.0), true),
        (ip(401.0, Direction::Up), Some(1000.0), false),
        (ip(1601.0, Direction::Up), Some(2500.0), true),
        (ip(1601.0, Direction::Up), Some(1600.0), false),
    ] {
        assert_eq!(is_marked(&test_set, rate.clone(), sold), want, "{rate:?} {sold:?}");
    }
    assert!(!is_marked(&TestSet::default(), tcp(100.0), Some(1000.0)), "nothing known, nothing named");
}

#[test]
fn a_radio_holds_back_every_rate_and_a_slow_usb_those_near_it() {
    let radio = TestSet { is_radio: true, ..TestSet::default() };
    assert!(is_marked(&radio, tcp(10.0), Some(100.0)) && !is_marked(&radio, tcp(97.0), Some(100.0)));
    let usb = TestSet { bus_mbit: Some(426.0), ..TestSet::default() };
    assert!(is_marked(&usb, tcp(300.0), Some(1000.0)) && !is_marked(&usb, tcp(100.0), Some(1000.0)));
}

#[test]
fn a_limited_rate_never_fails_the_line() {
    use crate::judge::{Verdict, judge};
    let test_set = TestSet { tcp_mbit: Some(230.0), ..TestSet::default() };
    let profile = crate::profile::load("fibre-250-50").expect("a tier");
    let verdict = |rate: Reading| {
        let mut outcome = Outcome::new(Status::Done);
        outcome.readings.push(rate);
        let judged = judge(&profile, crate::profile::Setting::default(), None, &[("throughput", &outcome)]);
        judged
            .iter()
            .find(|judged| judged.reading == "throughput.tcp_payload_rate" && judged.value.is_some())
            .expect("judged")
            .verdict
    };
    assert_eq!(verdict(tcp(190.0)), Verdict::Fail);
    assert_eq!(verdict(test_set.mark(tcp(190.0), Some(250.0))), Verdict::NotProven);
}

#[test]
fn a_tier_beyond_the_test_set_is_told_beforehand() {
    let test_set = TestSet { tcp_mbit: Some(1000.0), ..TestSet::default() };
    assert_eq!(test_set.falls_short(&effort(500.0, 100.0)), None);
    let down = test_set.falls_short(&effort(1000.0, 100.0)).expect("965 is near 1000");
    assert!(down.starts_with("1000 Mbit/s down may be more"), "{down}");
    assert!(test_set.falls_short(&effort(100.0, 1000.0)).expect("told").contains(" up "));
}

#[test]
fn it_loads_for_fast_tiers_and_unknown_ones_always_at_soak_and_when_asked() {
    assert!(!loads(Depth::Quick, 300.0, 50.0) && loads(Depth::Quick, 50.0, 301.0) && loads(Depth::Handoff, 0.0, 0.0));
    assert!(loads(Depth::Soak, 20.0, 5.0));
    let volume = Volume {
        depth: Depth::Quick,
        load_time: Duration::from_secs(1),
        sold_down_mbit: 100.0,
        sold_up_mbit: 40.0,
        classes_mbit: None,
        tv: None,
        sizes: crate::plan::Sizes::NONE,
    };
    let of = |asked| (SelfTest { asked }.spec().cost)(&volume).time;
    assert_eq!((of(false), of(true)), (Duration::from_millis(20), Duration::from_millis(500)));
    let soak = Volume { depth: Depth::Soak, ..volume };
    assert!(cost(&soak).time <= Duration::from_secs(2));
}

#[test]
fn a_machine_that_is_taken_away_or_gets_hot_is_told_with_what_to_do() {
    let quiet = closing(Some(0.01), Some(0));
    assert!(quiet.flaws.is_empty() && quiet.readings.len() == 2);
    let hard = closing(Some(0.25), Some(3));
    let codes: Vec<&str> = hard.flaws.iter().map(|flaw| flaw.code.as_str()).collect();
    assert_eq!(codes, ["selftest-stolen", "selftest-throttled"]);
    assert!(hard.flaws.iter().all(|flaw| flaw.segment == Some(Segment::TestSet)));
    assert!(closing(None, None).readings.is_empty());
}
