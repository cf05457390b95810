use jiff::civil::time;

use super::*;

fn at(text: &str) -> Timestamp {
    text.parse().expect("a time stamp")
}

fn every(minutes: i64) -> Schedule {
    Schedule {
        rhythm: Rhythm::every(SignedDuration::from_mins(minutes)).expect("a rhythm"),
        jitter: SignedDuration::ZERO,
        quiet: Vec::new(),
        zone: TimeZone::UTC,
        from: at("2026-03-01T08:00:00Z"),
        until: None,
    }
}

fn central() -> TimeZone {
    TimeZone::get("CET").expect("the time zone database")
}

fn run(schedule: &Schedule, after: &str, n: usize) -> Vec<String> {
    let first = schedule.due_after(at(after), 7);
    std::iter::successors(first, |due| schedule.due_after(*due, 7)).take(n).map(|due| due.to_string()).collect()
}

#[test]
fn an_even_rhythm_is_counted_from_the_start_and_not_from_the_last_visit() {
    let seen = run(&every(15), "2026-03-01T08:03:20Z", 3);
    assert_eq!(seen, ["2026-03-01T08:15:00Z", "2026-03-01T08:30:00Z", "2026-03-01T08:45:00Z"]);
}

#[test]
fn quiet_hours_over_midnight_are_skipped_and_end_with_a_visit() {
    let schedule = Schedule { quiet: vec![Quiet { from: time(22, 0, 0, 0), to: time(6, 0, 0, 0) }], ..every(60) };
    let seen = run(&schedule, "2026-03-01T20:30:00Z", 3);
    assert_eq!(seen, ["2026-03-01T21:00:00Z", "2026-03-02T06:00:00Z", "2026-03-02T07:00:00Z"]);
}

#[test]
fn jitter_stays_within_its_bound_keeps_to_its_seed_and_skips_no_moment() {
    let schedule = Schedule { jitter: SignedDuration::from_mins(10), ..every(15) };
    let mut due = schedule.from;
    let mut shares = Vec::new();
    for k in 1..=2_000 {
        due = schedule.due_after(due, 42).expect("due");
        let moment = schedule.from + SignedDuration::from_mins(15 * k);
        let late = due.duration_since(moment);
        assert!(!late.is_negative() && late <= schedule.jitter, "moment {k}: {late}");
        shares.push(late.as_secs_f64() / schedule.jitter.as_secs_f64());
    }
    // Mean of 2,000 even shares: 0.5, standard deviation 0.2887 / sqrt(2000) = 0.0065; four of them are allowed.
    let mean = shares.iter().sum::<f64>() / shares.len() as f64;
    assert!((mean - 0.5).abs() < 0.026, "{mean}");
    assert_eq!(schedule.due_after(schedule.from, 42), schedule.due_after(schedule.from, 42));
    assert_ne!(schedule.due_after(schedule.from, 42), schedule.due_after(schedule.from, 43));
}

#[test]
fn five_fields_name_minutes_of_local_time_over_the_change_to_summer_time() {
    // In the EU summer time begins on the last Sunday of March at 01:00 UTC (Directive 2000/84/EC, article 2).
    let zone = central();
    let now = at("2026-03-27T12:00:00Z");
    let schedule = Schedule { rhythm: Rhythm::at("30 7 * * *", &zone, now).expect("fits"), zone, from: now, ..every(15) };
    let seen = run(&schedule, "2026-03-27T12:00:00Z", 3);
    assert_eq!(seen, ["2026-03-28T06:30:00Z", "2026-03-29T05:30:00Z", "2026-03-30T05:30:00Z"]);
}

#[test]
fn quiet_hours_that_end_in_the_hour_left_out_end_where_the_clock_goes_on() {
    let quiet = vec![Quiet { from: time(23, 0, 0, 0), to: time(2, 30, 0, 0) }];
    let schedule = Schedule { zone: central(), quiet, ..every(30) };
    // 02:30 does not exist on that day; the clock goes from 02:00 to 03:00, which is 01:00 UTC.
    let seen = run(&schedule, "2026-03-28T21:45:00Z", 2);
    assert_eq!(seen, ["2026-03-29T01:30:00Z", "2026-03-29T02:00:00Z"]);
}

#[test]
fn the_watch_ends_and_says_so_when_nothing_can_be_due() {
    let short = Schedule { until: Some(at("2026-03-01T08:40:00Z")), ..every(15) };
    assert_eq!(run(&short, "2026-03-01T08:00:00Z", 9).len(), 2);
    let all_day = Quiet { from: time(0, 0, 0, 0), to: time(12, 0, 0, 0) };
    let rest = Quiet { from: time(12, 0, 0, 0), to: time(0, 0, 0, 0) };
    let never = Schedule { quiet: vec![all_day, rest], ..every(15) };
    assert!(never.checked().expect_err("never due").contains("quiet hours"));
    let over = Schedule { until: Some(at("2026-02-01T00:00:00Z")), ..every(15) };
    assert!(over.checked().expect_err("over").contains("before it begins"));
    // Shorter than the time between two visits: one is made at once all the same.
    let one = Schedule { until: Some(at("2026-03-01T08:00:30Z")), ..every(15) };
    assert!(one.checked().is_ok());
    let wild = Schedule { jitter: SignedDuration::from_mins(15), ..every(15) };
    assert!(wild.checked().expect_err("too much chance").contains("jitter"));
}

#[test]
fn what_is_no_expression_is_refused_with_what_to_write() {
    let now = at("2026-03-01T08:00:00Z");
    for text in ["", "whenever", "61 * * * *", "0 0 30 2 *"] {
        let told = Rhythm::at(text, &TimeZone::UTC, now).expect_err(text);
        assert!(told.contains("fields") || told.contains("no moment"), "{text}: {told}");
    }
    assert!(Rhythm::every(SignedDuration::from_secs(5)).is_err());
}

#[test]
fn what_was_slept_through_is_counted_without_the_quiet_hours() {
    let schedule = Schedule { quiet: vec![Quiet { from: time(22, 0, 0, 0), to: time(6, 0, 0, 0) }], ..every(60) };
    assert_eq!(schedule.missed(at("2026-03-01T20:00:00Z"), at("2026-03-02T07:30:00Z"), 100), 3);
    assert_eq!(schedule.missed(at("2026-03-01T20:00:00Z"), at("2027-03-02T07:30:00Z"), 100), 100);
    // A clock set back: nothing was missed.
    assert_eq!(schedule.missed(at("2026-03-01T20:00:00Z"), at("2026-03-01T19:00:00Z"), 100), 0);
}
