use jiff::civil::time;
use jiff::tz::TimeZone;
use proptest::prelude::*;

use super::*;
use crate::watch::schedule::{Quiet, Rhythm};

fn at(text: &str) -> Timestamp {
    text.parse().expect("a time stamp")
}

fn schedule(apart: SignedDuration) -> Schedule {
    Schedule {
        rhythm: Rhythm::every(apart).expect("a rhythm"),
        jitter: SignedDuration::ZERO,
        quiet: Vec::new(),
        zone: TimeZone::UTC,
        from: at("2026-03-01T08:00:00Z"),
        until: None,
    }
}

fn policy() -> Policy {
    Policy {
        light: schedule(SignedDuration::from_mins(15)),
        heavy: Some(schedule(SignedDuration::from_hours(6))),
        daily_octets: None,
        goes_after: true,
    }
}

fn watch(policy: Policy) -> Watch {
    let began = policy.light.from;
    Watch::new(policy, Memory::begun(began, 7))
}

/// Octets, invented.
fn needs(kind: Kind) -> u64 {
    if kind == Kind::Light { 10 } else { 1_000 }
}

/// Makes the next visit and lets it end so; says when and what it was.
fn step(watch: &mut Watch, now: Timestamp, verdict: Verdict) -> (Timestamp, Kind) {
    let due = watch.next(now).expect("due");
    let Choice::Make { kind, .. } = watch.choose(due, due.at, needs) else { panic!("left out") };
    watch.ended(kind, due.at, Some(verdict), "record.json".to_owned());
    (due.at, kind)
}

#[test]
fn the_first_is_due_at_once_and_is_the_heavy_one_then_light_ones_come_often() {
    let mut watch = watch(policy());
    let mut now = at("2026-03-01T08:00:00Z");
    let mut kinds = Vec::new();
    for _ in 0..50 {
        let (when, kind) = step(&mut watch, now, Verdict::Pass);
        now = when;
        kinds.push((when, kind));
    }
    assert_eq!(kinds[0], (at("2026-03-01T08:00:00Z"), Kind::Heavy));
    assert_eq!(kinds[1], (at("2026-03-01T08:15:00Z"), Kind::Light));
    let heavy: Vec<String> = kinds.iter().filter(|(_, kind)| *kind == Kind::Heavy).map(|(at, _)| at.to_string()).collect();
    assert_eq!(heavy, ["2026-03-01T08:00:00Z", "2026-03-01T14:00:00Z", "2026-03-01T20:00:00Z"]);
    assert_eq!(watch.memory().counts.made, 50);
}

#[test]
fn a_failing_light_visit_calls_a_thorough_one_at_once_and_then_ever_less_often() {
    let mut watch = watch(Policy { heavy: None, ..policy() });
    let mut now = at("2026-03-01T08:00:00Z");
    let mut thorough = Vec::new();
    while now < at("2026-03-03T08:00:00Z") {
        let (when, kind) = step(&mut watch, now, Verdict::Fail);
        if kind == Kind::Thorough {
            thorough.push(when.duration_since(at("2026-03-01T08:00:00Z")).as_mins());
        }
        now = when;
    }
    // Pauses of 1, 2, 4, 8, 16 and then 24 hours; each is asked for by the light visit at the end of the pause.
    assert_eq!(thorough, [0, 60, 180, 420, 900, 1_860]);
}

#[test]
fn trouble_that_is_over_and_comes_back_is_gone_after_at_once_again() {
    let mut watch = watch(Policy { heavy: None, ..policy() });
    let mut now = at("2026-03-01T08:00:00Z");
    for _ in 0..2 {
        now = step(&mut watch, now, Verdict::Fail).0;
    }
    // Within the pause of an hour: the same trouble.
    now = step(&mut watch, now, Verdict::Pass).0;
    let (when, kind) = step(&mut watch, now, Verdict::Fail);
    assert_eq!((kind, watch.memory().thorough_wanted), (Kind::Light, false));
    now = when;
    while watch.memory().thorough > 0 {
        now = step(&mut watch, now, Verdict::Pass).0;
    }
    now = step(&mut watch, now, Verdict::Fail).0;
    assert_eq!(watch.next(now).expect("due"), Due { at: now, kind: Kind::Thorough });
}

#[test]
fn what_does_not_fit_into_the_day_is_made_light_or_left_out_and_the_next_day_is_new() {
    let mut watch = watch(Policy { daily_octets: Some(1_015), ..policy() });
    let mut now = at("2026-03-01T08:00:00Z");
    assert_eq!(step(&mut watch, now, Verdict::Pass).1, Kind::Heavy);
    now = step(&mut watch, now, Verdict::Pass).0;
    let due = watch.next(now).expect("due");
    assert_eq!(
        watch.choose(due, due.at, needs),
        Choice::LeaveOut("a light visit does not fit into what the day may still move".to_owned())
    );
    assert_eq!(watch.left_today(due.at), Some(5));
    // At noon of the next day, after a night of being left out: there is room for a heavy one again.
    let next_day = at("2026-03-02T12:00:00Z");
    let due = watch.next(next_day).expect("due");
    assert_eq!(watch.choose(due, next_day, needs), Choice::Make { kind: Kind::Heavy, instead: None });
    let small = Policy { daily_octets: Some(500), ..policy() };
    let mut watch = self::watch(small);
    let due = watch.next(at("2026-03-01T08:00:00Z")).expect("due");
    let Choice::Make { kind: Kind::Light, instead: Some(why) } = watch.choose(due, due.at, needs) else { panic!("not light") };
    assert!(why.contains("heavy"), "{why}");
}

#[test]
fn a_machine_that_slept_makes_one_visit_and_counts_what_it_missed() {
    let mut watch = watch(Policy { heavy: None, ..policy() });
    let now = step(&mut watch, at("2026-03-01T08:00:00Z"), Verdict::Pass).0;
    let woken = now + SignedDuration::from_hours(3) + SignedDuration::from_mins(1);
    assert_eq!(step(&mut watch, woken, Verdict::Pass), (woken, Kind::Light));
    assert_eq!(watch.memory().counts.missed, 11);
    assert_eq!(watch.next(woken).expect("due").at, at("2026-03-01T11:15:00Z"));
}

#[test]
fn a_visit_that_wakes_into_quiet_hours_waits_for_their_end() {
    let quiet = vec![Quiet { from: time(22, 0, 0, 0), to: time(6, 0, 0, 0) }];
    let light = Schedule { quiet, ..policy().light };
    let mut watch = watch(Policy { heavy: None, light, ..policy() });
    assert_eq!(watch.next(at("2026-03-01T23:30:00Z")).expect("due").at, at("2026-03-02T06:00:00Z"));
}

#[test]
fn a_clock_that_was_set_back_a_year_does_not_hold_the_watch_up() {
    let mut before = watch(policy());
    let now = step(&mut before, at("2026-03-01T08:00:00Z"), Verdict::Fail).0;
    step(&mut before, now, Verdict::Fail);
    let back = at("2025-03-01T09:10:00Z");
    let mut after = Watch::new(policy(), before.memory().clone());
    let due = after.next(back).expect("due");
    assert!(due.at.duration_since(back) <= SignedDuration::from_mins(15), "{due:?}");
}

#[test]
fn the_watch_ends() {
    let light = Schedule { until: Some(at("2026-03-01T08:20:00Z")), ..policy().light };
    let mut watch = watch(Policy { heavy: None, light, ..policy() });
    let mut now = at("2026-03-01T08:00:00Z");
    for _ in 0..2 {
        now = step(&mut watch, now, Verdict::Pass).0;
    }
    assert_eq!(watch.next(now), None);
}

#[test]
fn what_is_remembered_comes_back_from_its_document_and_nonsense_does_not() {
    let mut watch = watch(policy());
    step(&mut watch, at("2026-03-01T08:00:00Z"), Verdict::Fail);
    let text = serde_json::to_string(watch.memory()).expect("a document");
    assert_eq!(Memory::parse(&text).as_ref(), Ok(watch.memory()));
    assert!(Memory::parse(&text[..text.len() / 2]).expect_err("cut off").contains("not what a watch remembers"));
    assert!(Memory::parse(&text.replace("watch/1", "watch/2")).expect_err("newer").contains("watch/2"));
}

proptest! {
    /// Whatever the verdicts and however long the machine sleeps in between: visits never come closer than the rhythm allows but for the
    /// thorough one behind a failed light one, and no day moves more than it may.
    #[test]
    fn no_order_of_events_breaks_rhythm_or_budget(events in prop::collection::vec((0_u8..4, 0_i64..200), 1..200)) {
        let mut watch = watch(Policy { daily_octets: Some(2_500), ..policy() });
        let mut now = at("2026-03-01T08:00:00Z");
        let mut light_at: Option<Timestamp> = None;
        for (how, minutes) in events {
            let due = watch.next(now).expect("the watch has no end");
            prop_assert!(due.at >= now);
            prop_assert!(due.at.duration_since(now) <= SignedDuration::from_mins(15));
            now = due.at;
            if let Choice::Make { kind, .. } = watch.choose(due, now, needs) {
                if kind == Kind::Light {
                    let gap = light_at.map(|last| now.duration_since(last));
                    prop_assert!(gap.is_none_or(|gap| gap.is_positive()), "two light visits at {now}");
                    light_at = Some(now);
                }
                let verdict = [Some(Verdict::Pass), Some(Verdict::Fail), Some(Verdict::NotProven), None][usize::from(how)];
                watch.ended(kind, now, verdict, String::new());
            }
            prop_assert!(watch.left_today(now).is_some_and(|left| left <= 2_500));
            now += SignedDuration::from_mins(minutes);
        }
    }
}
