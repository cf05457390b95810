//! The routes of large and small objects: admitted like any load, then fetched or sent by whoever knows session and load.

use std::sync::Arc;

use axum::body::Body;
use axum::extract::{Path, Request, State as Shared};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Extension, Json, Router};
use hyper::body::Bytes;
use ring::rand::{SecureRandom, SystemRandom};

use super::State;
use super::multiplexed::Bulk;
use super::routes::{Answer, Refuse, admit_load, authorize};
use crate::farend::api::{LoadRequest, ObjectsGrant, ObjectsReport, PAGE_PARTS, RefusalCode, Secret};
use crate::farend::objects::{Held, Large, ObjectLoad, PIECE};
use crate::unit::Direction;

/// The page's document, and each of its parts.
static PAGE: &[u8] = &[b'.'; 10_000];
static PART: &[u8] = &[b'.'; 5_000];
/// Loads of objects of one session at once.
const MOST: usize = 8;

/// Routes that take as long as a load: without the time limit of the others.
pub(super) fn router() -> Router<Arc<State>> {
    Router::new()
        .route("/v1/sessions/{session}/objects/{load}/large", get(large).post(take_in))
        .route("/v1/sessions/{session}/objects/{load}/small", get(small))
        .route("/v1/sessions/{session}/page", get(page))
        .route("/v1/sessions/{session}/page/{part}", get(part))
}

/// Admits a load of objects.
pub(super) async fn admit(
    Shared(state): Shared<Arc<State>>,
    Path(session): Path<String>,
    headers: HeaderMap,
    Json(request): Json<LoadRequest>,
) -> Answer<ObjectsGrant> {
    let load = admit_load(&state, &session, &headers, &request)?;
    let mut piece = vec![0; PIECE];
    // What can't be compressed on the way; zeros where the system has no random octets.
    let _ = SystemRandom::new().fill(&mut piece);
    if let Some(open) = state.sessions().get_mut(&session) {
        // Those whose agent never came back for the report.
        open.objects.retain(|_, held| held.load().is_open());
        if open.objects.len() >= MOST {
            state.book().finish(&load);
            return Err(Refuse::new(StatusCode::SERVICE_UNAVAILABLE, RefusalCode::Full, "too many loads at once".to_owned()));
        }
        open.objects.insert(load.clone(), Held::new(&request, Bytes::from(piece)));
    }
    Ok(Json(ObjectsGrant { load: Secret::from_digits(load) }))
}

/// Ends it.
pub(super) async fn finish(
    Shared(state): Shared<Arc<State>>,
    Path((session, load)): Path<(String, String)>,
    headers: HeaderMap,
) -> Answer<ObjectsReport> {
    let label = authorize(&state, &headers)?;
    state.book().touch(std::time::Instant::now(), &session, &label)?;
    let held = state.sessions().get_mut(&session).and_then(|open| open.objects.remove(&load));
    let held = held.ok_or_else(|| Refuse::new(StatusCode::NOT_FOUND, RefusalCode::Unknown, "no such load".to_owned()))?;
    state.book().finish(&load);
    Ok(Json(held.report()))
}

async fn large(
    Shared(state): Shared<Arc<State>>,
    Extension(bulk): Extension<Bulk>,
    Path((session, load)): Path<(String, String)>,
) -> Response {
    let Some(load) = open(&state, &session, &load).filter(|load| load.take_place(Direction::Down)) else { return nothing() };
    bulk.carries();
    ([(header::CONTENT_TYPE, "application/octet-stream")], Body::new(Large(load))).into_response()
}

async fn take_in(
    Shared(state): Shared<Arc<State>>,
    Extension(bulk): Extension<Bulk>,
    Path((session, load)): Path<(String, String)>,
    request: Request,
) -> Response {
    let Some(load) = open(&state, &session, &load).filter(|load| load.take_place(Direction::Up)) else { return nothing() };
    bulk.carries();
    load.take_in(request.into_body()).await.to_string().into_response()
}

/// One octet, as the draft on responsiveness wants it.
async fn small(Shared(state): Shared<Arc<State>>, Path((session, load)): Path<(String, String)>) -> Response {
    match open(&state, &session, &load) {
        Some(_) => ([(header::CONTENT_TYPE, "application/octet-stream")], ".").into_response(),
        None => nothing(),
    }
}

/// A page as a browser meets it: one document, a dozen parts *(ours)*; small, so that it disturbs nobody who measures beside it.
async fn page(Shared(state): Shared<Arc<State>>, Path(session): Path<String>) -> Response {
    octets(&state, &session, PAGE)
}

async fn part(Shared(state): Shared<Arc<State>>, Path((session, part)): Path<(String, usize)>) -> Response {
    if part < PAGE_PARTS { octets(&state, &session, PART) } else { nothing() }
}

fn octets(state: &State, session: &str, octets: &'static [u8]) -> Response {
    match state.sessions().contains_key(session) {
        true => ([(header::CONTENT_TYPE, "application/octet-stream")], octets).into_response(),
        false => nothing(),
    }
}

/// The load of a session while its time goes on. Both names are unguessable, and were given to whoever has the token.
fn open(state: &State, session: &str, load: &str) -> Option<Arc<ObjectLoad>> {
    let load = state.sessions().get(session)?.objects.get(load)?.load();
    load.is_open().then_some(load)
}

fn nothing() -> Response {
    StatusCode::NOT_FOUND.into_response()
}
