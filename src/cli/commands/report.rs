//! `report`: a saved record, shown again, or written as a page of HTML or as PDF.

use std::path::Path;

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::{PaperArg, ReportArgs};
use super::super::output;
use crate::record::store;
use crate::report::pdf::Paper;

/// Runs `report`.
pub(in crate::cli) fn run(args: &ReportArgs) -> Result<Exit, Failure> {
    if args.check {
        return super::check_record::check(&args.record, args.json);
    }
    if let Some(to) = &args.redact {
        return super::check_record::redact(&args.record, to);
    }
    let to_both = [&args.html, &args.pdf].into_iter().flatten().filter(|path| is_output(path)).count() == 2;
    if to_both {
        return Err(Failure::usage("standard output takes one document: name a file for --html or for --pdf"));
    }
    let (record, digest) = store::read_with_digest(&args.record).map_err(Failure::usage)?;
    if let Some(path) = &args.html {
        deliver(path, &args.record, crate::report::html(&record, Some(&digest)).as_bytes())?;
    }
    if let Some(path) = &args.pdf {
        let paper = match args.paper {
            PaperArg::A4 => Paper::A4,
            PaperArg::Letter => Paper::Letter,
        };
        let document = crate::report::pdf(&record, Some(&digest), paper).map_err(Failure::could_not_run)?;
        deliver(path, &args.record, &document)?;
    }
    if args.html.is_some() || args.pdf.is_some() {
        return Ok(Exit::Pass);
    }
    if args.why {
        output::result(&crate::report::why(&record, output::may_colour()))?;
    } else {
        super::verify::show(&record, args.json)?;
    }
    Ok(Exit::Pass)
}

fn is_output(path: &Path) -> bool {
    path == Path::new("-")
}

/// Writes a document to a file, or to standard output; never over the record that it was made of.
fn deliver(path: &Path, record: &Path, document: &[u8]) -> Result<(), Failure> {
    if is_output(path) {
        return Ok(output::octets(document)?);
    }
    let is_record = matches!((path.canonicalize(), record.canonicalize()), (Ok(one), Ok(other)) if one == other);
    if is_record {
        return Err(Failure::usage(format_args!("{} is the record itself: name another file", path.display())));
    }
    store::write_document(path, document).map_err(Failure::could_not_run)?;
    output::note(&format!("written: {}", path.display()));
    Ok(())
}
