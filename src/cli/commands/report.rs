//! `report`: a saved record, shown again, or written as a page of HTML or as PDF.

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::ReportArgs;
use super::super::output;
use super::pages;
use crate::record::store;
use crate::report::page::page;

/// Runs `report`.
pub(in crate::cli) fn run(args: &ReportArgs) -> Result<Exit, Failure> {
    if args.check {
        return super::check_record::check(&args.record, args.json);
    }
    if let Some(to) = &args.redact {
        return super::check_record::redact(&args.record, to);
    }
    let as_pages = pages::are_wanted(&args.pages)?;
    let (record, digest) = store::read_with_digest(&args.record).map_err(Failure::usage)?;
    if as_pages {
        pages::write(&args.pages, &page(&record, Some(&digest)), &args.record, "record")?;
    } else if args.why {
        output::result(&crate::report::why(&record, output::may_colour()))?;
    } else {
        super::verify::show(&record, args.json)?;
    }
    Ok(Exit::Pass)
}
