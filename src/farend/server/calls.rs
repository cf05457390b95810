//! Test calls at the far end: each has a port, a secret and a task of its own, used once.
//!
//! They go to the session's own address and to no other, only when the secret was shown from there, and no longer than was admitted:
//! [`crate::farend::admission`] counts.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::extract::{Path, State as Shared};
use axum::http::{HeaderMap, StatusCode};
use axum::{Extension, Json};
use tokio::task::JoinHandle;
use tokio_util::sync::{CancellationToken, DropGuard};

use super::State;
use super::routes::{Answer, Refuse, authorize, random};
use super::tls::Peer;
use crate::farend::api::{CallGrant, CallStream, CallsGrant, CallsRequest, RefusalCode, Secret};
use crate::farend::call::{self, Side};
use crate::net::stamped::StampedSocket;
use crate::proto::voice::{MOST_PACKETS, Plan, Stream};
use crate::unit::{Codec, PACKET_TIME};
use crate::wire::call::{Leg, emit};
use crate::wire::train::{SECRET_LEN, Secret as Opens};

/// Calls of a request at most: those of an office, and one more to compare them with.
const MOST_CALLS: usize = 17;
/// The last call of a request may begin so much later than the first.
const STAGGER: Duration = Duration::from_secs(2);
/// Whoever asks for the end gets what there is after this.
const PATIENCE: Duration = Duration::from_secs(5);

/// Calls under way; they stop when this is dropped.
#[derive(Debug)]
pub(super) struct RunningCalls {
    legs: Vec<JoinHandle<Leg>>,
    stop: CancellationToken,
    _guard: DropGuard,
}

impl RunningCalls {
    /// Waits until all have ended by themselves, then ends them.
    async fn finish(self) -> Vec<Leg> {
        let Self { legs, stop, _guard } = self;
        let ends = tokio::spawn(async move {
            tokio::time::sleep(PATIENCE).await;
            stop.cancel();
        });
        let mut all = Vec::new();
        for leg in legs {
            all.push(leg.await.unwrap_or_default());
        }
        ends.abort();
        all
    }
}

pub(super) async fn admit(
    Shared(state): Shared<Arc<State>>,
    Extension(Peer { local, .. }): Extension<Peer>,
    Path(session): Path<String>,
    headers: HeaderMap,
    Json(request): Json<CallsRequest>,
) -> Answer<CallsGrant> {
    let label = authorize(&state, &headers)?;
    let now = Instant::now();
    state.book().touch(now, &session, &label)?;
    let codec = Codec::by_payload_type(request.payload_type).filter(|_| {
        (1..=MOST_PACKETS).contains(&request.packets)
            && (1..=MOST_CALLS).contains(&request.dscps.len())
            && request.dscps.iter().all(|dscp| *dscp < 64)
    });
    let Some(codec) = codec else {
        let message = format!("1 to {MOST_CALLS} calls of 1 to {MOST_PACKETS} packets, payload types 0, 8 and 18, DSCPs 0 to 63");
        return Err(Refuse::new(StatusCode::BAD_REQUEST, RefusalCode::Request, message));
    };
    let source = state.sessions().get(&session).map(|open| open.source);
    let no_port = || {
        let message = "the far end cannot open a port for a call".to_owned();
        Refuse::new(StatusCode::SERVICE_UNAVAILABLE, RefusalCode::Other, message)
    };
    let source = source.ok_or_else(no_port)?;
    let id = Secret::from_octets(&random::<16>()?).expose().to_owned();
    state.book().admit_calls(now, (&session, &id), request.dscps.len(), PACKET_TIME * u32::from(request.packets) + STAGGER)?;
    let stop = CancellationToken::new();
    let mut running = RunningCalls { legs: Vec::new(), stop: stop.clone(), _guard: stop.clone().drop_guard() };
    let mut grants = Vec::new();
    for dscp in request.dscps {
        let opened = open_leg(SocketAddr::new(local, 0), codec, request.packets);
        let Some((socket, secret, plan, grant)) = opened.inspect_err(|error| tracing::warn!("no port for a call: {error}")).ok()
        else {
            state.book().finish_calls(&id);
            return Err(no_port());
        };
        let stop = stop.clone();
        running.legs.push(tokio::spawn(async move {
            let side = Side { socket: &socket, secret: &secret, plan, dscp, stop: &stop };
            call::serve(side, source, STAGGER).await.unwrap_or_default()
        }));
        grants.push(grant);
    }
    match state.sessions().get_mut(&session) {
        Some(open) => open.calls.insert(id.clone(), running),
        None => return Err(no_port()),
    };
    Ok(Json(CallsGrant { calls: id, legs: grants }))
}

/// A call's port, what opens it, and what the two sides send.
fn open_leg(at: SocketAddr, codec: Codec, packets: u16) -> std::io::Result<(StampedSocket, Opens, Plan, CallGrant)> {
    let drawn = |_| std::io::Error::other("no random octets");
    let octets = random::<SECRET_LEN>().map_err(drawn)?;
    let secret = Opens::new(&octets).ok_or_else(|| std::io::Error::other("a secret of another length"))?;
    let stream = || -> std::io::Result<Stream> {
        let [s0, s1, s2, s3, t0, t1, t2, t3, n0, n1] = random::<10>().map_err(drawn)?;
        Ok(Stream {
            ssrc: u32::from_be_bytes([s0, s1, s2, s3]),
            first_sequence: u16::from_be_bytes([n0, n1]),
            first_timestamp: u32::from_be_bytes([t0, t1, t2, t3]),
        })
    };
    let plan = Plan { codec, packets, own: stream()?, other: stream()? };
    let socket = StampedSocket::udp(at, None)?;
    let grant = CallGrant {
        port: socket.local_addr()?.port(),
        secret: Secret::from_octets(&octets),
        from_far_end: CallStream::from(plan.own),
        from_agent: CallStream::from(plan.other),
    };
    Ok((socket, secret, plan, grant))
}

/// Waits for the end of the calls, within seconds of what was admitted; the answer is this side's report of them.
pub(super) async fn finish(
    Shared(state): Shared<Arc<State>>,
    Path((session, id)): Path<(String, String)>,
    headers: HeaderMap,
) -> Result<Vec<u8>, Refuse> {
    let label = authorize(&state, &headers)?;
    state.book().touch(Instant::now(), &session, &label)?;
    let running = state.sessions().get_mut(&session).and_then(|open| open.calls.remove(&id));
    let unknown = || Refuse::new(StatusCode::NOT_FOUND, RefusalCode::Unknown, "no such calls".to_owned());
    let legs = running.ok_or_else(unknown)?.finish().await;
    state.book().finish_calls(&id);
    Ok(emit(&legs))
}
