//! `compare`: two saved records held against each other.

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::CompareArgs;
use super::super::output;
use crate::compare::{Fate, compare};
use crate::record::store;

/// Runs `compare`.
pub(in crate::cli) fn run(args: &CompareArgs) -> Result<Exit, Failure> {
    let read = |path| store::read(path).map_err(Failure::usage);
    let (first, second) = (read(&args.first)?, read(&args.second)?);
    let comparison = compare(&first, &second).map_err(Failure::usage)?;
    let text =
        if args.json { crate::report::json(&comparison) } else { crate::report::comparison(&comparison, output::may_colour()) };
    output::result(&text)?;
    let is = |fate| comparison.troubles.iter().any(|trouble| trouble.fate == fate);
    Ok(if is(Fate::New) || is(Fate::Stays) {
        Exit::Fail
    } else if is(Fate::Unclear) {
        Exit::NotProven
    } else {
        Exit::Pass
    })
}
