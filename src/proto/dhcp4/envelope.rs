//! Frames around DHCP messages: sealing those that go out, opening and sorting those that come in.
//!
//! A client without an address can't leave this to the kernel's stack, so it also has to keep the stack's rules: what a
//! stack would drop (a wrong checksum) must not be acted on, but is counted.

use std::net::Ipv4Addr;

use super::answer::Reason;
use crate::proto::machine::Arrival;
use crate::wire::dhcp4::{self, CLIENT_PORT, Parsed, Repr, SERVER_PORT};
use crate::wire::ethernet::{self, Mac};
use crate::wire::ipv4;
use crate::wire::{arp, udp};

/// One end.
#[derive(Debug, Clone, Copy)]
pub(super) struct Address {
    pub(super) mac: Mac,
    pub(super) ip: Ipv4Addr,
}

/// A client's message in a frame to a server's port.
pub(super) fn seal(from: Address, to: Address, message: &Repr) -> Vec<u8> {
    let ports = udp::Repr { source_port: CLIENT_PORT, destination_port: SERVER_PORT };
    let datagram = ports.emit(&message.emit(), from.ip, to.ip);
    let packet = ipv4::Repr::plain(from.ip, to.ip, ipv4::UDP).emit(&datagram);
    let header = ethernet::Repr { destination: to.mac, source: from.mac, tags: Vec::new(), ethertype: ethernet::IPV4 };
    header.emit(&packet)
}

/// What was in a frame.
pub(super) enum Content {
    Arp(arp::Repr),
    Dhcp(Box<Received>),
}

/// A DHCP message and where it came from.
pub(super) struct Received {
    pub(super) from: Address,
    pub(super) message: Parsed,
}

/// Opens a frame.
pub(super) fn open(arrival: &Arrival, frame: &[u8], own: Mac) -> Result<Content, Reason> {
    let frame = ethernet::parse(frame).map_err(|_| Reason::Unreadable)?;
    let tag = arrival.tag.or_else(|| frame.repr.tags.first().copied());
    // A tag with VLAN 0 is a bare priority, which every station takes (IEEE 802.1Q clause 6.9).
    if tag.is_some_and(|t| t.vlan() != 0) {
        return Err(Reason::Tagged);
    }
    if frame.repr.destination != own && !frame.repr.destination.is_group() {
        return Err(Reason::ForOthers);
    }
    if frame.repr.ethertype == ethernet::ARP {
        return arp::parse(frame.payload).map(Content::Arp).map_err(|_| Reason::Unreadable);
    }
    if frame.repr.ethertype != ethernet::IPV4 {
        return Err(Reason::Unreadable);
    }
    let packet = ipv4::parse(frame.payload).map_err(|_| Reason::Unreadable)?;
    if packet.flaws.iter().any(|f| matches!(f, ipv4::Flaw::Checksum { .. })) {
        return Err(Reason::Checksum);
    }
    if packet.repr.is_fragment() {
        return Err(Reason::Fragment);
    }
    let datagram = udp::parse(packet.payload, packet.repr.source, packet.repr.destination).map_err(|_| Reason::Unreadable)?;
    if arrival.has_checksum && matches!(datagram.checksum, udp::Checksum::Wrong { .. }) {
        return Err(Reason::Checksum);
    }
    if datagram.repr.destination_port != CLIENT_PORT {
        return Err(Reason::ForOthers);
    }
    let message = dhcp4::parse(datagram.payload).map_err(|_| Reason::Unreadable)?;
    let from = Address { mac: frame.repr.source, ip: packet.repr.source };
    Ok(Content::Dhcp(Box::new(Received { from, message })))
}
