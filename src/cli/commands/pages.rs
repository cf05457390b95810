//! A report as pages, HTML or PDF, to files or to standard output; never over the file that it was made of.

use std::path::Path;

use super::super::failure::Failure;
use super::super::flags::{PageArgs, PaperArg};
use super::super::output;
use crate::record::store;
use crate::report::html;
use crate::report::page::Page;
use crate::report::pdf::{self, Paper};

/// Whether pages are asked for.
///
/// # Errors
/// When two documents are to go to standard output.
pub(super) fn are_wanted(args: &PageArgs) -> Result<bool, Failure> {
    let named = || [&args.html, &args.pdf].into_iter().flatten();
    if named().filter(|path| is_output(path)).count() == 2 {
        return Err(Failure::usage("standard output takes one document: name a file for --html or for --pdf"));
    }
    Ok(named().next().is_some())
}

/// Writes those that are asked for. `source` is the file that they are made of, `what` its kind.
pub(super) fn write(args: &PageArgs, page: &Page, source: &Path, what: &str) -> Result<(), Failure> {
    if let Some(path) = &args.html {
        deliver(path, html::render(page).as_bytes(), source, what)?;
    }
    if let Some(path) = &args.pdf {
        let paper = match args.paper {
            PaperArg::A4 => Paper::A4,
            PaperArg::Letter => Paper::Letter,
        };
        deliver(path, &pdf::render(page, paper).map_err(Failure::could_not_run)?, source, what)?;
    }
    Ok(())
}

fn is_output(path: &Path) -> bool {
    path == Path::new("-")
}

fn deliver(path: &Path, document: &[u8], source: &Path, what: &str) -> Result<(), Failure> {
    if is_output(path) {
        return Ok(output::octets(document)?);
    }
    let is_source = matches!((path.canonicalize(), source.canonicalize()), (Ok(one), Ok(other)) if one == other);
    if is_source {
        return Err(Failure::usage(format_args!("{} is the {what} itself: name another file", path.display())));
    }
    store::write_document(path, document).map_err(Failure::could_not_run)?;
    output::note(&format!("written: {}", path.display()));
    Ok(())
}
