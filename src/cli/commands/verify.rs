//! `verify` and `check`: a visit on a real port.

use std::sync::Arc;
use std::time::Duration;

use tokio::runtime::Runtime;
use tokio_util::sync::CancellationToken;

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::{CheckArgs, VerifyArgs, VisitArgs};
use super::super::{meaning, output, private, progress};
use crate::check::capacity::Peer;
use crate::check::twoway;
use crate::check::{Access, Asked, Check, Services, on_request, registry};
use crate::continued::Earlier;
use crate::plan::budget::{self, Bounds};
use crate::plan::{Class, Plan, Sizes};
use crate::profile::{Profile, Setting};
use crate::record::Record;
use crate::visit::{self, Listener, VisitOptions, capture, run_visit};

/// Runs `verify`.
pub(in crate::cli) fn verify(args: &VerifyArgs) -> Result<Exit, Failure> {
    if args.guide {
        return super::guide::run(args);
    }
    if let Some(record) = &args.going_on_with {
        return super::continued::run(args, record);
    }
    // Required where no record is named.
    let profile = args.profile.as_deref().map(meaning::profile).transpose()?;
    visit(&args.visit, profile, None)
}

/// Runs `check`.
pub(in crate::cli) fn check(args: &CheckArgs) -> Result<Exit, Failure> {
    let all = registry(&Access::default(), args.visit.depth.into(), Services::default());
    let all = all.into_iter().chain(on_request(Asked::default()));
    let mut names: Vec<&str> = all.map(|c| c.spec().name).collect();
    names.dedup();
    if !names.contains(&args.name.as_str()) {
        return Err(Failure::usage(format_args!("no check is called `{}`; there are {}", args.name, names.join(", "))));
    }
    let profile = args.profile.as_deref().map(meaning::profile).transpose()?;
    if args.visit.until_certain && profile.is_none() {
        return Err(Failure::usage("--until-certain: without limits nothing can be certain; give a tier (--profile)"));
    }
    let key = args.peer_key.as_deref().map(private::capacity_keys).transpose()?;
    let key = key.and_then(|keys| keys.into_iter().next());
    let capacity_peer = args.peer.map(|at| Peer { at, key });
    let key = args.reflector_key.as_deref().map(private::reflector_key).transpose()?;
    let reflector = args.reflector.map(|at| twoway::Peer { at, key });
    let asked = Asked { vlans: args.vlans.clone().map_or_else(Vec::new, |list| list.0), capacity_peer, reflector };
    visit(&args.visit, profile, Some(Only { checks: vec![args.name.clone()], asked }))
}

fn visit(args: &VisitArgs, profile: Option<Profile>, only: Option<Only>) -> Result<Exit, Failure> {
    let Some(record) = make(args, profile, Wish { only, ..Wish::default() })? else { return Ok(Exit::Pass) };
    show(&record, args.json)?;
    Ok(Exit::from(record.verdict))
}

/// Checks that are asked for by name.
#[derive(Debug, Clone, Default)]
pub(super) struct Only {
    /// Their names; what they need runs too.
    pub(super) checks: Vec<String>,
    /// What they were told beside their names.
    pub(super) asked: Asked,
}

/// What a visit is to be beside what its flags say.
#[derive(Debug, Default)]
pub(super) struct Wish {
    /// These checks and what they need; `None` is all.
    pub(super) only: Option<Only>,
    /// The visit that it goes on with, and how large samples are then.
    pub(super) continues: Option<(Arc<Earlier>, Sizes)>,
    /// Whether the line is filled; without it the flags say so, or somebody is asked.
    pub(super) fills: Option<bool>,
    /// Ends the visit early when it is cancelled; a signal cancels it too.
    pub(super) cancel: CancellationToken,
}

/// Makes a visit; `None` where only its plan was asked for, and printed.
pub(super) fn make(args: &VisitArgs, profile: Option<Profile>, wish: Wish) -> Result<Option<Record>, Failure> {
    let runtime = Runtime::new().map_err(Failure::could_not_run)?;
    make_on(&runtime, args, profile, wish)
}

/// As [`make`], on a runtime that is there already.
pub(super) fn make_on(
    runtime: &Runtime,
    args: &VisitArgs,
    profile: Option<Profile>,
    Wish { only, continues, fills, cancel }: Wish,
) -> Result<Option<Record>, Failure> {
    let mut options = runtime.block_on(meaning::visit_options(args, profile))?;
    let mut services = options.services();
    if let Some((earlier, sizes)) = continues {
        (options.continues, options.sizes) = (Some(earlier), sizes);
    } else {
        services.telephony |= only.as_ref().is_some_and(|only| only.checks.iter().any(|name| name == "voice"));
    }
    let mut checks = registry(&options.access, options.depth, services);
    let only = only.map(|Only { checks: names, asked }| {
        let mut named = on_request(asked);
        named.retain(|check| names.iter().any(|name| name == check.spec().name));
        // A visit that goes on measures as the one before did: there, those of the registry stay.
        let in_registry: Vec<&str> = checks.iter().map(|check| check.spec().name).collect();
        if options.continues.is_some() {
            named.retain(|check| !in_registry.contains(&check.spec().name));
        }
        checks.retain(|check| named.iter().all(|one| one.spec().name != check.spec().name));
        checks.extend(named);
        names
    });
    let setting = options.setting();
    let until_certain = meaning::until_certain(args.until_certain, options.profile.as_ref(), setting, &checks);
    let without = meaning::without(&options);
    let mut bounds = Bounds { max_octets: args.max_data, load_agreed: true, only, without, until_certain };
    let specs: Vec<_> = checks.iter().map(|c| c.spec()).collect();
    let mut plan = budget::plan(&specs, &options.volume(), &bounds);
    if args.plan {
        output::result(&crate::report::plan_text(&plan))?;
        return Ok(None);
    }
    options.capture.as_deref().map(capture::reserve).transpose().map_err(Failure::could_not_run)?;
    if plan.steps.iter().any(|s| s.spec.class == Class::Load) {
        let (agreed, how) = match fills {
            Some(agreed) => (agreed, "as the watch was told"),
            None => consent(&plan, args.yes),
        };
        options.consent = Some(how.to_owned());
        if !agreed {
            bounds.load_agreed = false;
            plan = budget::plan(&specs, &options.volume(), &bounds);
        }
    }
    // What others need would run in vain.
    if options.continues.is_some()
        && let Some(why) = proves_nothing(&plan, bounds.only.as_deref().unwrap_or_default())
    {
        return Err(Failure::usage(format_args!("nothing that is left to prove can be tested, so no visit was made: {why}")));
    }
    Ok(Some(runtime.block_on(run(options, checks, plan, progress::listener(), cancel))))
}

/// Why none of the checks that are asked for by name runs, if so.
fn proves_nothing(plan: &Plan, asked: &[String]) -> Option<String> {
    let is_asked = |name: &str| asked.iter().any(|one| one == name);
    if asked.is_empty() || plan.steps.iter().any(|step| is_asked(step.spec.name)) {
        return None;
    }
    let reasons = plan.left_out.iter().filter(|(spec, _)| is_asked(spec.name));
    Some(reasons.map(|(spec, why)| format!("{}: {why}", spec.name)).collect::<Vec<_>>().join("; "))
}

/// Octets that a visit with these flags moves at most.
pub(super) fn octets(args: &VisitArgs, profile: &Profile, fills: bool) -> u64 {
    let (depth, access) = (args.depth.into(), Access::default());
    let checks = registry(&access, depth, visit::services(Some(profile)));
    let specs: Vec<_> = checks.iter().map(|c| c.spec()).collect();
    let setting = Setting { depth, access: args.access.kind(), position: args.position() };
    let until_certain = meaning::until_certain(args.until_certain, Some(profile), setting, &checks);
    let bounds = Bounds { max_octets: args.max_data, load_agreed: fills, until_certain, ..Bounds::default() };
    budget::plan(&specs, &visit::volume(Some(profile), depth), &bounds).octets()
}

/// Time for what is held to be let go when nobody waits any more: a session's farewell is one packet.
const FAREWELL: Duration = Duration::from_millis(50);

/// Runs a visit with Ctrl-C (and SIGTERM) ending it early: the first asks, the second does not wait.
pub(super) async fn run(
    options: VisitOptions,
    checks: Vec<Box<dyn Check>>,
    plan: Plan,
    listener: Listener,
    cancel: CancellationToken,
) -> Record {
    tokio::select! {
        record = run_visit(options, checks, plan, listener, cancel.clone()) => record,
        () = signalled_twice(cancel) => {
            // The visit was dropped, and its tasks with it; the record on disk holds every check that had ended.
            tokio::time::sleep(FAREWELL).await;
            std::process::exit(i32::from(Exit::NotProven.code()));
        }
    }
}

/// The first signal cancels; returns at the second.
async fn signalled_twice(cancel: CancellationToken) {
    for _ in 0..2 {
        signalled().await;
        cancel.cancel();
    }
}

/// Returns at Ctrl-C or SIGTERM; never where neither can be heard.
pub(super) async fn signalled() {
    let Ok(mut terminate) = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()) else {
        return std::future::pending().await;
    };
    tokio::select! {
        caught = tokio::signal::ctrl_c() => if caught.is_err() { std::future::pending().await },
        _ = terminate.recv() => {}
    }
}

/// Whether the line may be filled, and how that is known: a flag, else an answer, where somebody can be asked.
fn consent(plan: &Plan, yes: bool) -> (bool, &'static str) {
    if yes {
        return (true, "given by --yes");
    }
    if !output::can_ask() {
        return (false, "nobody could be asked");
    }
    let text = format!(
        "This visit fills the line for a while and moves up to {}. Calls in progress, emergency calls, alarm and\n\
         medical-alert lines that ride on it may fail meanwhile. Does the customer agree?",
        budget::megabytes(plan.octets())
    );
    if output::ask(&text) { (true, "answered at the terminal") } else { (false, "refused at the terminal") }
}

/// Prints the record: JSON or the summary.
pub(super) fn show(record: &Record, json: bool) -> Result<(), Failure> {
    let text = if json { crate::report::json(record) } else { crate::report::terminal(record, output::may_colour()) };
    Ok(output::result(&text)?)
}
