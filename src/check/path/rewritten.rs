//! What was rewritten on the way, as readings, facts and flaws.

use serde_json::{Value as Json, json};

use super::figures::Walk;
use crate::proto::path::{Field, PathReport, Place, Rewrite, Value};
use crate::reading::{Outcome, Reading};

/// Readings and flaws of one walk.
pub(super) fn note(walk: &Walk, path: &PathReport, outcome: &mut Outcome) {
    let answers = |kinds: &[usize]| -> u64 {
        path.hops.iter().flat_map(|hop| kinds.iter().map(|kind| u64::from(hop.counts[*kind].answered))).sum()
    };
    // Without a router that quotes anything nothing can be said.
    if answers(&[0, 1]) == 0 {
        return;
    }
    let mut add = |name, fields: &[Field]| {
        let is = path.rewrites.iter().any(|rewrite| fields.contains(&rewrite.field));
        outcome.readings.push(Reading::exact(name, f64::from(u8::from(is))).over(walk.family));
    };
    add("path.source_rewritten", &[Field::SourceAddress, Field::SourcePort]);
    if walk.marked.is_some() {
        add("path.dscp_rewritten", &[Field::Dscp]);
        add("path.ecn_rewritten", &[Field::Ecn]);
    }
    for rewrite in &path.rewrites {
        let (code, why) = match rewrite.field {
            Field::SourceAddress => {
                ("path-source-rewritten", ": a NAT that does not put the addresses of quoted packets back (RFC 5508 section 4.2)")
            }
            // Told with the address where that changed as well.
            Field::SourcePort if has(path, Field::SourceAddress, rewrite.at.hop) => continue,
            Field::SourcePort => {
                ("path-source-rewritten", ": a NAT that does not put the ports of quoted packets back (RFC 5508 section 4.2)")
            }
            // Best effort is what most lines make of a class that was not sold.
            Field::Dscp if !walk.class_is_asked_for => continue,
            Field::Dscp => ("path-dscp-rewritten", ""),
            Field::Ecn => ("path-ecn-rewritten", ""),
        };
        outcome.flaw(code, format!("{}{why}", words(rewrite)), None);
    }
}

fn has(path: &PathReport, field: Field, hop: u8) -> bool {
    path.rewrites.iter().any(|rewrite| rewrite.field == field && rewrite.at.hop == hop)
}

/// All of them for the record.
pub(super) fn facts(path: &PathReport) -> Vec<Json> {
    let place = |place: Place| json!({ "hop": place.hop, "address": place.address });
    let value = |value| match value {
        Value::Address(address) => json!(address),
        Value::Number(number) => json!(number),
    };
    let fact = |rewrite: &Rewrite| {
        let Rewrite { field, behind, at, was, is } = *rewrite;
        json!({
            "field": slug(field),
            "was": value(was),
            "is": value(is),
            "behind": behind.map(place),
            "at": place(at),
            "what": words(rewrite),
        })
    };
    path.rewrites.iter().map(fact).collect()
}

fn slug(field: Field) -> &'static str {
    match field {
        Field::SourceAddress => "source-address",
        Field::SourcePort => "source-port",
        Field::Dscp => "dscp",
        Field::Ecn => "ecn",
    }
}

fn words(rewrite: &Rewrite) -> String {
    let Rewrite { field, behind, at, was, is } = rewrite;
    let name = match field {
        Field::SourceAddress => "source address",
        Field::SourcePort => "source port",
        Field::Dscp => "DSCP",
        Field::Ecn => "ECN field",
    };
    let value = |value: &Value| match (field, value) {
        (Field::Ecn, Value::Number(number)) => ecn(*number).to_owned(),
        (_, Value::Number(number)) => number.to_string(),
        (_, Value::Address(address)) => address.to_string(),
    };
    let from = match behind {
        Some(Place { hop, address }) => format!("hop {hop} ({address})"),
        None => "the test set".to_owned(),
    };
    format!("{name} {} rewritten to {} between {from} and hop {} ({})", value(was), value(is), at.hop, at.address)
}

/// The four values (RFC 3168 section 5).
fn ecn(value: u16) -> &'static str {
    match value {
        0 => "Not-ECT",
        1 => "ECT(1)",
        2 => "ECT(0)",
        _ => "CE",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_place_is_told_between_two_hops() {
        let at = |hop, address: &str| Place { hop, address: address.parse().unwrap() };
        let dscp = Rewrite {
            field: Field::Dscp,
            behind: Some(at(3, "198.51.100.1")),
            at: at(4, "198.51.100.9"),
            was: Value::Number(46),
            is: Value::Number(0),
        };
        let told = "DSCP 46 rewritten to 0 between hop 3 (198.51.100.1) and hop 4 (198.51.100.9)";
        assert_eq!(words(&dscp), told);
        let ecn = Rewrite { field: Field::Ecn, behind: None, was: Value::Number(2), ..dscp };
        assert_eq!(words(&ecn), "ECN field ECT(0) rewritten to Not-ECT between the test set and hop 4 (198.51.100.9)");
    }
}
