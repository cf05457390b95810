//! `report`: a saved record, shown again.

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::ReportArgs;
use super::super::output;
use crate::record::store;

/// Runs `report`.
pub(in crate::cli) fn run(args: &ReportArgs) -> Result<Exit, Failure> {
    if args.check {
        return super::check_record::check(&args.record, args.json);
    }
    if let Some(to) = &args.redact {
        return super::check_record::redact(&args.record, to);
    }
    let record = store::read(&args.record).map_err(Failure::usage)?;
    if args.why {
        output::result(&crate::report::why(&record, output::may_colour()))?;
    } else {
        super::verify::show(&record, args.json)?;
    }
    Ok(Exit::Pass)
}
