//! HTTP/2 (RFC 9113) in front of the same routes: for objects, whose small answers go between the frames of large ones.
//!
//! What a peer can make this hold is bounded: windows, streams, headers, and how long a connection may stay without a request.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use axum::Router;
use hyper::Request;
use hyper::body::Incoming;
use hyper::server::conn::http2;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioExecutor, TokioIo, TokioTimer};
use hyper_util::server::graceful::Watcher;
use hyper_util::service::TowerToHyperService;
use tokio::net::TcpStream;
use tokio_rustls::server::TlsStream;

use super::tls::REQUEST_WAIT;
use crate::farend::objects::WAITING;

/// Octets that a peer may send ahead, on one stream and on all of a connection: enough for 84 Mbit/s over 50 ms each.
const WINDOW: u32 = 512 * 1024;
/// Streams at once.
const STREAMS: u32 = 32;
/// Octets of a request's headers.
const HEADERS: u32 = 8 * 1024;
/// A connection that carries an admitted large object may be without another request for so long: longer than any load.
const BULK_WAIT: Duration = Duration::from_secs(150);

/// Whether a connection carries a large object of an admitted load.
#[derive(Debug, Clone, Default)]
pub(super) struct Bulk(Arc<AtomicBool>);

impl Bulk {
    pub(super) fn carries(&self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// Options of a connection that measures: no waiting for more to send, little unsent.
pub(super) fn prepare(stream: &TcpStream) {
    // Without them figures are worse, and nothing else.
    let _ = stream.set_nodelay(true);
    let _ = socket2::SockRef::from(stream).set_tcp_notsent_lowat(WAITING as u32);
}

/// One connection to its close.
pub(super) async fn attend(mut stream: TlsStream<TcpStream>, router: Router, watcher: Watcher, bulk: Bulk) {
    stream.get_mut().1.set_buffer_limit(Some(WAITING));
    let mut http = http2::Builder::new(TokioExecutor::new());
    http.timer(TokioTimer::new())
        .initial_stream_window_size(WINDOW)
        .initial_connection_window_size(WINDOW)
        .max_send_buf_size(WAITING)
        .max_concurrent_streams(STREAMS)
        .max_header_list_size(HEADERS);
    let requests = Arc::new(AtomicU64::new(0));
    let counted = Arc::clone(&requests);
    let inner = TowerToHyperService::new(router);
    let service = service_fn(move |request: Request<Incoming>| {
        counted.fetch_add(1, Ordering::Relaxed);
        inner.call(request)
    });
    let mut served = std::pin::pin!(watcher.watch(http.serve_connection(TokioIo::new(stream), service)));
    loop {
        let seen = requests.load(Ordering::Relaxed);
        let patience = if bulk.0.load(Ordering::Relaxed) { BULK_WAIT } else { REQUEST_WAIT };
        tokio::select! {
            // Whatever went wrong is the peer's affair: it sees the close.
            _ = &mut served => return,
            () = tokio::time::sleep(patience) => if requests.load(Ordering::Relaxed) == seen { return },
        }
    }
}
