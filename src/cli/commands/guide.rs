//! `verify --guide`: a visit, the plug moved, the visit again, and what the two say together.

use std::time::{Duration, Instant};

use tokio::runtime::Runtime;

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::{VerifyArgs, VisitArgs};
use super::super::{meaning, output};
use super::{compare, verify};
use crate::record::Record;
use crate::unit::Position;
use crate::visit::preflight;

/// Between two looks at the link.
const LOOK: Duration = Duration::from_millis(200);
/// Carrier has to stay for so long: a plug that is pushed in chatters.
const STEADY: Duration = Duration::from_secs(2);
/// Longest that the plug is waited for.
const PATIENCE: Duration = Duration::from_secs(15 * 60);

/// Runs `verify --guide`.
pub(super) fn run(args: &VerifyArgs) -> Result<Exit, Failure> {
    let (from, to): (Position, Position) = (args.visit.position(), args.then.into());
    if from == to {
        return Err(Failure::usage(format_args!(
            "--guide leads from one place to another, and both are `{to}`; say where to with --then"
        )));
    }
    let tier = args.profile.as_deref().unwrap_or_default();
    let first = made(&args.visit, tier)?;
    if !first.complete {
        verify::show(&first, args.visit.json)?;
        output::note("The first visit was not made to its end, so that there is nothing to compare a second with.");
        return Ok(Exit::NotProven);
    }
    if !args.visit.json {
        verify::show(&first, false)?;
    }
    let port = first.place.interface.clone();
    output::note(&format!(
        "\nNow move the plug of {port} from {} to {}. The second visit begins when the link is back; Ctrl-C ends it here.\n\
         At a terminal mind laser light and remote power-feed voltage; local codes and the operator's rules come first.",
        place(from),
        place(to)
    ));
    moved(&port)?;
    let there = VisitArgs {
        interface: Some(port),
        position: Some(args.then),
        access: args.then_access.unwrap_or(args.visit.access),
        vlan: args.then_vlan.or(args.visit.vlan),
        ..args.visit.clone()
    };
    let second = made(&there, tier)?;
    if !args.visit.json {
        verify::show(&second, false)?;
        output::result("")?;
    }
    compare::show(&first, &second, args.visit.json)
}

fn made(args: &VisitArgs, tier: &str) -> Result<Record, Failure> {
    let record = verify::make(args, Some(meaning::profile(tier)?), verify::Wish::default())?;
    record.ok_or_else(|| Failure::usage("--guide makes visits, and --plan makes none"))
}

fn place(position: Position) -> &'static str {
    match position {
        Position::Ont => "the optical terminal's port",
        Position::Modem => "the modem's port",
        Position::Gateway => "the gateway's LAN port",
        Position::Inside => "the port inside the home",
    }
}

/// Returns when the link was lost and is back.
fn moved(port: &str) -> Result<(), Failure> {
    let runtime = Runtime::new().map_err(Failure::could_not_run)?;
    runtime.block_on(async {
        let until = Instant::now() + PATIENCE;
        let (mut was_lost, mut steady_since) = (false, None);
        while Instant::now() < until {
            let has_carrier = preflight::has_carrier(port).await.map_err(Failure::could_not_run)?;
            was_lost |= !has_carrier;
            steady_since = if has_carrier { steady_since.or_else(|| Some(Instant::now())) } else { None };
            if was_lost && steady_since.is_some_and(|since| since.elapsed() >= STEADY) {
                return Ok(());
            }
            tokio::time::sleep(LOOK).await;
        }
        let what = if was_lost { "did not come back" } else { "was not lost, so the plug was not moved" };
        Err(Failure::could_not_run(format_args!(
            "the link of {port} {what} within {} minutes; the first record is kept: make the second visit by hand, and compare",
            PATIENCE.as_secs() / 60
        )))
    })
}
