//! What is left, what is asked for, what is made of two visits, and (in [`risk`]) how often the rule is wrong.

mod risk;

use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use uuid::Uuid;

use super::figure::{Standing, Terms, rule};
use super::open::{Ability, Course};
use super::*;
use crate::judge::{Verdict, overall};
use crate::metric::loss_interval::clopper_pearson;
use crate::profile::{self, Profile};
use crate::reading::{Limit, Outcome, Reading, Status};
use crate::record::sign::Finding;
use crate::record::{Agent, CheckRecord, Merging, Place, Record};
use crate::unit::{Direction, Interval, Position};

const UNSIGNED: Finding = Finding::Unsigned { why: None };

fn tier(criteria: &str) -> Profile {
    profile::parse(&format!("name = \"t\"\ntitle = \"t\"\n{criteria}"), "test").unwrap_or_else(|error| panic!("{error}"))
}

fn criterion(name: &str, reading: &str, rest: &str) -> String {
    format!("[[criterion]]\nname = \"{name}\"\nreading = \"{reading}\"\nseverity = \"must\"\nbasis = \"invented\"\n{rest}\n")
}

fn loss_limit() -> Profile {
    tier(&criterion("loss", "twoway.loss_ratio", "at_most = 0.001"))
}

fn loss(lost: u64, sent: u64, confidence: f64) -> Reading {
    Reading::new("twoway.loss_ratio", lost as f64 / sent as f64, sent, clopper_pearson(lost, sent, confidence))
        .toward(Direction::Down)
}

/// A twoway outcome of packets to this reflector.
fn twoway(readings: Vec<Reading>, reflector: &str) -> Outcome {
    let mut outcome = Outcome { readings, ..Outcome::new(Status::Done) };
    outcome.fact("reflector", reflector);
    outcome.fact("dscp_sent", 0);
    outcome.fact("interval_ms", 9.0);
    outcome.fact("udp_payload_octets", 172);
    outcome
}

fn hour(n: i64) -> Timestamp {
    Timestamp::UNIX_EPOCH + SignedDuration::from_hours(n)
}

fn record(profile: &Profile, at: Timestamp, checks: Vec<(&str, Outcome)>) -> Record {
    let agent = Agent { version: "0.1.0".to_owned(), host: "van-7".to_owned(), kernel: "6.1.0".to_owned() };
    let place = Place { circuit: Some("EVB-1".to_owned()), interface: "eth0".to_owned(), ..Place::default() };
    let id = Uuid::from_u128(u128::try_from(at.as_second()).unwrap_or(0));
    let mut record = Record::begin(id, at, agent, place, Some(profile));
    for (check, outcome) in checks {
        record.add(check, Duration::from_secs(9), outcome);
    }
    record.finish(at, None);
    record.conclude(Some(profile));
    record
}

fn earlier(record: Record) -> Earlier {
    Earlier { record, digest: "sha256:0".to_owned(), signature: "unsigned: test".to_owned() }
}

/// Both visits in one record, concluded.
fn whole(first: &Record, second: &Record, profile: &Profile) -> Record {
    let mut whole = merged(&earlier(first.clone()), second, Some(profile));
    whole.conclude(Some(profile));
    whole
}

fn readings<'a>(record: &'a Record, name: &str) -> Vec<&'a Reading> {
    record.checks.iter().flat_map(|check| &check.outcome.readings).filter(|reading| reading.name == name).collect()
}

/// Every reading of a record, wherever it went.
fn all_evidence(record: &Record) -> Vec<Reading> {
    let checks = record.checks.iter().chain(&record.replaced);
    let of = |check: &CheckRecord| {
        check
            .outcome
            .readings
            .iter()
            .cloned()
            .chain(check.set_aside.iter().map(|aside| aside.reading.clone()))
            .collect::<Vec<_>>()
    };
    checks.flat_map(of).collect()
}

#[test]
fn the_risk_of_all_looks_together_stays_below_twice_the_first() {
    assert_eq!(confidence(0.95, 0), 0.95);
    assert!((confidence(0.95, 1) - 0.975).abs() < 1e-12 && (confidence(0.95, 2) - 0.9875).abs() < 1e-12);
    let all: f64 = (0..40).map(|look| (1.0 - confidence(0.95, look)) / 2.0).sum();
    assert!(all < 0.05, "{all}");
}

#[test]
fn a_loss_that_lies_across_is_continued_with_as_many_packets_as_the_remedy_says_on_top() {
    let profile = loss_limit();
    let record = record(&profile, hour(1), vec![("twoway", twoway(vec![loss(0, 500, 0.95)], "192.0.2.1:862"))]);
    assert_eq!(record.verdict, Verdict::NotProven);
    let ability = |_: &str| Some(Ability { usual: Some(500), most: 80.0 });
    let wanted = wanted(&record, &record.judgements, 0.975, ability);
    assert_eq!(wanted.checks, ["twoway"]);
    // ln(0.0125) / ln(1 - 0.001) = 4379.8, of which 500 are there.
    let course = Course::Sample { check: "twoway".to_owned(), needs: 4380, has: 500, takes: 3880, adds: true };
    assert_eq!(wanted.open[0].course, course);
    assert_eq!(wanted.sizes.count("twoway", 500), 3880);
    assert!(course.is_enough());
}

#[test]
fn a_sample_that_no_visit_can_take_is_said_to_be_short() {
    let profile = loss_limit();
    let record = record(&profile, hour(1), vec![("twoway", twoway(vec![loss(0, 500, 0.95)], "192.0.2.1:862"))]);
    let wanted = wanted(&record, &record.judgements, 0.975, |_| Some(Ability { usual: Some(500), most: 4.0 }));
    assert_eq!(
        wanted.open[0].course,
        Course::Sample { check: "twoway".to_owned(), needs: 4380, has: 500, takes: 2000, adds: true }
    );
    assert!(!wanted.open[0].course.is_enough());
}

#[test]
fn a_quantile_is_taken_anew_and_whole() {
    let profile = tier(&criterion("delay", "twoway.round_trip_p99", "at_most = 50"));
    let interval = Interval { low: Some(10.0), high: None, confidence: 0.95 };
    let reading = Reading::new("twoway.round_trip_p99", 20.0, 300, interval);
    let record = record(&profile, hour(1), vec![("twoway", twoway(vec![reading], "192.0.2.1:862"))]);
    let wanted = wanted(&record, &record.judgements, 0.975, |_| Some(Ability { usual: Some(300), most: 80.0 }));
    // 0.99^n <= 0.0125 from n = 437 on: none of the 300 counts for it.
    assert_eq!(
        wanted.open[0].course,
        Course::Sample { check: "twoway".to_owned(), needs: 437, has: 300, takes: 440, adds: false }
    );
    // Where the check can't take as many, it is not run in vain.
    let short = super::wanted(&record, &record.judgements, 0.975, |_| Some(Ability { usual: Some(300), most: 1.2 }));
    assert!(short.checks.is_empty() && matches!(&short.open[0].course, Course::None(why) if why.contains("437 would prove it")));
}

#[test]
fn only_what_is_open_is_asked_for_and_what_no_check_proves_is_told() {
    let profile = tier(
        &(criterion("carrier", "link.carrier", "at_least = 1")
            + &criterion("loss", "twoway.loss_ratio", "at_most = 0.01")
            + &criterion("rate", "throughput.tcp_payload_rate", "at_least = 90\ndirection = \"down\"")
            + &criterion("margin", "line.margin", "at_least = 6")
            + &criterion("echo", "echo.loss_ratio", "at_most = 0.5")),
    );
    let echo = Reading::new("echo.loss_ratio", 0.0, 500, clopper_pearson(0, 500, 0.95));
    let rate =
        Reading::new("throughput.tcp_payload_rate", 94.0, 150, Interval { low: Some(93.0), high: Some(95.0), confidence: 0.95 })
            .toward(Direction::Down);
    let slow = Reading { value: 80.0, low: Some(79.0), high: Some(81.0), ..rate };
    let done = |reading: Reading| Outcome { readings: vec![reading], ..Outcome::new(Status::Done) };
    let checks = vec![
        ("link", done(Reading::exact("link.carrier", 1.0))),
        ("echo", done(echo)),
        ("twoway", Outcome::not_tested("no far end was given (--far-end FILE)")),
        ("throughput", done(slow.limited_by(Limit::TestSet, "port negotiated 100 Mbit/s"))),
    ];
    let record = record(&profile, hour(1), checks);
    let wanted = wanted(&record, &record.judgements, 0.975, |_| Some(Ability { usual: None, most: 1.0 }));
    assert_eq!(wanted.checks, ["twoway", "throughput"]);
    let first = |what: &str, check: &str| Course::Run { check: check.to_owned(), first: vec![what.to_owned()] };
    let courses: Vec<&Course> = wanted.open.iter().map(|open| &open.course).collect();
    assert_eq!(courses[0], &first("no far end was given (--far-end FILE)", "twoway"));
    assert_eq!(courses[1], &first("port negotiated 100 Mbit/s", "throughput"));
    assert!(matches!(courses[2], Course::None(why) if why.contains("--line")), "{courses:?}");
    assert!(wanted.asks_to_type_in(&record.judgements));
    for judgement in record.judgements.iter().filter(|judgement| judgement.verdict != Verdict::Pass) {
        assert!(judgement.remedy.is_some() && !judgement.to_prove.is_empty(), "{judgement:?} names nothing");
    }
}

#[test]
fn counts_of_one_line_are_added_and_nothing_is_lost() {
    let profile = loss_limit();
    let first = record(&profile, hour(1), vec![("twoway", twoway(vec![loss(0, 500, 0.95)], "192.0.2.1:862"))]);
    let second = record(&profile, hour(2), vec![("twoway", twoway(vec![loss(0, 3880, 0.975)], "192.0.2.1:862"))]);
    assert_eq!(second.verdict, Verdict::NotProven, "by itself it would not do");
    let whole = whole(&first, &second, &profile);
    assert_eq!(whole.verdict, Verdict::Pass, "{:?}", whole.judgements);
    let standing = readings(&whole, "twoway.loss_ratio");
    assert_eq!((standing.len(), standing[0].samples, standing[0].confidence), (1, 4380, 0.975));
    let evidence = all_evidence(&whole);
    for part in [loss(0, 500, 0.95), loss(0, 3880, 0.975)] {
        assert!(evidence.contains(&part), "{part:?} is lost");
    }
    assert_eq!(whole.merged.len(), 1);
    assert_eq!(whole.merged[0].what, Merging::Pooled);
    assert!(whole.merged[0].because.contains("0 % (0 of 500) then and 0 % (0 of 3,880) now"), "{}", whole.merged[0].because);
    // Where each came from.
    assert_eq!(whole.continues.iter().map(|part| part.record).collect::<Vec<_>>(), [first.id]);
    assert_eq!(whole.checks.iter().map(|check| check.part).collect::<Vec<_>>(), [None, Some(0)]);
    assert_eq!((whole.id, whole.started), (second.id, second.started));
    // A record judged again gives what it holds.
    let again = whole.concluded_again().expect("a valid tier");
    assert_eq!((again.judgements, again.verdict), (whole.judgements.clone(), whole.verdict));
    let read: Record = serde_json::from_str(&crate::report::json(&whole)).expect("JSON");
    assert_eq!(read, whole);
}

#[test]
fn visits_that_differ_beyond_chance_are_never_made_one_and_the_later_does_not_silently_win() {
    let profile = loss_limit();
    let first = record(&profile, hour(1), vec![("twoway", twoway(vec![loss(4, 500, 0.95)], "192.0.2.1:862"))]);
    let second = record(&profile, hour(2), vec![("twoway", twoway(vec![loss(0, 5000, 0.975)], "192.0.2.1:862"))]);
    assert_eq!(second.verdict, Verdict::Pass, "the later alone");
    // 4 of 500 lost with a limit of 0.1 %: the interval begins at 0.22 %.
    assert_eq!(first.verdict, Verdict::Fail);
    let across = record(&profile, hour(1), vec![("twoway", twoway(vec![loss(2, 500, 0.95)], "192.0.2.1:862"))]);
    assert_eq!(across.verdict, Verdict::NotProven);
    for (first, verdict) in [(&first, Verdict::Fail), (&across, Verdict::NotProven)] {
        let whole = whole(first, &second, &profile);
        assert_eq!(readings(&whole, "twoway.loss_ratio").len(), 2);
        assert_eq!((whole.verdict, whole.judgements.len()), (verdict, 2), "{:?}", whole.merged);
        assert_eq!(whole.merged[0].what, Merging::BothStand);
        assert!(whole.merged[0].because.contains("differ beyond chance"), "{}", whole.merged[0].because);
        // Going on and on does not help: it says so.
        let next = wanted(&whole, &whole.judgements, 0.9875, |_| Some(Ability { usual: Some(500), most: 80.0 }));
        assert!(next.checks.is_empty(), "{next:?}");
    }
}

#[test]
fn counts_that_were_taken_otherwise_are_not_added() {
    let profile = loss_limit();
    let first = record(&profile, hour(1), vec![("twoway", twoway(vec![loss(0, 500, 0.95)], "192.0.2.1:862"))]);
    let other_far_end = twoway(vec![loss(0, 3880, 0.975)], "198.51.100.7:862");
    let mut other_pace = twoway(vec![loss(0, 3880, 0.975)], "192.0.2.1:862");
    other_pace.fact("interval_ms", 20.0);
    for (outcome, why) in [(other_far_end, "two far ends"), (other_pace, "pace")] {
        let second = record(&profile, hour(2), vec![("twoway", outcome)]);
        let whole = whole(&first, &second, &profile);
        assert_eq!(readings(&whole, "twoway.loss_ratio")[0].samples, 3880, "the larger sample stands");
        assert!(whole.merged[0].because.contains(why), "{}", whole.merged[0].because);
    }
}

#[test]
fn what_was_proven_once_is_not_asked_again_and_what_contradicts_it_is_judged_too() {
    let profile = tier(
        &(criterion("down", "twoway.loss_ratio", "at_most = 0.01\ndirection = \"down\"")
            + &criterion("up", "twoway.loss_ratio", "at_most = 0.001\ndirection = \"up\"")),
    );
    let up = |lost, sent, confidence| Reading { direction: Some(Direction::Up), ..loss(lost, sent, confidence) };
    let first = record(&profile, hour(1), vec![("twoway", twoway(vec![loss(0, 500, 0.95), up(0, 500, 0.95)], "192.0.2.1:862"))]);
    let agrees = twoway(vec![loss(2, 3880, 0.975), up(0, 3880, 0.975)], "192.0.2.1:862");
    let agreed = whole(&first, &record(&profile, hour(2), vec![("twoway", agrees)]), &profile);
    assert_eq!(agreed.verdict, Verdict::Pass, "{:?}", agreed.judgements);
    let down = readings(&agreed, "twoway.loss_ratio").into_iter().find(|r| r.direction == Some(Direction::Down)).cloned();
    assert_eq!(down.map(|r| r.samples), Some(500), "as it was proven");
    let worse = twoway(vec![loss(200, 3880, 0.975), up(0, 3880, 0.975)], "192.0.2.1:862");
    let worse = whole(&first, &record(&profile, hour(2), vec![("twoway", worse)]), &profile);
    assert_eq!(worse.verdict, Verdict::Fail, "the line fails now, whatever it did then");
}

#[test]
fn a_figure_that_something_else_bounded_gives_way_to_one_that_nothing_did() {
    let rate = |mbit: f64, confidence| {
        Reading::new(
            "throughput.tcp_payload_rate",
            mbit,
            150,
            Interval { low: Some(mbit - 1.0), high: Some(mbit + 1.0), confidence },
        )
    };
    let bounded = rate(94.0, 0.95).limited_by(Limit::TestSet, "port negotiated 100 Mbit/s");
    let terms = Terms { standing: Standing::Open, may_add: Err("x"), chance: 0.99, confidence: 0.975 };
    let free = rate(230.0, 0.975);
    assert_eq!(rule(&bounded, &free, terms).what, Merging::Later);
    assert_eq!(rule(&free, &bounded, terms).what, Merging::Earlier);
    assert_eq!(rule(&rate(230.0, 0.95), &rate(231.0, 0.975), terms).what, Merging::Later, "as large a sample");
    assert_eq!(rule(&rate(230.0, 0.95), &rate(200.0, 0.975), terms).what, Merging::BothStand);
}

#[test]
fn settings_that_changed_both_stand_and_of_single_times_the_longer() {
    let terms = Terms { standing: Standing::Decided, may_add: Err("x"), chance: 0.99, confidence: 0.975 };
    let servers = |n| Reading::exact("dhcp4.servers", n);
    assert_eq!(rule(&servers(1.0), &servers(1.0), terms).what, Merging::Later);
    assert_eq!(rule(&servers(2.0), &servers(1.0), terms).what, Merging::BothStand);
    let offer = |ms| Reading::exact("dhcp4.offer_time", ms);
    assert_eq!(rule(&offer(12.0), &offer(11.0), terms).what, Merging::Earlier);
    assert_eq!(rule(&offer(12.0), &offer(31.0), terms).what, Merging::Later);
}

#[test]
fn a_check_that_had_not_run_or_failed_for_the_far_end_gives_way_to_one_that_ran() {
    let profile = loss_limit();
    let ran = || twoway(vec![loss(0, 5000, 0.975)], "192.0.2.1:862");
    let silent = {
        let all_lost = twoway(vec![loss(500, 500, 0.95)], "192.0.2.1:862");
        Outcome { status: Status::Failed, reason: Some("no packet was answered".to_owned()), ..all_lost }
    };
    for not_run in [Outcome::not_tested("no far end was given (--far-end FILE)"), silent] {
        let first = record(&profile, hour(1), vec![("twoway", not_run.clone())]);
        assert_eq!(first.verdict, Verdict::NotProven);
        let whole_of =
            |first: &Record, second: Outcome| whole(first, &record(&profile, hour(2), vec![("twoway", second)]), &profile);
        let proven = whole_of(&first, ran());
        assert_eq!(
            (proven.verdict, proven.checks.len(), proven.replaced.len()),
            (Verdict::Pass, 1, 1),
            "{:?}",
            proven.judgements
        );
        assert_eq!(proven.replaced[0].part, Some(0));
        // The other way round nothing is lost either.
        let first = record(&profile, hour(1), vec![("twoway", ran())]);
        let kept = whole_of(&first, not_run);
        assert_eq!((kept.verdict, kept.checks.len(), kept.replaced.len()), (Verdict::Pass, 1, 1));
    }
}

/// The line fails by its own: nobody washes that out by going on.
#[test]
fn a_failure_that_is_the_line_s_own_stands() {
    let profile = tier(&criterion("address", "dhcp4.address_held", "at_least = 1"));
    let first = record(&profile, hour(1), vec![("dhcp4", Outcome::failed("no server answered"))]);
    let held = Outcome { readings: vec![Reading::exact("dhcp4.address_held", 1.0)], ..Outcome::new(Status::Done) };
    let none = Outcome { readings: vec![Reading::exact("dhcp4.address_held", 0.0)], ..Outcome::failed("no server answered") };
    let with_figure = record(&profile, hour(1), vec![("dhcp4", none)]);
    assert_eq!((first.verdict, with_figure.verdict), (Verdict::Fail, Verdict::Fail));
    let second = record(&profile, hour(2), vec![("dhcp4", held)]);
    assert_eq!(whole(&with_figure, &second, &profile).verdict, Verdict::Fail);
}

#[test]
fn a_chain_of_visits_keeps_every_part_and_the_risk_halves_each_time() {
    let profile = loss_limit();
    let outcome = |lost, sent, confidence| vec![("twoway", twoway(vec![loss(lost, sent, confidence)], "192.0.2.1:862"))];
    let first = record(&profile, hour(1), outcome(0, 500, 0.95));
    let second = whole(&first, &record(&profile, hour(2), outcome(0, 1000, 0.975)), &profile);
    assert_eq!((second.verdict, earlier(second.clone()).next_confidence(0.95)), (Verdict::NotProven, 0.9875));
    let third = whole(&second, &record(&profile, hour(3), outcome(0, 4000, 0.9875)), &profile);
    assert_eq!(third.verdict, Verdict::Pass);
    let standing = readings(&third, "twoway.loss_ratio");
    assert_eq!((standing.len(), standing[0].samples, standing[0].confidence), (1, 5500, 0.9875));
    assert_eq!(third.continues.iter().map(|part| part.record).collect::<Vec<_>>(), [first.id, second.id]);
    assert_eq!(third.checks.iter().map(|check| check.part).collect::<Vec<_>>(), [None, Some(1), Some(0)]);
    for part in [loss(0, 500, 0.95), loss(0, 1000, 0.975), loss(0, 4000, 0.9875)] {
        assert!(all_evidence(&third).contains(&part), "{part:?} is lost");
    }
}

#[test]
fn losses_that_cluster_in_one_part_count_as_clustered_in_both() {
    let clustered = crate::metric::loss_interval::clustered(20, 1000, 5.0, 0.95);
    let bursty = Reading { low: clustered.low, high: clustered.high, ..loss(20, 1000, 0.95) };
    let sum = figure::added(&bursty, &loss(60, 3000, 0.975), 0.975);
    let plain = clopper_pearson(80, 4000, 0.975);
    let expected = crate::metric::loss_interval::clustered(80, 4000, 5.0, 0.975);
    assert!(sum.high > plain.high, "{sum:?}");
    assert!((sum.high.unwrap() - expected.high.unwrap()).abs() < 1e-6, "{sum:?} {expected:?}");
}

#[test]
fn another_line_tier_place_or_time_is_refused_with_every_reason() {
    let profile = loss_limit();
    let record = record(&profile, hour(1), vec![("twoway", twoway(vec![loss(0, 500, 0.95)], "192.0.2.1:862"))]);
    let other = tier(&criterion("loss", "twoway.loss_ratio", "at_most = 0.002"));
    let soon = fit::Now { at: hour(2), ..fit::Now::default() };
    assert_eq!(fit::check(&record, &UNSIGNED, &soon), Ok(()));
    let same = fit::Now {
        circuit: Some("EVB-1 "),
        profile: Some(&profile),
        position: Some(Position::Gateway),
        dscp: Some(0),
        ..soon.clone()
    };
    assert_eq!(fit::check(&record, &UNSIGNED, &same), Ok(()));
    let wrong = fit::Now {
        at: hour(1 + fit::MOST_HOURS),
        circuit: Some("EVB-2"),
        profile: Some(&other),
        position: Some(Position::Ont),
        vlan: Some("35".to_owned()),
        dscp: Some(46),
    };
    let Err(Unfit(reasons)) = fit::check(&record, &UNSIGNED, &wrong) else { panic!("taken") };
    let told = ["was changed since", "EVB-1", "at gateway and not at ont", "VLAN 35", "DSCP 0", "72 hours ago"];
    assert_eq!(reasons.len(), told.len(), "{reasons:?}");
    for (reason, what) in reasons.iter().zip(told) {
        assert!(reason.contains(what), "{reason} does not tell {what}");
    }
    let early = fit::Now { at: hour(0), ..fit::Now::default() };
    assert!(fit::check(&record, &UNSIGNED, &early).is_err_and(|unfit| unfit.to_string().contains("in the future")));
    let altered = Finding::Altered { why: "the signature does not fit what stands in it".to_owned() };
    assert!(fit::check(&record, &altered, &soon).is_err_and(|unfit| unfit.to_string().contains("altered")));
    let bare = Record { profile: None, ..record };
    assert!(fit::check(&bare, &UNSIGNED, &soon).is_err_and(|unfit| unfit.to_string().contains("no tier")));
}

#[test]
fn every_open_must_leaves_the_visit_open() {
    let profile = loss_limit();
    let record = record(&profile, hour(1), Vec::new());
    assert_eq!(overall(&record.judgements), Verdict::NotProven);
    let wanted = wanted(&record, &record.judgements, 0.975, |_| None);
    assert!(wanted.checks.is_empty() && matches!(&wanted.open[0].course, Course::None(why) if why.contains("no check twoway")));
}
