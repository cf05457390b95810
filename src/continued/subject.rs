//! Whether two visits took a count on the same thing in the same way: only such counts may be added.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::reading::names::check_of;
use crate::reading::{Outcome, Reading};

/// Shares of counts whose hits and trials add up, as long as the line and the way of counting are the same.
const COUNTS: &[&str] = &[
    "dns.failure_ratio",
    "echo.loss_ratio",
    "twoway.class_loss_ratio",
    "twoway.counted_loss_ratio",
    "twoway.duplicate_ratio",
    "twoway.errored_ratio",
    "twoway.loss_ratio",
    "twoway.reordered_ratio",
    "twoway.three_reordered_ratio",
];

/// Whether a figure is a share of counts that may be added at all.
pub(super) fn is_count(name: &str) -> bool {
    COUNTS.contains(&name)
}

/// Whether the counts of a figure were taken alike in both outcomes of its check.
///
/// # Errors
/// What differs, in words.
pub(super) fn alike(reading: &Reading, earlier: &Outcome, later: &Outcome) -> Result<(), &'static str> {
    if !is_count(&reading.name) {
        return Err("it is no share of counts");
    }
    let same = |of: fn(&Outcome) -> Option<Value>| of(earlier).is_some_and(|one| of(later) == Some(one));
    let fact = |name: &str| {
        let (one, other) = (earlier.facts.get(name), later.facts.get(name));
        one.is_some() && one == other
    };
    match check_of(&reading.name) {
        "twoway" if !same(reflectors) => Err("they were measured against two far ends"),
        // What a burst takes and what arrives out of order depends on the pace.
        "twoway" if !["dscp_sent", "interval_ms", "udp_payload_octets"].iter().all(|name| fact(name)) => {
            Err("the packets differed in pace, size or marking")
        }
        "echo" if !same(targets) => Err("the echoes went to other addresses"),
        "echo" if !["interval_ms", "payload_octets"].iter().all(|name| fact(name)) => Err("the echoes differed in pace or size"),
        "dns" if !fact("resolvers") => Err("other resolvers were handed out"),
        _ => Ok(()),
    }
}

/// The reflectors of both IP versions.
fn reflectors(outcome: &Outcome) -> Option<Value> {
    let of = |facts: &Value| facts.get("reflector").and_then(Value::as_str).map(str::to_owned);
    let first = outcome.facts.get("reflector")?.as_str()?.to_owned();
    let other = outcome.facts.get("other_version").and_then(|other| of(other.get("facts")?));
    let all: BTreeSet<String> = other.into_iter().chain([first]).collect();
    serde_json::to_value(all).ok()
}

/// The addresses that echoes were sent to, with what each stands for.
fn targets(outcome: &Outcome) -> Option<Value> {
    let all = outcome.facts.get("targets")?.as_array()?;
    Some(all.iter().map(|one| serde_json::json!([one.get("target"), one.get("address")])).collect())
}
