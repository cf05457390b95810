//! `compare`: two saved records held against each other.

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::CompareArgs;
use super::super::output;
use crate::compare::{Comparison, Fate, compare};
use crate::record::{Record, store};

/// Runs `compare`.
pub(in crate::cli) fn run(args: &CompareArgs) -> Result<Exit, Failure> {
    let read = |path| store::read(path).map_err(Failure::usage);
    show(&read(&args.first)?, &read(&args.second)?, args.json)
}

/// Compares two records and prints what they say together.
pub(super) fn show(first: &Record, second: &Record, json: bool) -> Result<Exit, Failure> {
    let comparison = compare(first, second).map_err(Failure::usage)?;
    let text = if json { crate::report::json(&comparison) } else { crate::report::comparison(&comparison, output::may_colour()) };
    output::result(&text)?;
    Ok(exit_of(&comparison))
}

/// By the second visit: whether it misses a limit.
fn exit_of(comparison: &Comparison) -> Exit {
    let is = |fate| comparison.troubles.iter().any(|trouble| trouble.fate == fate);
    if is(Fate::New) || is(Fate::Stays) {
        Exit::Fail
    } else if is(Fate::Unclear) {
        Exit::NotProven
    } else {
        Exit::Pass
    }
}
