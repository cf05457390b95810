//! How the agent's first datagram reaches the far end, so that this speaks to where it came from and to nobody else: the agent shows a secret that it was given over
//! the control connection, again and again until it is answered ([`wire::train`](crate::wire::train)).
//!
//! For what runs on stamped sockets, as the way back and test calls do; a train's thread waits on a socket of its own kind ([`super::train`]).

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use crate::net::stamped::{SendWith, StampedEvent, StampedSocket};
use crate::unit::Stamp;
use crate::wire::train::Secret;

/// How long an opening is waited for, and an answer to it.
pub(super) const WAIT: Duration = Duration::from_secs(3);
/// How often it is sent again.
pub(super) const AGAIN: Duration = Duration::from_millis(200);
/// Octets of the largest datagram that is read; all of ours are smaller.
const BUFFER: usize = 512;

/// What came from where the opening was sent to.
pub(super) struct Answer<'a> {
    pub(super) octets: &'a [u8],
    pub(super) stamp: Stamp,
    /// Traffic class, where the socket tells it.
    pub(super) class: Option<u8>,
}

/// The far end's side: where an opening with this secret came from, an address of `source`. Waits as long as it is polled.
///
/// # Errors
/// What the system says when the socket fails for good.
pub(super) async fn heard(socket: &StampedSocket, source: IpAddr, secret: &Secret) -> io::Result<SocketAddr> {
    let mut buffer = [0; BUFFER];
    loop {
        if let StampedEvent::Received { len, from, .. } = socket.next_event(&mut buffer).await?
            && from.ip().to_canonical() == source
            && secret.opens(&buffer[..len.min(BUFFER)])
        {
            return Ok(from);
        }
    }
}

/// The agent's side: shows the secret at `to` until `is_open` makes something of what comes back from there; `None` when nothing did in time.
///
/// # Errors
/// What the system says when the socket fails for good.
pub(super) async fn shown<T>(
    socket: &StampedSocket,
    to: SocketAddr,
    secret: &Secret,
    with: SendWith,
    is_open: impl Fn(Answer<'_>) -> Option<T>,
) -> io::Result<Option<T>> {
    let (until, mut buffer) = (Instant::now() + WAIT, [0; BUFFER]);
    let mut again = tokio::time::interval(AGAIN);
    loop {
        tokio::select! {
            () = tokio::time::sleep_until(until.into()) => return Ok(None),
            // What the system does not take is sent again.
            _ = again.tick() => drop(socket.try_send_to(&secret.opening(), to, with)),
            event = socket.next_event(&mut buffer) => {
                let StampedEvent::Received { len, from, stamp, traffic_class, .. } = event? else { continue };
                let answer = Answer { octets: &buffer[..len.min(BUFFER)], stamp, class: traffic_class };
                if let Some(open) = (from == to).then(|| is_open(answer)).flatten() {
                    return Ok(Some(open));
                }
            }
        }
    }
}
