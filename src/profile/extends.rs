//! A profile that says only what differs from another: `extends = "fibre-250-50"`, or a path that starts from its own folder.
//!
//! What it says replaces what the other says, key by key; criteria are one when their names agree, and `drop` leaves some of the other's out. The result
//! is a text that stands by itself: the record keeps that, so that a later change of the other one changes nothing. What is wrong in
//! either text is told with its place there. This file must not know what keys mean, but for names, limits and their basis.

use toml::{Table as Toml, Value};

use super::ProfileError;
use super::builtin::{self, Source};
use super::checked::{self, criteria};
use crate::typed::problem::Problem;
use crate::typed::table::{Document, Table, root};

/// The keys that only a text which extends another has.
pub(super) const KEYS: [&str; 2] = ["extends", "drop"];
/// Longer chains are a mistake *(ours)*.
const MOST: usize = 8;
/// Keys of a criterion that are its limits; all but the last exclude each other.
const LIMITS: [&str; 4] = ["at_least", "share_of_sold", "share_of_budget", "at_most"];

/// A profile's whole text.
#[derive(Debug)]
pub(super) enum Whole {
    /// It extends nothing.
    Alone(String),
    /// With all that it extends.
    Extended(String),
}

/// The text with all that it extends.
///
/// # Errors
/// What is wrong in it or in what it extends, and what can't be found.
pub(super) fn whole(source: Source) -> Result<Whole, ProfileError> {
    let mut chain = Vec::new();
    Ok(match merged(source.clone(), &mut chain)? {
        Some(merged) => Whole::Extended(format!("# {} with what it extends\n{merged}", source.origin)),
        None => Whole::Alone(source.text),
    })
}

/// `None` when the source extends nothing.
fn merged(source: Source, chain: &mut Vec<String>) -> Result<Option<Toml>, ProfileError> {
    chain.push(source.key.clone());
    let Some((base, dropped)) = read(&source, chain)? else { return Ok(None) };
    let base = match merged(base.clone(), chain)? {
        Some(base) => base,
        None => {
            // By itself it must be right: what is wrong in it is told as its own.
            checked::parse(&base.text, &base.origin)?;
            values(&base.text)
        }
    };
    let kept = without(base, &dropped, &source)?;
    Ok(Some(merge(kept, values(&source.text))))
}

/// What it extends, and the criteria of it that are left out; tells what is wrong in this text by itself.
fn read(source: &Source, chain: &[String]) -> Result<Option<(Source, Vec<String>)>, ProfileError> {
    let invalid = |problems, more| ProfileError::Invalid { origin: source.origin.clone(), problems, more };
    let root = root(&source.text).map_err(|problem| invalid(vec![*problem], 0))?;
    if !root.get_ref().keys().any(|key| key.get_ref() == "extends") {
        return Ok(None);
    }
    let document = Document::partial(&source.text);
    let keys: Vec<&str> = checked::KEYS.iter().copied().chain(KEYS).collect();
    let top = Table::open(&document, root.get_ref(), 0..0, String::new(), &keys);
    let base = top.text("extends");
    let dropped = top.texts("drop");
    for key in ["name", "title"].into_iter().filter(|key| !top.has(key)) {
        document.wrong(&top.here(), format!("the key {key:?} is missing: a tier that extends another has its own"));
    }
    let sold = top.table("sold", &["down", "up", "layer", "basis"]);
    if let Some(sold) = sold.filter(|sold| (sold.has("down") || sold.has("up")) && !sold.has("basis")) {
        document.wrong(&sold.here(), "other rates need their own basis: where they come from");
    }
    for table in top.tables("criterion", criteria::KEYS) {
        if !table.has("name") {
            document
                .wrong(&table.here(), "the key \"name\" is missing: it says which criterion is meant, or that it is a new one");
        }
        if LIMITS.iter().any(|key| table.has(key)) && !table.has("basis") {
            document.wrong(&table.here(), "another limit needs its own basis: where it comes from");
        }
    }
    checked::read_for_notes(&document, &top);
    if let Some(base) = &base
        && chain.len() > MOST
    {
        document
            .wrong(base, format!("this is the end of a chain of {MOST} profiles that extend each other: too long to be meant"));
    }
    let found = base.as_ref().map(|base| builtin::source(&base.value, source.folder.as_deref()));
    if let (Some(base), Some(Ok(found))) = (&base, &found)
        && chain.contains(&found.key)
    {
        document.wrong(base, format!("this leads in a circle: {} is extended already", base.value));
    }
    let (problems, more) = document.into_problems();
    match found {
        Some(found) if problems.is_empty() => Ok(Some((found?, dropped.into_iter().map(|name| name.value).collect()))),
        _ => Err(invalid(problems, more)),
    }
}

/// The text as plain values; it was parsed before.
fn values(text: &str) -> Toml {
    text.parse().unwrap_or_default()
}

fn name_of(criterion: &Value) -> Option<&str> {
    criterion.get("name").and_then(Value::as_str)
}

fn criteria_of(table: &Toml) -> Vec<Value> {
    table.get("criterion").and_then(Value::as_array).cloned().unwrap_or_default()
}

/// The table without the criteria of these names.
fn without(mut base: Toml, dropped: &[String], source: &Source) -> Result<Toml, ProfileError> {
    let mut criteria = criteria_of(&base);
    for name in dropped {
        let before = criteria.len();
        criteria.retain(|criterion| name_of(criterion) != Some(name));
        if criteria.len() == before {
            let known = criteria_of(&base);
            let names: Vec<&str> = known.iter().filter_map(name_of).collect();
            let at = source.text.find(&format!("{name:?}")).unwrap_or_default();
            let what = format!("what is extended has no criterion {name:?} to leave out");
            let problem = Problem {
                nearest: crate::typed::problem::nearest(name, names.iter().copied()),
                allowed: Some(names.join(", ")),
                ..Problem::at(&source.text, at..at + name.len() + 2, "drop", what)
            };
            return Err(ProfileError::Invalid { origin: source.origin.clone(), problems: vec![problem], more: 0 });
        }
    }
    base.insert("criterion".to_owned(), Value::Array(criteria));
    Ok(base)
}

/// What `own` says replaces what `base` says.
fn merge(mut base: Toml, own: Toml) -> Toml {
    let mut criteria = criteria_of(&base);
    for criterion in criteria_of(&own) {
        match criteria.iter_mut().find(|other| name_of(other) == name_of(&criterion)) {
            Some(Value::Table(other)) => change(other, criterion),
            _ => criteria.push(criterion),
        }
    }
    for (key, value) in own {
        match (base.get_mut(&key), value) {
            _ if ["extends", "drop", "criterion"].contains(&key.as_str()) => {}
            (Some(Value::Table(there)), Value::Table(here)) => there.extend(here),
            (_, value) => {
                base.insert(key, value);
            }
        }
    }
    base.insert("criterion".to_owned(), Value::Array(criteria));
    base
}

fn change(criterion: &mut Toml, own: Value) {
    let Value::Table(own) = own else { return };
    // One lower limit takes the place of the other kinds, and one way to name depths that of the other.
    for instead in [&LIMITS[..3], &["depth", "from_depth"]] {
        if instead.iter().any(|key| own.contains_key(*key)) {
            criterion.retain(|key, _| !instead.contains(&key));
        }
    }
    criterion.extend(own);
}

#[cfg(test)]
mod tests;
