//! `report --check` and `report --redact`: whether a record is as it was signed, and its copy for outside the company.

use std::path::Path;

use jiff::Timestamp;

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::{meaning, output};
use crate::record::sign::keys::{self, Keyring};
use crate::record::sign::{self, Finding, Standing};
use crate::record::{Record, redact, store};

/// Runs `report RECORD --check`.
pub(super) fn check(path: &Path, json: bool) -> Result<Exit, Failure> {
    let (_, record, finding) = look(path)?;
    let text = if json {
        let mut told = serde_json::to_value(&finding).map_err(Failure::could_not_run)?;
        told["record"] = record.id.to_string().into();
        told["complete"] = record.complete.into();
        told["redacted"] = record.redacted.is_some().into();
        crate::report::json(&told)
    } else {
        words(&record, &finding)
    };
    output::result(&text)?;
    Ok(exit_of(&finding))
}

/// Runs `report RECORD --redact FILE`.
pub(super) fn redact(path: &Path, to: &Path) -> Result<Exit, Failure> {
    let (document, record, finding) = look(path)?;
    if to.exists() {
        return Err(Failure::usage(format_args!("{} is there already: name a new file", to.display())));
    }
    let mut copy = redact::redact(&document, &record, &finding).map_err(Failure::usage)?;
    meaning::signer().sign(&mut copy, Timestamp::now());
    store::save(to, &copy).map_err(Failure::could_not_run)?;
    let masked = copy.redacted.iter().flat_map(|note| &note.masked).map(|(kind, count)| format!("{kind} {count}"));
    let list: Vec<String> = masked.collect();
    output::note(&format!(
        "The redacted copy is in {}. Masked: {}. Look it through before you hand it out.",
        to.display(),
        list.join(", ")
    ));
    Ok(Exit::Pass)
}

/// Reads a record, and what the check of its signature finds.
pub(super) fn look(path: &Path) -> Result<(Vec<u8>, Record, Finding), Failure> {
    let document = store::document(path).map_err(Failure::usage)?;
    let record = store::parse(&document, path).map_err(Failure::usage)?;
    // Without a home there are no keys to know: then each key is unknown, which is said.
    let keyring = keys::directory().map_or_else(|_| Ok(Keyring::default()), |directory| Keyring::read(&directory));
    let finding = sign::check(&document, &record, &keyring.map_err(Failure::usage)?);
    Ok((document, record, finding))
}

fn exit_of(finding: &Finding) -> Exit {
    match finding {
        Finding::Untouched { key } if key.standing == Standing::Unknown => Exit::NotProven,
        Finding::Untouched { .. } => Exit::Pass,
        Finding::Altered { .. } => Exit::Fail,
        Finding::Unsigned { .. } | Finding::Unreadable { .. } => Exit::NotProven,
    }
}

fn words(record: &Record, finding: &Finding) -> String {
    let mut text = match finding {
        Finding::Untouched { key } => {
            let whose = match &key.standing {
                Standing::Own => "by this user's own key".to_owned(),
                Standing::Known(name) => format!("by the trusted key of {name}"),
                Standing::Unknown => "by a key that nobody here vouches for".to_owned(),
            };
            let advice = match key.standing {
                Standing::Unknown => format!(
                    "\nAnybody can make a key. If you know from another source that this one is good: doorstep keys trust NAME {}",
                    key.public_key
                ),
                _ => String::new(),
            };
            format!("untouched: as it was signed {whose} ({})\nsigned {} by the test set's clock{advice}", key.id, key.signed)
        }
        Finding::Altered { why } => format!("altered: {why}\nDo not rely on this copy; ask for the original."),
        Finding::Unsigned { why } => {
            let why = why.as_deref().unwrap_or("it bears none, or it was taken off");
            format!("unsigned: {why}\nWhether it is as written can't be told.")
        }
        Finding::Unreadable { why } => format!("not checked: {why}"),
    };
    text += "\nrecord ";
    text += &record.id.to_string();
    if !record.complete {
        text.push_str("\nThe visit was not complete when this was written.");
    }
    if let Some(note) = &record.redacted {
        let original = note.original.as_deref().unwrap_or("no digest, it bore no signature");
        text += "\nA redacted copy; the original was ";
        text += &note.original_was;
        text += " (";
        text += original;
        text += ").";
    }
    text
}
