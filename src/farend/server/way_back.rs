//! Probes of the way back at the far end: a request has a port, a secret and a task of its own, each used once.
//!
//! They go to the session's own address and to no other, only when the secret was shown from there, and seldom: [`crate::farend::admission`]
//! counts.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Instant;

use axum::Json;
use axum::extract::{Extension, Path, State as Shared};
use axum::http::{HeaderMap, StatusCode};
use tokio::sync::oneshot;
use tokio::task::AbortHandle;

use super::State;
use super::routes::{Answer, Refuse, authorize, random};
use super::tls::Peer;
use crate::farend::api::{RefusalCode, Secret, WayBackGrant, WayBackReport};
use crate::farend::way_back;
use crate::net::stamped::StampedSocket;
use crate::wire::train::{SECRET_LEN, Secret as Opens};

/// Probes under way; they stop when this is dropped.
#[derive(Debug)]
pub(super) struct RunningProbes {
    task: AbortHandle,
    /// Taken by whoever asks for the end.
    report: Option<oneshot::Receiver<WayBackReport>>,
}

impl Drop for RunningProbes {
    fn drop(&mut self) {
        self.task.abort();
    }
}

pub(super) async fn admit(
    Shared(state): Shared<Arc<State>>,
    Extension(Peer { local, .. }): Extension<Peer>,
    Path(session): Path<String>,
    headers: HeaderMap,
) -> Answer<WayBackGrant> {
    let label = authorize(&state, &headers)?;
    let (now, secret) = (Instant::now(), random::<SECRET_LEN>()?);
    state.book().touch(now, &session, &label)?;
    let unknown = || Refuse::new(StatusCode::NOT_FOUND, RefusalCode::Unknown, "no such session".to_owned());
    let no_port = || {
        let message = "the far end cannot open a port for probes".to_owned();
        Refuse::new(StatusCode::SERVICE_UNAVAILABLE, RefusalCode::Other, message)
    };
    // Held from the look to the entry, so that two requests at once are not both the only one.
    let mut sessions = state.sessions();
    let open = sessions.get_mut(&session).ok_or_else(unknown)?;
    if open.probes.as_ref().is_some_and(|running| !running.task.is_finished()) {
        let message = "this session's way back is being probed already".to_owned();
        return Err(Refuse::new(StatusCode::TOO_MANY_REQUESTS, RefusalCode::Busy, message));
    }
    state.book().admit_probes(now, &session)?;
    let opens = Opens::new(&secret).ok_or_else(no_port)?;
    let socket = StampedSocket::udp(SocketAddr::new(local, 0), None);
    let bound = socket.and_then(|socket| Ok((socket.local_addr()?.port(), socket)));
    let (port, socket) = bound.inspect_err(|error| tracing::warn!("no port for probes: {error}")).map_err(|_| no_port())?;
    let (source, (done, report)) = (open.source, oneshot::channel());
    let work = async move {
        let found = way_back::serve(&socket, source, &opens).await;
        // Whoever asked may be gone.
        let _ = done.send(found.ok().flatten().unwrap_or_default());
    };
    open.probes = Some(RunningProbes { task: tokio::spawn(work).abort_handle(), report: Some(report) });
    Ok(Json(WayBackGrant { port, secret: Secret::from_octets(&secret) }))
}

/// Waits for the end; the answer is what was found.
pub(super) async fn finish(
    Shared(state): Shared<Arc<State>>,
    Path(session): Path<String>,
    headers: HeaderMap,
) -> Answer<WayBackReport> {
    let label = authorize(&state, &headers)?;
    state.book().touch(Instant::now(), &session, &label)?;
    let report = state.sessions().get_mut(&session).and_then(|open| open.probes.as_mut()?.report.take());
    let unknown = || Refuse::new(StatusCode::NOT_FOUND, RefusalCode::Unknown, "no such probes".to_owned());
    // They end by themselves, within seconds.
    Ok(Json(report.ok_or_else(unknown)?.await.unwrap_or_default()))
}
