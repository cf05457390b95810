//! The copy of a record for outside the company: names and addresses masked, figures and verdicts as they were.
//!
//! One thing is masked by one placeholder wherever it stands (`ipv4-private-1`, `mac-2`, `name-3`), so that a reader still sees that the
//! resolver is the gateway. Placeholders are numbered in the order of their first appearance and hold nothing of what they stand for:
//! nothing can be computed back, nor tried out against a list of likely addresses. What may stay is listed ([`KEPT`], [`SENTENCES`]); any
//! other text among the facts of a check is masked, also one that a later check adds.
//!
//! This room must not know who signs: the caller signs the copy. `docs/record.md` says what stays.

mod forms;
mod mask;

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use self::mask::Masks;
use super::canonical::Document;
use super::sign::Finding;
use super::{CaptureNote, Place, Record};
use crate::unit::digest::sha256_words;

/// What a redacted copy says of its making.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Redacted {
    /// `sha256:` and 64 hexadecimal digits over the canonical form (RFC 8785) of the original with its signature. Missing where the original
    /// bore none: whoever guesses names could try them out against it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub original: Option<String>,
    /// What the check of the original's signature said when the copy was made: `untouched`, `unsigned` or `unreadable`.
    pub original_was: String,
    /// Short name of the key that signed the original.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub original_key: Option<String>,
    /// How many different things of each kind are masked.
    pub masked: BTreeMap<String, u64>,
}

/// Why no copy is made.
#[derive(Debug, thiserror::Error)]
pub enum RedactError {
    /// A copy would carry figures of unknown origin under a good signature.
    #[error("the record was altered since it was signed ({0}): no copy is made of it")]
    Altered(String),
    /// There is nothing left to mask.
    #[error("the record is a redacted copy already")]
    Already,
    /// The original has no canonical form, or its copy does not fit the types: a defect of this program.
    #[error("the copy can't be made: {0}")]
    Unfit(String),
}

/// Facts whose text is one of the program's own words, by the name of the innermost member.
const KEPT: &[&str] = &[
    "access",
    "answer",
    "autonegotiation",
    "balancing",
    "between",
    "bus",
    "carried_in",
    "class",
    "codec",
    "connection_type",
    "direction",
    "driver",
    "end",
    "ended",
    "family",
    "fate",
    "felt_as",
    "field",
    "filtering",
    "flow",
    "icmp",
    "is",
    "joined_by",
    "kind",
    "kinds",
    "last_answering_role",
    "mapping",
    "marks",
    "method",
    "mode",
    "not_taken",
    "operational_state",
    "option",
    "pattern",
    "pooling",
    "preference",
    "proof",
    "protocols",
    "reflector_clock_set_by",
    "reflector_stamps_taken",
    "renewal",
    "role",
    "schedule",
    "somebody_else",
    "state",
    "status",
    "tag",
    "tags",
    "target",
    "technology",
    "toward",
    "transport",
    "type",
    "upnp",
    "validation",
    "version",
    "virtual_kind",
    "vlan",
    "was",
    "way",
    "ways",
];

/// Facts that are sentences of the program's, with what the network said inside them; quoted parts are masked.
const SENTENCES: &[&str] = &[
    "because",
    "changes_not_measured",
    "counters",
    "error",
    "flaw",
    "group_frames",
    "left_out",
    "no_ipv6_on_port",
    "not_looked",
    "not_looked_at",
    "not_measured",
    "not_sent",
    "reason",
    "registration",
    "servers_not_asked",
    "source",
    "tcp_not_measured",
    "udp_not_measured",
    "why",
    "why_not",
];

/// Beginnings of the names of facts that are such sentences.
const SENTENCE_STARTS: &[&str] = &["left_out_", "no_querier_heard_", "refused_", "cross_traffic_"];

/// Members whose text is a word of ours by their type: a name learnt elsewhere must not reach into them.
const OURS: &[&str] = &[
    "access",
    "code",
    "congestion_control",
    "criterion",
    "depth",
    "digest",
    "direction",
    "family",
    "fault",
    "layer",
    "load",
    "name",
    "position",
    "reading",
    "segment",
    "severity",
    "side",
    "stamped_by",
    "status",
    "target",
    "unit",
    "verdict",
];

/// Makes the redacted copy; unsigned as yet. `document` is the original as it stands on disk and `finding` what its check said.
///
/// # Errors
/// When the original was altered or is a redacted copy.
pub fn redact(document: &[u8], record: &Record, finding: &Finding) -> Result<Record, RedactError> {
    if record.redacted.is_some() {
        return Err(RedactError::Already);
    }
    let unfit = |error: &dyn std::fmt::Display| RedactError::Unfit(error.to_string());
    let (original_was, original_key) = match finding {
        Finding::Altered { why } => return Err(RedactError::Altered(why.clone())),
        Finding::Untouched { key } => ("untouched", Some(key.id.clone())),
        Finding::Unsigned { .. } => ("unsigned", None),
        Finding::Unreadable { .. } => ("unreadable", None),
    };
    // The signature in it can't be guessed without the key, so neither can what the digest is of.
    let original = match (&record.signature, finding) {
        (Some(_), Finding::Untouched { .. }) => {
            Some(sha256_words(&Document::parse(document).map_err(|e| unfit(&e))?.canonical()))
        }
        _ => None,
    };
    let mut bare = record.clone();
    (bare.signature, bare.unsigned_because) = (None, None);
    let mut masks = Masks::default();
    learn(&bare, &mut masks);
    let mut value = serde_json::to_value(&bare).map_err(|e| unfit(&e))?;
    // Twice: a name that is first seen in the last check also stands in the sentences before it.
    let mut first = value.clone();
    whole(&mut first, &mut masks);
    whole(&mut value, &mut masks);
    let mut copy: Record = serde_json::from_value(value).map_err(|e| unfit(&e))?;
    if let Some(profile) = &mut copy.profile {
        profile.digest = sha256_words(profile.text.as_bytes());
    }
    // As for the copy's own original: without a signature in it, names could be tried out against its digest.
    for part in copy.continues.iter_mut().filter(|part| part.signature.starts_with("unsigned")) {
        part.digest = "left out".to_owned();
    }
    copy.redacted = Some(Redacted { original, original_was: original_was.to_owned(), original_key, masked: masks.counts() });
    Ok(copy)
}

/// The names that stand in a field of their own, before any sentence that may repeat them.
fn learn(record: &Record, masks: &mut Masks) {
    let parts = record.continues.iter().map(|part| (&part.agent, &part.place, &part.capture));
    for (agent, place, capture) in parts.chain([(&record.agent, &record.place, &record.capture)]) {
        learn_head(&agent.host, place, capture.as_ref(), masks);
    }
    for check in record.checks.iter().chain(&record.replaced) {
        for (name, fact) in &check.outcome.facts {
            learn_fact(name, fact, masks);
        }
    }
}

/// The names in the head of a visit.
fn learn_head(host: &str, place: &Place, capture: Option<&CaptureNote>, masks: &mut Masks) {
    masks.learn("host", host);
    for (kind, name) in [("circuit", place.circuit.as_ref()), ("note", place.note.as_ref())] {
        masks.learn(kind, name.map_or("", String::as_str));
    }
    if !is_kernel_name(&place.interface) {
        masks.learn("interface", &place.interface);
    }
    if let Some(capture) = capture {
        masks.learn("file", &capture.file);
    }
}

fn learn_fact(name: &str, fact: &Value, masks: &mut Masks) {
    match fact {
        Value::String(text) if !stays(name) => {
            masks.text(text);
            masks.learn("text", text);
        }
        Value::String(text) => {
            masks.text(text);
        }
        Value::Array(items) => items.iter().for_each(|item| learn_fact(name, item, masks)),
        Value::Object(members) => members.iter().for_each(|(name, inner)| learn_fact(name, inner, masks)),
        _ => {}
    }
}

fn stays(name: &str) -> bool {
    KEPT.contains(&name) || is_sentence(name)
}

fn is_sentence(name: &str) -> bool {
    SENTENCES.contains(&name) || SENTENCE_STARTS.iter().any(|start| name.starts_with(start))
}

/// Masks the whole document.
fn whole(record: &mut Value, masks: &mut Masks) {
    let Value::Object(members) = record else { return };
    for (name, value) in members {
        match (name.as_str(), value) {
            ("schema" | "id" | "record" | "digest" | "started" | "finished" | "verdict", _) => {}
            // Each has a head like the record's own.
            ("continues", Value::Array(parts)) => parts.iter_mut().for_each(|part| whole(part, masks)),
            ("agent", Value::Object(agent)) => own_field(agent, "host", "host", masks),
            ("place", Value::Object(place)) => {
                own_field(place, "circuit", "circuit", masks);
                own_field(place, "note", "note", masks);
                if place.get("interface").and_then(Value::as_str).is_some_and(|name| !is_kernel_name(name)) {
                    own_field(place, "interface", "interface", masks);
                }
            }
            ("capture", Value::Object(capture)) => {
                own_field(capture, "file", "file", masks);
                sentence_in(capture, "stopped_because", masks);
            }
            ("profile", Value::Object(profile)) => {
                if let Some(Value::String(text)) = profile.get_mut("text") {
                    *text = masks.typed(text);
                }
            }
            ("line", Value::Object(line)) => {
                if let Some(Value::String(text)) = line.get_mut("facts").and_then(|facts| facts.get_mut("text")) {
                    *text = masks.typed(text);
                }
            }
            ("checks" | "replaced", Value::Array(checks)) => checks.iter_mut().for_each(|check| outcome(check, masks)),
            ("judgements" | "sold", inner) => sentences(inner, masks, false),
            (_, inner) => sentences(inner, masks, true),
        }
    }
}

fn outcome(check: &mut Value, masks: &mut Masks) {
    let Value::Object(members) = check else { return };
    for (name, value) in members {
        match (name.as_str(), value) {
            ("check" | "status", _) => {}
            ("facts", Value::Object(facts)) => facts.iter_mut().for_each(|(name, fact)| mask_fact(name, fact, masks)),
            (_, inner) => sentences(inner, masks, true),
        }
    }
}

fn mask_fact(name: &str, fact: &mut Value, masks: &mut Masks) {
    match fact {
        Value::String(text) if is_sentence(name) => *text = masks.sentence(text),
        Value::String(text) if KEPT.contains(&name) => *text = masks.text(text),
        Value::String(text) => *text = masks.fact(text),
        Value::Array(items) => items.iter_mut().for_each(|item| mask_fact(name, item, masks)),
        Value::Object(members) => {
            let inner = std::mem::take(members);
            *members = inner
                .into_iter()
                .map(|(name, mut inner)| {
                    mask_fact(&name, &mut inner, masks);
                    (masks.text(&name), inner)
                })
                .collect();
        }
        _ => {}
    }
}

/// Every text below: a code or a name of ours holds nothing to mask and comes through as it is. `quoted`: mask what stands in quotes.
fn sentences(value: &mut Value, masks: &mut Masks, quoted: bool) {
    match value {
        Value::String(text) => *text = if quoted { masks.sentence(text) } else { masks.text(text) },
        Value::Array(items) => items.iter_mut().for_each(|item| sentences(item, masks, quoted)),
        Value::Object(members) => {
            members
                .iter_mut()
                .filter(|(name, _)| !OURS.contains(&name.as_str()))
                .for_each(|(_, inner)| sentences(inner, masks, quoted));
        }
        _ => {}
    }
}

fn own_field(members: &mut serde_json::Map<String, Value>, name: &str, kind: &'static str, masks: &mut Masks) {
    if let Some(Value::String(text)) = members.get_mut(name) {
        *text = masks.name(kind, text);
    }
}

fn sentence_in(members: &mut serde_json::Map<String, Value>, name: &str, masks: &mut Masks) {
    if let Some(Value::String(text)) = members.get_mut(name) {
        *text = masks.sentence(text);
    }
}

/// Names that the kernel or the system's naming scheme gives by slot: nobody's own, and without the address that `enx` names hold.
fn is_kernel_name(name: &str) -> bool {
    let by_slot = ["eth", "lan", "wlan", "usb", "eno", "ens", "enp", "wlp", "wwan", "ppp", "tun", "tap", "doorstep"];
    let rest = by_slot.iter().find_map(|start| name.strip_prefix(start));
    let slot = |c: char| c.is_ascii_digit() || matches!(c, 's' | 'f' | 'u' | 'd' | 'n' | 'p' | '.' | 'i' | 'c');
    rest.is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit()) && rest.len() <= 10 && rest.chars().all(slot))
}

#[cfg(test)]
mod tests;
