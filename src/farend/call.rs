//! Test calls between agent and far end over real sockets: the driver around [`proto::voice`](crate::proto::voice), for both sides.
//!
//! A call is opened as a train is ([`wire::train`](crate::wire::train)): the agent shows a secret that it was given over the control connection. The far
//! end speaks to where that came from and to nobody else, for the time that was admitted; nothing that it receives is sent back. No
//! telephone network is behind it: a call goes from the agent to the far end and ends there. It must not know profiles or readings.

use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use tokio_util::sync::CancellationToken;

use super::opening;
use crate::net::stamped::{SendKey, SendWith, StampedEvent, StampedSocket};
use crate::proto::voice::{Plan, Talk};
use crate::unit::Stamp;
use crate::wire::call::Leg;
use crate::wire::train::{Secret, is_ready, ready};

/// Octets of the largest datagram that is read; all of ours are smaller.
const BUFFER: usize = 512;
/// Transmit stamps that may be outstanding; older ones keep the program's own stamp.
const OUTSTANDING: usize = 256;

/// What a side of a call works with.
#[derive(Debug)]
pub struct Side<'a> {
    /// Its socket.
    pub socket: &'a StampedSocket,
    /// What opens the call.
    pub secret: &'a Secret,
    /// What is sent and expected.
    pub plan: Plan,
    /// Code point of its packets.
    pub dscp: u8,
    /// Ends it early.
    pub stop: &'a CancellationToken,
}

/// The far end's side: waits for the opening from `source`, at most `wait` beyond the usual, answers it and speaks. Without an opening the
/// leg says so, and nothing was sent.
///
/// # Errors
/// What the system says when the socket fails for good.
pub async fn serve(side: Side<'_>, source: IpAddr, wait: Duration) -> io::Result<Leg> {
    let peer = tokio::select! {
        () = side.stop.cancelled() => return Ok(Leg::default()),
        () = tokio::time::sleep(opening::WAIT + wait) => return Ok(Leg::default()),
        peer = opening::heard(side.socket, source, side.secret) => peer?,
    };
    let answer = ready(side.secret.name());
    let _ = side.socket.try_send_to(&answer, peer, marked(side.dscp));
    let secret = side.secret;
    // An opening that comes again has not had its answer.
    talk(&side, peer, |octets| secret.opens(octets).then(|| answer.clone()), None).await
}

/// The agent's side: opens the call at `to` and speaks. Without an answer the leg says so.
///
/// # Errors
/// What the system says when the socket fails for good.
pub async fn run(side: Side<'_>, to: SocketAddr) -> io::Result<Leg> {
    // A packet does as well, where the ready was lost or overtaken.
    let is_open = |answer: opening::Answer<'_>| {
        if is_ready(answer.octets, side.secret.name()) {
            return Some(None);
        }
        let is_speech = Talk::new(0, side.plan).on_packet(answer.octets, answer.stamp, 0);
        is_speech.then(|| Some(First { octets: answer.octets.to_vec(), stamp: answer.stamp, class: answer.class.unwrap_or(0) }))
    };
    let opened = tokio::select! {
        () = side.stop.cancelled() => None,
        opened = opening::shown(side.socket, to, side.secret, marked(side.dscp), is_open) => opened?,
    };
    match opened {
        Some(first) => talk(&side, to, |_| None, first).await,
        None => Ok(Leg::default()),
    }
}

/// A packet of speech that was read while its side still waited for the answer to its opening.
struct First {
    octets: Vec<u8>,
    stamp: Stamp,
    class: u8,
}

fn marked(dscp: u8) -> SendWith {
    SendWith { dscp: Some(dscp), ..SendWith::default() }
}

/// Speaks and listens until the call is over. `other` says what answers a datagram that is no speech; `first` is a packet that was read already.
async fn talk(
    side: &Side<'_>,
    peer: SocketAddr,
    other: impl Fn(&[u8]) -> Option<Vec<u8>>,
    first: Option<First>,
) -> io::Result<Leg> {
    let start = Instant::now();
    let since = || i64::try_from(start.elapsed().as_nanos()).unwrap_or(i64::MAX);
    let mut talk = Talk::new(0, side.plan);
    if let Some(First { octets, stamp, class }) = first {
        talk.on_packet(&octets, stamp, class);
    }
    let (mut buffer, mut keys) = ([0; BUFFER], HashMap::<SendKey, u16>::new());
    loop {
        while let Some((place, packet)) = talk.transmit(since()) {
            // What the system does not take stays noted as not sent: it is ours and not the line's.
            if let Ok(key) = side.socket.try_send_to(&packet, peer, marked(side.dscp)) {
                talk.on_sent(place, key.user_stamp().unix_ns);
                if keys.len() >= OUTSTANDING {
                    keys.clear();
                }
                keys.insert(key, place);
            }
        }
        if talk.is_over(since()) {
            break;
        }
        let wake = start + Duration::from_nanos(talk.next_wake().unsigned_abs());
        let event = tokio::select! {
            biased;
            () = side.stop.cancelled() => break,
            event = side.socket.next_event(&mut buffer) => event?,
            () = tokio::time::sleep_until(wake.into()) => continue,
        };
        match event {
            StampedEvent::Received { len, from, stamp, traffic_class, receive_drops, .. } if from == peer => {
                talk.on_receive_drops(receive_drops);
                let octets = &buffer[..len.min(BUFFER)];
                if !talk.on_packet(octets, stamp, traffic_class.unwrap_or(0))
                    && let Some(answer) = other(octets)
                {
                    let _ = side.socket.try_send_to(&answer, peer, marked(side.dscp));
                }
            }
            StampedEvent::Sent { key, stamp, .. } => {
                if let Some(place) = keys.remove(&key) {
                    talk.on_departure(place, stamp.unix_ns);
                }
            }
            _ => {}
        }
    }
    // Stamps of the last packets, and what was in time on the line even if this program had no time to read it.
    while let Ok(Some(event)) = side.socket.try_event(&mut buffer) {
        match event {
            StampedEvent::Received { len, from, stamp, traffic_class, .. } if from == peer => {
                talk.on_packet(&buffer[..len.min(BUFFER)], stamp, traffic_class.unwrap_or(0));
            }
            StampedEvent::Sent { key, stamp, .. } => {
                if let Some(place) = keys.remove(&key) {
                    talk.on_departure(place, stamp.unix_ns);
                }
            }
            _ => {}
        }
    }
    Ok(talk.into_leg())
}
