//! Reading the `[[criterion]]` tables and what only several of them together can get wrong.

use super::{Bound, Criterion, Severity, TargetChoice};
use crate::reading::Unit;
use crate::reading::names::{self, NameSpec};
use crate::typed::table::{Document, Placed, Table};
use crate::unit::{AccessKind, Depth, Direction, Family, Load};

/// The keys of a `[[criterion]]`.
pub(in crate::profile) const KEYS: &[&str] = &[
    "name",
    "reading",
    "target",
    "direction",
    "family",
    "load",
    "at_least",
    "at_most",
    "share_of_sold",
    "severity",
    "basis",
    "depth",
    "access",
];

/// Reads all criteria; those that are wrong are noted and left out.
pub(super) fn read_all(document: &Document<'_>, tables: &[Table<'_, '_>], has_sold: bool) -> Vec<Criterion> {
    let mut criteria: Vec<Criterion> = Vec::new();
    for table in tables {
        let Some(criterion) = read(document, table, has_sold) else { continue };
        if criteria.iter().any(|c| c.name == criterion.name) {
            document.wrong(&table.here(), format!("a second criterion with the name {:?}", criterion.name));
        }
        if let Some(other) = criteria.iter().find(|c| contradict(c, &criterion)) {
            let what = format!(
                "no figure can meet this limit and that of {:?}: the one asks for more than the other allows",
                other.name
            );
            document.wrong(&table.here(), what);
        }
        criteria.push(criterion);
    }
    criteria
}

fn read(document: &Document<'_>, table: &Table<'_, '_>, has_sold: bool) -> Option<Criterion> {
    let name = table.required_text("name", "a short name of the limit, unique in the profile");
    let reading = table.required_text("reading", "the name of the figure to judge, as check.figure");
    let reading = reading.and_then(|r| known_reading(document, &r));
    let target = table.word(
        "target",
        &[
            ("gateway", TargetChoice::Gateway),
            ("provider-hop", TargetChoice::ProviderHop),
            ("far-end", TargetChoice::FarEnd),
            ("every-resolver", TargetChoice::EveryResolver),
            ("every-server", TargetChoice::EveryServer),
        ],
    );
    let direction = table.word("direction", &[("down", Direction::Down), ("up", Direction::Up)]);
    let family = table.word("family", &[("ipv4", Family::Ipv4), ("ipv6", Family::Ipv6)]);
    let load = table.word("load", &[("idle", Load::Idle), ("down", Load::Down), ("up", Load::Up), ("both", Load::Both)]);
    if !table.has("severity") {
        table.missing("severity", "must, should or note");
    }
    let severity = table.word("severity", &[("must", Severity::Must), ("should", Severity::Should), ("note", Severity::Note)]);
    let basis = table
        .required_text("basis", "where the limit comes from: a standard's clause, the contract, or 'invented example limit'");
    let depths = table.words("depth", &[("quick", Depth::Quick), ("handoff", Depth::Handoff), ("soak", Depth::Soak)]);
    let access = table.word("access", &[("ethernet", AccessKind::Ethernet), ("pppoe", AccessKind::Pppoe)]);
    let at_least = table.number("at_least");
    let at_most = table.number("at_most");
    let share = table.number("share_of_sold");
    limits(document, table, reading, at_least.as_ref(), at_most.as_ref());
    if let Some(share) = &share {
        check_share(document, table, share, reading, direction, has_sold);
    }
    if table.has("at_least") && table.has("share_of_sold") {
        document.wrong(&table.here(), "at_least and share_of_sold are two lower limits; give one");
    }
    Some(Criterion {
        name: name?.value,
        reading: reading?,
        target,
        direction,
        family,
        load,
        at_least: at_least.map(|l| Bound::Absolute(l.value)).or_else(|| share.map(|s| Bound::ShareOfSold(s.value))),
        at_most: at_most.map(|l| l.value),
        severity: severity?,
        basis: basis?.value,
        depths,
        access,
    })
}

fn known_reading(document: &Document<'_>, typed: &Placed<String>) -> Option<&'static NameSpec> {
    // RFC 1812 section 4.3.2.8 lets a router limit its ICMP errors: silence of one hop says nothing about the line.
    if typed.value == "path.hop_loss_ratio" {
        document.wrong(
            typed,
            "silence of a router on the path is not loss of the line, so no limit can be set on it; judge twoway.loss_ratio",
        );
        return None;
    }
    let spec = names::find(&typed.value);
    if spec.is_none() {
        // All names would fill the screen: those of the same check, or the checks when that is unknown as well.
        let check = typed.value.split_once('.').map_or("", |(check, _)| check);
        let same: Vec<&str> =
            names::ALL.iter().map(|s| s.name).filter(|n| n.split_once('.').is_some_and(|(c, _)| c == check)).collect();
        let all = names::ALL.iter().map(|s| s.name);
        let mut problem = crate::typed::Problem::at(
            document.text,
            typed.span.clone(),
            &typed.path,
            format!("there is no reading called {:?}", typed.value),
        );
        problem.nearest = crate::typed::problem::nearest(&typed.value, all.clone());
        let mut told = std::collections::BTreeSet::new();
        let checks: Vec<&str> =
            all.filter_map(|n| n.split_once('.').map(|(c, _)| c)).filter(|check| told.insert(*check)).collect();
        problem.allowed =
            Some(if same.is_empty() { format!("figures of the checks {}", checks.join(", ")) } else { same.join(", ") });
        document.note(|| problem);
    }
    spec
}

fn limits(
    document: &Document<'_>,
    table: &Table<'_, '_>,
    reading: Option<&NameSpec>,
    at_least: Option<&Placed<f64>>,
    at_most: Option<&Placed<f64>>,
) {
    if !["at_least", "at_most", "share_of_sold"].iter().any(|key| table.has(key)) {
        table.missing("at_least", "a criterion needs a limit: at_least, at_most or share_of_sold");
    }
    let is_share = reading.is_some_and(|r| r.unit == Unit::One && r.name.ends_with("_ratio"));
    for limit in [at_least, at_most].into_iter().flatten().filter(|l| is_share && l.value > 1.0) {
        document.wrong(limit, "this reading is a share between 0 and 1: one per cent is 0.01");
    }
    if let (Some(least), Some(most)) = (at_least, at_most)
        && least.value > most.value
    {
        document.wrong(least, format!("at_least {} is larger than at_most {}: no figure can meet both", least.value, most.value));
    }
}

fn check_share(
    document: &Document<'_>,
    table: &Table<'_, '_>,
    share: &Placed<f64>,
    reading: Option<&NameSpec>,
    direction: Option<Direction>,
    has_sold: bool,
) {
    if share.value > 1.0 || share.value == 0.0 {
        document.wrong(share, "a share of the sold rate lies above 0 and is at most 1: 90 per cent is 0.9");
    }
    if !has_sold {
        document.wrong(share, "a share of the sold rate needs the table [sold]");
    }
    if reading.is_some_and(|r| !["throughput.tcp_payload_rate", "capacity.ip_rate"].contains(&r.name)) {
        document.wrong(share, "only throughput.tcp_payload_rate and capacity.ip_rate can be judged as a share of the sold rate");
    }
    if direction.is_none() {
        table.missing("direction", "a share of the sold rate needs to know which: down or up");
    }
}

/// True when two criteria select the same readings at a common depth and leave no figure that meets both.
fn contradict(a: &Criterion, b: &Criterion) -> bool {
    let same = a.reading.name == b.reading.name
        && (a.target, a.direction, a.family, a.load) == (b.target, b.direction, b.family, b.load)
        && (a.access.is_none() || b.access.is_none() || a.access == b.access)
        && (a.depths.is_empty() || b.depths.is_empty() || a.depths.iter().any(|d| b.depths.contains(d)));
    let above = |least: Option<Bound>, most: Option<f64>| match (least, most) {
        (Some(Bound::Absolute(least)), Some(most)) => least > most,
        _ => false,
    };
    same && (above(a.at_least, b.at_most) || above(b.at_least, a.at_most))
}
