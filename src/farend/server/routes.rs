//! The control API: from a request to the book and back. Each answer that is no success carries a [`Refusal`].

use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::extract::{DefaultBodyLimit, Path, Request, State as Shared};
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{delete, post};
use axum::{Extension, Json, Router};
use ring::rand::{SecureRandom, SystemRandom};

use super::capacity::Admission;
use super::tls::Peer;
use super::{OpenSession, State, calls, objects, trains, way_back};
use crate::farend::admission::Refused;
use crate::farend::api::{
    CapacityGrant, CapacityReport, KnownGrant, LoadGrant, LoadReport, LoadRequest, OLDEST_PROTOCOL, PROTOCOL, Refusal,
    RefusalCode, SECRET_LEN, Secret, SessionGrant, SessionRequest, StampGrant, ViewGrant,
};
use crate::farend::source_sink::RunningLoad;
use crate::wire::stamp::Key;

/// What streams of a finished load may take to end by themselves.
const FINISH_PATIENCE: Duration = Duration::from_secs(4);
/// The largest request is a few hundred octets.
const LARGEST_BODY: usize = 16 * 1024;

/// A request that is longer under way than this, its body among it, is dropped.
const ANSWER_WAIT: Duration = Duration::from_secs(10);

pub(super) type Answer<T> = Result<Json<T>, Refuse>;

/// The API's routes.
pub(super) fn router(state: Arc<State>) -> Router {
    Router::new()
        .route("/v1/sessions", post(open))
        .route("/v1/sessions/{session}", delete(close))
        .route("/v1/sessions/{session}/loads", post(admit))
        .route("/v1/sessions/{session}/loads/{load}/finish", post(finish))
        .route("/v1/sessions/{session}/capacity", post(admit_capacity))
        .route("/v1/sessions/{session}/capacity/{load}/finish", post(finish_capacity))
        .route("/v1/sessions/{session}/trains", post(trains::admit))
        .route("/v1/sessions/{session}/trains/{load}/finish", post(trains::finish))
        .route("/v1/sessions/{session}/calls", post(calls::admit))
        .route("/v1/sessions/{session}/calls/{calls}/finish", post(calls::finish))
        .route("/v1/sessions/{session}/way-back", post(way_back::admit))
        .route("/v1/sessions/{session}/way-back/finish", post(way_back::finish))
        .route("/v1/sessions/{session}/objects", post(objects::admit))
        .route("/v1/sessions/{session}/objects/{load}/finish", post(objects::finish))
        .layer(DefaultBodyLimit::max(LARGEST_BODY))
        .layer(middleware::from_fn(in_time))
        .merge(objects::router())
        .with_state(state)
}

/// Ends a request whose body does not come.
async fn in_time(request: Request, next: Next) -> Response {
    let answer = tokio::time::timeout(ANSWER_WAIT, next.run(request)).await;
    answer.unwrap_or_else(|_| StatusCode::REQUEST_TIMEOUT.into_response())
}

async fn open(
    Shared(state): Shared<Arc<State>>,
    Extension(Peer { address, segment_size, .. }): Extension<Peer>,
    headers: HeaderMap,
    Json(request): Json<SessionRequest>,
) -> Answer<SessionGrant> {
    let label = authorize(&state, &headers)?;
    let protocol = request.protocol.min(PROTOCOL);
    if protocol < request.oldest.max(OLDEST_PROTOCOL) {
        let message = format!(
            "this far end speaks protocol {OLDEST_PROTOCOL} to {PROTOCOL}, the agent {} to {}: update the older one",
            request.oldest, request.protocol
        );
        return Err(Refuse::new(StatusCode::CONFLICT, RefusalCode::Protocol, message));
    }
    let (session, key, view_key) = (random::<16>()?, random::<32>()?, random::<32>()?);
    let (known, known_key) = (Secret::from_octets(&random::<16>()?).expose().to_owned(), random::<32>()?);
    let source = address.ip().to_canonical();
    let session = Secret::from_octets(&session);
    let id = session.expose().to_owned();
    state.book().open(Instant::now(), &id, &label)?;
    let ssid = state.stamp_port.and_then(|_| state.stamp.admit(source, Key::new(&key)));
    let viewed = state.view_ports.and_then(|_| state.views.admit(source, Key::new(&view_key)));
    state.sessions().insert(
        id,
        OpenSession {
            source,
            ssid,
            viewed,
            known: (known.clone(), Key::new(&known_key)),
            loads: Default::default(),
            trains: Default::default(),
            calls: Default::default(),
            probes: None,
            objects: Default::default(),
        },
    );
    state.opened.notify_one();
    let grant = |port| KnownGrant { port, id: known.clone(), key: Secret::from_octets(&known_key) };
    Ok(Json(SessionGrant {
        protocol,
        session,
        seen_as: source,
        idle_s: state.idle.as_secs(),
        data_port: state.data_port,
        stamp: state.stamp_port.zip(ssid).map(|(port, ssid)| StampGrant { port, ssid, key: Secret::from_octets(&key) }),
        view: state.view_ports.zip(viewed).map(|(ports, session)| ViewGrant {
            ports,
            session,
            key: Secret::from_octets(&view_key),
        }),
        segment_size,
        capacity: state.capacity_port.is_some(),
        trains: true,
        way_back: true,
        calls: true,
        objects: true,
        known: state.known_port.map(grant),
        sip: state.sip_port.map(grant),
        zone: state.zone.clone(),
        also_at: state.listens_at.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
    }))
}

async fn close(Shared(state): Shared<Arc<State>>, Path(session): Path<String>, headers: HeaderMap) -> Answer<()> {
    let label = authorize(&state, &headers)?;
    state.book().touch(Instant::now(), &session, &label)?;
    state.close(&session);
    Ok(Json(()))
}

async fn admit(
    Shared(state): Shared<Arc<State>>,
    Path(session): Path<String>,
    headers: HeaderMap,
    Json(request): Json<LoadRequest>,
) -> Answer<LoadGrant> {
    let id = admit_load(&state, &session, &headers, &request)?;
    let streams = request.streams;
    let load = RunningLoad::new(request);
    let mut secrets = Vec::new();
    for _ in 0..streams {
        let secret = random::<SECRET_LEN>()?;
        state.secrets.offer(secret, &load);
        secrets.push(Secret::from_octets(&secret));
    }
    if let Some(open) = state.sessions().get_mut(&session) {
        open.loads.insert(id.clone(), load);
    }
    Ok(Json(LoadGrant { load: id, secrets }))
}

/// Puts a load into the book; returns its name.
pub(super) fn admit_load(state: &State, session: &str, headers: &HeaderMap, request: &LoadRequest) -> Result<String, Refuse> {
    let label = authorize(state, headers)?;
    if !request.expected_mbit.is_finite() {
        return Err(Refuse::new(StatusCode::BAD_REQUEST, RefusalCode::Request, "the expected rate is no number".to_owned()));
    }
    let (id, now) = (Secret::from_octets(&random::<16>()?).expose().to_owned(), Instant::now());
    let mut book = state.book();
    book.touch(now, session, &label)?;
    let time = Duration::from_millis(request.time_ms);
    book.admit(now, (session, &id), time, request.streams, request.expected_mbit)?;
    Ok(id)
}

async fn admit_capacity(
    Shared(state): Shared<Arc<State>>,
    Path(session): Path<String>,
    headers: HeaderMap,
    Json(request): Json<LoadRequest>,
) -> Answer<CapacityGrant> {
    let unknown = || Refuse::new(StatusCode::NOT_FOUND, RefusalCode::Unknown, "this far end does no capacity tests".to_owned());
    let port = state.capacity_port.ok_or_else(unknown)?;
    let load = admit_load(&state, &session, &headers, &request)?;
    let source = state.sessions().get(&session).map(|open| open.source);
    let key = random::<32>()?;
    let time = Duration::from_millis(request.time_ms);
    let number = source.and_then(|source| {
        let test = Admission { load: &load, key: &key, source, direction: request.direction, time };
        state.capacity.admit(Instant::now(), &test)
    });
    let Some(number) = number else {
        state.book().finish(&load);
        let message = "all keys of capacity tests are taken".to_owned();
        return Err(Refuse::new(StatusCode::SERVICE_UNAVAILABLE, RefusalCode::Full, message));
    };
    Ok(Json(CapacityGrant { load, port, number, key: Secret::from_octets(&key) }))
}

async fn finish_capacity(
    Shared(state): Shared<Arc<State>>,
    Path((session, load)): Path<(String, String)>,
    headers: HeaderMap,
) -> Answer<CapacityReport> {
    let label = authorize(&state, &headers)?;
    state.book().touch(Instant::now(), &session, &label)?;
    let report = state.capacity.finish(&load, FINISH_PATIENCE).await;
    state.book().finish(&load);
    let unknown = || Refuse::new(StatusCode::NOT_FOUND, RefusalCode::Unknown, "no such test".to_owned());
    report.map(Json).ok_or_else(unknown)
}

async fn finish(
    Shared(state): Shared<Arc<State>>,
    Path((session, id)): Path<(String, String)>,
    headers: HeaderMap,
) -> Answer<LoadReport> {
    let label = authorize(&state, &headers)?;
    state.book().touch(Instant::now(), &session, &label)?;
    let load = state.sessions().get_mut(&session).and_then(|open| open.loads.remove(&id));
    let unknown = || Refuse::new(StatusCode::NOT_FOUND, RefusalCode::Unknown, "no such load".to_owned());
    let load = load.ok_or_else(unknown)?;
    // Whole in the blocking task: it goes on when the agent hangs up, and then too the capacity is free again.
    let finish = move || {
        let report = load.finish(&state.secrets, FINISH_PATIENCE);
        state.book().finish(&id);
        report
    };
    tokio::task::spawn_blocking(finish)
        .await
        .map(Json)
        .map_err(|_| Refuse::new(StatusCode::INTERNAL_SERVER_ERROR, RefusalCode::Other, "a defect of the far end".to_owned()))
}

/// The label of the request's token (RFC 6750 section 2.1).
pub(super) fn authorize(state: &State, headers: &HeaderMap) -> Result<String, Refuse> {
    let token = headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok()?.strip_prefix("Bearer "));
    match state.tokens.label_of(token.unwrap_or_default()) {
        Ok(Some(label)) => Ok(label),
        Ok(None) => {
            let message = "the token is unknown here, or was taken back".to_owned();
            Err(Refuse::new(StatusCode::UNAUTHORIZED, RefusalCode::Token, message))
        }
        Err(error) => {
            tracing::error!("{error}");
            let message = "the far end cannot read its tokens; its host must look at its log".to_owned();
            Err(Refuse::new(StatusCode::INTERNAL_SERVER_ERROR, RefusalCode::Other, message))
        }
    }
}

pub(super) fn random<const N: usize>() -> Result<[u8; N], Refuse> {
    let mut octets = [0; N];
    let failed = |_| {
        let message = "the far end's system gave no random octets".to_owned();
        Refuse::new(StatusCode::INTERNAL_SERVER_ERROR, RefusalCode::Other, message)
    };
    SystemRandom::new().fill(&mut octets).map_err(failed)?;
    Ok(octets)
}

/// A refusal with its HTTP status.
pub(super) struct Refuse {
    status: StatusCode,
    body: Refusal,
}

impl Refuse {
    pub(super) fn new(status: StatusCode, code: RefusalCode, message: String) -> Self {
        Self { status, body: Refusal { code, message, retry_after_s: None } }
    }
}

impl From<Refused> for Refuse {
    fn from(refused: Refused) -> Self {
        let (status, code) = match &refused {
            Refused::Sessions(_) | Refused::SessionsOfToken(_) => (StatusCode::SERVICE_UNAVAILABLE, RefusalCode::Full),
            Refused::Busy { .. } => (StatusCode::SERVICE_UNAVAILABLE, RefusalCode::Busy),
            Refused::UsedUp(_) | Refused::Often { .. } | Refused::Calls { .. } => {
                (StatusCode::TOO_MANY_REQUESTS, RefusalCode::Busy)
            }
            Refused::TooLarge { .. } => (StatusCode::BAD_REQUEST, RefusalCode::Request),
            Refused::NoSession => (StatusCode::NOT_FOUND, RefusalCode::Unknown),
        };
        let retry_after_s = match &refused {
            Refused::Busy { retry_after } | Refused::Often { retry_after } | Refused::Calls { retry_after, .. } => {
                Some(retry_after.as_secs() + 1)
            }
            _ => None,
        };
        Self { status, body: Refusal { code, message: refused.to_string(), retry_after_s } }
    }
}

impl IntoResponse for Refuse {
    fn into_response(self) -> Response {
        (self.status, Json(self.body)).into_response()
    }
}
