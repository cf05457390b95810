//! A station in the home that holds addresses: it answers ARP questions for them (RFC 826) and does nothing else.
//!
//! It shares a port of a place and has a hardware address of its own, as behind a switch. It must not know why it is there.

use std::io;
use std::net::Ipv4Addr;

use tokio_util::sync::CancellationToken;

use super::Service;
use crate::net::netns::Namespace;
use crate::net::packet::{Filter, PacketEvent, PacketSocket};
use crate::wire::arp::{self, Operation};
use crate::wire::ethernet::{self, Mac};

/// A running station. Dropping it ends its thread and waits for it.
#[derive(Debug)]
pub struct NeighbourRole {
    _service: Service,
}

impl NeighbourRole {
    /// Starts a station on a port of a namespace; it answers from when this returns.
    ///
    /// # Errors
    /// When the port does not exist or no packet socket can be opened.
    pub fn start(namespace: &Namespace, interface: &str, mac: [u8; 6], addresses: Vec<Ipv4Addr>) -> io::Result<Self> {
        let name = interface.to_owned();
        let station = Station { mac: Mac(mac), addresses };
        let open = move || PacketSocket::open(nix::net::if_::if_nametoindex(&*name)?, Filter::EtherType(ethernet::ARP), false);
        let serve = move |socket: PacketSocket, until: CancellationToken| async move { station.serve(&socket, &until).await };
        Ok(Self { _service: Service::start(namespace, "neighbour", open, serve)? })
    }
}

struct Station {
    mac: Mac,
    addresses: Vec<Ipv4Addr>,
}

impl Station {
    async fn serve(&self, socket: &PacketSocket, until: &CancellationToken) {
        let mut buffer = [0; 2048];
        loop {
            let event = tokio::select! {
                event = socket.next_event(&mut buffer) => event,
                () = until.cancelled() => return,
            };
            match event {
                Ok(PacketEvent::Received { len, .. }) => {
                    if let Some(frame) = self.answer(&buffer[..len]) {
                        // A port that is down loses it, as a cable would.
                        let _ = socket.try_send(&frame);
                    }
                }
                Ok(PacketEvent::Sent { .. }) => {}
                Err(_) => return,
            }
        }
    }

    /// Also to a probe, whose sender has no address yet (RFC 5227 section 2.1.1).
    fn answer(&self, frame: &[u8]) -> Option<Vec<u8>> {
        let question = arp::parse(ethernet::parse(frame).ok()?.payload).ok()?;
        if question.operation != Operation::Request || !self.addresses.contains(&question.target) {
            return None;
        }
        let answer = arp::Repr {
            operation: Operation::Reply,
            sender_mac: self.mac,
            sender: question.target,
            target_mac: question.sender_mac,
            target: question.sender,
        };
        let header =
            ethernet::Repr { destination: question.sender_mac, source: self.mac, tags: Vec::new(), ethertype: ethernet::ARP };
        Some(header.emit(&answer.emit()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_questions_for_its_addresses_are_answered_probes_too() {
        let (own, other) = (Ipv4Addr::new(192, 0, 2, 50), Ipv4Addr::new(192, 0, 2, 51));
        let station = Station { mac: Mac([2, 0, 0x5e, 0, 0, 7]), addresses: vec![own] };
        let asker = Mac([2, 0, 0x5e, 0, 0, 1]);
        let header = ethernet::Repr { destination: Mac::BROADCAST, source: asker, tags: Vec::new(), ethertype: ethernet::ARP };
        let ask = |question: arp::Repr| station.answer(&header.emit(&question.emit()));
        let answer = ask(arp::Repr::probe(asker, own)).expect("an answer");
        let frame = ethernet::parse(&answer).expect("a frame");
        assert_eq!((frame.repr.destination, frame.repr.source), (asker, station.mac));
        let read = arp::parse(frame.payload).expect("ARP");
        assert_eq!((read.operation, read.sender, read.sender_mac), (Operation::Reply, own, station.mac));
        assert_eq!(ask(arp::Repr::probe(asker, other)), None);
        assert_eq!(ask(arp::Repr { operation: Operation::Reply, ..arp::Repr::probe(asker, own) }), None);
        assert_eq!(station.answer(&[0; 10]), None);
    }
}
