//! `capacity`: maximum IP-layer capacity down and up (RFC 9097), over the protocol of RFC 9946, against the far end or any peer that
//! speaks it.
//!
//! This file asks for the tests and runs each on an OS thread; [`figures`] makes the readings. It must not know limits beyond sizing.

mod figures;

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use super::{Check, Context, Finished, LiveFigure, own_thread, turn};
use crate::farend::api::{CapacityReport, LoadRequest};
use crate::farend::capacity::{self, Found};
use crate::net::cpu::CpuTimes;
use crate::net::facts;
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::capacity::client::{NoTest, Request};
use crate::proto::capacity::{Row, Terms, table};
use crate::reading::{Outcome, Status};
use crate::unit::{Direction, Family, Segment};
use crate::wire::capacity::SharedKey;
use crate::wire::udp;

/// The search begins at this share of what was sold, so that it has time to find what there is.
const BEGINS_AT: f64 = 0.5;
/// Set-up, and the agreed end, on top of the test time.
const AROUND: Duration = Duration::from_millis(1500);
/// Octets of an ordinary Ethernet line's packets, and of jumbo ones.
const ORDINARY: u32 = 1500;
const JUMBO: u32 = 9000;

/// The check.
#[derive(Debug, Clone, Default)]
pub struct CapacityCheck {
    /// A peer other than the far end.
    pub peer: Option<Peer>,
}

/// A peer that speaks RFC 9946.
#[derive(Debug, Clone)]
pub struct Peer {
    /// Its set-up port.
    pub at: SocketAddr,
    /// Number of the key, and the key.
    pub key: Option<(u8, SharedKey)>,
}

impl Check for CapacityCheck {
    fn spec(&self) -> Spec {
        let needs: &[Need] = if self.peer.is_some() { &[Need::Address] } else { &[Need::FarEnd] };
        Spec { name: "capacity", needs, gives: &[], class: Class::Load, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        let peer = self.peer.clone();
        async move { Finished::from(examine(peer, context).await) }.boxed()
    }
}

fn cost(volume: &Volume) -> Cost {
    let time = Terms::default().time;
    Cost { time: 2 * (time + AROUND), octets: volume.octets(time) }
}

/// One way's test, whole.
struct Tested {
    direction: Direction,
    terms: Terms,
    found: Found,
    report: Option<CapacityReport>,
    cpu_busy: Option<f64>,
    family: Family,
    packet: u32,
}

/// Why one way was not tested.
enum NotRun {
    /// The far end refuses, or is gone: stable name and words.
    FarEnd(&'static str, String),
    /// No test was agreed on.
    NoTest(NoTest),
    /// This machine could not.
    System(io::Error),
    /// The visit is to end.
    Cancelled,
}

async fn examine(peer: Option<Peer>, context: Context) -> Outcome {
    if let (None, Some(session)) = (&peer, &context.known.far_end)
        && !session.capacity
    {
        return Outcome::not_tested("the far end does no capacity tests");
    }
    let mut outcome = Outcome::new(Status::Done);
    for direction in [Direction::Down, Direction::Up] {
        if context.cancel.is_cancelled() {
            outcome.reason = Some("ended early".to_owned());
            break;
        }
        match one_way(peer.as_ref(), &context, direction).await {
            Ok(tested) => figures::add(&mut outcome, &context.effort, context.known.test_set.as_ref(), &tested),
            Err(NotRun::Cancelled) => outcome.reason = Some("ended early".to_owned()),
            Err(why) => return not_run(outcome, direction, why),
        }
    }
    outcome
}

/// A test that did not start is no finding about the line, unless nothing of it comes through.
fn not_run(mut outcome: Outcome, direction: Direction, why: NotRun) -> Outcome {
    let (code, words, segment) = match why {
        NotRun::FarEnd(code, words) => (Some(code), words, None),
        NotRun::NoTest(why @ NoTest::Refused(_)) => (Some("capacity-refused"), why.to_string(), Some(Segment::FarEnd)),
        NotRun::NoTest(why) => (Some("capacity-silent"), why.to_string(), None),
        NotRun::System(error) => (None, error.to_string(), None),
        NotRun::Cancelled => (None, "ended early".to_owned(), None),
    };
    let reason = format!("the capacity test {direction} did not start: {words}");
    if let Some(code) = code {
        outcome.flaw(code, reason.clone(), segment);
    }
    outcome.status = if outcome.readings.is_empty() { Status::NotTested } else { Status::Failed };
    outcome.reason = Some(reason);
    outcome
}

/// Asks for a test this way and runs it.
async fn one_way(peer: Option<&Peer>, context: &Context, direction: Direction) -> Result<Tested, NotRun> {
    let sold = context.effort.sold(direction);
    let mut terms = context.effort.capacity;
    if terms.row.is_none() {
        terms.row = sold.map(|mbit| Row::From(u16::try_from(table::row_of(mbit * BEGINS_AT)).unwrap_or(0)));
    }
    terms.dscp = context.effort.dscp;
    let mtu = facts::link(context.interface.index).await.ok().flatten().map_or(ORDINARY, |link| link.mtu);
    let carries = context.known.path_mtu.map_or(mtu, |path| path.min(mtu));
    // Unknown beyond the port, ordinary packets are taken only where smaller ones would bound what this machine can do.
    let is_known = context.known.path_mtu.is_some() || sold.is_some_and(|mbit| mbit > 1000.0);
    let mut request = Request {
        terms,
        is_upstream: direction == Direction::Up,
        // Fifteen bits; a rate beyond them is not named.
        max_mbit: sold
            .map(|mbit| (mbit * Volume::MARGIN).ceil())
            .filter(|mbit| *mbit < 32_768.0)
            .map_or(0, |mbit| mbit.max(1.0) as u16),
        traditional_mtu: carries >= ORDINARY && is_known,
        jumbo: carries >= JUMBO,
        key: None,
        signs_status: false,
        identifier: rand::random(),
        unix_time: SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default().as_secs() as u32,
    };
    let Some(peer) = peer else {
        let session = context.known.far_end.clone().ok_or(NotRun::Cancelled)?;
        let time = terms.time + AROUND;
        let asked = LoadRequest {
            direction,
            streams: 1,
            time_ms: time.as_millis() as u64,
            max_octets: u64::MAX,
            expected_mbit: context.effort.expected_mbit(direction),
        };
        let refused = |error: crate::farend::client::ClientError| NotRun::FarEnd(error.code(), error.to_string());
        let grant = turn::take(context, "capacity", || session.admit_capacity(&asked)).await.map_err(refused)?;
        request.key = grant.key.octets().map(|octets| (SharedKey::new(&octets), grant.number));
        request.signs_status = true;
        let tested = run(context, SocketAddr::new(session.address, grant.port), request, direction).await;
        // Whatever became of it, the far end frees the share.
        let report = session.finish_capacity(&grant).await.ok();
        return tested.map(|tested| Tested { report, ..tested });
    };
    request.key = peer.key.clone().map(|(number, key)| (key, number));
    run(context, peer.at, request, direction).await
}

/// Runs the test on a thread of its own.
async fn run(context: &Context, to: SocketAddr, request: Request, direction: Direction) -> Result<Tested, NotRun> {
    let device = context.interface.name.clone();
    let live = Arc::clone(&context.live);
    let local = SocketAddr::new(Family::of(to.ip()).any_address(), 0);
    let (terms, family) = (request.terms, Family::of(to.ip()));
    let packet = if request.traditional_mtu { ORDINARY } else { 1250 };
    let headers = udp::headers(family);
    let cpu = CpuTimes::now();
    let work = move |stop: &AtomicBool| -> Result<Found, NotRun> {
        let socket = capacity::open(local, Some(&device), terms.dscp).map_err(NotRun::System)?;
        let flow = capacity::set_up(&socket, to, request, stop).map_err(NotRun::System)?.map_err(NotRun::NoTest)?;
        let tell = |flow: &crate::proto::capacity::flow::Flow| {
            if let Some(last) = flow.sub_intervals().last() {
                let mbit = figures::count(last, headers).rate() / 1e6;
                live(LiveFigure::new("capacity", format!("{direction} {mbit:.0} Mbit/s")).point(direction, mbit));
            }
        };
        capacity::run(&socket, flow, stop, tell, |_| None).map_err(NotRun::System)
    };
    let found = tokio::select! {
        found = own_thread::run("capacity", work) => found.map_err(NotRun::System)??,
        () = context.cancel.cancelled() => return Err(NotRun::Cancelled),
    };
    let cpu_busy = cpu.and_then(|then| CpuTimes::now()?.busiest_since(&then));
    Ok(Tested { direction, terms, found, report: None, cpu_busy, family, packet })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::Depth;

    #[test]
    fn cost_is_two_tests_at_what_was_sold_with_a_margin() {
        let volume = Volume {
            depth: Depth::Soak,
            load_time: Duration::from_secs(1),
            sold_down_mbit: 100.0,
            sold_up_mbit: 40.0,
            classes_mbit: None,
            tv: None,
            sizes: crate::plan::Sizes::NONE,
        };
        let cost = cost(&volume);
        // (100 + 40) Mbit/s x 1.25 x 10 s / 8
        assert_eq!((cost.time, cost.octets), (Duration::from_secs(23), 218_750_000));
    }
}
