//! The known answer over SIP: told to whoever asks with an open session's identifier, and not an octet to anybody else.
//!
//! No registrar and no proxy: every other request is left unanswered. An answer has at most [`question::MOST_ANSWERED`] times the octets that were
//! received, and goes out once per request; streams are bounded in octets, time and number.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream, UdpSocket};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::{ServeError, State, bind as listen};
use crate::proto::sip::question;
use crate::wire::sip::Message;
use crate::wire::sip::frame::Framer;

/// A peer has so long for its requests and for taking the answers.
const WAIT: Duration = Duration::from_secs(10);
/// Connections at once; further ones wait in the kernel's queue.
const CONNECTIONS: usize = 64;
/// Octets of a datagram that are looked at, what a gateway adds among them.
const DATAGRAM: usize = 4096;
/// Requests of one connection that are answered.
const REQUESTS: usize = 8;

/// Both transports at one address.
pub(super) struct Ports {
    datagrams: UdpSocket,
    listener: TcpListener,
    /// Port of both.
    pub(super) port: u16,
}

pub(super) fn bind(address: IpAddr, port: u16) -> Result<Ports, ServeError> {
    const WHAT: &str = "the known answer over SIP";
    let (listener, at) = listen(address, port, WHAT)?;
    let failed = |source| ServeError::Bind { address: at, what: WHAT, source };
    let open = || {
        let socket = socket2::Socket::new(socket2::Domain::for_address(at), socket2::Type::DGRAM, None)?;
        if address.is_ipv6() {
            socket.set_only_v6(true)?;
        }
        socket.set_nonblocking(true)?;
        socket.bind(&at.into())?;
        UdpSocket::from_std(socket.into())
    };
    Ok(Ports { datagrams: open().map_err(failed)?, listener, port: at.port() })
}

/// Answers until cancelled.
pub(super) async fn serve(ports: Ports, state: Arc<State>, cancel: CancellationToken) {
    let Ports { datagrams, listener, .. } = ports;
    let mut connections = JoinSet::new();
    let mut buffer = [0; DATAGRAM];
    loop {
        let is_full = connections.len() >= CONNECTIONS;
        tokio::select! {
            () = cancel.cancelled() => return,
            Some(_) = connections.join_next() => {}
            received = datagrams.recv_from(&mut buffer) => {
                // An error is an earlier answer that nobody took.
                let Ok((len, peer)) = received else { continue };
                let octets = &buffer[..len];
                let answer = Message::parse(octets).ok().and_then(|message| tell(&message, octets, peer, &state));
                if let Some(answer) = answer {
                    // A peer that is gone needs no answer.
                    let _ = datagrams.send_to(&answer, peer).await;
                }
            }
            accepted = listener.accept(), if !is_full => match accepted {
                Ok((stream, peer)) => {
                    let state = Arc::clone(&state);
                    // Whoever is late sees the close.
                    connections.spawn(tokio::time::timeout(WAIT, attend(stream, peer, state)));
                }
                // Out of descriptors: let some be closed.
                Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
            },
        }
    }
}

async fn attend(mut stream: TcpStream, peer: SocketAddr, state: Arc<State>) {
    let (mut framer, mut answered) = (Framer::default(), 0);
    let mut piece = [0; 1024];
    while answered < REQUESTS {
        let Ok(len @ 1..) = stream.read(&mut piece).await else { return };
        framer.push(&piece[..len]);
        loop {
            match framer.next_message() {
                Ok(Some(framed)) => {
                    let Some(answer) = tell(&framed.message, &framed.octets, peer, &state) else { return };
                    answered += 1;
                    if stream.write_all(&answer).await.is_err() {
                        return;
                    }
                }
                Ok(None) => break,
                Err(_) => return,
            }
        }
    }
}

fn tell(message: &Message, octets: &[u8], peer: SocketAddr, state: &State) -> Option<Vec<u8>> {
    let (id, nonce) = question::asked(message)?;
    let sessions = state.sessions();
    let (_, key) = sessions.values().map(|session| &session.known).find(|(known, _)| *known == id)?;
    question::answer(key, &nonce, peer, message, octets)
}
