//! A gateway that wants to help SIP and changes it: it writes its own outer address over the home's in all that passes (an application layer
//! gateway, RFC 2663 section 2.9), over UDP to port 5060.
//!
//! It must not know who asks. Datagrams are led to it by the place that it stands in; one outer socket for each inner one, bounded in number.

use std::collections::HashMap;
use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use tokio::net::UdpSocket;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::Service;
use crate::net::netns::Namespace;
use crate::net::nft::{self, Carried};
use crate::wire::sip::address::Uri;
use crate::wire::sip::{Message, PORT, Start};

/// Where it listens itself.
const OWN: u16 = 5160;
/// Inner ends at once; those of later ones are dropped.
const MOST: usize = 64;
/// An outer socket that hears nothing for so long is closed.
const IDLE: Duration = Duration::from_secs(60);
const DATAGRAM: usize = 65_535;

/// The meddling gateway. Dropping it ends its thread and waits for it.
#[derive(Debug)]
pub struct SipMiddleRole {
    _service: Service,
}

impl SipMiddleRole {
    /// Starts it in a place whose outer address is `outer`; what is for a name goes to `registrar`.
    ///
    /// # Errors
    /// When its port can't be had, or the kernel has no redirection.
    pub fn start(place: &Namespace, outer: Ipv4Addr, registrar: Ipv4Addr) -> io::Result<Self> {
        let open = || {
            let socket = std::net::UdpSocket::bind((Ipv4Addr::UNSPECIFIED, OWN))?;
            socket.set_nonblocking(true)?;
            UdpSocket::from_std(socket)
        };
        let serve = move |socket, until| serve(socket, outer, registrar, until);
        let service = Service::start(place, "sip-middle", open, serve)?;
        nft::redirect(place, Carried::Udp, PORT, OWN).map_err(io::Error::other)?;
        Ok(Self { _service: service })
    }
}

async fn serve(socket: UdpSocket, outer: Ipv4Addr, registrar: Ipv4Addr, until: CancellationToken) {
    let inner = Arc::new(socket);
    let mut ends: HashMap<SocketAddr, Arc<UdpSocket>> = HashMap::new();
    let mut tasks: JoinSet<SocketAddr> = JoinSet::new();
    let mut buffer = vec![0; DATAGRAM];
    loop {
        tokio::select! {
            () = until.cancelled() => return,
            Some(Ok(peer)) = tasks.join_next() => drop(ends.remove(&peer)),
            received = inner.recv_from(&mut buffer) => {
                let Ok((len, peer)) = received else { continue };
                let end = match ends.get(&peer) {
                    Some(end) => Arc::clone(end),
                    None if ends.len() < MOST => {
                        let Ok(end) = UdpSocket::bind((outer, 0)).await.map(Arc::new) else { continue };
                        ends.insert(peer, Arc::clone(&end));
                        tasks.spawn(way_back(Arc::clone(&inner), Arc::clone(&end), peer, outer));
                        end
                    }
                    None => continue,
                };
                let to = whom(&buffer[..len]).unwrap_or(registrar);
                let passed = rewritten(&buffer[..len], &peer.ip().to_string(), &outer.to_string());
                let _ = end.send_to(&passed, (to, PORT)).await;
            }
        }
    }
}

/// Answers, with the home's address written back.
async fn way_back(inner: Arc<UdpSocket>, end: Arc<UdpSocket>, peer: SocketAddr, outer: Ipv4Addr) -> SocketAddr {
    let mut buffer = vec![0; DATAGRAM];
    while let Ok(Ok(len)) = tokio::time::timeout(IDLE, end.recv(&mut buffer)).await {
        let passed = rewritten(&buffer[..len], &outer.to_string(), &peer.ip().to_string());
        if inner.send_to(&passed, peer).await.is_err() {
            break;
        }
    }
    peer
}

/// Whom a request is for, where that is an address: names are not looked up here.
fn whom(octets: &[u8]) -> Option<Ipv4Addr> {
    let Start::Request { uri, .. } = Message::parse(octets).ok()?.start else { return None };
    Uri::parse(&uri)?.host.parse().ok()
}

/// The head with one address for another; the body stays.
fn rewritten(octets: &[u8], from: &str, to: &str) -> Vec<u8> {
    let end = octets.windows(4).position(|four| four == b"\r\n\r\n").unwrap_or(octets.len());
    let (head, body) = octets.split_at(end);
    match std::str::from_utf8(head) {
        Ok(head) => [head.replace(from, to).as_bytes(), body].concat(),
        Err(_) => octets.to_vec(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_head_is_rewritten_and_the_body_is_not() {
        let octets = b"OPTIONS sip:a@203.0.113.10 SIP/2.0\r\nVia: SIP/2.0/UDP 192.0.2.50:4000\r\n\r\n192.0.2.50";
        let passed = String::from_utf8(rewritten(octets, "192.0.2.50", "198.51.100.2")).expect("text");
        assert_eq!(passed, "OPTIONS sip:a@203.0.113.10 SIP/2.0\r\nVia: SIP/2.0/UDP 198.51.100.2:4000\r\n\r\n192.0.2.50");
        assert_eq!(whom(octets), Some(Ipv4Addr::new(203, 0, 113, 10)));
        assert_eq!(whom(b"REGISTER sip:voice.example.net SIP/2.0\r\n\r\n"), None);
    }
}
