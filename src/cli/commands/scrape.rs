//! `history metrics --listen`: answers scrapes of one path over HTTP/1.1 until Ctrl-C.

use std::net::SocketAddr;
use std::sync::Arc;

use axum::Router;
use axum::http::{StatusCode, header::CONTENT_TYPE};
use axum::routing::get;

use super::super::exit::Exit;
use super::super::failure::Failure;
use super::super::output;
use crate::history::export;
use crate::history::store::HistoryError;

/// Serves what `metrics` gives at each scrape.
pub(super) fn run(
    address: SocketAddr,
    metrics: impl Fn() -> Result<String, HistoryError> + Send + Sync + 'static,
) -> Result<Exit, Failure> {
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().map_err(Failure::could_not_run)?;
    let metrics = Arc::new(metrics);
    // A file is read: not on the thread that answers.
    let answer = move || {
        let metrics = Arc::clone(&metrics);
        async move {
            match tokio::task::spawn_blocking(move || metrics()).await {
                Ok(Ok(text)) => Ok(([(CONTENT_TYPE, export::CONTENT_TYPE)], text)),
                Ok(Err(error)) => Err((StatusCode::INTERNAL_SERVER_ERROR, error.to_string())),
                Err(_) => Err((StatusCode::INTERNAL_SERVER_ERROR, "the history can't be read".to_owned())),
            }
        }
    };
    runtime.block_on(async {
        let listener = tokio::net::TcpListener::bind(address).await;
        let listener = listener.map_err(|error| Failure::could_not_run(format_args!("listening at {address}: {error}")))?;
        let bound = listener.local_addr().unwrap_or(address);
        output::note(&format!("metrics at http://{bound}/metrics until Ctrl-C"));
        if !bound.ip().is_loopback() {
            output::note("whoever reaches this address reads the figures without a password");
        }
        let stop = async {
            let _ = tokio::signal::ctrl_c().await;
        };
        let served = axum::serve(listener, Router::new().route("/metrics", get(answer))).with_graceful_shutdown(stop).await;
        served.map_err(Failure::could_not_run)
    })?;
    Ok(Exit::Pass)
}
