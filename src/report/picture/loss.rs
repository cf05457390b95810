//! When packets were lost: a lane for each stream of probes, a mark for each loss.

use super::{Axis, Kind, Lane, Lanes, Picture, Table, count_of, family_words, load_words, per_point, series};
use crate::reading::{Series, words};
use crate::record::Record;

/// The picture, when there is a series of probes.
pub(super) fn picture(record: &Record) -> Option<Picture> {
    let mut streams: Vec<(String, &Series)> = Vec::new();
    for one in series(record, "echo.round_trip") {
        let target = one.target.as_ref().map_or_else(String::new, |target| format!(" to the {}", words::target_words(target)));
        streams.push((format!("echo{target}{}", family_words(one.family)), one));
    }
    for one in series(record, "twoway.round_trip").filter(|one| one.target.is_none()) {
        streams.push((format!("two-way stream, idle{}", family_words(one.family)), one));
    }
    for one in series(record, "throughput.delay_under_load") {
        streams.push((format!("probes while {}{}", load_words(one.load), family_words(one.family)), one));
    }
    if streams.is_empty() {
        return None;
    }
    let lanes: Vec<Lane> = streams.iter().map(|(name, one)| lane(name, one, per_point(record, one))).collect();
    let longest = lanes.iter().filter_map(|lane| lane.until).fold(1.0_f64, f64::max);
    let seen = seen(&lanes);
    let head = ["stream", "lost", "first", "last"].map(str::to_owned).to_vec();
    let at = |at: Option<&f64>| at.map_or_else(|| "none".to_owned(), |at| format!("{} s", words::significant(*at)));
    let rows = lanes.iter().map(|lane| vec![lane.name.clone(), lane.says.clone(), at(lane.lost.first()), at(lane.lost.last())]);
    Some(Picture {
        id: "loss".to_owned(),
        title: "When packets were lost".to_owned(),
        seen,
        table: Table { head, rows: rows.collect() },
        kind: Kind::Lanes(Lanes { across: Axis::from_zero("seconds from the start of each stream", longest), lanes }),
    })
}

fn lane(name: &str, series: &Series, packets: usize) -> Lane {
    let from = series.at_ms.first().copied().unwrap_or(0.0);
    let after = |at: f64| (at - from) / 1e3;
    let lost: Vec<f64> =
        series.at_ms.iter().zip(&series.values).filter(|(_, value)| value.is_none()).map(|(at, _)| after(*at)).collect();
    Lane {
        name: name.to_owned(),
        says: match packets {
            1 => format!("{} lost", count_of(lost.len(), series.values.len())),
            packets => format!("lost in {} stretches of {packets}", count_of(lost.len(), series.values.len())),
        },
        until: series.at_ms.last().map(|at| after(*at)),
        lost,
        ..Lane::default()
    }
}

/// The two streams that lost most a second; the table has all.
fn seen(lanes: &[Lane]) -> String {
    let mut losing: Vec<&Lane> = lanes.iter().filter(|lane| !lane.lost.is_empty()).collect();
    let per_second = |lane: &Lane| lane.lost.len() as f64 / lane.until.unwrap_or(1.0).max(1e-3);
    losing.sort_by(|a, b| per_second(b).total_cmp(&per_second(a)));
    if losing.is_empty() {
        return "Nothing was lost.".to_owned();
    }
    let each: Vec<String> =
        losing.iter().take(2).map(|lane| format!("{}: {}, {}", lane.name, lane.says, when(&lane.lost))).collect();
    let rest = match losing.len().saturating_sub(2) {
        0 => String::new(),
        1 => " One more stream lost some.".to_owned(),
        more => format!(" {more} more streams lost some."),
    };
    format!("{}.{rest}", words::capital(&each.join("; ")))
}

/// When it was lost, from the first to the last.
fn when(lost: &[f64]) -> String {
    match lost {
        [only] => format!("at {} s", words::significant(*only)),
        [first, .., last] => format!("between {} s and {} s", words::significant(*first), words::significant(*last)),
        [] => String::new(),
    }
}
