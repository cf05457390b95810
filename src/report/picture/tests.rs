use super::super::tests::golden;
use super::layout::{Anchor, SMALL, Shape, WIDTH, layout};
use super::*;
use crate::reading::Unit;
use crate::unit::Direction;

fn series(name: &str, load: Option<Load>, direction: Option<Direction>, values: Vec<Option<f64>>) -> Series {
    let at_ms = (0..values.len()).map(|at| at as f64 * 100.0).collect();
    Series {
        name: name.to_owned(),
        unit: if name.ends_with("_rate") { Unit::MegabitPerSecond } else { Unit::Millisecond },
        target: None,
        direction,
        family: Some(Family::Ipv4),
        load,
        at_ms,
        values,
    }
}

/// A fail with made-up series: two of ten probes lost.
fn record() -> Record {
    let mut record = golden("fail");
    for reading in
        record.checks.iter_mut().flat_map(|check| &mut check.outcome.readings).filter(|r| r.name == "twoway.loss_ratio")
    {
        reading.samples = 10;
    }
    let outcome = &mut record.checks.last_mut().unwrap().outcome;
    let delays = |base: f64| (0..10).map(|at| (at % 5 != 4).then_some(base + f64::from(at))).collect::<Vec<_>>();
    outcome.series.push(series("twoway.round_trip", None, None, delays(10.0)));
    outcome.series.push(series("throughput.delay_under_load", Some(Load::Down), None, delays(40.0)));
    let rates = (0..10).map(|at| Some(90.0 + f64::from(at))).collect();
    outcome.series.push(series("throughput.tcp_payload_rate", Some(Load::Down), Some(Direction::Down), rates));
    record
}

#[test]
fn a_record_without_series_says_what_is_not_drawn() {
    let found = pictures(&golden("pass"));
    assert_eq!(found.missing.len(), 3, "{:?}", found.missing);
    assert!(found.missing.iter().all(|why| why.contains("the record holds no")));
}

#[test]
fn each_picture_says_what_is_seen_and_has_its_figures() {
    let found = pictures(&record());
    assert!(found.missing.is_empty(), "{:?}", found.missing);
    for picture in &found.drawn {
        assert!(picture.seen.ends_with('.') && picture.seen.len() > 20, "{picture:?}");
        assert!(picture.table.rows.iter().all(|row| row.len() == picture.table.head.len()), "{picture:?}");
    }
    let of = |id: &str| found.drawn.iter().find(|picture| picture.id == id).unwrap_or_else(|| panic!("no {id}"));
    // By hand: of ten probes eight are back, the fifth smallest of 10, 11, 12, 13, 15, 16, 17, 18 is 15; 95 % would be the tenth.
    let spread = of("delay-spread");
    assert_eq!(spread.table.rows[0], ["idle", "15 ms", "not back", "not back", "2 of 10"]);
    assert!(of("loss").seen.contains("2 of 10 lost, between 0.4 s and 0.9 s"), "{}", of("loss").seen);
    let down = of("load-filled-down");
    assert_eq!(down.table.rows[0], ["rate down", "90 Mbit/s", "94 Mbit/s", "99 Mbit/s"]);
    assert!(of("budget-down").seen.contains("94.2 Mbit/s arrived, 39 % of that"), "{}", of("budget-down").seen);
}

#[test]
fn a_curve_with_losses_ends_below_the_whole() {
    let record = record();
    let picture = delay::picture(&record).unwrap();
    let Kind::Plot(plot) = &picture.kind else { panic!("a plot") };
    let last = plot.panels[0].lines[0].points.last().unwrap().1.unwrap();
    assert!((last - 80.0).abs() < 1e-9, "{last}");
    // Lines are told apart without colour.
    let dashes: Vec<Vec<f64>> = layout(&picture)
        .shapes
        .into_iter()
        .filter_map(|shape| match shape {
            Shape::Path { width, dash, runs, .. } if width == 2.0 && runs[0].len() > 2 => Some(dash.to_vec()),
            _ => None,
        })
        .collect();
    assert_eq!(dashes.len(), 2);
    assert_ne!(dashes[0], dashes[1]);
}

/// Every shape of a picture lies in its field.
pub(crate) fn is_within_its_field(picture: &Picture) {
    let drawing = layout(picture);
    for shape in &drawing.shapes {
        match shape {
            Shape::Path { runs, .. } => {
                for (x, y) in runs.iter().flatten() {
                    assert!((-0.5..=WIDTH + 1.5).contains(x) && (0.0..=drawing.height).contains(y), "{}: {x} {y}", picture.id);
                }
            }
            Shape::Text { at, anchor, .. } => {
                assert!(
                    (0.0..=WIDTH).contains(&at.0) && (SMALL * 0.7..=drawing.height).contains(&at.1),
                    "{}: {shape:?}",
                    picture.id
                );
                assert!(*anchor != Anchor::Start || at.0 < WIDTH - SMALL, "{}: {shape:?}", picture.id);
            }
            Shape::Box { x, y, width, height, .. } => {
                assert!(
                    *x >= -0.5 && x + width <= WIDTH + 0.5 && *y >= 0.0 && y + height <= drawing.height,
                    "{}: {shape:?}",
                    picture.id
                );
            }
            Shape::Disc { .. } => {}
        }
    }
}

#[test]
fn everything_is_within_the_field_and_the_loss_is_where_it_happened() {
    let record = record();
    for picture in pictures(&record).drawn {
        is_within_its_field(&picture);
    }
    let loss = loss::picture(&record).unwrap();
    let Kind::Lanes(lanes) = &loss.kind else { panic!("lanes") };
    assert!(lanes.lanes.iter().all(|lane| lane.lost == [0.4, 0.9]), "{lanes:?}");
}

#[test]
fn of_a_thinned_stream_stretches_are_counted_and_not_packets() {
    let mut record = record();
    for reading in
        record.checks.iter_mut().flat_map(|check| &mut check.outcome.readings).filter(|r| r.name == "twoway.loss_ratio")
    {
        reading.samples = 140;
    }
    let lost = loss::picture(&record).unwrap();
    assert!(lost.table.rows.iter().any(|row| row[1] == "lost in 2 of 10 stretches of 14"), "{:?}", lost.table);
    let spread = delay::picture(&record).unwrap();
    assert_eq!(spread.table.rows[0][0], "idle, the slowest of each 14");
    assert!(spread.seen.contains("later than that of all packets"), "{}", spread.seen);
}
