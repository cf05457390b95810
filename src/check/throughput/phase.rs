//! One load phase: asks the far end, moves octets on one OS thread per stream, measures the delay beside it.

use std::fmt;
use std::io::{self, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use tokio_util::sync::CancellationToken;

use super::cross::Meter;
use crate::check::gateway::Tally;
use crate::check::twoway::StreamResult;
use crate::check::{Context, LiveFigure, beside, turn};
use crate::farend::api::{BUCKET_MS, LoadGrant, LoadReport, LoadRequest, StreamReceived, StreamSent};
use crate::farend::client::{ClientError, Session};
use crate::farend::stream::{Until, receive_bulk, send_bulk};
use crate::net::bound;
use crate::net::cpu::CpuTimes;
use crate::unit::Direction;

/// A load that moves nothing for so long is given up: longer than TCP's backed-off retransmissions of a lossy line
/// (RFC 6298: 1, 2 s), shorter than a technician's patience.
pub(super) const STALL: Duration = Duration::from_secs(5);
/// What the receiver waits beyond the load's time for what a deep buffer still holds.
const DRAIN: Duration = Duration::from_secs(3);
const CONNECT_WAIT: Duration = Duration::from_secs(5);
/// Between two looks at how much has moved.
const LOOK: Duration = Duration::from_millis(250);

/// What one phase found.
#[derive(Debug)]
pub(super) struct Phase {
    pub(super) request: LoadRequest,
    /// What slow start may take at most of it.
    pub(super) start_up: Duration,
    pub(super) part: Part,
    pub(super) address: SocketAddr,
    /// The senders' side, whoever sent.
    pub(super) sent: Vec<StreamSent>,
    /// The receivers' side, whoever received.
    pub(super) received: Vec<StreamReceived>,
    pub(super) cpu_busy: Option<f64>,
    pub(super) far_end_cpu_busy: Option<f64>,
    /// Stable name of why the far end gave no report at the end, if it gave none.
    pub(super) far_end_error: Option<&'static str>,
    pub(super) delay: Option<StreamResult>,
    /// What the gateway counted, or why that is not known; `None` where it tells nothing.
    pub(super) tally: Option<Result<Tally, String>>,
    pub(super) ended: Ended,
}

/// How a phase ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Ended {
    Complete,
    Cancelled,
    Stalled,
    Broken(String),
}

/// Why a phase did not start.
#[derive(Debug)]
pub(super) enum NotRun {
    FarEnd(ClientError),
    Connect(io::Error),
}

impl NotRun {
    /// Stable name for isolation.
    pub(super) fn flaw(&self) -> Option<&'static str> {
        match self {
            Self::FarEnd(error) => Some(error.code()),
            Self::Connect(_) => Some("farend-data-refused"),
        }
    }
}

impl fmt::Display for NotRun {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::FarEnd(error) => error.fmt(f),
            Self::Connect(error) => write!(f, "a data connection could not be made: {error}"),
        }
    }
}

impl Phase {
    /// Octets that the receivers got.
    pub(super) fn octets(&self) -> u64 {
        self.received.iter().map(|stream| stream.octets).sum()
    }
}

/// What a phase is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Part {
    /// The rate of a direction.
    Main,
    /// The same over the other IP version than that of the visit's first session.
    OtherVersion,
    /// One stream alone, to be held against several.
    Single,
    /// Both directions at the same time.
    BothWays,
}

/// A phase to run.
#[derive(Debug, Clone)]
pub(super) struct PhasePlan {
    pub(super) request: LoadRequest,
    pub(super) start_up: Duration,
    pub(super) part: Part,
    /// The check that it is run for, as those who watch are told.
    pub(super) check: &'static str,
}

/// Waits for the turn of a phase.
pub(super) async fn admit(
    context: &Context,
    session: &Session,
    request: &LoadRequest,
    check: &'static str,
) -> Result<LoadGrant, NotRun> {
    turn::take(context, check, || session.admit_load(request)).await.map_err(NotRun::FarEnd)
}

/// Runs a phase that has its turn.
pub(super) async fn run(context: &Context, session: &Session, plan: PhasePlan, grant: LoadGrant) -> Result<Phase, NotRun> {
    let request = plan.request.clone();
    let cpu = CpuTimes::now();
    let mut meter = Meter::start(context).await;
    let load = match connect(context, session, &request, &grant).await {
        Ok(load) => load,
        Err(error) => {
            // The far end frees the share at once; if it can't be told, by itself.
            let _ = session.finish_load(&grant).await;
            return Err(NotRun::Connect(error));
        }
    };
    let over = CancellationToken::new();
    let (ended, delay, ()) = tokio::join!(
        async {
            let ended = watch(context, &load, &request, plan.check).await;
            over.cancel();
            ended
        },
        beside::round_trips(context, session, request.direction, over.clone()),
        meter.watch(&over),
    );
    let cpu_busy = cpu.and_then(|then| CpuTimes::now()?.busiest_since(&then));
    let own = load.join().await;
    let report = session.finish_load(&grant).await;
    let tally = meter.end().await;
    Ok(put_together(plan, session.data_address, own, report, Conditions { cpu_busy, delay, tally, ended }))
}

struct Conditions {
    cpu_busy: Option<f64>,
    delay: Option<StreamResult>,
    tally: Option<Result<Tally, String>>,
    ended: Ended,
}

fn put_together(
    PhasePlan { request, start_up, part, check: _ }: PhasePlan,
    address: SocketAddr,
    own: Vec<Side>,
    report: Result<LoadReport, ClientError>,
    conditions: Conditions,
) -> Phase {
    let Conditions { cpu_busy, delay, tally, mut ended } = conditions;
    let (mut sent, mut received) = (Vec::new(), Vec::new());
    for side in own {
        match side {
            Side::Sent(one) => sent.push(one),
            Side::Received(one) => received.push(one),
        }
    }
    let (mut far_end_cpu_busy, mut far_end_error) = (None, None);
    match report {
        Ok(report) => {
            far_end_cpu_busy = report.cpu_busy;
            sent.extend(report.sent);
            received.extend(report.received);
        }
        Err(error) => {
            far_end_error = Some(error.code());
            if ended == Ended::Complete {
                ended = Ended::Broken(error.to_string());
            }
        }
    }
    let broken =
        sent.iter().filter_map(|s| s.broken_off.clone()).chain(received.iter().filter_map(|r| r.broken_off.clone())).next();
    if let (Ended::Complete, Some(why)) = (&ended, broken.or_else(|| went_dead(&received, request.time_ms))) {
        ended = Ended::Broken(why);
    }
    Phase { request, start_up, part, address, sent, received, cpu_busy, far_end_cpu_busy, far_end_error, delay, tally, ended }
}

/// Whether streams that were never closed had stopped for good. Where something still came late in the phase, the close is
/// only under way: on a line that loses much, TCP waits for seconds before it sends again.
fn went_dead(received: &[StreamReceived], time_ms: u64) -> Option<String> {
    let is_unclosed = received.iter().any(|stream| stream.unclosed);
    let last_ms = received.iter().map(|stream| stream.buckets.len() as u64 * BUCKET_MS).max().unwrap_or(0);
    let silent_for = Duration::from_millis(time_ms.saturating_sub(last_ms)) + DRAIN;
    (is_unclosed && silent_for >= STALL).then(|| format!("nothing came any more for {} s", silent_for.as_secs()))
}

/// The test set's own side of the streams.
struct Load {
    shared: Arc<Control>,
    threads: Vec<JoinHandle<Side>>,
}

#[derive(Debug)]
struct Control {
    stop: AtomicBool,
    octets_left: AtomicI64,
    budget: i64,
}

enum Side {
    Sent(StreamSent),
    Received(StreamReceived),
}

impl Load {
    fn moved(&self) -> u64 {
        (self.shared.budget - self.shared.octets_left.load(Ordering::Relaxed)).unsigned_abs()
    }

    fn is_over(&self) -> bool {
        self.threads.iter().all(JoinHandle::is_finished)
    }

    /// Ends the threads and waits for them: they look at the stop at least every 200 ms.
    async fn join(mut self) -> Vec<Side> {
        self.shared.stop.store(true, Ordering::Relaxed);
        let threads = std::mem::take(&mut self.threads);
        let join = move || threads.into_iter().filter_map(|thread| thread.join().ok()).collect();
        tokio::task::spawn_blocking(join).await.unwrap_or_default()
    }
}

impl Drop for Load {
    /// A dropped future must not leave threads that fill the line.
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::Relaxed);
    }
}

/// Opens the data connections and starts a thread on each.
async fn connect(context: &Context, session: &Session, request: &LoadRequest, grant: &LoadGrant) -> io::Result<Load> {
    let budget = i64::try_from(request.max_octets).unwrap_or(i64::MAX);
    let shared = Arc::new(Control { stop: AtomicBool::new(false), octets_left: AtomicI64::new(budget), budget });
    let (to, device, direction) = (session.data_address, context.interface.name.clone(), request.direction);
    let secrets: Vec<Vec<u8>> = grant.secrets.iter().filter_map(|secret| secret.octets()).collect();
    let time = Duration::from_millis(request.time_ms);
    tokio::task::spawn_blocking(move || {
        // All connections first: a stream that has begun would slow the set-up of the next.
        let open = |_: &Vec<u8>| -> io::Result<TcpStream> {
            let socket = bound::stream(to, &device)?;
            socket.connect_timeout(&to.into(), CONNECT_WAIT)?;
            Ok(socket.into())
        };
        let streams = secrets.iter().map(open).collect::<io::Result<Vec<_>>>()?;
        let start = Instant::now();
        let mut load = Load { shared, threads: Vec::new() };
        for (mut stream, secret) in streams.into_iter().zip(secrets) {
            stream.write_all(&secret)?;
            let shared = Arc::clone(&load.shared);
            let thread = std::thread::Builder::new().name("load-stream".to_owned()).spawn(move || {
                let until = |time| Until { time, stop: &shared.stop, octets_left: &shared.octets_left };
                match direction {
                    Direction::Down => Side::Received(receive_bulk(stream, start, &until(start + time + DRAIN))),
                    Direction::Up => Side::Sent(send_bulk(stream, &until(start + time))),
                }
            })?;
            load.threads.push(thread);
        }
        Ok(load)
    })
    .await
    .map_err(io::Error::other)?
}

/// Looks on until the streams have ended, the visit is to end, or nothing moves any more.
async fn watch(context: &Context, load: &Load, request: &LoadRequest, check: &'static str) -> Ended {
    let (mut last, mut moved_at) = (0, Instant::now());
    let mut looked_at = moved_at;
    let mut look = tokio::time::interval(LOOK);
    loop {
        tokio::select! {
            () = context.cancel.cancelled() => return Ended::Cancelled,
            _ = look.tick() => {}
        }
        if load.is_over() {
            return Ended::Complete;
        }
        let (now, moved) = (Instant::now(), load.moved());
        if moved > last {
            let mbit = (moved - last) as f64 * 8.0 / 1e6 / now.duration_since(looked_at).as_secs_f64().max(1e-3);
            let text = format!("{} {mbit:.0} Mbit/s", request.direction);
            (context.live)(LiveFigure::new(check, text).point(request.direction, mbit));
            moved_at = now;
        } else if now.duration_since(moved_at) >= STALL {
            return Ended::Stalled;
        }
        (last, looked_at) = (moved, now);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_close_that_is_late_on_a_lossy_line_is_no_breaking_off() {
        let got = |buckets, unclosed| StreamReceived { buckets: vec![1; buckets], unclosed, ..StreamReceived::default() };
        // Something came 1.9 s before the end of 4 s, and the drain was waited for: 4.9 s of silence are less than a stall.
        assert_eq!(went_dead(&[got(5, true), got(21, false)], 4000), None);
        assert_eq!(went_dead(&[got(5, true), got(20, true)], 4000).as_deref(), Some("nothing came any more for 5 s"));
        assert_eq!(went_dead(&[got(5, false)], 4000), None, "closed early: the budget was used up");
    }
}
