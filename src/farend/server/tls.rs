//! TLS and HTTP in front of the control API: one task per connection, so that a slow or silent peer holds up nobody.
//!
//! Every wait of a peer has an end, and connections at once are bounded: whoever opens many and says nothing takes their
//! places for seconds only.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::{GracefulShutdown, Watcher};
use hyper_util::service::TowerToHyperService;
use rustls::ServerConfig;
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;
use tokio_util::sync::CancellationToken;

use super::multiplexed::{self, Bulk};
use crate::net::tcp_info::saved_syn;
use crate::wire::syn;

/// A peer has so long for its handshake.
const HANDSHAKE_WAIT: Duration = Duration::from_secs(5);
/// And so long between two requests; an agent closes its own side sooner.
pub(super) const REQUEST_WAIT: Duration = Duration::from_secs(30);
/// Connections at once; further ones wait in the kernel's queue.
const CONNECTIONS: usize = 256;

/// The peer's address, for handlers, the address of ours that it reached, and the segment size that its SYN asked for on arrival.
#[derive(Debug, Clone, Copy)]
pub(super) struct Peer {
    pub(super) address: SocketAddr,
    pub(super) local: IpAddr,
    pub(super) segment_size: Option<u16>,
}

/// Serves the router on a listener until cancelled; requests under way are answered first.
pub(super) async fn serve(listener: TcpListener, config: Arc<ServerConfig>, router: Router, cancel: CancellationToken) {
    let acceptor = TlsAcceptor::from(config);
    let ending = GracefulShutdown::new();
    let mut connections = JoinSet::new();
    loop {
        let is_full = connections.len() >= CONNECTIONS;
        tokio::select! {
            () = cancel.cancelled() => break,
            Some(_) = connections.join_next() => {}
            accepted = listener.accept(), if !is_full => match accepted {
                Ok((stream, address)) => {
                    let segment_size = saved_syn(&stream).and_then(|headers| syn::segment_size(&headers)).map(|(_, size)| size);
                    // A connection that is gone already is noticed at its handshake.
                    let local = stream.local_addr().map_or_else(|_| address.ip(), |at| at.ip());
                    let bulk = Bulk::default();
                    let peer = Peer { address, local, segment_size };
                    let router = router.clone().layer(Extension(peer)).layer(Extension(bulk.clone()));
                    multiplexed::prepare(&stream);
                    let shaken = shake_hands(stream, acceptor.clone(), cancel.clone());
                    connections.spawn(attend(shaken, router, ending.watcher(), bulk));
                }
                // Out of descriptors: let some be closed.
                Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
            },
        }
    }
    ending.shutdown().await;
}

/// The peer's handshake; `None` when it fails, takes too long or the server is ending.
async fn shake_hands(stream: TcpStream, acceptor: TlsAcceptor, cancel: CancellationToken) -> Option<TlsStream<TcpStream>> {
    let handshake = tokio::time::timeout(HANDSHAKE_WAIT, acceptor.accept(stream));
    cancel.run_until_cancelled(handshake).await?.ok()?.ok()
}

/// One connection to its close. Whatever goes wrong here is the peer's affair: it sees the close.
async fn attend(shaken: impl Future<Output = Option<TlsStream<TcpStream>>>, router: Router, watcher: Watcher, bulk: Bulk) {
    let Some(stream) = shaken.await else { return };
    if stream.get_ref().1.alpn_protocol() == Some(b"h2") {
        return multiplexed::attend(stream, router, watcher, bulk).await;
    }
    let mut http = http1::Builder::new();
    http.timer(TokioTimer::new()).header_read_timeout(REQUEST_WAIT);
    let connection = http.serve_connection(TokioIo::new(stream), TowerToHyperService::new(router));
    let _ = watcher.watch(connection).await;
}
