//! How the round trips are spread: what share of all probes came back within a time, idle against filled.

use super::{
    Axis, Kind, Level, Line, Panel, Pen, Picture, Plot, Scale, Table, count_of, family_words, is_far_end, load_words, ms,
    per_point, series, sorted, within,
};
use crate::reading::{Series, words};
use crate::record::Record;

/// The picture, when there is a series of round trips.
pub(super) fn picture(record: &Record) -> Option<Picture> {
    let found = streams(record);
    let curves: Vec<(String, Vec<f64>, usize)> = found
        .into_iter()
        .map(|one| {
            let (values, lost) = sorted(one);
            let of = match per_point(record, one) {
                1 => String::new(),
                packets => format!(", the slowest of each {packets}"),
            };
            (format!("{}{}{of}", load_words(one.load), family_words(one.family)), values, lost)
        })
        .filter(|(_, values, _)| values.first().is_some_and(|least| *least > 0.0))
        .collect();
    let least = curves.iter().filter_map(|(_, values, _)| values.first()).fold(f64::INFINITY, |a, b| a.min(*b));
    let most = curves.iter().filter_map(|(_, values, _)| values.last()).fold(0.0_f64, |a, b| a.max(*b));
    let first = curves.first()?;
    let mut seen = vec![format!(
        "The line was {}: half of the probes came back within {}, 95 % within {}.",
        first.0,
        ms(within(&first.1, first.2, 0.5)),
        ms(within(&first.1, first.2, 0.95))
    )];
    seen.extend(curves.iter().skip(1).map(|(name, values, lost)| {
        let name = words::capital(name);
        format!("{name}: {} and {}.", ms(within(values, *lost, 0.5)), ms(within(values, *lost, 0.95)))
    }));
    if curves.len() > Pen::ALL.len() {
        seen.push(format!("The first {} are drawn; the table has all.", Pen::ALL.len()));
    }
    if curves.iter().any(|(name, ..)| name.contains("slowest")) {
        seen.push("Of a long stream the record keeps the slowest packet of each stretch: its curve lies later than that of all packets.".to_owned());
    }
    if curves.iter().any(|(_, _, lost)| *lost > 0) {
        seen.push("A curve that ends below 100 % lost the rest.".to_owned());
    }
    let head = ["", "half in", "95 % in", "99 % in", "lost"].map(str::to_owned).to_vec();
    let rows = curves.iter().map(|(name, values, lost)| {
        let at = |share| ms(within(values, *lost, share));
        vec![name.clone(), at(0.5), at(0.95), at(0.99), count_of(*lost, values.len() + lost)]
    });
    let table = Table { head, rows: rows.collect() };
    let lines = curves.iter().zip(Pen::ALL).map(|((name, values, lost), pen)| Line {
        name: name.clone(),
        pen,
        points: steps(values, *lost),
        is_stepped: true,
    });
    let panel = Panel {
        up: Axis { label: "% of probes back".to_owned(), low: 0.0, high: 100.0, scale: Scale::Even },
        lines: lines.collect(),
        levels: vec![Level { at: 95.0, name: "95 %".to_owned() }],
        lost: Vec::new(),
        turns: Vec::new(),
        height: 150.0,
    };
    Some(Picture {
        id: "delay-spread".to_owned(),
        title: "How long a round trip takes, idle and filled".to_owned(),
        seen: seen.join(" "),
        kind: Kind::Plot(Plot {
            across: Axis::decades("milliseconds (equal ratios, equal lengths)", least, most),
            panels: vec![panel],
        }),
        table,
    })
}

/// Idle first: the two-way stream, else echo to the far end; then each load.
fn streams(record: &Record) -> Vec<&Series> {
    let mut found: Vec<&Series> = series(record, "twoway.round_trip").filter(|one| one.target.is_none()).collect();
    if found.is_empty() {
        found = series(record, "echo.round_trip").filter(|one| is_far_end(one.target.as_ref())).collect();
    }
    found.extend(series(record, "throughput.delay_under_load"));
    found
}

/// Shares of all probes at each value, thinned to what a picture can show.
fn steps(sorted: &[f64], lost: usize) -> Vec<(f64, Option<f64>)> {
    let all = (sorted.len() + lost) as f64;
    let stride = sorted.len().div_ceil(MOST_STEPS).max(1);
    let mut points = vec![(sorted[0], Some(0.0))];
    let ranks = (0..sorted.len()).filter(|rank| rank % stride == 0 || rank + 1 == sorted.len());
    points.extend(ranks.map(|rank| (sorted[rank], Some((rank + 1) as f64 / all * 100.0))));
    points
}

const MOST_STEPS: usize = 240;
