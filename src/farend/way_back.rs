//! Probes from the far end back to the agent, and the agent's answers: the driver around [`proto::way_back`](crate::proto::way_back).
//!
//! Opening, probes and answers look as those of a train ([`wire::train`](crate::wire::train)). Routers' errors come by the error queue of
//! the far end's own UDP socket, which takes no right. It must not know profiles or readings.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::Instant;

use super::api::{WayBackAddress, WayBackHop, WayBackReport};
use super::opening;
use crate::net::stamped::{SendWith, StampedEvent, StampedSocket};
use crate::proto::way_back::{MAX_HOPS, ROUNDS, Said, Way, WayBack};
use crate::wire::train::{HEADER, Name, Packet, Secret, is_ready, ready};

/// Octets of the largest datagram or quoted one that is read; all of ours are smaller.
const BUFFER: usize = 256;
/// Probes that an agent answers at most: what a far end sends at most.
const MOST_ANSWERS: u32 = MAX_HOPS as u32 * ROUNDS as u32;

/// The far end's side: waits for the opening from `source`, answers it, then probes the way to where it came from, and nowhere else.
/// `None` when nobody came.
///
/// # Errors
/// What the system says when the socket fails for good.
pub async fn serve(socket: &StampedSocket, source: IpAddr, secret: &Secret) -> io::Result<Option<WayBackReport>> {
    let Ok(peer) = tokio::time::timeout(opening::WAIT, opening::heard(socket, source, secret)).await else { return Ok(None) };
    let (peer, name) = (peer?, secret.name());
    let _ = socket.try_send_to(&ready(name), peer, SendWith::default());
    let (mut machine, mut buffer) = (WayBack::new(Instant::now()), [0; BUFFER]);
    loop {
        let now = Instant::now();
        if let Some(ask) = machine.due(now) {
            let mut probe = [0; HEADER];
            Packet { sequence: ask.number, sent_ns: 0 }.write(name, &mut probe);
            let with = SendWith { ttl: Some(ask.hop), ..SendWith::default() };
            machine.asked(Instant::now(), socket.try_send_to(&probe, peer, with).is_ok());
            continue;
        }
        let Some(wake) = machine.next_wake(now) else { break };
        let event = tokio::select! {
            () = tokio::time::sleep_until(wake.into()) => continue,
            event = socket.next_event(&mut buffer) => event?,
        };
        match event {
            StampedEvent::Received { len, from, at, .. } if from == peer => {
                let octets = &buffer[..len.min(BUFFER)];
                if secret.opens(octets) {
                    // An opening that comes again has not had its answer.
                    let _ = socket.try_send_to(&ready(name), peer, SendWith::default());
                } else if let Some(packet) = Packet::parse(octets, name) {
                    machine.on_answer(at, packet.sequence, Said::Arrived);
                }
            }
            StampedEvent::IcmpError { kind, offender: Some(by), destination: Some(to), len, at, .. } if to == peer => {
                let Some(said) = meaning(kind, by) else { continue };
                match Packet::parse(&buffer[..len.min(BUFFER)], name) {
                    Some(packet) => machine.on_answer(at, packet.sequence, said),
                    None => machine.on_unplaced(),
                }
            }
            _ => {}
        }
    }
    Ok(Some(in_words_of_the_api(&machine.report())))
}

/// Time exceeded, and unreachable (RFC 792; RFC 4443 sections 3.1 and 3.3); other errors say nothing of the way.
fn meaning(kind: u8, by: IpAddr) -> Option<Said> {
    match (by.is_ipv4(), kind) {
        (true, 11) | (false, 3) => Some(Said::Exceeded(by)),
        (true, 3) | (false, 1) => Some(Said::Refused(by)),
        _ => None,
    }
}

fn in_words_of_the_api(way: &Way) -> WayBackReport {
    let hops = way.hops.iter().map(|hop| WayBackHop {
        hop: hop.hop,
        sent: hop.sent,
        answered: hop.answers.iter().map(|(_, count)| count).sum(),
        addresses: {
            let routers = hop.answers.iter().filter_map(|(by, answers)| Some((by.as_ref()?, *answers)));
            routers.map(|(address, answers)| WayBackAddress { address: *address, answers }).collect()
        },
        round_trips_ms: hop.round_trips.iter().map(|time| time.as_secs_f64() * 1e3).collect(),
    });
    WayBackReport {
        opened: true,
        hops: hops.collect(),
        length: way.length,
        refused_by: way.refused.map(|(_, by)| by),
        unplaced: way.unplaced,
    }
}

/// The agent's side: opens the way to `to`, which is open when this returns true; false when nobody answers.
///
/// # Errors
/// What the system says when the socket fails for good.
pub async fn open(socket: &StampedSocket, to: SocketAddr, secret: &Secret) -> io::Result<bool> {
    // A first probe does as well, where the ready was lost.
    let is_open = |answer: opening::Answer<'_>| {
        let is_open = is_ready(answer.octets, secret.name()) || Packet::parse(answer.octets, secret.name()).is_some();
        is_open.then_some(())
    };
    Ok(opening::shown(socket, to, secret, SendWith::default(), is_open).await?.is_some())
}

/// The agent's side: sends each probe back as it came, as many as a far end may send; returns then, or never.
///
/// # Errors
/// What the system says when the socket fails for good.
pub async fn answer(socket: &StampedSocket, to: SocketAddr, name: Name) -> io::Result<()> {
    let (mut buffer, mut answered) = ([0; BUFFER], 0);
    while answered < MOST_ANSWERS {
        let StampedEvent::Received { len, from, .. } = socket.next_event(&mut buffer).await? else { continue };
        let octets = &buffer[..len.min(BUFFER)];
        if from == to && octets.len() == HEADER && Packet::parse(octets, name).is_some() {
            let _ = socket.try_send_to(octets, to, SendWith::default());
            answered += 1;
        }
    }
    Ok(())
}
