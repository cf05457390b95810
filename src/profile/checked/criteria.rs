//! Reading the `[[criterion]]` tables and what only several of them together can get wrong.

use super::contradictions;
use crate::profile::{Bound, Criterion, Severity, TargetChoice};
use crate::reading::Unit;
use crate::reading::names::{self, NameSpec};
use crate::typed::table::{Document, Placed, Table};
use crate::unit::{AccessKind, Depth, Direction, Family, Load, Position};

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
    "share_of_budget",
    "severity",
    "basis",
    "depth",
    "from_depth",
    "position",
    "access",
];
const DEPTHS: &[(&str, Depth)] = &[("quick", Depth::Quick), ("handoff", Depth::Handoff), ("soak", Depth::Soak)];
const POSITIONS: &[(&str, Position)] =
    &[("ont", Position::Ont), ("modem", Position::Modem), ("gateway", Position::Gateway), ("inside", Position::Inside)];
/// The reading that sold rate and speed budget bound.
pub(super) const RATE: &str = "throughput.tcp_payload_rate";
/// The readings that the sold rate bounds.
const SOLD_RATES: [&str; 2] = [RATE, "capacity.ip_rate"];
/// What a limit is a share of, and the readings that this bounds.
type Share = (&'static str, &'static [&'static str]);
/// The reading that no limit can be set on.
const SILENCE: &str = "path.hop_loss_ratio";
/// Lower limits: a criterion has one of them at most.
const LOWER: [&str; 3] = ["at_least", "share_of_sold", "share_of_budget"];

/// Reads all criteria; those that are wrong are noted and left out.
pub(super) fn read_all(document: &Document<'_>, tables: &[Table<'_, '_>], has_sold: bool) -> Vec<Criterion> {
    let mut criteria: Vec<Criterion> = Vec::new();
    for table in tables {
        let Some(criterion) = read(document, table, has_sold) else { continue };
        contradictions::by_itself(document, table, &criterion);
        contradictions::with_others(document, table, &criterion, &criteria);
        criteria.push(criterion);
    }
    criteria
}

fn read(document: &Document<'_>, table: &Table<'_, '_>, has_sold: bool) -> Option<Criterion> {
    let name = table.required_text("name", "a short name of the limit, unique in the profile");
    table.named("reading", names::ALL.iter().map(|spec| spec.name).filter(|name| *name != SILENCE));
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
    let depths = depths(document, table);
    let positions = set(document, table, "position", POSITIONS);
    let access = table.word("access", &[("ethernet", AccessKind::Ethernet), ("pppoe", AccessKind::Pppoe)]);
    let number =
        reading.map_or_else(|| "a number".to_owned(), |r| format!("a number without its unit; {} is in {}", r.name, unit(r)));
    let at_least = table.quantity("at_least", &number);
    let at_most = table.quantity("at_most", &number);
    let share = table.number("share_of_sold");
    let of_budget = table.number("share_of_budget");
    limits(document, table, reading, at_least.as_ref(), at_most.as_ref());
    let shares: [(_, &Share); 2] = [(&share, &("the sold rate", &SOLD_RATES)), (&of_budget, &("the speed budget", &[RATE]))];
    for (share, of) in shares {
        if let Some(share) = share {
            check_share(document, table, share, *of, reading, direction);
        }
    }
    if let Some(share) = share.as_ref().filter(|_| !has_sold) {
        document.wrong(share, "a share of the sold rate needs the table [sold]");
    }
    if let [first, second, ..] = LOWER.into_iter().filter(|key| table.has(key)).collect::<Vec<_>>()[..] {
        document.wrong(&table.here(), format!("{first} and {second} are two lower limits; give one"));
    }
    let absolute = at_least.map(|l| Bound::Absolute(l.value));
    let share = share.map(|s| Bound::ShareOfSold(s.value));
    Some(Criterion {
        name: name?.value,
        reading: reading?,
        target,
        direction,
        family,
        load,
        at_least: absolute.or(share).or_else(|| of_budget.map(|s| Bound::ShareOfBudget(s.value))),
        at_most: at_most.map(|l| l.value),
        severity: severity?,
        basis: basis?.value,
        depths,
        positions,
        access,
    })
}

/// The unit as people write it behind a figure; a share and a count have none.
fn unit(reading: &NameSpec) -> &'static str {
    if reading.unit == Unit::One { "no unit (a share, a count, or 1 for yes)" } else { reading.unit.symbol() }
}

/// The depths of `depth`, or those from `from_depth` on; empty means all.
fn depths(document: &Document<'_>, table: &Table<'_, '_>) -> Vec<Depth> {
    let listed = set(document, table, "depth", DEPTHS);
    let from = table.word("from_depth", DEPTHS);
    if let Some(place) = table.place("from_depth").filter(|_| table.has("depth")) {
        document.wrong(&place, "depth and from_depth are two ways to say the same; give one");
    }
    match from {
        Some(from) => DEPTHS.iter().map(|(_, depth)| *depth).skip_while(|depth| *depth != from).collect(),
        None => listed,
    }
}

/// A list of words, each once; empty when the key is missing, and told when it stands there empty.
fn set<T: Copy + PartialEq>(document: &Document<'_>, table: &Table<'_, '_>, key: &str, words: &[(&str, T)]) -> Vec<T> {
    let found = table.words(key, words);
    let Some(place) = table.place(key) else { return found };
    if found.is_empty() {
        let all = words.iter().map(|(word, _)| *word).collect::<Vec<_>>().join(", ");
        document.wrong(&place, format!("an empty list holds nowhere; name some of {all}, or leave the key out for all"));
    } else if found.iter().enumerate().any(|(at, one)| found[..at].contains(one)) {
        document.wrong(&place, "a word stands in the list twice");
    }
    found
}

fn known_reading(document: &Document<'_>, typed: &Placed<String>) -> Option<&'static NameSpec> {
    // RFC 1812 section 4.3.2.8 lets a router limit its ICMP errors: silence of one hop says nothing about the line.
    if typed.value == SILENCE {
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
    table.one_of(&["at_least", "at_most", "share_of_sold", "share_of_budget"], "a criterion needs a limit");
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
    (of, rates): Share,
    reading: Option<&NameSpec>,
    direction: Option<Direction>,
) {
    if share.value > 1.0 || share.value == 0.0 {
        document.wrong(share, format!("a share of {of} lies above 0 and is at most 1: 90 per cent is 0.9"));
    }
    if reading.is_some_and(|r| !rates.contains(&r.name)) {
        document.wrong(share, format!("only {} can be judged as a share of {of}", rates.join(" and ")));
    }
    if direction.is_none() {
        table.missing("direction", &format!("a share of {of} needs to know which: down or up"));
    }
}
