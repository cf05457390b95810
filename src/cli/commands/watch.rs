//! `watch`: visits again and again, unattended, until the end that was set or a signal.
//!
//! [`crate::watch`] decides what is due; here are its clock, its files and the visits. What it remembers is written before each visit and
//! after it, so that a machine that dies in one does not make it again at once.

mod install;
mod room;
mod status;
mod unit;

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use tokio::runtime::Runtime;
use tokio_util::sync::CancellationToken;

use self::room::Room;
use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::flags::watch::{WatchAction, WatchArgs, WatchPlan};
use super::super::flags::{DepthArg, VisitArgs};
use super::super::{meaning, output};
use super::verify::{self, Wish};
use crate::profile::Profile;
use crate::record::{Record, store};
use crate::watch::policy::{Choice, Due};
use crate::watch::{Kind, Memory, Policy, Rhythm, Schedule, Watch};

/// Between two looks at the clock: a machine that wakes, or whose clock was set, is noticed within it.
const LOOK: Duration = Duration::from_secs(20);
/// Jitter where none was typed: a tenth of the time between two visits, and no more than this.
const MOST_JITTER: SignedDuration = SignedDuration::from_mins(2);
/// What the watch remembers, in its directory.
const MEMORY: &str = "watch.json";

/// Runs `watch`.
pub(in crate::cli) fn run(args: &WatchArgs) -> Result<Exit, Failure> {
    match &args.action {
        Some(WatchAction::Status { name, json }) => status::show(name, *json),
        Some(WatchAction::Install(args)) => install::install(&args.plan, args.print),
        Some(WatchAction::Remove { name }) => install::remove(name),
        None => watch(&args.plan),
    }
}

fn watch(plan: &WatchPlan) -> Result<Exit, Failure> {
    sensible(plan)?;
    let directory = directory(&plan.name)?;
    store::make_directory(&directory).map_err(Failure::could_not_run)?;
    let _lock = lock(&directory, &plan.name)?;
    let memory = remembered(&directory.join(MEMORY))?;
    let profile = meaning::profile(plan.tier())?;
    let mut keeper = Keeper {
        watch: Watch::new(policy(plan, memory.began)?, memory),
        runtime: Runtime::new().map_err(Failure::could_not_run)?,
        cancel: CancellationToken::new(),
        plan,
        profile,
        directory,
    };
    keeper.run()
}

/// Refuses what a watch can't do.
fn sensible(plan: &WatchPlan) -> Result<(), Failure> {
    let VisitArgs { plan: only_plan, json, record, capture, line, .. } = &plan.visit;
    let wrong = [
        (*only_plan, "--plan prints what one visit does; use it with verify"),
        (*json, "--json prints one record; `watch status --json` tells of the watch"),
        (record.is_some(), "--record names one file, and a watch makes many; they are kept under the watch's name"),
        (capture.is_some(), "--capture names one file; a watch captures its thorough visits by itself"),
        (line.as_deref() == Some("ask"), "--line ask asks somebody, and a watch runs alone; give a file"),
    ];
    wrong.iter().find(|(is, _)| *is).map_or(Ok(()), |(_, why)| Err(Failure::usage(why)))
}

/// Where a watch keeps its records and what it remembers.
fn directory(name: &str) -> Result<PathBuf, Failure> {
    Ok(store::state_directory().map_err(Failure::could_not_run)?.join("watch").join(name))
}

/// Holds the watch for this process; another one is refused.
fn lock(directory: &Path, name: &str) -> Result<File, Failure> {
    let path = directory.join("lock");
    let file = File::options().create(true).truncate(false).write(true).open(&path);
    let file = file.map_err(|error| Failure::could_not_run(format_args!("opening {}: {error}", path.display())))?;
    file.try_lock().map_err(|_| {
        Failure::could_not_run(format_args!("the watch `{name}` runs already; see `doorstep watch status --name {name}`"))
    })?;
    Ok(file)
}

/// What the watch remembers; a document that can't be read is set aside, since a watch that stops is worse than one that begins anew.
fn remembered(path: &Path) -> Result<Memory, Failure> {
    let begun = || Memory::begun(Timestamp::now(), rand::random());
    let text = match std::fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(begun()),
        Err(error) => return Err(Failure::could_not_run(format_args!("reading {}: {error}", path.display()))),
    };
    Memory::parse(&text).or_else(|what| {
        let aside = path.with_extension("damaged");
        output::note(&format!("{}: {what}; it is now {}, and the watch begins anew.", path.display(), aside.display()));
        std::fs::rename(path, &aside)
            .map_err(|error| Failure::could_not_run(format_args!("setting aside {}: {error}; move it away", path.display())))?;
        Ok(begun())
    })
}

/// What was asked for, checked. An end is counted from the watch's beginning, so that a restart does not make it longer.
fn policy(plan: &WatchPlan, began: Timestamp) -> Result<Policy, Failure> {
    let zone = TimeZone::system();
    let until = plan.lasts.map(|lasts| began.checked_add(lasts)).transpose().map_err(Failure::usage)?;
    let schedule = |every: Option<SignedDuration>, at: Option<&str>| -> Result<Option<Schedule>, Failure> {
        let rhythm = match (every, at) {
            (Some(apart), _) => Rhythm::every(apart),
            (None, Some(fields)) => Rhythm::at(fields, &zone, Timestamp::now()),
            (None, None) => return Ok(None),
        };
        let tenth = every.map_or(MOST_JITTER, |apart| (apart / 10).min(MOST_JITTER));
        let schedule = Schedule {
            rhythm: rhythm.map_err(Failure::usage)?,
            jitter: plan.jitter.unwrap_or(tenth),
            quiet: plan.quiet.clone(),
            zone: zone.clone(),
            from: began,
            until,
        };
        schedule.checked().map(Some).map_err(Failure::usage)
    };
    let light = schedule(plan.every, plan.at.as_deref())?;
    Ok(Policy {
        light: light.ok_or_else(|| Failure::usage("say how often: --every 15m"))?,
        heavy: schedule(plan.heavy_every, plan.heavy_at.as_deref())?,
        daily_octets: plan.data_per_day,
        goes_after: !plan.no_thorough,
    })
}

/// A watch at work.
struct Keeper<'a> {
    watch: Watch,
    runtime: Runtime,
    cancel: CancellationToken,
    plan: &'a WatchPlan,
    profile: Profile,
    directory: PathBuf,
}

impl Keeper<'_> {
    fn run(&mut self) -> Result<Exit, Failure> {
        let mut told: Option<Timestamp> = None;
        loop {
            let Some(due) = self.watch.next(Timestamp::now()) else {
                self.keep()?;
                output::note("The watch is over.");
                return Ok(Exit::Pass);
            };
            let left = due.at.duration_since(Timestamp::now());
            if left.is_positive() {
                if told != Some(due.at) {
                    self.keep()?;
                    output::note(&format!("The next visit, a {} one, is due at {}.", due.kind, moment(due.at)));
                    told = Some(due.at);
                }
                let left = left.unsigned_abs().min(LOOK);
                self.runtime.block_on(async {
                    tokio::select! {
                        () = tokio::time::sleep(left) => {}
                        () = verify::signalled() => self.cancel.cancel(),
                    }
                });
            } else {
                self.visit(due)?;
            }
            if self.cancel.is_cancelled() {
                output::note("The watch was ended; the same command goes on with it.");
                return Ok(Exit::Pass);
            }
        }
    }

    /// Makes the visit that is due, or leaves it out.
    fn visit(&mut self, due: Due) -> Result<(), Failure> {
        let now = Timestamp::now();
        let (plan, profile) = (self.plan, &self.profile);
        let needs = |kind| verify::octets(&visit_args(plan, kind), profile, fills(plan, kind));
        let (kind, instead) = match self.watch.choose(due, now, needs) {
            Choice::Make { kind, instead } => (kind, instead),
            Choice::LeaveOut(why) => {
                output::note(&format!("{}: {why}; it is left out.", moment(now)));
                return self.keep();
            }
        };
        if let Some(why) = instead {
            output::note(&format!("{}: {why}; a {kind} one is made.", moment(now)));
        }
        self.keep()?;
        let room = match room::make(&self.directory) {
            Ok(room) => room,
            // The disk may have room again when the next is due.
            Err(failure) => {
                output::note(&format!("{}: {kind}: no visit: {}", moment(now), failure.message));
                self.watch.ended(kind, now, None, failure.message);
                return self.keep();
            }
        };
        if room == Room::Tight {
            output::note("The disk has little room: no traffic is captured, and raw series are kept only where they fit.");
        }
        let name = format!("{}-{kind}", now.strftime("%Y%m%dT%H%M%SZ"));
        let record = self.directory.join(format!("{name}.json"));
        let args = VisitArgs {
            record: Some(record.clone()),
            capture: (kind == Kind::Thorough && room == Room::Enough).then(|| self.directory.join(format!("{name}.pcapng"))),
            ..visit_args(plan, kind)
        };
        let wish = Wish { cancel: self.cancel.clone(), fills: Some(fills(plan, kind)), ..Wish::default() };
        let made = verify::make_on(&self.runtime, &args, Some(self.profile.clone()), wish);
        let at = Timestamp::now();
        match made {
            Ok(Some(made)) => {
                output::note(&format!("{}: {kind}: {}", moment(now), said(&made)));
                self.watch.ended(kind, at, Some(made.verdict), record.display().to_string());
                super::history::remember(&made);
            }
            Ok(None) => {}
            // A cable that is out, an adapter that is gone: told, and tried again when the next is due.
            Err(failure) => {
                output::note(&format!("{}: {kind}: no visit: {}", moment(now), failure.message));
                self.watch.ended(kind, at, None, failure.message);
            }
        }
        self.keep()
    }

    /// Keeps what the watch remembers. A full disk does not end the watch: what it would forget is when the last visit was.
    fn keep(&self) -> Result<(), Failure> {
        let path = self.directory.join(MEMORY);
        let mut text = serde_json::to_vec_pretty(self.watch.memory()).map_err(Failure::could_not_run)?;
        text.push(b'\n');
        if let Err(error) = store::write_document(&path, &text) {
            output::note(&format!("{error}"));
        }
        Ok(())
    }
}

/// Whether a visit of this kind fills the line: light ones never, the others where the customer agreed.
fn fills(plan: &WatchPlan, kind: Kind) -> bool {
    kind != Kind::Light && plan.visit.yes
}

fn visit_args(plan: &WatchPlan, kind: Kind) -> VisitArgs {
    let depth = if kind == Kind::Light { DepthArg::Quick } else { plan.visit.depth };
    VisitArgs { depth, ..plan.visit.clone() }
}

/// The visit in one line.
fn said(record: &Record) -> String {
    let fault = record.isolation.as_ref().filter(|isolation| isolation.segment.is_some());
    match fault {
        Some(isolation) => format!("{}; likely: {}", record.verdict.word(), isolation.title),
        None => record.verdict.word().to_owned(),
    }
}

/// A moment in local time, to the second.
fn moment(at: Timestamp) -> String {
    at.to_zoned_datetime(TimeZone::system()).strftime("%Y-%m-%d %H:%M:%S").to_string()
}
