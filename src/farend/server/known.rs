//! The known answer over plain HTTP: told to whoever asks with an open session's identifier, and not an octet to anybody else.
//!
//! One request a connection, bounded in octets, time and number. What is asked and answered is [`crate::proto::web`]'s.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::State;
use crate::proto::web::{answer, asked, head};

/// A peer has so long for its request and for taking the answer.
const WAIT: Duration = Duration::from_secs(3);
/// Octets of a request, what a proxy adds among them.
const REQUEST: usize = 2048;
/// Connections at once; further ones wait in the kernel's queue.
const CONNECTIONS: usize = 64;

/// Answers until cancelled.
pub(super) async fn serve(listener: TcpListener, state: Arc<State>, cancel: CancellationToken) {
    let mut connections = JoinSet::new();
    loop {
        let is_full = connections.len() >= CONNECTIONS;
        tokio::select! {
            () = cancel.cancelled() => return,
            Some(_) = connections.join_next() => {}
            accepted = listener.accept(), if !is_full => match accepted {
                Ok((stream, peer)) => {
                    let state = Arc::clone(&state);
                    // Whoever is late sees the close.
                    connections.spawn(tokio::time::timeout(WAIT, attend(stream, peer.ip().to_canonical(), state)));
                }
                // Out of descriptors: let some be closed.
                Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
            },
        }
    }
}

async fn attend(mut stream: TcpStream, peer: IpAddr, state: Arc<State>) {
    let mut octets = Vec::new();
    let told = loop {
        let mut piece = [0; 512];
        let Ok(len @ 1..) = stream.read(&mut piece).await else { return };
        octets.extend_from_slice(&piece[..len]);
        match head(&octets) {
            Some(head) => break tell(head, peer, &state),
            None if octets.len() > REQUEST => return,
            None => {}
        }
    };
    if let Some(told) = told {
        // A peer that is gone needs no answer.
        let _ = stream.write_all(&told).await;
        let _ = stream.shutdown().await;
    }
}

fn tell(head: &[u8], peer: IpAddr, state: &State) -> Option<Vec<u8>> {
    let (id, nonce) = asked(head)?;
    let sessions = state.sessions();
    let (_, key) = sessions.values().map(|session| &session.known).find(|(known, _)| known == id)?;
    Some(answer(key, nonce, peer, head))
}
