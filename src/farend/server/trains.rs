//! Trains of packets at the far end: an admitted one has a port, a secret and a thread of its own, each used once.
//!
//! A train goes to the session's own address and to no other, and only when its secret was shown from there.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use axum::extract::{Path, State as Shared};
use axum::http::{HeaderMap, StatusCode};
use axum::{Extension, Json};

use super::State;
use super::routes::{Answer, Refuse, admit_load, authorize, random};
use super::tls::Peer;
use crate::farend::api::{LoadRequest, RefusalCode, Secret, TrainGrant, TrainRequest};
use crate::farend::train;
use crate::wire::train::{HEADER, Report, SECRET_LEN, Secret as Opens};

/// Packets of a train at most: what its list of arrivals takes in memory and on the wire is 12 octets each.
const MOST_PACKETS: u32 = 300_000;
/// The largest payload: jumbo frames, without IPv4 and UDP headers.
const LARGEST: u16 = 8_972;
/// No closer than this; about 12 Gbit/s of full packets.
const LEAST_SPACING_NS: u32 = 1_000;
/// A receiver that is still at work gets so long to end.
const PATIENCE: Duration = Duration::from_secs(8);

/// An admitted train; it stops when this is dropped.
#[derive(Debug)]
pub(super) struct RunningTrain {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<Option<Report>>>,
}

impl RunningTrain {
    fn start(at: IpAddr, source: IpAddr, secret: Opens, request: TrainRequest) -> std::io::Result<(Self, u16)> {
        let socket = train::open(SocketAddr::new(at, 0), None)?;
        let port = socket.local_addr()?.port();
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let work = move || train::serve(&socket, source, &secret, &request, &stopped).ok().flatten();
        let thread = std::thread::Builder::new().name("train".to_owned()).spawn(work)?;
        Ok((Self { stop, thread: Some(thread) }, port))
    }

    /// Waits until it has ended by itself, then ends it; blocks.
    fn finish(mut self) -> Option<Report> {
        let thread = self.thread.take()?;
        let deadline = Instant::now() + PATIENCE;
        while !thread.is_finished() && Instant::now() < deadline {
            std::thread::sleep(Duration::from_millis(10));
        }
        self.stop.store(true, Ordering::Relaxed);
        thread.join().ok().flatten()
    }
}

impl Drop for RunningTrain {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

pub(super) async fn admit(
    Shared(state): Shared<Arc<State>>,
    Extension(Peer { local, .. }): Extension<Peer>,
    Path(session): Path<String>,
    headers: HeaderMap,
    Json(request): Json<TrainRequest>,
) -> Answer<TrainGrant> {
    let is_sound = (HEADER as u16..=LARGEST).contains(&request.payload_octets)
        && (1..=MOST_PACKETS).contains(&request.packets)
        && request.spacing_ns >= LEAST_SPACING_NS;
    if !is_sound {
        let message =
            format!("a train has 1 to {MOST_PACKETS} packets of {HEADER} to {LARGEST} octets, {LEAST_SPACING_NS} ns apart");
        return Err(Refuse::new(StatusCode::BAD_REQUEST, RefusalCode::Request, message));
    }
    let load = LoadRequest {
        direction: request.direction,
        streams: 1,
        time_ms: request.time_ms(),
        max_octets: request.octets(),
        expected_mbit: request.mbit(),
    };
    let load = admit_load(&state, &session, &headers, &load)?;
    let failed = |state: &State| {
        state.book().finish(&load);
        let message = "the far end cannot open a port for a train".to_owned();
        Refuse::new(StatusCode::SERVICE_UNAVAILABLE, RefusalCode::Other, message)
    };
    let secret = random::<SECRET_LEN>()?;
    let source = state.sessions().get(&session).map(|open| open.source);
    let opened = source.zip(Opens::new(&secret)).and_then(|(source, opens)| {
        RunningTrain::start(local, source, opens, request)
            .inspect_err(|error| tracing::warn!("no port for a train: {error}"))
            .ok()
    });
    let Some((running, port)) = opened else { return Err(failed(&state)) };
    match state.sessions().get_mut(&session) {
        Some(open) => open.trains.insert(load.clone(), running),
        None => return Err(failed(&state)),
    };
    Ok(Json(TrainGrant { load, port, secret: Secret::from_octets(&secret) }))
}

/// Ends a train; the answer is this side's report of it.
pub(super) async fn finish(
    Shared(state): Shared<Arc<State>>,
    Path((session, load)): Path<(String, String)>,
    headers: HeaderMap,
) -> Result<Vec<u8>, Refuse> {
    let label = authorize(&state, &headers)?;
    state.book().touch(Instant::now(), &session, &label)?;
    let running = state.sessions().get_mut(&session).and_then(|open| open.trains.remove(&load));
    let unknown = || Refuse::new(StatusCode::NOT_FOUND, RefusalCode::Unknown, "no such train".to_owned());
    let running = running.ok_or_else(unknown)?;
    // Whole in the blocking task: it goes on when the agent hangs up, and then too the capacity is free again.
    let done = tokio::task::spawn_blocking(move || {
        let done = running.finish();
        state.book().finish(&load);
        done
    });
    Ok(done.await.ok().flatten().unwrap_or_default().emit())
}
