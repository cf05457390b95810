use std::time::Duration;

use super::*;
use crate::proto::stamp::account::Reflector;
use crate::proto::stamp::sim::{Fate, Line, Sim, stream};

fn ms(ms: u64) -> Fate {
    Fate::after([Duration::from_millis(ms)])
}

/// The outcome of a simulated stream.
fn examined(account: Account, ended: Ended) -> Outcome {
    let config = config_of(account.sent);
    let began_at = Instant::now();
    let result = StreamResult { ended, ..result_of(account, began_at) };
    outcome(&config, &result, began_at, &Part::alone(0.95))
}

fn config_of(packets: u64) -> StreamConfig {
    StreamConfig {
        device: None,
        local: [192, 0, 2, 50].into(),
        reflector: ([203, 0, 113, 10], 862).into(),
        kind: Reflector::Stateful,
        dscp: 46,
        give_up_after: Duration::from_secs(10),
        stream: stream(packets),
    }
}

/// What running a simulated stream to its end gives.
pub(super) fn result_of(account: Account, began_at: Instant) -> StreamResult {
    StreamResult {
        account,
        ended: Ended::Complete,
        mode: Mode::Unauthenticated,
        dscp: 46,
        payload_octets: 52,
        interval: stream(0).interval,
        checksum_errors: Some(0),
        began_at,
    }
}

fn named<'a>(outcome: &'a Outcome, name: &str) -> Vec<&'a Reading> {
    outcome.readings.iter().filter(|r| r.name == name).collect()
}

#[test]
fn a_percentile_among_the_lost_is_told_as_at_least_the_wait() {
    // Every 20th is lost: 5 %, so the 95th percentile is the largest answered, the 99th is infinite (RFC 2681 section 4).
    let there = |i: u64, _: f64| if i % 20 == 19 { Fate::Lost } else { ms(5) };
    let outcome = examined(Sim::new(stream(1000)).line(Line { there, back: |_, _| ms(5) }).run(), Ended::Complete);
    let p95 = named(&outcome, "twoway.round_trip_p95")[0];
    assert!((p95.value - 10.0).abs() < 1e-3 && p95.high.is_none(), "{p95:?}");
    let p99 = named(&outcome, "twoway.round_trip_p99")[0];
    assert_eq!((p99.value, p99.low, p99.high, p99.samples), (2000.0, Some(2000.0), None, 1000));
}

#[test]
fn a_line_that_falls_silent_is_not_told_as_free_of_loss() {
    let there = |i: u64, _: f64| if i >= 60 { Fate::Lost } else { ms(5) };
    let account = Sim::new(stream(100)).line(Line { there, back: |_, _| ms(5) }).run();
    let outcome = examined(account, Ended::Silent(Some(Duration::from_millis(1200))));
    let losses: Vec<_> = named(&outcome, "twoway.loss_ratio").iter().map(|r| (r.direction, r.value)).collect();
    assert_eq!(losses, [(Some(Direction::Up), 0.0), (Some(Direction::Down), 0.0), (None, 0.4)]);
    assert_eq!(outcome.status, Status::Done);
    assert!(outcome.reason.as_deref().is_some_and(|r| r.contains("after 1.2 s")), "{:?}", outcome.reason);
    assert_eq!(outcome.flaws[0].code, "twoway-went-silent");
    assert_eq!(outcome.facts["longest_loss_period_packets"], 40);
}

#[test]
fn nothing_answered_is_a_failure_with_the_loss_all_the_same() {
    let account = Sim::new(stream(50)).line(Line { there: |_, _| Fate::Lost, back: |_, _| ms(5) }).run();
    let outcome = examined(account, Ended::Complete);
    assert_eq!(outcome.status, Status::Failed);
    assert_eq!(outcome.reason.as_deref(), Some("none of 50 two-way packets was answered within 2 s"));
    let loss = named(&outcome, "twoway.loss_ratio")[0];
    assert_eq!((loss.value, loss.direction), (1.0, None));
    // Not a word about delays that nobody measured, but that they exceed the wait.
    assert!(named(&outcome, "twoway.round_trip_min").is_empty());
    assert_eq!(named(&outcome, "twoway.round_trip_p50")[0].low, Some(2000.0));
}

#[test]
fn a_test_set_that_cannot_send_has_not_tested_the_line() {
    let mut account = Sim::new(stream(1)).line(Line { there: |_, _| Fate::Lost, back: |_, _| ms(5) }).run();
    (account.sent, account.lost) = (0, 0);
    let outcome = examined(account, Ended::CannotSend("network is unreachable".to_owned()));
    assert_eq!(outcome.status, Status::NotTested);
    assert!(outcome.readings.is_empty());
}

#[test]
fn drops_and_stamps_of_the_test_set_are_named_on_what_they_touch() {
    let line = Line { there: |_, _| ms(5), back: |_, _| ms(5) };
    let mut account = Sim::new(stream(100)).line(line).user_stamps(|_| true).run();
    account.tally.receive_drops = 3;
    let outcome = examined(account, Ended::Complete);
    for reading in &outcome.readings {
        let limits: Vec<_> = reading.limited_by.iter().map(|l| l.side).collect();
        let of_time = reading.unit == Unit::Millisecond;
        assert_eq!(limits.len(), if of_time { 2 } else { 1 }, "{reading:?}");
        assert!(limits.iter().all(|side| *side == Limit::TestSet));
        assert_eq!(reading.stamped_by, of_time.then_some(StampSource::User));
    }
    assert_eq!(outcome.facts["own_receive_drops"], 3);
}

#[test]
fn a_changed_marking_is_a_flaw_with_its_direction() {
    let line = Line { there: |_, _| ms(5), back: |_, _| ms(5) };
    let mut account = Sim::new(stream(10)).line(line).run();
    // What a reflector that did not do as asked sent is not known: no flaw.
    account.seen.dscp_back = [(0, 10)].into();
    account.seen.dscp_back_of_marked.clear();
    assert!(examined(account.clone(), Ended::Complete).flaws.is_empty());
    account.seen.dscp_back_of_marked = [(0, 10)].into();
    let outcome = examined(account, Ended::Complete);
    let flaws: Vec<_> = outcome.flaws.iter().map(|f| (f.code.as_str(), f.what.as_str())).collect();
    let what = "packets sent down with DSCP 46 were marked anew between the far end and this port: they arrived with 0";
    assert_eq!(flaws, [("dscp-rewritten-down", what)]);
}

#[test]
fn a_long_series_is_thinned_to_the_worst_of_each_stretch() {
    let at: Vec<f64> = (0..7000).map(f64::from).collect();
    let mut values: Vec<Option<i64>> = (0..7000).map(|i| Some(i * 1_000_000)).collect();
    values[4] = None;
    let (at, values) = thinned(&at, &values);
    assert_eq!((at.len(), values.len()), (2334, 2334));
    // Three to a point: the second holds packets 3 to 5, of which one is missing.
    assert_eq!(values[..3], [Some(2.0), None, Some(8.0)]);
    assert_eq!(at[..3], [0.0, 3.0, 6.0]);
    assert_eq!(values.last(), Some(&Some(6999.0)));
}

#[test]
fn readings_of_a_clean_stream_have_finite_bounds_where_samples_carry_them() {
    let vary = |_: u64, u: f64| Fate::after([Duration::from_micros(5_000 + (u * 2_000.0) as u64)]);
    let outcome = examined(Sim::new(stream(1000)).line(Line { there: vary, back: vary }).run(), Ended::Complete);
    // Loss, three of PDV, jitter, order twice, copies and three of IPDV each way; four round trips, IPTD, IPER and the schedule.
    assert_eq!(outcome.readings.len(), 2 * 11 + 7);
    for reading in &outcome.readings {
        assert!(reading.low.is_some_and(|low| low <= reading.value), "{reading:?}");
        // The 99.9th percentile of 1000 samples has no upper bound at 95 % (it takes 3688); all others have.
        let bounded = !reading.name.ends_with("_p999");
        assert_eq!(reading.high.is_some_and(|high| high >= reading.value), bounded, "{reading:?}");
    }
}

/// Bursts of loss on one way must not widen what is said of the other: 1000 packets without loss are bounded at 1 - 0.025^(1/1000).
#[test]
fn a_clean_way_is_bounded_as_one_whatever_the_other_way_loses() {
    let there = |i: u64, _: f64| if i % 100 < 8 { Fate::Lost } else { ms(5) };
    let outcome = examined(Sim::new(stream(1000)).line(Line { there, back: |_, _| ms(5) }).run(), Ended::Complete);
    let down = named(&outcome, "twoway.loss_ratio").into_iter().find(|r| r.direction == Some(Direction::Down)).expect("counted");
    let bound = 1.0 - 0.025_f64.powf(1.0 / down.samples as f64);
    assert!(down.value == 0.0 && (down.high.expect("bounded") - bound).abs() < 1e-9, "{down:?}");
}

/// Each twentieth packet goes ahead of five others: nothing is lost, so nothing is told of bursts, and no bound is widened.
#[test]
fn what_is_only_out_of_order_is_not_lost() {
    let there = |i: u64, _: f64| if i % 20 == 7 { Fate::after([Duration::from_millis(1)]) } else { ms(101) };
    let account = Sim::new(stream(1000)).line(Line { there, back: |_, _| ms(5) }).run();
    let ways = account.ways.clone().expect("the reflector counts");
    assert!(ways.forward.reordering.reordered.len() > 100, "it is out of order");
    for way in [&ways.forward, &ways.backward] {
        assert!(way.fates.len() >= 990 && way.fates.iter().all(|lost| !lost));
    }
    assert!(named(&examined(account, Ended::Complete), "twoway.burst_density").is_empty());
}

/// Both ways lose: what each way's fates say is what its counts say.
#[test]
fn the_fates_of_each_way_are_as_many_as_its_losses() {
    let there = |i: u64, u: f64| {
        if i % 31 < 2 || u < 0.02 { Fate::Lost } else { Fate::after([Duration::from_micros(5000 + (u * 6e4) as u64)]) }
    };
    let back = |i: u64, _: f64| if i % 17 == 3 { Fate::Lost } else { ms(5) };
    let ways = Sim::new(stream(1000)).line(Line { there, back }).run().ways.expect("the reflector counts");
    for way in [&ways.forward, &ways.backward] {
        let lost = way.fates.iter().filter(|lost| **lost).count() as u64;
        assert!(lost > 40 && lost.abs_diff(way.lost) <= 2, "{lost} by fates, {} by count", way.lost);
    }
}

#[test]
fn only_round_trips_are_told_as_stamped_by_the_adapter() {
    let mut account = Sim::new(stream(100)).line(Line { there: |_, _| ms(5), back: |_, _| ms(5) }).run();
    account.stamped_by = Some(StampSource::Hardware);
    let outcome = examined(account, Ended::Complete);
    let sources = |name: &str| named(&outcome, name).iter().map(|r| r.stamped_by).collect::<Vec<_>>();
    let (adapter, kernel) = (Some(StampSource::Hardware), Some(StampSource::Kernel));
    assert_eq!(sources("twoway.round_trip_p50"), [adapter]);
    assert_eq!(sources("twoway.transfer_delay_mean"), [adapter]);
    assert_eq!(sources("twoway.delay_variation_p50"), [kernel; 2]);
    assert_eq!(sources("twoway.schedule_error_p99"), [kernel]);
}

#[test]
fn a_stream_that_ended_when_enough_was_known_says_so_and_holds_its_figures_at_every_moment() {
    use crate::check::settling::{Course, Settling};
    use crate::unit::Stretch;
    use std::sync::Arc;
    let of = |packets: u64, planned: u64| {
        let course = Arc::new(Course::new(Settling::new(Arc::new(|_| false), Stretch::USUAL), 1));
        let mut config = config_of(planned);
        let part = Part::of(Some(&course), 0, &mut config, 0.95);
        assert_eq!(config.stream.count, Some(4 * planned), "it may go on");
        let there = |i: u64, _: f64| if i % 100 == 50 { Fate::Lost } else { ms(5) };
        let account = Sim::new(stream(packets)).line(Line { there, back: |_, _| ms(5) }).run();
        let result = StreamResult { ended: Ended::Enough, ..result_of(account, Instant::now()) };
        outcome(&config, &result, Instant::now(), &part)
    };
    let enough = of(400, 400);
    assert_eq!((enough.status, enough.reason.as_deref()), (Status::Done, None));
    assert_eq!((&enough.facts["packets_planned"], &enough.facts["packets_at_most"]), (&json!(400), &json!(1600)));
    assert_eq!(enough.facts["ended_since_certain"], true);
    let up = named(&enough, "twoway.loss_ratio")[0];
    assert_eq!(up.sequential, Some(Sequential { planned: 400, most: 1600 }));
    let ordinary = crate::metric::loss_interval::clopper_pearson(4, 400, 0.95);
    assert!(up.low < ordinary.low && up.high > ordinary.high, "{up:?} is not wider than {ordinary:?}");
    assert_eq!(up.confidence, 0.95);
    // A quarter of the plan shows what is bad, but not that all is well.
    let early = of(400, 1600);
    let up = named(&early, "twoway.loss_ratio")[0];
    assert!(up.low.is_some() && up.high.is_none(), "{up:?}");
    let delay = named(&early, "twoway.round_trip_p95")[0];
    assert!(delay.low.is_some() && delay.high.is_none(), "{delay:?}");
}
