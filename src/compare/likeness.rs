//! Which visits can be compared: one line, one tier, one depth, one far end.

use crate::record::Record;

use super::Relation;

/// Why two visits can't be compared; every reason, in words.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("these two visits can't be compared: {}", .0.join("; "))]
pub struct Unlike(pub Vec<String>);

/// Refuses what would compare two lines, two kinds of visit, or two far ends.
pub(super) fn check(first: &Record, second: &Record) -> Result<(), Unlike> {
    let mut reasons = Vec::new();
    if first.id == second.id {
        return Err(Unlike(vec!["they are one and the same record".to_owned()]));
    }
    let holds = |one: &Record, other: &Record| one.continues.iter().any(|part| part.record == other.id);
    if holds(first, second) || holds(second, first) {
        return Err(Unlike(vec!["the one goes on with the other and holds its evidence: nothing is left to compare".to_owned()]));
    }
    if first.redacted.is_some() || second.redacted.is_some() {
        let why = "a redacted copy no longer tells which line it is of; compare the originals, then show or redact each";
        return Err(Unlike(vec![why.to_owned()]));
    }
    if let (Some(one), Some(other)) = (&first.place.circuit, &second.place.circuit)
        && one.trim() != other.trim()
    {
        reasons.push(format!("they are of two circuits, {one} and {other}"));
    }
    match (&first.profile, &second.profile) {
        (Some(one), Some(other)) if one.name != other.name => {
            reasons.push(format!("they were held against two tiers, {} and {}", one.name, other.name));
        }
        (Some(one), Some(other)) if one.digest != other.digest => {
            reasons.push(format!("the tier {} was changed between them: its limits and load may differ", one.name));
        }
        (Some(_), None) | (None, Some(_)) => reasons.push("only one of them was held against a tier".to_owned()),
        _ => {}
    }
    let depth = |record: &Record| record.plan.as_ref().map(|plan| plan.depth);
    if let (Some(one), Some(other)) = (depth(first), depth(second))
        && one != other
    {
        reasons.push(format!("the one is a {one} visit and the other a {other} visit; repeat one of them at the other's depth"));
    }
    let is_repeat = Relation::of(first.place.position, second.place.position) == Relation::Repeated;
    if is_repeat && first.place.access != second.place.access {
        reasons.push("at the same place, the one had its address on the Ethernet and the other by a session".to_owned());
    }
    if let (Some(one), Some(other)) = (far_end(first), far_end(second))
        && one != other
    {
        reasons.push(format!("they measured against two far ends, {one} and {other}"));
    }
    for (which, record) in [("first", first), ("second", second)] {
        if record.checks.iter().all(|check| check.outcome.readings.is_empty()) {
            reasons.push(format!("the {which} holds no figure"));
        }
    }
    if reasons.is_empty() { Ok(()) } else { Err(Unlike(reasons)) }
}

/// The far end as it was named.
fn far_end(record: &Record) -> Option<&str> {
    let check = record.checks.iter().find(|check| check.check == "farend")?;
    let fact = |name: &str| check.outcome.facts.get(name).and_then(serde_json::Value::as_str);
    fact("host").or_else(|| fact("address"))
}
