//! Visits with checks that are made up for the test: no socket is opened.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use futures_util::future::BoxFuture;
use tokio_util::sync::CancellationToken;

use super::*;
use crate::check::Learned;
use crate::plan::budget::{Bounds, plan};
use crate::plan::{Class, Cost, Need, Spec};
use crate::record::sign::Signer;
use crate::record::store;

/// What a made-up check does.
#[derive(Clone, Copy)]
enum Act {
    Finish(Status),
    WaitForCancel,
    HangForGood,
    Panic,
}

struct Fake {
    spec: Spec,
    act: Act,
    released: Arc<Mutex<Vec<&'static str>>>,
}

struct Held {
    name: &'static str,
    released: Arc<Mutex<Vec<&'static str>>>,
}

impl Holding for Held {
    fn what(&self) -> String {
        self.name.to_owned()
    }

    fn release(self: Box<Self>) -> BoxFuture<'static, ()> {
        Box::pin(async move { self.released.lock().unwrap().push(self.name) })
    }

    fn closing_outcome(&mut self) -> BoxFuture<'_, Option<Outcome>> {
        let mut more = Outcome::new(Status::Done);
        more.fact("closed", true);
        Box::pin(std::future::ready(Some(more)))
    }
}

impl Check for Fake {
    fn spec(&self) -> Spec {
        self.spec
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        let (act, name, released) = (self.act, self.spec.name, Arc::clone(&self.released));
        Box::pin(async move {
            match act {
                Act::Finish(status) => Finished {
                    outcome: Outcome::new(status),
                    learned: vec![Learned::Ipv4(std::net::Ipv4Addr::new(192, 0, 2, 50), 24)],
                    holdings: vec![Box::new(Held { name, released })],
                },
                Act::WaitForCancel => {
                    context.cancel.cancelled().await;
                    Outcome { reason: Some("ended early".to_owned()), ..Outcome::new(Status::Done) }.into()
                }
                Act::HangForGood => std::future::pending().await,
                Act::Panic => panic!("a defect"),
            }
        })
    }
}

fn options(record_path: PathBuf) -> VisitOptions {
    VisitOptions {
        interface: Interface { name: "lan0".to_owned(), index: 2, mac: [0; 6] },
        vlan: TagStack::NONE,
        access: Access::Ethernet,
        position: Position::Gateway,
        circuit: None,
        note: None,
        line: None,
        profile: None,
        depth: Depth::Quick,
        far_end: None,
        max_octets: None,
        streams: None,
        dscp: 0,
        sip_account: None,
        consent: None,
        keep: Keep::File(record_path),
        signer: Signer::from_secret(&[7; 32]),
        capture: None,
        sizes: Sizes::NONE,
        continues: None,
    }
}

/// A visit over made-up checks: its record, what was released in which order, and the events.
struct Played {
    record: Record,
    released: Vec<&'static str>,
    path: PathBuf,
    _dir: tempfile::TempDir,
}

async fn play(steps: &[(&'static str, &'static [Need], &'static [Need], Act)], cancel_at: Option<Duration>) -> Played {
    let released = Arc::new(Mutex::new(Vec::new()));
    let checks: Vec<Box<dyn Check>> = steps
        .iter()
        .map(|(name, needs, gives, act)| {
            let spec = Spec { name, needs, gives, class: Class::Quiet, cost: |_| Cost::default() };
            Box::new(Fake { spec, act: *act, released: Arc::clone(&released) }) as Box<dyn Check>
        })
        .collect();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("record.json");
    let options = options(path.clone());
    let specs: Vec<Spec> = checks.iter().map(|c| c.spec()).collect();
    let plan = plan(&specs, &options.volume(), &Bounds { load_agreed: true, ..Bounds::default() });
    let cancel = CancellationToken::new();
    if let Some(after) = cancel_at {
        let cancel = cancel.clone();
        tokio::spawn(async move {
            tokio::time::sleep(after).await;
            cancel.cancel();
        });
    }
    let record = run_visit(options, checks, plan, Arc::new(|_| {}), cancel).await;
    let released = released.lock().unwrap().clone();
    Played { record, released, path, _dir: dir }
}

fn reason<'a>(record: &'a Record, check: &str) -> &'a str {
    record.checks.iter().find(|c| c.check == check).and_then(|c| c.outcome.reason.as_deref()).unwrap_or("")
}

#[tokio::test]
async fn what_is_held_is_given_back_last_taken_first_and_closing_figures_join_their_check() {
    let played = play(
        &[
            ("link", &[], &[Need::Carrier], Act::Finish(Status::Done)),
            ("dhcp4", &[Need::Carrier], &[Need::Address], Act::Finish(Status::Done)),
        ],
        None,
    )
    .await;
    assert_eq!(played.released, ["dhcp4", "link"]);
    assert!(played.record.checks.iter().all(|c| c.outcome.facts.contains_key("closed")));
    assert!(played.record.complete);
    assert_eq!(store::read(&played.path).unwrap(), played.record);
}

#[tokio::test]
async fn a_failed_check_leaves_the_rest_not_tested_with_the_reason_and_the_record_stands() {
    let played = play(
        &[
            ("link", &[], &[Need::Carrier], Act::Finish(Status::Failed)),
            ("dhcp4", &[Need::Carrier], &[Need::Address], Act::Finish(Status::Done)),
        ],
        None,
    )
    .await;
    assert_eq!(reason(&played.record, "dhcp4"), "needs carrier on the port, which this visit did not get");
    assert!(played.record.complete);
}

#[tokio::test]
async fn a_check_that_panics_is_told_as_our_defect_and_the_visit_goes_on() {
    let played = play(&[("link", &[], &[], Act::Panic), ("echo", &[], &[], Act::Finish(Status::Done))], None).await;
    assert_eq!(reason(&played.record, "link"), "a defect in this program ended it");
    assert_eq!(played.record.checks.len(), 2);
}

#[tokio::test]
async fn a_cancelled_visit_keeps_what_ended_in_the_grace_and_marks_the_record() {
    let played = play(
        &[
            ("link", &[], &[Need::Carrier], Act::Finish(Status::Done)),
            ("echo", &[], &[], Act::WaitForCancel),
            ("path", &[], &[Need::Address], Act::HangForGood),
            ("dns", &[Need::Address], &[], Act::Finish(Status::Done)),
        ],
        Some(Duration::from_millis(50)),
    )
    .await;
    assert_eq!(reason(&played.record, "echo"), "ended early");
    assert_eq!(reason(&played.record, "path"), "the visit was ended early");
    assert_eq!(reason(&played.record, "dns"), "the visit was ended early");
    assert!(!played.record.complete);
    assert_eq!(played.released, ["link"]);
}

#[tokio::test]
async fn the_record_on_disk_grows_with_each_check_so_that_a_kill_loses_only_the_running_ones() {
    let seen = Arc::new(Mutex::new(Vec::new()));
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("record.json");
    let released = Arc::default();
    let spec = |name| Spec { name, needs: &[], gives: &[], class: Class::Load, cost: |_| Cost::default() };
    let checks: Vec<Box<dyn Check>> = ["one", "two"]
        .map(|name| {
            Box::new(Fake { spec: spec(name), act: Act::Finish(Status::Done), released: Arc::clone(&released) }) as Box<dyn Check>
        })
        .into();
    let options = options(path.clone());
    let specs: Vec<Spec> = checks.iter().map(|c| c.spec()).collect();
    let plan = plan(&specs, &options.volume(), &Bounds { load_agreed: true, ..Bounds::default() });
    let listener: Listener = {
        let seen = Arc::clone(&seen);
        Arc::new(move |event| {
            if let VisitEvent::Started { check: "two" } = event {
                let saved = store::read(&path).unwrap();
                seen.lock().unwrap().push((saved.checks.len(), saved.complete));
            }
        })
    };
    run_visit(options, checks, plan, listener, CancellationToken::new()).await;
    assert_eq!(*seen.lock().unwrap(), [(1, false)]);
}
