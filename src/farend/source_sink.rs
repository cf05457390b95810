//! The far end's data connections: each is opened with a single-use secret, then moves octets on an OS thread of its own.
//!
//! Nothing is sent to a peer that has not shown a secret, so to nobody who did not ask over the control connection. It must
//! not know sessions or tokens: it knows loads and their secrets.

use std::collections::BTreeMap;
use std::io;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use tokio::io::AsyncReadExt;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio_util::sync::CancellationToken;

use super::api::{LoadReport, LoadRequest, SECRET_LEN, StreamReceived, StreamSent};
use super::stream::{Until, receive_bulk, send_bulk};
use crate::net::cpu::CpuTimes;
use crate::unit::Direction;

/// A peer that connects has so long to show its secret.
const SECRET_WAIT: Duration = Duration::from_secs(5);
/// Connections that have not shown a secret yet, at most; further ones wait in the kernel's queue.
const NEWCOMERS: usize = 256;
/// What a receiver waits beyond the load's time for the octets that a deep buffer still holds.
const DRAIN: Duration = Duration::from_secs(3);

/// Secrets that open a data connection, each once.
#[derive(Debug, Clone, Default)]
pub(super) struct Secrets(Arc<Mutex<BTreeMap<[u8; SECRET_LEN], Arc<RunningLoad>>>>);

impl Secrets {
    /// Lets a secret open a stream of a load.
    pub(super) fn offer(&self, secret: [u8; SECRET_LEN], load: &Arc<RunningLoad>) {
        lock(&self.0).insert(secret, Arc::clone(load));
    }

    /// Takes a secret: it opens nothing any more. The search's time depends on secrets that are used once and drawn from
    /// 2^256, so it helps nobody to guess one.
    fn take(&self, secret: &[u8; SECRET_LEN]) -> Option<Arc<RunningLoad>> {
        lock(&self.0).remove(secret)
    }

    /// Forgets the secrets of a load that nobody used.
    fn forget(&self, load: &Arc<RunningLoad>) {
        lock(&self.0).retain(|_, other| !Arc::ptr_eq(other, load));
    }
}

/// A load that was admitted.
#[derive(Debug)]
pub(super) struct RunningLoad {
    request: LoadRequest,
    started: OnceLock<Instant>,
    stop: AtomicBool,
    octets_left: AtomicI64,
    cpu: Option<CpuTimes>,
    threads: Mutex<Vec<JoinHandle<Side>>>,
}

#[derive(Debug)]
enum Side {
    Sent(StreamSent),
    Received(StreamReceived),
}

impl RunningLoad {
    pub(super) fn new(request: LoadRequest) -> Arc<Self> {
        let octets_left = AtomicI64::new(i64::try_from(request.max_octets).unwrap_or(i64::MAX));
        Arc::new(Self {
            request,
            started: OnceLock::new(),
            stop: AtomicBool::new(false),
            octets_left,
            cpu: CpuTimes::now(),
            threads: Mutex::default(),
        })
    }

    /// Asks all streams to end now.
    pub(super) fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Moves octets on this connection, in a thread of its own.
    fn run(self: &Arc<Self>, stream: std::net::TcpStream) -> io::Result<()> {
        let load = Arc::clone(self);
        let start = *self.started.get_or_init(Instant::now);
        let time = Instant::now() + Duration::from_millis(self.request.time_ms);
        let thread = std::thread::Builder::new().name("load-stream".to_owned()).spawn(move || {
            let until = |time| Until { time, stop: &load.stop, octets_left: &load.octets_left };
            match load.request.direction {
                Direction::Down => Side::Sent(send_bulk(stream, &until(time))),
                Direction::Up => Side::Received(receive_bulk(stream, start, &until(time + DRAIN))),
            }
        })?;
        lock(&self.threads).push(thread);
        Ok(())
    }

    /// Waits until the streams have ended by themselves, at most `patience`, then ends them; blocks.
    pub(super) fn finish(self: &Arc<Self>, secrets: &Secrets, patience: Duration) -> LoadReport {
        secrets.forget(self);
        let deadline = Instant::now() + patience;
        while Instant::now() < deadline && lock(&self.threads).iter().any(|thread| !thread.is_finished()) {
            std::thread::sleep(Duration::from_millis(10));
        }
        self.stop();
        let mut report = LoadReport::default();
        for thread in std::mem::take(&mut *lock(&self.threads)) {
            match thread.join() {
                Ok(Side::Sent(sent)) => report.sent.push(sent),
                Ok(Side::Received(received)) => report.received.push(received),
                // A panic of a stream is our defect; the load lacks a stream then, which the agent counts.
                Err(_) => {}
            }
        }
        report.cpu_busy = self.cpu.as_ref().and_then(|then| CpuTimes::now()?.busiest_since(then));
        report
    }
}

/// Accepts data connections until cancelled.
pub(super) async fn accept(listener: TcpListener, secrets: Secrets, cancel: CancellationToken) {
    let newcomers = Arc::new(Semaphore::new(NEWCOMERS));
    let mut tasks = tokio::task::JoinSet::new();
    loop {
        let permit = tokio::select! {
            () = cancel.cancelled() => return,
            Some(_) = tasks.join_next() => continue,
            permit = Arc::clone(&newcomers).acquire_owned() => permit,
        };
        let accepted = tokio::select! {
            () = cancel.cancelled() => return,
            accepted = listener.accept() => accepted,
        };
        let Ok((stream, _)) = accepted else {
            // Out of descriptors: let some be closed.
            tokio::time::sleep(Duration::from_millis(100)).await;
            continue;
        };
        let secrets = secrets.clone();
        tasks.spawn(async move {
            let _permit = permit;
            // Whatever goes wrong here is the peer's affair: it sees its connection closed.
            let _ = welcome(stream, &secrets).await;
        });
    }
}

async fn welcome(mut stream: TcpStream, secrets: &Secrets) -> io::Result<()> {
    let mut secret = [0; SECRET_LEN];
    tokio::time::timeout(SECRET_WAIT, stream.read_exact(&mut secret)).await??;
    let load = secrets.take(&secret).ok_or(io::ErrorKind::PermissionDenied)?;
    let stream = stream.into_std()?;
    stream.set_nonblocking(false)?;
    load.run(stream)
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
