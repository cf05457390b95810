mod until_certain;
mod visits;

use proptest::prelude::*;

use super::*;
use crate::metric::loss_interval::clopper_pearson;
use crate::profile::{self, Profile};
use crate::reading::{Limit, Outcome, Reading, Status, Target};
use crate::unit::{Direction, Family, Interval, Load, Position, Segment};

pub(super) fn profile_with(criteria: &str) -> Profile {
    let head = r#"
        name = "t"
        title = "t"
        [sold]
        down = 1000
        up = 500
        layer = "ip"
        basis = "invented"
        [line]
        port = 1000
    "#;
    profile::parse(&format!("{head}\n{criteria}"), "test").unwrap_or_else(|error| panic!("{error}"))
}

pub(super) fn criterion(reading: &str, rest: &str) -> String {
    format!(
        "[[criterion]]\nname = \"{reading} {}\"\nreading = \"{reading}\"\nseverity = \"must\"\nbasis = \"invented\"\n{rest}\n",
        rest.replace(['"', '\n'], "")
    )
}

fn done(readings: Vec<Reading>) -> Outcome {
    Outcome { readings, ..Outcome::new(Status::Done) }
}

fn judged(criteria: &str, check: &str, outcome: &Outcome) -> Vec<Judgement> {
    judge(&profile_with(criteria), Setting::default(), None, &[(check, outcome)])
}

fn between(low: f64, high: f64) -> Interval {
    Interval { low: Some(low), high: Some(high), confidence: 0.95 }
}

fn one(criteria: &str, check: &str, outcome: &Outcome) -> Judgement {
    let mut all = judged(criteria, check, outcome);
    assert_eq!(all.len(), 1, "{all:?}");
    all.remove(0)
}

#[test]
fn the_interval_decides_not_the_point() {
    let limit = criterion("twoway.round_trip_p95", "at_most = 50");
    for (low, high, want) in [
        (40.0, 50.0, Verdict::Pass),
        (40.0, 50.1, Verdict::NotProven),
        (50.0, 60.0, Verdict::NotProven),
        (50.1, 60.0, Verdict::Fail),
    ] {
        let outcome = done(vec![Reading::new("twoway.round_trip_p95", 45.0, 100, between(low, high))]);
        assert_eq!(one(&limit, "twoway", &outcome).verdict, want, "{low} to {high}");
    }
}

#[test]
fn a_tier_can_ask_for_an_ipv6_prefix_of_a_size() {
    let limit = criterion("ipv6.delegated_prefix_length", "at_most = 56");
    for (bits, want) in [(48.0, Verdict::Pass), (56.0, Verdict::Pass), (60.0, Verdict::Fail), (64.0, Verdict::Fail)] {
        let outcome = done(vec![Reading::exact("ipv6.delegated_prefix_length", bits).over(Family::Ipv6)]);
        assert_eq!(one(&limit, "ipv6", &outcome).verdict, want, "/{bits}");
    }
    let none = done(vec![Reading::exact("ipv6.prefix_delegated", 0.0).over(Family::Ipv6)]);
    assert_eq!(one(&criterion("ipv6.prefix_delegated", "at_least = 1"), "ipv6", &none).verdict, Verdict::Fail);
}

#[test]
fn a_missing_bound_is_unbounded_and_names_what_it_takes() {
    let interval = Interval { low: Some(10.0), high: None, confidence: 0.95 };
    let outcome = done(vec![Reading::new("twoway.round_trip_p99", 20.0, 100, interval)]);
    let judgement = one(&criterion("twoway.round_trip_p99", "at_most = 50"), "twoway", &outcome);
    assert_eq!(judgement.verdict, Verdict::NotProven);
    assert_eq!(
        judgement.because,
        "20 ms (at least 10 ms; 100 samples carry no upper bound) lies across the limit of at most 50 ms"
    );
    // 368 is the smallest n with 0.99^n <= 0.025; said with two digits, upwards.
    assert_eq!(judgement.remedy.as_deref(), Some("take 370 test packets instead of 100"));
}

#[test]
fn a_thousand_sold_over_a_gigabit_port_is_judged_against_what_the_port_can_carry() {
    let limit = criterion("throughput.tcp_payload_rate", "direction = \"down\"\nshare_of_sold = 1.0");
    let reading = Reading::new("throughput.tcp_payload_rate", 941.5, 80, between(941.4, 941.6)).toward(Direction::Down);
    let judgement = one(&limit, "throughput", &done(vec![reading]));
    // 1000 x (1500 - 20 - 32) / 1538, RFC 6349 section 4.1.1 with the time-stamp option of RFC 7323.
    assert!((judgement.limit.at_least.unwrap() - 941.482).abs() < 0.001, "{:?}", judgement.limit);
    assert!(judgement.limit.computed.unwrap().contains("the port carries no more than 1000 Mbit/s"));
    let six =
        Reading::new("throughput.tcp_payload_rate", 928.4, 80, between(928.0, 928.8)).toward(Direction::Down).over(Family::Ipv6);
    let judgement = one(&limit, "throughput", &done(vec![six]));
    assert!((judgement.limit.at_least.unwrap() - 928.479).abs() < 0.001, "{:?}", judgement.limit);
}

#[test]
fn what_something_else_bounded_never_fails_the_line() {
    let limit = criterion("throughput.tcp_payload_rate", "direction = \"down\"\nat_least = 800");
    for side in [Limit::TestSet, Limit::FarEnd, Limit::CrossTraffic] {
        let reading = Reading::new("throughput.tcp_payload_rate", 94.0, 80, between(93.9, 94.1))
            .toward(Direction::Down)
            .limited_by(side, "port negotiated 100 Mbit/s");
        let judgement = one(&limit, "throughput", &done(vec![reading]));
        assert_eq!(judgement.verdict, Verdict::NotProven);
        assert!(judgement.because.contains("port negotiated 100 Mbit/s"), "{}", judgement.because);
        assert!(judgement.remedy.unwrap().contains("port negotiated 100 Mbit/s"));
    }
}

#[test]
fn a_small_delay_beside_a_load_that_did_not_fill_the_line_proves_nothing() {
    let limit = criterion("throughput.delay_under_load_p95", "at_most = 100");
    let reading = Reading::new("throughput.delay_under_load_p95", 20.0, 400, between(19.0, 22.0)).under(Load::Down);
    assert_eq!(one(&limit, "throughput", &done(vec![reading.clone()])).verdict, Verdict::Pass);
    let limited = reading.limited_by(Limit::FarEnd, "admitted at 100 Mbit/s");
    assert_eq!(one(&limit, "throughput", &done(vec![limited])).verdict, Verdict::NotProven);
}

#[test]
fn a_criterion_judges_every_reading_that_it_selects_and_no_other() {
    let readings = vec![
        Reading::new("dns.failure_ratio", 0.0, 100, clopper_pearson(0, 100, 0.95)).on(Target::Resolver(1)),
        Reading::new("dns.failure_ratio", 1.0, 100, clopper_pearson(100, 100, 0.95)).on(Target::Resolver(2)),
    ];
    let judgements =
        judged(&criterion("dns.failure_ratio", "at_most = 0.1\ntarget = \"every-resolver\""), "dns", &done(readings));
    assert_eq!(judgements.iter().map(|j| j.verdict).collect::<Vec<_>>(), [Verdict::Pass, Verdict::Fail]);
    let loaded = Reading::new("twoway.loss_ratio", 0.5, 100, between(0.4, 0.6)).under(Load::Down);
    let none = one(&criterion("twoway.loss_ratio", "at_most = 0.1"), "twoway", &done(vec![loaded]));
    assert_eq!(none.verdict, Verdict::NotTested, "a figure under load must not be judged as one of the idle line");
}

#[test]
fn a_limit_for_one_position_is_no_limit_at_another() {
    let profile = profile_with(&criterion("twoway.loss_ratio", "at_most = 0.001\nposition = [\"ont\"]"));
    let lossy = done(vec![Reading::new("twoway.loss_ratio", 0.1, 1000, clopper_pearson(100, 1000, 0.95))]);
    let at = |position| judge(&profile, Setting { position, ..Setting::default() }, None, &[("twoway", &lossy)]);
    assert_eq!(at(Position::Ont)[0].verdict, Verdict::Fail);
    assert!(at(Position::Gateway).is_empty());
}

/// A line that trained at 450 of 1000 Mbit/s sold, and gives nearly all of that: it misses what was sold, not what it can carry.
#[test]
fn a_share_of_the_speed_budget_follows_the_line_s_own_rate() {
    let limits = "direction = \"down\"\nshare_of_budget = 0.95";
    let profile = profile_with(&criterion("throughput.tcp_payload_rate", limits));
    let facts = crate::line::parse("technology = \"gfast\"\n[down]\nrate = 450\n[up]\nrate = 450\n", "test").unwrap();
    let rate = |mbit: f64| {
        let reading =
            Reading::new("throughput.tcp_payload_rate", mbit, 80, between(mbit - 1.0, mbit + 1.0)).toward(Direction::Down);
        let outcome = done(vec![reading]);
        judge(&profile, Setting::default(), Some(&facts), &[("throughput", &outcome)]).remove(0)
    };
    let judgement = rate(415.0);
    assert_eq!(judgement.verdict, Verdict::Pass, "{judgement:?}");
    let computed = judgement.limit.computed.unwrap();
    assert!(computed.starts_with("95 per cent of this: the G.fast line gives 450 Mbit/s x"), "{computed}");
    assert_eq!(rate(300.0).verdict, Verdict::Fail);
}

#[test]
fn a_speed_budget_that_nobody_knows_proves_nothing_and_says_what_to_type_in() {
    let copper = "name = \"t\"\ntitle = \"t\"\n[line]\ntechnology = \"vdsl2\"\n";
    let limit = criterion("throughput.tcp_payload_rate", "direction = \"down\"\nshare_of_budget = 0.95");
    let profile = profile::parse(&format!("{copper}{limit}"), "test").unwrap();
    let reading = Reading::new("throughput.tcp_payload_rate", 90.0, 80, between(89.0, 91.0)).toward(Direction::Down);
    let judgement = judge(&profile, Setting::default(), None, &[("throughput", &done(vec![reading]))]).remove(0);
    assert_eq!(judgement.verdict, Verdict::NotProven, "never a pass against no limit");
    assert!(judgement.because.contains("the rate of the access line itself is not known"), "{judgement:?}");
    assert!(judgement.remedy.unwrap().contains("--line ask"));
}

#[test]
fn depth_leaves_out_what_it_does_not_cover() {
    let soak_only = criterion("twoway.loss_ratio", "at_most = 0.001\ndepth = [\"soak\"]");
    assert!(judged(&soak_only, "twoway", &done(Vec::new())).is_empty());
}

#[test]
fn without_a_reading_the_status_of_the_check_speaks() {
    let limit = criterion("dhcp4.offer_time", "at_most = 3000");
    let failed = one(&limit, "dhcp4", &Outcome::failed("no server answered"));
    assert_eq!((failed.verdict, failed.because.as_str()), (Verdict::Fail, "the check dhcp4 failed: no server answered"));
    let not_tested = one(&limit, "dhcp4", &Outcome::not_tested("needs carrier on the port"));
    assert_eq!(not_tested.verdict, Verdict::NotTested);
    assert_eq!(not_tested.because, "the check dhcp4 did not run: needs carrier on the port");
    assert_eq!(one(&limit, "echo", &done(Vec::new())).because, "the check dhcp4 was not run");
}

#[test]
fn a_silent_far_end_does_not_fail_the_line_unless_the_check_saw_the_line_fail() {
    let limit = criterion("twoway.loss_ratio", "at_most = 0.01");
    let mut outcome = Outcome::failed("the reflector did not answer");
    assert_eq!(one(&limit, "twoway", &outcome).verdict, Verdict::NotProven);
    outcome.readings.push(Reading::new("twoway.loss_ratio", 1.0, 200, clopper_pearson(200, 200, 0.95)));
    let judgement = one(&limit, "twoway", &outcome);
    assert_eq!(judgement.verdict, Verdict::NotProven);
    assert!(judgement.because.ends_with("the check failed: it may be the far end as well as the line"), "{judgement:?}");
    outcome.flaw("twoway-return-path-lost", "packets leave and never return", Some(Segment::Access));
    assert_eq!(one(&limit, "twoway", &outcome).verdict, Verdict::Fail);
}

#[test]
fn only_must_decides_the_visit() {
    let judgement = |severity, verdict| Judgement {
        severity,
        verdict,
        ..one(&criterion("link.mtu", "at_least = 1"), "link", &done(Vec::new()))
    };
    use crate::profile::Severity::{Must, Note, Should};
    let whole = |list: &[(Severity, Verdict)]| overall(&list.iter().map(|(s, v)| judgement(*s, *v)).collect::<Vec<_>>());
    assert_eq!(whole(&[]), Verdict::NotProven);
    assert_eq!(whole(&[(Should, Verdict::Pass)]), Verdict::NotProven);
    assert_eq!(whole(&[(Must, Verdict::Pass), (Should, Verdict::Fail), (Note, Verdict::Fail)]), Verdict::Pass);
    assert_eq!(whole(&[(Must, Verdict::Pass), (Must, Verdict::NotTested)]), Verdict::NotProven);
    assert_eq!(whole(&[(Must, Verdict::NotProven), (Must, Verdict::Fail), (Must, Verdict::Pass)]), Verdict::Fail);
}

fn rank(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::Pass => 2,
        Verdict::NotProven | Verdict::NotTested => 1,
        Verdict::Fail => 0,
    }
}

fn bound() -> impl Strategy<Value = Option<f64>> {
    proptest::option::weighted(0.8, 0.0..1000.0_f64)
}

proptest! {
    #[test]
    fn a_worse_figure_never_earns_a_better_verdict(
        a in bound(), b in bound(), worse in 0.0..500.0_f64, limit in 0.0..1000.0_f64, most: bool, limited: bool,
    ) {
        let (low, high) = match (a, b) {
            (Some(a), Some(b)) => (Some(a.min(b)), Some(a.max(b))),
            other => other,
        };
        let sign = if most { 1.0 } else { -1.0 };
        let moved = |bound: Option<f64>| bound.map(|x| x + sign * worse);
        let key = if most { "at_most" } else { "at_least" };
        let profile = profile_with(&criterion("throughput.delay_under_load_p95", &format!("{key} = {limit}")));
        let verdict = |low: Option<f64>, high: Option<f64>| {
            let value = low.or(high).unwrap_or(limit);
            let mut reading = Reading::new("throughput.delay_under_load_p95", value, 50, Interval { low, high, confidence: 0.95 });
            if limited {
                reading = reading.limited_by(Limit::TestSet, "cpu");
            }
            judge(&profile, Setting::default(), None, &[("throughput", &done(vec![reading]))])[0].verdict
        };
        prop_assert!(rank(verdict(moved(low), moved(high))) <= rank(verdict(low, high)));
    }

    #[test]
    fn more_loss_of_as_many_packets_never_earns_a_better_verdict(sent in 1..5000_u64, lost in 0..5000_u64, more in 0..100_u64, limit in 0.0..1.0_f64) {
        let lost = lost.min(sent);
        let verdict = |lost| on_interval(clopper_pearson(lost, sent, 0.95), &Limits { at_most: Some(limit), ..Limits::default() });
        prop_assert!(rank(verdict((lost + more).min(sent))) <= rank(verdict(lost)));
    }

    #[test]
    fn a_worse_judgement_never_betters_the_visit(verdicts in proptest::collection::vec(0..4_usize, 1..8), at in 0..8_usize) {
        const ALL: [Verdict; 4] = [Verdict::Pass, Verdict::NotProven, Verdict::NotTested, Verdict::Fail];
        let template = one(&criterion("link.mtu", "at_least = 1"), "link", &done(Vec::new()));
        let whole = |list: &[usize]| rank(overall(&list.iter().map(|v| Judgement { verdict: ALL[*v], ..template.clone() }).collect::<Vec<_>>()));
        let mut worse = verdicts.clone();
        let at = at % worse.len();
        worse[at] = 3;
        prop_assert!(whole(&worse) <= whole(&verdicts));
    }
}
