//! Rate and round trips while the line was filled, one picture for each load phase.

use super::{
    Axis, Kind, Level, Line, Panel, Pen, Picture, Plot, Scale, Table, count_of, family_words, load_words, ms, series, sorted,
    within,
};
use crate::reading::{Series, Unit, words};
use crate::record::Record;
use crate::unit::{Direction, Family, Load};

/// One for each load and IP version with a series.
pub(super) fn pictures(record: &Record) -> Vec<Picture> {
    let mut phases: Vec<(Option<Load>, Option<Family>)> = Vec::new();
    for one in series(record, RATE).chain(series(record, DELAY)) {
        if !phases.contains(&(one.load, one.family)) {
            phases.push((one.load, one.family));
        }
    }
    phases
        .into_iter()
        .map(|(load, family)| {
            let of = |one: &&Series| one.load == load && one.family == family;
            let rates: Vec<&Series> = series(record, RATE).filter(of).collect();
            let delay = series(record, DELAY).find(of);
            picture(record, &rates, delay, &format!("{}{}", load_words(load), family_words(family)))
        })
        .collect()
}

const RATE: &str = "throughput.tcp_payload_rate";
const DELAY: &str = "throughput.delay_under_load";

fn picture(record: &Record, rates: &[&Series], delay: Option<&Series>, phase: &str) -> Picture {
    let last = rates.iter().copied().chain(delay).filter_map(|one| one.at_ms.last()).fold(0.0_f64, |a, b| a.max(*b));
    let mut panels = Vec::new();
    let mut seen = Vec::new();
    let mut table = Table { head: ["", "least", "median", "most"].map(str::to_owned).to_vec(), rows: Vec::new() };
    if !rates.is_empty() {
        let levels: Vec<Level> = rates.iter().filter_map(|one| level(record, one.direction?)).collect();
        let most = rates.iter().flat_map(|one| one.values.iter().flatten()).chain(levels.iter().map(|level| &level.at));
        let up = Axis::from_zero("TCP payload, Mbit/s", most.fold(0.0_f64, |a, b| a.max(*b)));
        let lines = rates.iter().zip(Pen::ALL).map(|(one, pen)| Line {
            name: one.direction.map(|way| way.to_string()).unwrap_or_default(),
            pen,
            points: points(one),
            is_stepped: true,
        });
        panels.push(Panel { up, lines: lines.collect(), levels, lost: Vec::new(), turns: Vec::new(), height: 92.0 });
    }
    for one in rates {
        let (values, _) = sorted(one);
        let mbit = |value: Option<f64>| value.map_or_else(|| "none".to_owned(), |value| words::figure(RATE, one.unit, value));
        let median = mbit(within(&values, 0, 0.5));
        let way = one.direction.map(|way| way.to_string()).unwrap_or_default();
        seen.push(format!(
            "Seen in steps of {}, {median} {way} in half of them; the least was {} and the most {}.",
            step_words(one),
            mbit(values.first().copied()),
            mbit(values.last().copied())
        ));
        table.rows.push(vec![format!("rate {way}"), mbit(values.first().copied()), median, mbit(values.last().copied())]);
    }
    if let Some(delay) = delay {
        let (values, lost) = sorted(delay);
        let sent = values.len() + lost;
        let up = Axis::from_zero("round trip, ms", values.last().copied().unwrap_or(1.0));
        let at = delay.at_ms.iter().zip(&delay.values).filter(|(_, value)| value.is_none()).map(|(at, _)| at / 1e3).collect();
        let line = Line { name: "round trip".to_owned(), pen: Pen::Second, points: points(delay), is_stepped: false };
        panels.push(Panel { up, lines: vec![line], levels: Vec::new(), lost: at, turns: Vec::new(), height: 76.0 });
        seen.push(format!(
            "Meanwhile half of the probes came back within {}, 95 % within {}; {} were lost.",
            ms(within(&values, lost, 0.5)),
            ms(within(&values, lost, 0.95)),
            count_of(lost, sent)
        ));
        let most = if lost > 0 { "lost".to_owned() } else { ms(values.last().copied()) };
        table.rows.push(vec!["round trip".to_owned(), ms(values.first().copied()), ms(within(&values, lost, 0.5)), most]);
    }
    let across = Axis {
        label: "seconds from the start of the load".to_owned(),
        low: 0.0,
        high: (last / 1e3).max(1.0).ceil(),
        scale: Scale::Even,
    };
    Picture {
        id: format!("load-{}", phase.replace([' ', ','], "-").replace("--", "-")),
        title: format!("Rate and delay while {phase}"),
        seen: seen.join(" "),
        kind: Kind::Plot(Plot { across, panels }),
        table,
    }
}

/// What the sold rate can give.
fn level(record: &Record, direction: Direction) -> Option<Level> {
    let sold = record.sold.iter().find(|sold| sold.direction == direction)?;
    Some(Level {
        at: sold.payload_mbit,
        name: format!("sold: {} of payload", words::figure(RATE, Unit::MegabitPerSecond, sold.payload_mbit)),
    })
}

fn points(series: &Series) -> Vec<(f64, Option<f64>)> {
    series.at_ms.iter().map(|at| at / 1e3).zip(series.values.iter().copied()).collect()
}

fn step_words(series: &Series) -> String {
    let step = series.at_ms.windows(2).map(|pair| pair[1] - pair[0]).next().unwrap_or(0.0);
    format!("{} ms", words::significant(step))
}
