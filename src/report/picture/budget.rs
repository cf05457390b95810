//! From the line's rate to the payload that arrived: what each step leaves, one picture for each direction.

use super::super::model::delivered;
use super::{Axis, Kind, Lane, Lanes, Picture, Table};
use crate::reading::{Unit, words};
use crate::record::Record;
use crate::unit::Direction;

/// One for each direction with a sold rate or a line rate.
pub(super) fn pictures(record: &Record) -> Vec<Picture> {
    [Direction::Down, Direction::Up].into_iter().filter_map(|direction| picture(record, direction)).collect()
}

fn picture(record: &Record, direction: Direction) -> Option<Picture> {
    let sold = record.sold.iter().find(|sold| sold.direction == direction);
    let line = record.line.as_ref().and_then(|line| line.budget.iter().find(|budget| budget.direction == direction));
    let mut steps: Vec<(String, f64)> = Vec::new();
    if let Some(line) = line {
        steps.push(("line rate, as typed in".to_owned(), line.line_mbit));
        steps.push(("TCP payload that the line can carry".to_owned(), line.line_payload_mbit));
    }
    if let Some(sold) = sold {
        steps.push((format!("sold, counted as {}", sold.layer), sold.sold_mbit));
        steps.push(("TCP payload in what is sold".to_owned(), sold.payload_mbit));
    }
    if let Some(line) = line {
        steps.push(("to be expected of all together".to_owned(), line.expected_mbit));
    }
    let (_, best) = steps.last().cloned()?;
    let reading = delivered(record, direction);
    let mbit = |value: f64| words::figure("throughput.tcp_payload_rate", Unit::MegabitPerSecond, value);
    let mut lanes: Vec<Lane> = steps
        .iter()
        .map(|(name, value)| Lane { name: name.clone(), says: mbit(*value), bar: Some(*value), ..Lane::default() })
        .collect();
    let arrived = match reading {
        Some(reading) => {
            lanes.push(Lane {
                name: "delivered".to_owned(),
                says: words::of(reading),
                bar: Some(reading.value),
                is_measured: true,
                ..Lane::default()
            });
            let share = words::significant((reading.value / best * 100.0).round());
            format!("{} arrived, {share} % of that", words::of(reading))
        }
        None => {
            lanes.push(Lane {
                name: "delivered".to_owned(),
                says: "not measured".to_owned(),
                is_measured: true,
                ..Lane::default()
            });
            "what arrived was not measured".to_owned()
        }
    };
    let most = lanes.iter().filter_map(|lane| lane.bar).fold(0.0_f64, f64::max);
    let rows = lanes.iter().map(|lane| vec![lane.name.clone(), lane.says.clone()]).collect();
    Some(Picture {
        id: format!("budget-{direction}"),
        title: format!("From what was sold to what arrived, {direction}"),
        seen: format!("{} of payload can arrive; {arrived}.", words::capital(&mbit(best))),
        table: Table { head: ["step", "rate"].map(str::to_owned).to_vec(), rows },
        kind: Kind::Lanes(Lanes { across: Axis::from_zero("Mbit/s", most), lanes }),
    })
}
