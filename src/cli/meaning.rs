//! What the flags mean: from what was typed to options that can't be wrong. Errors say what to type instead.

use std::path::Path;

use super::failure::Failure;
use super::flags::VisitArgs;
use super::output;
use crate::farend::invitation;
use crate::line::{self, Interview, LineFacts};
use crate::profile::{self, Profile};
use crate::record::store;
use crate::visit::{Keep, VisitOptions, preflight};

/// Octets from text: a number with an optional decimal suffix k, M, G.
pub(super) fn octets(text: &str) -> Result<u64, String> {
    let (number, factor) = match text.char_indices().last() {
        Some((at, 'k' | 'K')) => (&text[..at], 1e3),
        Some((at, 'M')) => (&text[..at], 1e6),
        Some((at, 'G')) => (&text[..at], 1e9),
        _ => (text, 1.0),
    };
    match number.parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 && value * factor < 1e15 => Ok((value * factor) as u64),
        _ => Err("write a positive number with k, M or G behind it, for instance 500M".to_owned()),
    }
}

/// A tier by its name or file.
pub(super) fn profile(tier: &str) -> Result<Profile, Failure> {
    profile::load(tier).map_err(Failure::usage)
}

/// The options of a visit; looks at the interface, the rights and the far end's file, sends nothing.
pub(super) async fn visit_options(args: &VisitArgs, profile: Option<Profile>) -> Result<VisitOptions, Failure> {
    let far_end = args.far_end.as_deref().map(invitation::read).transpose().map_err(Failure::usage)?;
    let line = args.line.as_deref().map(line_facts).transpose()?;
    let interface = preflight::interface(args.interface.as_deref()).await.map_err(Failure::could_not_run)?;
    preflight::rights().map_err(Failure::could_not_run)?;
    Ok(VisitOptions {
        interface,
        position: args.position.into(),
        circuit: args.circuit.clone(),
        note: args.note.clone(),
        profile,
        line,
        depth: args.depth.into(),
        far_end,
        max_octets: args.max_data,
        streams: args.streams,
        dscp: args.dscp,
        consent: None,
        keep: keep(args.record.as_deref())?,
    })
}

/// What somebody typed in about the line: in a file, or asked for at the terminal.
pub(super) fn line_facts(word: &str) -> Result<LineFacts, Failure> {
    if word != "ask" {
        return line::load(Path::new(word)).map_err(Failure::usage);
    }
    if !output::can_ask() {
        return Err(Failure::usage("--line ask: nobody can be asked, since this is no terminal; give a file instead"));
    }
    output::note("What the modem's or terminal's page shows; an empty answer says that it does not show it.");
    let mut interview = Interview::default();
    while let Some(question) = interview.question() {
        let Some(answer) = output::ask_words(question) else {
            return Err(Failure::usage("--line ask: the answers ended before the questions"));
        };
        if let Err(what) = interview.answer(&answer) {
            output::note(&format!("  {what}"));
        }
    }
    interview.facts().map_err(Failure::usage)
}

/// Checks that can't run as asked, with the reason.
pub(super) fn without(options: &VisitOptions) -> Vec<(&'static str, String)> {
    if options.far_end.is_some() {
        return Vec::new();
    }
    vec![("farend", "no far end was given (--far-end FILE)".to_owned())]
}

/// Where a record goes: as typed, else this user's records directory. Tried before anything is sent, so that no visit is
/// made in vain.
pub(super) fn keep(typed: Option<&Path>) -> Result<Keep, Failure> {
    let keep = match typed {
        Some(path) => store::try_file(path).map(|()| Keep::File(path.to_owned())),
        None => store::default_directory().and_then(|directory| store::try_directory(&directory).map(|()| Keep::In(directory))),
    };
    keep.map_err(Failure::could_not_run)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn octets_are_decimal_and_nonsense_says_what_to_write() {
        assert_eq!(octets("500M"), Ok(500_000_000));
        assert_eq!(octets("1.5G"), Ok(1_500_000_000));
        assert_eq!(octets("42"), Ok(42));
        for wrong in ["", "M", "-1", "0", "nan", "1T", "1e300", "2é"] {
            assert!(octets(wrong).is_err(), "{wrong}");
        }
    }
}
