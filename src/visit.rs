//! The visit: runs a plan. The only owner of tasks, and of what the agent holds on the line.
//!
//! One [`JoinSet`] holds a task per running check; each check's socket lives in its task. The hard thing is the end: however
//! the visit ends (done, cancelled, a check that panics), what was measured is in the record, and what is held (lease,
//! address, session) is given back. It must not print: whoever watches gets [`VisitEvent`]s.

mod assemble;
pub mod capture;
mod events;
pub mod preflight;
mod saving;
#[cfg(test)]
mod tests;

pub use events::{Listener, VisitEvent};

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::Timestamp;
use tokio::task::{Id, JoinSet};
use tokio_util::sync::CancellationToken;

use self::capture::Capture;
use crate::check::sip::Wanted;
use crate::check::web::PublicPages;
use crate::check::{
    Access, Check, Context, Effort, Finished, Holding, Interface, Known, Learned, LiveFigure, Services, Settling,
};
use crate::continued::Earlier;
use crate::farend::client::FarEndTarget;
use crate::judge::settling::settling;
use crate::line::LineFacts;
use crate::plan::order::{Progress, Turn};
use crate::plan::{Need, Plan, Sizes, TvVolume, Volume};
use crate::profile::{Profile, Setting};
use crate::proto::sip::account::Account;
use crate::reading::{Outcome, Status};
use crate::record::Record;
use crate::record::sign::Signer;
use crate::record::store::{self, StoreError};
use crate::unit::{Depth, MAIN_STREAM_INTERVAL, Position, Stretch};
use crate::wire::vlan::TagStack;

/// Time that running checks have to end after a cancellation, and each holding to be given back.
///
/// A RELEASE, a PADT or a session's end is one packet or one request: 2 s covers a line of 300 ms with a retry.
const GRACE: Duration = Duration::from_secs(2);

/// What is asked of a visit.
#[derive(Debug, Clone)]
pub struct VisitOptions {
    /// The port under test.
    pub interface: Interface,
    /// The tags that the line is handed over with.
    pub vlan: TagStack,
    /// How the line gives its service.
    pub access: Access,
    /// Where the agent is plugged in.
    pub position: Position,
    /// Circuit or order number, for the record.
    pub circuit: Option<String>,
    /// Note for the record.
    pub note: Option<String>,
    /// What was sold and the limits; `None` shows figures unjudged.
    pub profile: Option<Profile>,
    /// What somebody typed in about the access line.
    pub line: Option<LineFacts>,
    /// How hard to test.
    pub depth: Depth,
    /// The far end, if one was given.
    pub far_end: Option<FarEndTarget>,
    /// Octets that may be moved; `None` is unbounded.
    pub max_octets: Option<u64>,
    /// Parallel streams of a load phase; `None` is the profile's.
    pub streams: Option<u16>,
    /// DSCP of the twoway stream.
    pub dscp: u8,
    /// How filling the line was agreed to or refused, for the record; `None` when nothing was asked.
    pub consent: Option<String>,
    /// Account of the SIP service. Never in a record or log.
    pub sip_account: Option<Account>,
    /// Where the record goes.
    pub keep: Keep,
    /// Who signs it, each time that it is saved.
    pub signer: Signer,
    /// Where the control traffic goes, if it is to be kept; [`capture::reserve`] has made the file.
    pub capture: Option<PathBuf>,
    /// By how much more than usual checks sample.
    pub sizes: Sizes,
    /// The visit that this one goes on with: the record holds the evidence of both.
    pub continues: Option<Arc<Earlier>>,
}

/// Where a record goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Keep {
    /// This file.
    File(PathBuf),
    /// A file named after the record in this directory.
    In(PathBuf),
}

impl Keep {
    fn save(&self, record: &Record) -> Result<PathBuf, StoreError> {
        match self {
            Self::File(path) => store::save(path, record).map(|()| path.clone()),
            Self::In(directory) => store::save_in(directory, record),
        }
    }
}

impl VisitOptions {
    /// What the size of the checks depends on.
    pub fn volume(&self) -> Volume {
        let usual = volume(self.profile.as_ref(), self.depth);
        Volume { load_time: self.sizes.time("throughput", usual.load_time), sizes: self.sizes.clone(), ..usual }
    }

    /// The confidence of all intervals: the profile's, and a higher one for figures that an earlier visit has looked at already.
    fn confidence(&self) -> f64 {
        let stated = self.profile.as_ref().map_or(0.95, Profile::confidence);
        self.continues.as_ref().map_or(stated, |earlier| earlier.next_confidence(stated))
    }

    /// Where and how hard the visit is: what decides which limits apply.
    pub fn setting(&self) -> Setting {
        Setting { depth: self.depth, access: self.access.kind(), position: self.position }
    }

    /// The SIP service that was sold, and whom to register there.
    fn sip(&self) -> Wanted {
        let service = self.profile.as_ref().and_then(|profile| profile.sip.clone());
        Wanted { service, account: self.sip_account.clone() }
    }

    /// What the tier is sold with beside the line itself.
    pub fn services(&self) -> Services {
        services(self.profile.as_ref())
    }

    /// The question that a check is asked once it may end early: whether its limits are met or missed for certain.
    fn settling(&self, check: &str, stretch: Stretch) -> Option<Settling> {
        let settling = settling(self.profile.as_ref()?, self.setting(), self.line.as_ref(), check)?;
        Some(Settling::new(Arc::new(move |readings| settling.is_settled(readings)), stretch))
    }

    fn effort(&self) -> Effort {
        let volume = self.volume();
        let profile = self.profile.as_ref();
        Effort {
            depth: self.depth,
            sold_down_mbit: volume.sold_down_mbit,
            sold_up_mbit: volume.sold_up_mbit,
            streams: self.streams.or_else(|| profile.map(Profile::streams)).unwrap_or(4),
            load_time: volume.load_time,
            max_octets: self.max_octets,
            confidence: self.confidence(),
            dscp: self.dscp,
            capacity: profile.map(|profile| profile.capacity).unwrap_or_default(),
            classes: profile.and_then(|profile| profile.classes.clone()),
            voice: profile.and_then(|profile| profile.voice).unwrap_or_default(),
            sizes: self.sizes.clone(),
        }
    }
}

/// What the size of the checks depends on, for a tier at a depth.
pub fn volume(profile: Option<&Profile>, depth: Depth) -> Volume {
    let (sold_down_mbit, sold_up_mbit) = profile.map(Profile::sold_mbit).unwrap_or_default();
    let load_time = profile.and_then(Profile::load_seconds).map_or_else(|| load_time(depth), Duration::from_secs);
    let classes = profile.and_then(|profile| profile.classes.as_ref());
    let classes_mbit = classes.map(|all| all.iter().map(|class| class.mbit(MAIN_STREAM_INTERVAL)).sum());
    let tv = profile.and_then(|profile| profile.tv.as_ref()).map(|tv| TvVolume {
        channels: tv.channels.len(),
        mbit: tv.mbit_at_once(),
        changes: tv.changes,
        hold: tv.hold(),
    });
    Volume { depth, load_time, sold_down_mbit, sold_up_mbit, classes_mbit, tv, sizes: Sizes::NONE }
}

/// What a tier is sold with beside the line itself.
pub fn services(profile: Option<&Profile>) -> Services {
    let sold = |has: fn(&Profile) -> bool| profile.is_some_and(has);
    Services {
        tv: sold(|profile| profile.tv.is_some()),
        telephony: sold(|profile| profile.voice.is_some()),
        sip: sold(|profile| profile.sip.is_some()),
    }
}

/// Length of one load phase after start-up.
///
/// RFC 6349 section 3.3 wants more than 30 s per direction for a full methodology; the shorter depths trade that for the
/// technician's time, and the readings' intervals say what it costs.
pub fn load_time(depth: Depth) -> Duration {
    match depth {
        Depth::Quick => Duration::from_millis(2_500),
        Depth::Handoff => Duration::from_secs(15),
        Depth::Soak => Duration::from_secs(60),
    }
}

/// Runs the plan and returns the concluded record, which has been saved at `options.keep` after each check.
///
/// Never fails: a dead line, a cancelled visit and a full disk all end in a record; a save that failed is told by
/// [`VisitEvent::SaveFailed`]. `cancel` asks for an early end: running checks get 2 s, then what is held is given back.
pub async fn run_visit(
    options: VisitOptions,
    checks: Vec<Box<dyn Check>>,
    plan: Plan,
    listener: Listener,
    cancel: CancellationToken,
) -> Record {
    let mut running = Running {
        progress: Progress::new(&plan),
        record: assemble::open(&options, &plan),
        interrupted: None,
        known: Known::default(),
        holdings: Vec::new(),
        tasks: JoinSet::new(),
        started: BTreeMap::new(),
        options,
        checks,
        plan,
        listener,
        cancel,
        save_error: None,
        capture: None,
    };
    running.capture = running
        .options
        .capture
        .as_ref()
        .map(|path| Capture::start(path, &running.options.interface, Arc::clone(&running.listener)));
    let checks = running.plan.steps.iter().map(|step| step.spec.name).collect();
    running.tell(VisitEvent::Planned { time: running.plan.time(), octets: running.plan.octets(), checks });
    for (spec, reason) in running.plan.left_out.clone() {
        running.end(spec.name, Duration::ZERO, Outcome::not_tested(reason));
    }
    running.run().await;
    running.close().await
}

struct Running {
    options: VisitOptions,
    checks: Vec<Box<dyn Check>>,
    plan: Plan,
    progress: Progress,
    record: Record,
    interrupted: Option<String>,
    known: Known,
    holdings: Vec<(&'static str, Box<dyn Holding>)>,
    tasks: JoinSet<Finished>,
    started: BTreeMap<Id, (usize, Instant)>,
    listener: Listener,
    cancel: CancellationToken,
    /// Why the last save failed, if it did.
    save_error: Option<String>,
    capture: Option<Capture>,
}

impl Running {
    /// Starts what may start and takes in what ends, until nothing waits or runs.
    async fn run(&mut self) {
        loop {
            if self.cancel.is_cancelled() {
                return self.stop_early().await;
            }
            for turn in self.progress.turns() {
                match turn {
                    Turn::Start(index) => self.start(index),
                    Turn::Blocked(index, need) => {
                        let reason = format!("needs {}, which this visit did not get", need.words());
                        self.end(self.plan.steps[index].spec.name, Duration::ZERO, Outcome::not_tested(reason));
                    }
                }
            }
            if self.progress.is_over() {
                return;
            }
            // Cancel safe: `join_next_with_id` keeps a task's result until it is returned.
            tokio::select! {
                () = self.cancel.cancelled() => {}
                Some(joined) = self.tasks.join_next_with_id() => self.take_in(joined),
            }
        }
    }

    fn start(&mut self, index: usize) {
        let name = self.plan.steps[index].spec.name;
        let Some(check) = self.checks.iter().find(|c| c.spec().name == name) else {
            self.progress.ended(index, &[]);
            return self.end(name, Duration::ZERO, Outcome::not_tested("this build has no such check"));
        };
        let listener = Arc::clone(&self.listener);
        let settling = self.plan.steps[index].stretch.and_then(|stretch| self.options.settling(name, stretch));
        let context = Context {
            port: self.options.interface.clone(),
            vlan: self.options.vlan,
            access: self.options.access.clone(),
            interface: self.known.interface.clone().unwrap_or_else(|| self.options.interface.clone()),
            known: Arc::new(self.known.clone()),
            effort: self.options.effort(),
            dhcp4: self.options.profile.as_ref().map(|p| p.dhcp4.clone()).unwrap_or_default(),
            pages: PublicPages {
                pages: self.options.profile.as_ref().map(|p| p.pages.clone()).unwrap_or_default(),
                trusted: None,
            },
            sip: self.options.sip(),
            tv: self.options.profile.as_ref().and_then(|p| p.tv.clone()).unwrap_or_default(),
            position: self.options.position,
            far_end: self.options.far_end.clone(),
            settling,
            cancel: self.cancel.child_token(),
            live: Arc::new(move |figure: LiveFigure| listener(&VisitEvent::Figure(figure))),
        };
        let handle = self.tasks.spawn(check.run(context));
        self.started.insert(handle.id(), (index, Instant::now()));
        self.tell(VisitEvent::Started { check: name });
    }

    fn take_in(&mut self, joined: Result<(Id, Finished), tokio::task::JoinError>) {
        let (id, finished) = match joined {
            Ok((id, finished)) => (id, finished),
            // A panic is our bug, never the line's: the figures of this check are missing, the visit goes on.
            Err(error) => {
                let what = if error.is_panic() { "a defect in this program ended it" } else { "the visit was ended early" };
                (error.id(), Outcome::not_tested(what).into())
            }
        };
        let Some((index, started)) = self.started.remove(&id) else { return };
        let spec = self.plan.steps[index].spec;
        let Finished { outcome, learned, holdings } = finished;
        // A check that found out nothing gives nothing, done or not; carrier is a finding and nothing learned.
        let mut gave: Vec<Need> = spec.gives.iter().copied().filter(|need| *need == Need::Carrier).collect();
        gave.extend(learned.iter().filter_map(Learned::gives));
        for one in learned {
            self.known.learn(one);
        }
        self.holdings.extend(holdings.into_iter().map(|h| (spec.name, h)));
        if outcome.status != Status::Done {
            gave.clear();
        }
        self.progress.ended(index, &gave);
        self.end(spec.name, started.elapsed(), outcome);
    }

    /// Lets running checks end within the grace, then drops them; what never ran is marked so.
    async fn stop_early(&mut self) {
        self.tell(VisitEvent::EndingEarly);
        let deadline = tokio::time::Instant::now() + GRACE;
        while let Ok(Some(joined)) = tokio::time::timeout_at(deadline, self.tasks.join_next_with_id()).await {
            self.take_in(joined);
        }
        self.tasks.abort_all();
        while let Some(joined) = self.tasks.join_next_with_id().await {
            self.take_in(joined);
        }
        self.interrupted = Some("the visit was ended before all checks had run".to_owned());
        let ended: Vec<String> = self.record.checks.iter().map(|c| c.check.clone()).collect();
        for step in self.plan.steps.clone() {
            if !ended.iter().any(|name| name == step.spec.name) {
                self.end(step.spec.name, Duration::ZERO, Outcome::not_tested("the visit was ended early"));
            }
        }
    }

    /// Notes a check's outcome in the record, saves it, tells the listener.
    fn end(&mut self, check: &'static str, took: Duration, outcome: Outcome) {
        self.tell(VisitEvent::Ended { check, took, outcome: outcome.clone() });
        self.record.add(check, took, outcome);
        self.save();
        if let Some(profile) = &self.options.profile {
            let whole = self.whole();
            self.tell(VisitEvent::Judged { so_far: whole.as_ref().unwrap_or(&self.record).judged(profile) });
        }
    }

    /// Takes the figures that span the visit, gives back what is held, concludes and saves.
    async fn close(mut self) -> Record {
        for (check, holding) in &mut self.holdings {
            let Ok(Some(more)) = tokio::time::timeout(GRACE, holding.closing_outcome()).await else { continue };
            if let Some(entry) = self.record.checks.iter_mut().find(|c| c.check == *check) {
                assemble::merge(&mut entry.outcome, more);
            }
        }
        // Last taken, first given back: the far end's session before the address that it runs over.
        for (_, holding) in std::mem::take(&mut self.holdings).into_iter().rev() {
            let what = holding.what();
            if tokio::time::timeout(GRACE, holding.release()).await.is_err() {
                self.tell(VisitEvent::NotReleased { what });
            }
        }
        // After the last RELEASE and PADT: they are of the visit.
        if let Some(capture) = self.capture.take() {
            self.record.capture = capture.end().await;
        }
        let order: Vec<&str> = self.checks.iter().map(|c| c.spec().name).collect();
        self.record.checks.sort_by_key(|c| order.iter().position(|name| *name == c.check));
        self.record.finish(Timestamp::now(), self.interrupted.take());
        // From here on the record is the whole one.
        if let Some(whole) = self.whole() {
            self.record = whole;
            self.options.continues = None;
        }
        self.record.conclude(self.options.profile.as_ref());
        if let Some(path) = self.save() {
            self.tell(VisitEvent::Saved { path });
        }
        self.record
    }

    fn tell(&self, event: VisitEvent) {
        (self.listener)(&event);
    }
}
