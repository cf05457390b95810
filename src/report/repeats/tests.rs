//! A made-up line: two days of a rate that falls in the evening, an outage, hours without a visit and hours without the figure.

use jiff::Timestamp;

use super::super::picture::tests::is_within_its_field;
use super::super::picture::{Kind, Sign};
use super::super::terminal::{Look, render_history};
use super::*;
use crate::history::summary::{
    Availability, Cell, Change, Course, Detail, FigureSummary, Finding, HOURS, Limits, Outage, Pattern, Row, RowOf, Stretch,
    Summary, Track, Verdicts,
};
use crate::history::{Figure, Line, Span};
use crate::reading::Unit;

fn moment(text: &str) -> Timestamp {
    text.parse().expect("a moment")
}

const UNKNOWN: Limits = Limits { low: None, high: None };

fn figure(name: &str, unit: Unit) -> FigureSummary {
    FigureSummary {
        figure: Figure { name: name.to_owned(), target: None, direction: None, family: None, load: None },
        unit,
        visits: 96,
        missed: Some((8, 96)),
        quantiles: [500.0, 520.0, 940.0, 941.0, 941.0],
        trend: None,
        pattern: Pattern {
            finding: Finding::BusyHours,
            days: 2,
            shift: Some(-400.0),
            limits: UNKNOWN,
            p: Some(0.01),
            missed_busy: Some(0.9),
            missed_quiet: Some(0.0),
            by_hour: vec![None; 24],
        },
        changes: vec![Change {
            after: moment("2026-01-05T11:45:00Z"),
            at: moment("2026-01-05T12:00:00Z"),
            before: 941.0,
            then: 900.0,
            course: Course::Worse,
        }],
    }
}

/// 941 Mbit/s but from 19 to 23, a quarter of an hour between visits; no visit from 3 to 5, no packets at 6, no figure at 7.
fn cell(hour: usize) -> Option<Cell> {
    let cell = Cell { visits: 4, down: 0, value: Some(941.0), judged: 4, missed: 0 };
    match hour {
        3 | 4 => None,
        6 => Some(Cell { down: 4, value: None, judged: 0, ..cell }),
        7 => Some(Cell { value: None, judged: 0, ..cell }),
        19..23 => Some(Cell { value: Some(500.0), missed: 4, ..cell }),
        _ => Some(cell),
    }
}

fn line() -> (Summary, Detail) {
    let rate = figure("throughput.tcp_payload_rate", Unit::MegabitPerSecond);
    let days = ["2026-01-05", "2026-01-06", "2026-01-07"].map(|day| day.parse::<jiff::civil::Date>().expect("a date"));
    let outage = Outage {
        up_before: Some(moment("2026-01-05T05:46:00Z")),
        start: moment("2026-01-05T06:00:00Z"),
        end: moment("2026-01-05T06:46:00Z"),
        up_after: Some(moment("2026-01-05T07:00:00Z")),
        visits: 4,
        at_least_s: 2760.0,
        at_most_s: Some(4440.0),
    };
    let verdicts = Verdicts { pass: 160, fail: 16, not_proven: 0 };
    let track = Track {
        figure: rate.figure.clone(),
        is_hourly: true,
        medians: (0..48)
            .map(|hour| (20_458.0 + f64::from(hour) / 24.0, Some(if hour % 24 > 18 { 500.0 } else { 941.0 })))
            .collect(),
        field: days[..2].iter().map(|day| Row { of: RowOf::Day(*day), cells: (0..24).map(cell).collect() }).collect(),
    };
    let stretch = |at: usize, fail: u64| Stretch {
        from: days[at],
        to: days[at + 1],
        verdicts: Verdicts { pass: 88 - fail, fail, not_proven: 0 },
        up: 84,
        down: 4,
    };
    let summary = Summary {
        stated: None,
        line: Line { circuit: "EV-0001".to_owned(), position: "gateway".to_owned() },
        span: Span { from: moment("2026-01-05T00:00:00Z"), to: moment("2026-01-07T00:00:00Z") },
        zone: "UTC".to_owned(),
        hours: HOURS,
        visits: 176,
        verdicts,
        faults: vec![("invented-fault".to_owned(), 4)],
        availability: Availability { up: 172, down: 4, unknown: 0, share: Some(172.0 / 176.0), limits: UNKNOWN },
        outages: vec![outage],
        figures: vec![rate],
        still: Vec::new(),
        delays: Vec::new(),
        related: Vec::new(),
        patterns_by_chance: 0.02,
    };
    (summary, Detail { days: [days[0], days[1]], stretches: vec![stretch(0, 8), stretch(1, 8)], tracks: vec![track] })
}

#[test]
fn the_page_answers_the_questions_in_order_and_says_what_the_terminal_says() {
    let (summary, detail) = line();
    let page = page(&summary, &detail);
    assert_eq!(page.word, "91 % PASS");
    assert!(page.headline.contains("176 visits: 160 passed, 16 failed"), "{}", page.headline);
    assert!(page.headline.contains("One outage was seen, of at least 46 min."), "{}", page.headline);
    let ids: Vec<&str> = page.sections.iter().map(|section| section.id).collect();
    assert_eq!(ids, ["visits", "outages", "hours", "changes", "figures", "cautions"]);
    let html = super::super::html::render(&page);
    let text = render_history(&summary, Look { width: 400, colour: false });
    for said in [
        "in 172 of 176 visits, 97.727 %",
        "worse: throughput.tcp_payload_rate from 941 Mbit/s to 900 Mbit/s, between 2026-01-05 11:45 and 2026-01-05 12:00",
        "missed in 90 % of visits from 19 to 23",
    ] {
        assert!(text.contains(said), "{said}: {text}");
        assert!(html.to_lowercase().contains(&said.to_lowercase().replace('/', "&#x2f;")), "{said}: {html}");
    }
    for outside in ["http://", "https://", "src=", "<script", "<link"] {
        assert!(!html.contains(outside), "{outside}");
    }
}

#[test]
fn a_share_is_never_rounded_to_all_or_none() {
    let (mut summary, detail) = line();
    for (pass, fail, word) in
        [(10, 0, "ALL PASS"), (0, 10, "NONE PASS"), (9999, 1, "99.9 % PASS"), (1, 9999, "UNDER 1 % PASS"), (1, 1, "50 % PASS")]
    {
        summary.verdicts = Verdicts { pass, fail, not_proven: 0 };
        assert_eq!(page(&summary, &detail).word, word);
    }
}

#[test]
fn no_visit_no_figure_no_packets_and_bad_are_four_signs() {
    let (summary, mut detail) = line();
    let drawn = picture::field(&summary.figures[0], &detail.tracks[0], &summary).expect("two levels differ");
    let Kind::Field(field) = &drawn.kind else { panic!("a field") };
    let sign = |hour: usize| field.rows[0].cells[hour].sign;
    assert_eq!([sign(3), sign(6), sign(7)], [Sign::Unvisited, Sign::Down, Sign::Untaken]);
    assert_eq!([sign(0), sign(19)], [Sign::Grade(0), Sign::Grade(4)], "less is worse for a rate");
    assert!(field.rows[0].cells[19].is_missed && !field.rows[0].cells[0].is_missed);
    assert!(
        drawn.seen.contains("Worst on 5\u{a0}Jan, 22 to 23: 500 Mbit/s")
            || drawn.seen.contains("Worst on 6\u{a0}Jan, 22 to 23: 500 Mbit/s"),
        "{}",
        drawn.seen
    );
    assert!(drawn.seen.contains("In 4 of 48 hours there was no visit."), "{}", drawn.seen);
    assert_eq!(drawn.table.rows[0][0], "5\u{a0}Jan");
    // A rate that moves by a hundredth is not painted as bad.
    for cell in detail.tracks[0].field.iter_mut().flat_map(|row| row.cells.iter_mut().flatten()) {
        cell.value = cell.value.map(|value| if value < 900.0 { 932.0 } else { value });
    }
    let drawn = picture::field(&summary.figures[0], &detail.tracks[0], &summary).expect("two levels differ");
    let Kind::Field(field) = &drawn.kind else { panic!("a field") };
    assert_eq!(field.rows[0].cells[19].sign, Sign::Grade(0));
    // And one that never moves is not drawn at all.
    for cell in detail.tracks[0].field.iter_mut().flat_map(|row| row.cells.iter_mut().flatten()) {
        cell.value = cell.value.map(|_| 941.0);
    }
    assert_eq!(picture::field(&summary.figures[0], &detail.tracks[0], &summary), None);
}

#[test]
fn everything_lies_within_its_field_and_has_its_figures() {
    let (summary, detail) = line();
    let track = &detail.tracks[0];
    let figure = &summary.figures[0];
    let drawn = [
        picture::verdicts(&summary, &detail).expect("visits"),
        picture::track(figure, track, &summary, &detail),
        picture::field(figure, track, &summary).expect("two levels"),
    ];
    for picture in drawn {
        is_within_its_field(&picture);
        assert!(picture.seen.ends_with('.') && picture.seen.len() > 20, "{picture:?}");
        assert!(!picture.table.rows.is_empty(), "{picture:?}");
        assert!(picture.table.rows.iter().all(|row| row.len() == picture.table.head.len()), "{picture:?}");
    }
}
