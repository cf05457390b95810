//! TLS in front of the control API: handshakes run side by side, so that a slow or silent peer holds up nobody.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use rustls::ServerConfig;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;
use tokio_util::sync::CancellationToken;

/// A peer has so long for its handshake.
const HANDSHAKE_WAIT: Duration = Duration::from_secs(5);
/// Handshakes at once; further connections wait in the kernel's queue.
const HANDSHAKES: usize = 64;

/// The peer's address, for handlers.
#[derive(Debug, Clone, Copy)]
pub(super) struct Peer(pub(super) SocketAddr);

/// Connections whose handshake is done. From: the accepting task. Depth 16: axum takes them at once; when it does not, new
/// handshakes wait.
struct Ready {
    connections: mpsc::Receiver<(TlsStream<TcpStream>, SocketAddr)>,
    local: SocketAddr,
}

impl Listener for Ready {
    type Io = TlsStream<TcpStream>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        match self.connections.recv().await {
            Some(connection) => connection,
            // The accepting task has ended: the server is shutting down.
            None => std::future::pending().await,
        }
    }

    fn local_addr(&self) -> std::io::Result<SocketAddr> {
        Ok(self.local)
    }
}

impl Connected<IncomingStream<'_, Ready>> for Peer {
    fn connect_info(stream: IncomingStream<'_, Ready>) -> Self {
        Self(*stream.remote_addr())
    }
}

/// Serves the router on a listener until cancelled; requests under way are answered first.
pub(super) async fn serve(listener: TcpListener, config: Arc<ServerConfig>, router: Router, cancel: CancellationToken) {
    let Ok(local) = listener.local_addr() else { return };
    let (done, connections) = mpsc::channel(16);
    let service = router.into_make_service_with_connect_info::<Peer>();
    let until = cancel.clone();
    let serving = axum::serve(Ready { connections, local }, service).with_graceful_shutdown(until.cancelled_owned());
    tokio::join!(shake_hands(listener, TlsAcceptor::from(config), done, cancel), async {
        // Its listener never fails, so neither does it.
        let _ = serving.await;
    });
}

async fn shake_hands(
    listener: TcpListener,
    acceptor: TlsAcceptor,
    done: mpsc::Sender<(TlsStream<TcpStream>, SocketAddr)>,
    cancel: CancellationToken,
) {
    let mut handshakes = JoinSet::new();
    loop {
        let full = handshakes.len() >= HANDSHAKES;
        tokio::select! {
            () = cancel.cancelled() => return,
            Some(_) = handshakes.join_next() => {}
            accepted = listener.accept(), if !full => match accepted {
                Ok((stream, peer)) => {
                    let (acceptor, done) = (acceptor.clone(), done.clone());
                    handshakes.spawn(async move {
                        let Ok(Ok(stream)) = tokio::time::timeout(HANDSHAKE_WAIT, acceptor.accept(stream)).await else { return };
                        // A closed channel: the server is shutting down.
                        let _ = done.send((stream, peer)).await;
                    });
                }
                // Out of descriptors: let some be closed.
                Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
            },
        }
    }
}
