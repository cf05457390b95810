//! Capacity tests at the far end: keys of admitted tests and of peers that have their own, and what became of each test.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};
use std::time::{Duration, Instant};

use tokio::sync::Notify;

use super::State;
use crate::farend::admission::Refused;
use crate::farend::api::CapacityReport;
use crate::farend::capacity::Found;
use crate::farend::capacity::service::Door;
use crate::net::cpu::CpuTimes;
use crate::proto::capacity::flow::End;
use crate::unit::Direction;
use crate::wire::capacity::{SetupResponse, SharedKey};

/// Longest test of a peer with a key of its own.
const GUEST_TIME: Duration = Duration::from_secs(20);

/// Keys of peers that have no session: number and key.
pub type PeerKeys = BTreeMap<u8, SharedKey>;

/// The tests that may run, by the number of their key.
#[derive(Debug, Default)]
pub(super) struct CapacityTests {
    peers: PeerKeys,
    admitted: Mutex<BTreeMap<u8, Admitted>>,
    finished: Notify,
}

#[derive(Debug)]
struct Admitted {
    load: String,
    key: SharedKey,
    source: IpAddr,
    direction: Direction,
    time: Duration,
    begun: Option<Option<CpuTimes>>,
    report: Option<CapacityReport>,
    /// After this nobody comes for it any more.
    until: Instant,
}

/// A test that an agent was admitted to over the control connection.
pub(super) struct Admission<'a> {
    pub(super) load: &'a str,
    pub(super) key: &'a [u8],
    pub(super) source: IpAddr,
    pub(super) direction: Direction,
    pub(super) time: Duration,
}

/// What an agent may take beyond the test's time to come for the report.
const FETCH: Duration = Duration::from_secs(30);

impl CapacityTests {
    pub(super) fn new(peers: PeerKeys) -> Self {
        Self { peers, ..Self::default() }
    }

    fn admitted(&self) -> MutexGuard<'_, BTreeMap<u8, Admitted>> {
        self.admitted.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Gives a test a number; `None` when all are taken.
    pub(super) fn admit(&self, now: Instant, test: &Admission<'_>) -> Option<u8> {
        let mut admitted = self.admitted();
        admitted.retain(|_, test| test.until > now);
        let number = (0..=u8::MAX).find(|number| !admitted.contains_key(number) && !self.peers.contains_key(number))?;
        let entry = Admitted {
            load: test.load.to_owned(),
            key: SharedKey::new(test.key),
            source: test.source,
            direction: test.direction,
            time: test.time,
            begun: None,
            report: None,
            until: now + test.time + FETCH,
        };
        admitted.insert(number, entry);
        Some(number)
    }

    /// Waits until a test is over, at most `patience`, and takes its report; `None` when there is no such test.
    pub(super) async fn finish(&self, load: &str, patience: Duration) -> Option<CapacityReport> {
        let deadline = tokio::time::Instant::now() + patience;
        loop {
            let finished = self.finished.notified();
            {
                let mut admitted = self.admitted();
                let (number, test) = admitted.iter().find(|(_, test)| test.load == load)?;
                let is_over = test.report.is_some() || test.begun.is_none() || tokio::time::Instant::now() >= deadline;
                if is_over {
                    let number = *number;
                    return admitted.remove(&number).map(|test| test.report.unwrap_or_default());
                }
            }
            let _ = tokio::time::timeout_at(deadline, finished).await;
        }
    }
}

/// The far end's state as the set-up port asks it.
#[derive(Debug)]
pub(super) struct CapacityDoor(pub(super) Weak<State>);

impl CapacityDoor {
    fn state(&self) -> Option<Arc<State>> {
        self.0.upgrade()
    }
}

impl Door for CapacityDoor {
    fn key(&self, number: u8) -> Option<SharedKey> {
        let state = self.state()?;
        let own = state.capacity.peers.get(&number).cloned();
        own.or_else(|| state.capacity.admitted().get(&number).map(|test| test.key.clone()))
    }

    fn admit(&self, number: u8, from: IpAddr, is_upstream: bool, mbit: f64) -> Result<(u64, String), SetupResponse> {
        let state = self.state().ok_or(SetupResponse::Capacity)?;
        let direction = if is_upstream { Direction::Up } else { Direction::Down };
        if state.capacity.peers.contains_key(&number) {
            let name = format!("peer {number} {from} {:016x}", rand::random::<u64>());
            let admitted = state.book().admit_guest(Instant::now(), &name, GUEST_TIME, mbit);
            return match admitted {
                Ok(()) => Ok((GUEST_TIME.as_secs(), name)),
                Err(Refused::Busy { .. }) => Err(SetupResponse::Capacity),
                Err(_) => Err(SetupResponse::Connections),
            };
        }
        let mut admitted = state.capacity.admitted();
        let test = admitted.get_mut(&number).ok_or(SetupResponse::Signature)?;
        // Single use, from where it was asked for, the way that it was asked for.
        if test.begun.is_some() || test.source != from || test.direction != direction {
            return Err(SetupResponse::Capacity);
        }
        test.begun = Some(CpuTimes::now());
        Ok((test.time.as_secs().max(1), test.load.clone()))
    }

    fn done(&self, number: u8, name: &str, found: Option<Found>) {
        let Some(state) = self.state() else { return };
        state.book().finish(name);
        if let Some(test) = state.capacity.admitted().get_mut(&number).filter(|test| test.load == name) {
            let then = test.begun.as_ref().and_then(Option::as_ref);
            let cpu_busy = then.and_then(|then| CpuTimes::now()?.busiest_since(then));
            test.report = Some(found.map_or_else(CapacityReport::default, |found| report(&found, cpu_busy)));
        }
        state.capacity.finished.notify_waiters();
    }

    fn most_mbit(&self) -> f64 {
        self.state().map_or(0.0, |state| state.capacity_mbit)
    }
}

fn report(found: &Found, cpu_busy: Option<f64>) -> CapacityReport {
    CapacityReport {
        complete: found.end == End::Complete,
        sent: found.sent.map(|sent| sent.datagrams),
        left_out: found.sent.map(|sent| sent.left_out),
        no_room: found.no_room,
        received: found.received.map(|received| received.datagrams),
        dropped: found.dropped,
        signs: found.signs,
        highest_mbit: found.highest_mbit,
        cpu_busy,
    }
}
