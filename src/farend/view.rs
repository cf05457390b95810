//! The far end's view: the two sockets and the clock around [`proto::view`](crate::proto::view).
//!
//! Answers leave whole or not at all, so that a large one proves the way back; what routers say about one that was too large
//! goes to the agent with the next. It must not know who may ask: that is the table it is given. It sleeps while nobody asks.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use tokio_util::sync::CancellationToken;

use crate::net::stamped::{SendWith, StampedEvent, StampedSocket};
use crate::proto::view::{Limits, Port, Reply, Sessions, View};

/// The largest request that is read.
const LARGEST: usize = 65_536;
/// Pause after an error of the socket itself, so that a lasting one does not spin.
const PAUSE: Duration = Duration::from_millis(100);
/// Tries to find two free ports in a row when the system chooses.
const TRIES: usize = 16;

/// The sockets and the state, not yet running.
#[derive(Debug)]
pub struct ViewService<S> {
    first: StampedSocket,
    second: StampedSocket,
    view: View,
    sessions: S,
}

impl<S: Sessions + Send> ViewService<S> {
    /// Binds a port and the next; with port zero two that are free.
    ///
    /// # Errors
    /// What the system says to the sockets or to the wish for random octets.
    pub fn bind(address: IpAddr, port: u16, sessions: S) -> io::Result<Self> {
        let pair = || -> io::Result<(StampedSocket, StampedSocket)> {
            let first = StampedSocket::udp(SocketAddr::new(address, port), None)?;
            let next = first.local_addr()?.port().checked_add(1).ok_or(io::ErrorKind::AddrInUse)?;
            Ok((first, StampedSocket::udp(SocketAddr::new(address, next), None)?))
        };
        let mut bound = pair();
        for _ in 0..TRIES {
            if port != 0 || bound.is_ok() {
                break;
            }
            bound = pair();
        }
        let (first, second) = bound?;
        first.never_fragment()?;
        second.never_fragment()?;
        let mut cookie = [0; 32];
        ring::rand::SecureRandom::fill(&ring::rand::SystemRandom::new(), &mut cookie)
            .map_err(|_| io::Error::other("the system gave no random octets"))?;
        Ok(Self { first, second, view: View::new(Limits::default(), cookie), sessions })
    }

    /// The two ports.
    ///
    /// # Errors
    /// What the system says.
    pub fn ports(&self) -> io::Result<[u16; 2]> {
        Ok([self.first.local_addr()?.port(), self.second.local_addr()?.port()])
    }

    /// Answers until `cancel` fires.
    pub async fn run(mut self, cancel: CancellationToken) {
        let (mut one, mut two) = (vec![0; LARGEST], vec![0; LARGEST]);
        loop {
            while let Some(reply) = self.view.transmit(Instant::now(), &self.sessions) {
                self.send(&reply);
            }
            let due = self.view.next_wake();
            let alarm = async {
                match due {
                    Some(at) => tokio::time::sleep_until(at.into()).await,
                    None => std::future::pending().await,
                }
            };
            let (port, event) = tokio::select! {
                () = cancel.cancelled() => return,
                () = alarm => continue,
                event = self.first.next_event(&mut one) => (Port::First, event),
                event = self.second.next_event(&mut two) => (Port::Second, event),
            };
            let buffer = if port == Port::First { &one } else { &two };
            match event {
                Ok(StampedEvent::Received { len, from, .. }) => {
                    let from = SocketAddr::new(from.ip().to_canonical(), from.port());
                    let bytes = &buffer[..len.min(buffer.len())];
                    if let Ok(Some(reply)) = self.view.on_packet(Instant::now(), port, from, bytes, &self.sessions) {
                        self.send(&reply);
                    }
                }
                // "Fragmentation needed" (RFC 792, RFC 1191) or "packet too big" (RFC 4443 section 3.2).
                Ok(StampedEvent::IcmpError { kind, code, destination: Some(to), info, .. })
                    if (kind, code) == (3, 4) || (kind == 2 && to.is_ipv6()) =>
                {
                    self.view.on_too_big(to, u16::try_from(info).unwrap_or(u16::MAX));
                }
                Ok(_) => {}
                Err(_) => tokio::time::sleep(PAUSE).await,
            }
        }
    }

    /// An answer that the system refuses is one that the agent misses; it asks again.
    fn send(&self, reply: &Reply) {
        let socket = if reply.from == Port::First { &self.first } else { &self.second };
        let _ = socket.try_send_to(&reply.bytes, reply.to, SendWith::default());
    }
}
