use std::time::Duration;

use super::*;
use crate::proto::echo::Refusal;
use crate::proto::echo::schedule::Pattern;
use crate::wire::icmp::Meaning;

/// A report of `answered` round trips of 1 ms, 2 ms, ... and `lost` losses.
fn report(answered: u64, lost: u64) -> TargetReport {
    let answers = (1..=answered).map(|n| (Duration::from_millis(20 * n), Fate::Answered(Duration::from_millis(n))));
    let losses = (1..=lost).map(|n| (Duration::from_secs(60) + Duration::from_millis(20 * n), Fate::Lost));
    TargetReport { probes: answers.chain(losses).collect(), stamped_by: Some(StampSource::Kernel), ..TargetReport::default() }
}

fn run(reports: Vec<TargetReport>) -> Run {
    let aims = [("192.0.2.1", Target::Gateway), ("198.51.100.1", Target::ProviderHop), ("203.0.113.10", Target::FarEnd)];
    let plan = aims
        .into_iter()
        .take(reports.len())
        .map(|(address, target)| (Family::Ipv4, Aim { address: address.parse().unwrap(), targets: vec![target] }))
        .collect();
    Run {
        settings: EchoSettings {
            count: 500,
            interval: Duration::from_millis(20),
            pattern: Pattern::Periodic,
            waiting_time: Duration::from_secs(2),
            payload_len: 64,
            identifier: 1,
            seed: 1,
        },
        plan,
        reports,
        faults: OwnFaults::default(),
        providers: vec![],
        first_look: vec![],
        far_end_session: false,
        start_ms: 0.0,
        confidence: 0.95,
        sequential: None,
    }
}

fn reading<'a>(outcome: &'a Outcome, name: &str, target: &Target) -> Option<&'a Reading> {
    outcome.readings.iter().find(|r| r.name == name && r.target.as_ref() == Some(target))
}

fn has_flaw(outcome: &Outcome, code: &str) -> bool {
    outcome.flaws.iter().any(|f| f.code == code)
}

#[test]
fn figures_carry_samples_interval_family_and_stamps() {
    let outcome = outcome(&run(vec![report(100, 0)]));
    assert_eq!(outcome.status, Status::Done);
    let loss = reading(&outcome, "echo.loss_ratio", &Target::Gateway).unwrap();
    // Exact binomial bound of 0 of 100 at 95 %: 1 - 0.025^(1/100) = 0.036217.
    assert_eq!((loss.value, loss.samples, loss.family), (0.0, 100, Some(Family::Ipv4)));
    assert!((loss.high.unwrap() - 0.036_217).abs() < 1e-6);
    let p95 = reading(&outcome, "echo.round_trip_p95", &Target::Gateway).unwrap();
    // Ranks 90 and 100 bound the 95th percentile of 100 samples (order statistics of the binomial).
    assert_eq!((p95.value, p95.low, p95.high), (95.0, Some(90.0), Some(100.0)));
    assert_eq!(p95.stamped_by, Some(StampSource::Kernel));
    let p99 = reading(&outcome, "echo.round_trip_p99", &Target::Gateway).unwrap();
    assert_eq!((p99.value, p99.low, p99.high), (99.0, Some(97.0), None));
}

#[test]
fn the_schedule_error_is_that_of_all_targets_together() {
    let late =
        |from: u64| TargetReport { behind_schedule: (from..from + 50).map(Duration::from_millis).collect(), ..report(50, 0) };
    let outcome = outcome(&run(vec![late(1), late(51)]));
    let error = outcome.readings.iter().find(|r| r.name == "echo.schedule_error_p95").unwrap();
    // Ranks as above, of 1 to 100 ms.
    assert_eq!((error.value, error.low, error.high, error.samples), (95.0, Some(90.0), Some(100.0), 100));
    assert_eq!((error.stamped_by, error.target.as_ref()), (Some(StampSource::User), None));
}

#[test]
fn lost_probes_count_as_infinite_in_percentiles() {
    let outcome = outcome(&run(vec![report(90, 10)]));
    assert_eq!(reading(&outcome, "echo.round_trip_p50", &Target::Gateway).unwrap().value, 50.0);
    assert!(reading(&outcome, "echo.round_trip_p95", &Target::Gateway).is_none(), "it lies among the lost");
    assert_eq!(reading(&outcome, "echo.loss_ratio", &Target::Gateway).unwrap().value, 0.1);
}

#[test]
fn a_silent_router_before_an_answering_far_end_is_no_loss() {
    let outcome = outcome(&run(vec![report(500, 0), report(0, 500), report(500, 0)]));
    assert!(reading(&outcome, "echo.loss_ratio", &Target::ProviderHop).is_none());
    assert!(has_flaw(&outcome, "echo-provider-silent"));
    assert_eq!(outcome.status, Status::Done);
}

#[test]
fn a_silent_far_end_with_an_open_session_is_no_loss() {
    let mut run = run(vec![report(500, 0), report(500, 0), report(0, 500)]);
    run.far_end_session = true;
    assert!(reading(&outcome(&run), "echo.loss_ratio", &Target::FarEnd).is_none());
    run.far_end_session = false;
    assert_eq!(reading(&outcome(&run), "echo.loss_ratio", &Target::FarEnd).unwrap().value, 1.0);
    assert!(has_flaw(&outcome(&run), "echo-far-end-unanswered"));
}

#[test]
fn replies_that_a_router_keeps_back_are_no_loss_of_the_line() {
    let outcome = outcome(&run(vec![report(500, 0), report(300, 200), report(500, 0)]));
    let loss = reading(&outcome, "echo.loss_ratio", &Target::ProviderHop).unwrap();
    assert_eq!((loss.value, loss.samples), (0.0, 500));
    assert!(has_flaw(&outcome, "echo-provider-limits-replies"));
    assert!(reading(&outcome, "echo.round_trip_p99", &Target::ProviderHop).is_some());
}

#[test]
fn loss_that_is_seen_behind_too_stays_with_every_target() {
    let outcome = outcome(&run(vec![report(490, 10), report(492, 8), report(488, 12)]));
    for (target, lost) in [(Target::Gateway, 10.0), (Target::ProviderHop, 8.0), (Target::FarEnd, 12.0)] {
        assert_eq!(reading(&outcome, "echo.loss_ratio", &target).unwrap().value, lost / 500.0);
    }
    assert_eq!(outcome.flaws, []);
}

#[test]
fn nobody_at_all_is_a_failed_check_with_full_loss() {
    let outcome = outcome(&run(vec![report(0, 125), report(0, 125)]));
    assert_eq!(outcome.status, Status::Failed);
    assert_eq!(reading(&outcome, "echo.loss_ratio", &Target::Gateway).unwrap().value, 1.0);
}

#[test]
fn nothing_sent_is_not_tested_and_says_why() {
    let mut run = run(vec![report(0, 0)]);
    run.faults.send_errors.insert("network is unreachable".to_owned(), 125);
    let outcome = outcome(&run);
    assert_eq!(outcome.status, Status::NotTested);
    assert!(outcome.reason.unwrap().contains("network is unreachable (125 times)"));
    assert_eq!(outcome.readings, []);
}

#[test]
fn an_error_from_the_way_is_told_in_words_with_its_sender() {
    let mut unreachable = report(490, 10);
    unreachable.refusals.push(Refusal {
        offender: "198.51.100.1".parse().unwrap(),
        meaning: Meaning::Unreachable { family: Family::Ipv4, code: 1 },
        count: 10,
    });
    let outcome = outcome(&run(vec![unreachable]));
    let flaw = outcome.flaws.iter().find(|f| f.code == "echo-unreachable-host").unwrap();
    assert_eq!(flaw.what, "host unreachable instead of a reply of gateway 192.0.2.1, says 198.51.100.1 (10 times)");
}

#[test]
fn what_the_test_set_did_wrong_marks_its_figures() {
    let mut held_up = report(480, 0);
    held_up.missed = 20;
    let outcome = outcome(&run(vec![held_up]));
    assert!(outcome.readings.iter().all(|r| r.limited_by.iter().any(|l| l.side == Limit::TestSet)));
}

#[test]
fn the_series_shows_lost_probes_as_gaps() {
    let outcome = outcome(&run(vec![report(2, 1)]));
    assert_eq!(outcome.series[0].values, [Some(1.0), Some(2.0), None]);
    assert_eq!(outcome.series[0].at_ms.len(), 3);
}
