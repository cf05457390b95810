//! The way to the far end: its stations with loss and round trip, and the segment that each lies in.

use serde_json::Value;

use super::super::model::segment_words;
use super::{Axis, Kind, Lane, Lanes, Picture, Station, Table, family_words, ms, reading};
use crate::reading::{Reading, Target, Unit, words};
use crate::record::Record;
use crate::unit::{Family, Segment};

/// One for each IP version that was walked; without a walk, the places that were asked by echo.
pub(super) fn pictures(record: &Record) -> Vec<Picture> {
    let walks = [(Family::Ipv4, "path_ipv4"), (Family::Ipv6, "path_ipv6")];
    let walked: Vec<Picture> = walks.into_iter().filter_map(|(family, fact)| walk(record, family, fact)).collect();
    if walked.is_empty() {
        [Family::Ipv4, Family::Ipv6].into_iter().filter_map(|family| asked(record, family)).collect()
    } else {
        walked
    }
}

fn walk(record: &Record, family: Family, fact: &str) -> Option<Picture> {
    let path = record.checks.iter().find_map(|check| check.outcome.facts.get(fact))?;
    let hops = path.get("hops")?.as_array()?;
    let behind_gateway = record.place.position.is_behind_gateway();
    let mut is_past_provider = false;
    let mut lanes = Vec::new();
    for hop in hops.iter().take(MOST_HOPS) {
        let number = hop.get("hop").and_then(Value::as_u64).and_then(|n| u8::try_from(n).ok())?;
        let role = hop.get("role").and_then(Value::as_str).unwrap_or("router");
        let segment = match role {
            "gateway" => Segment::Home,
            "provider-hop" => Segment::Access,
            "far-end" | "destination" => Segment::FarEnd,
            _ if is_past_provider || !behind_gateway => Segment::Network,
            _ => Segment::Access,
        };
        is_past_provider |= role == "provider-hop";
        let address = hop.pointer("/addresses/0/address").and_then(Value::as_str).unwrap_or("no answer");
        let name = match role {
            "gateway" => format!("{number}  {address}, gateway"),
            "provider-hop" => format!("{number}  {address}, provider"),
            "far-end" => format!("{number}  {address}, far end"),
            _ => format!("{number}  {address}"),
        };
        let target = Target::Hop(number);
        let is_it = |r: &Reading| r.target.as_ref() == Some(&target) && r.family == Some(family);
        let loss = reading(record, "path.hop_loss_ratio", is_it).map(|r| r.value);
        let delay = reading(record, "path.hop_round_trip_p50", is_it).map(|r| r.value);
        let is_silent = hop.get("silent").and_then(Value::as_bool).unwrap_or(false);
        lanes.push(lane(segment, name, loss, delay, is_silent));
    }
    let end = path.get("end").and_then(Value::as_str).unwrap_or_default();
    let end = match end {
        "reached" => "The destination was reached.".to_owned(),
        _ => format!("The walk ended early: {}.", path.get("end_detail").and_then(Value::as_str).unwrap_or(end)),
    };
    picture(record, lanes, family, &end)
}

fn asked(record: &Record, family: Family) -> Option<Picture> {
    let places = [(Target::Gateway, Segment::Home), (Target::ProviderHop, Segment::Access), (Target::FarEnd, Segment::FarEnd)];
    let lanes = places.into_iter().filter_map(|(target, segment)| {
        let is_it = |r: &Reading| r.target.as_ref() == Some(&target) && r.family == Some(family);
        let loss = reading(record, "echo.loss_ratio", is_it).map(|r| r.value);
        let delay = reading(record, "echo.round_trip_p50", is_it).map(|r| r.value);
        (loss.is_some() || delay.is_some()).then(|| lane(segment, words::target_words(&target), loss, delay, loss == Some(1.0)))
    });
    picture(record, lanes.collect(), family, "The stations between were not looked for; these places were asked by echo.")
}

fn lane(segment: Segment, name: String, loss: Option<f64>, delay: Option<f64>, is_silent: bool) -> Lane {
    let lost = loss.map(|loss| format!("loss {}", words::figure("path.hop_loss_ratio", Unit::One, loss)));
    let says = match (delay, lost) {
        _ if is_silent => "silent".to_owned(),
        (Some(delay), Some(lost)) => format!("{}, {lost}", ms(Some(delay))),
        (Some(delay), None) => ms(Some(delay)),
        (None, lost) => lost.unwrap_or_default(),
    };
    let station = match loss {
        _ if is_silent => Station::Silent,
        Some(loss) if loss > 0.0 => Station::Loses,
        _ => Station::Sound,
    };
    Lane { group: segment_words(segment).to_owned(), name, says, bar: delay, station: Some(station), ..Lane::default() }
}

fn picture(record: &Record, mut lanes: Vec<Lane>, family: Family, end: &str) -> Option<Picture> {
    if lanes.is_empty() {
        return None;
    }
    let losing: Vec<&str> =
        lanes.iter().filter(|lane| lane.station == Some(Station::Loses)).map(|lane| lane.group.as_str()).collect();
    let first = losing.first().map_or_else(
        || "No station shows loss.".to_owned(),
        |group| format!("Loss is seen first up to a station of this stretch: {group}."),
    );
    // Where the visit's own conclusion points.
    if let Some(segment) = record.isolation.as_ref().and_then(|isolation| isolation.segment) {
        let blamed = segment_words(segment);
        for lane in lanes.iter_mut().filter(|lane| lane.group == blamed) {
            lane.group = format!("{blamed}: the fault is likely here");
        }
    }
    let most = lanes.iter().filter_map(|lane| lane.bar).fold(0.0_f64, f64::max);
    let rows = lanes.iter().map(|lane| vec![lane.name.clone(), lane.group.clone(), lane.says.clone()]).collect();
    Some(Picture {
        id: format!("path{}", if family == Family::Ipv6 { "-ipv6" } else { "" }),
        title: format!("The way to the far end{}", family_words(Some(family))),
        seen: format!("{end} {first}"),
        table: Table { head: ["station", "stretch", "median round trip, loss"].map(str::to_owned).to_vec(), rows },
        kind: Kind::Lanes(Lanes { across: Axis::from_zero("median round trip, ms", most), lanes }),
    })
}

/// More stations than a way has.
const MOST_HOPS: usize = 40;
