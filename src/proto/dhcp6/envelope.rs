//! Frames around DHCPv6 messages: sealing those that go out, opening and sorting those that come in.

use std::net::Ipv6Addr;

use super::Settings;
use crate::proto::machine::Arrival;
use crate::wire::dhcp6::{self, ALL_SERVERS, CLIENT_PORT, Flaw, Message, SERVER_PORT};
use crate::wire::ethernet::{self, Mac};
use crate::wire::{ipv6, udp};

/// The group of servers on Ethernet (RFC 2464 section 7).
const ALL_SERVERS_MAC: Mac = Mac([0x33, 0x33, 0, 1, 0, 2]);
/// The group reaches no further than the link.
const HOP_LIMIT: u8 = 1;

/// A client's message in a frame to all servers.
pub(super) fn seal(mac: Mac, source: Ipv6Addr, message: &Message) -> Vec<u8> {
    let ports = udp::Repr { source_port: CLIENT_PORT, destination_port: SERVER_PORT };
    let datagram = ports.emit(&message.emit(), source, ALL_SERVERS);
    let header = ipv6::Repr {
        source,
        destination: ALL_SERVERS,
        next_header: crate::wire::ipv4::UDP,
        hop_limit: HOP_LIMIT,
        traffic_class: 0,
        flow_label: 0,
    };
    // A client's message is a few hundred octets.
    let packet = header.emit(&datagram).unwrap_or_default();
    let frame = ethernet::Repr { destination: ALL_SERVERS_MAC, source: mac, tags: Vec::new(), ethertype: ipv6::ETHERTYPE };
    frame.emit(&packet)
}

/// What was in a frame.
pub(super) enum Content {
    /// A message.
    Message(Box<Received>),
    /// Something to a client's port that can't be read, or in a packet that is not sound.
    Unreadable,
    /// For others, or something else.
    Foreign,
}

/// A message and where it came from.
pub(super) struct Received {
    pub(super) mac: Mac,
    pub(super) from: Ipv6Addr,
    pub(super) message: Message,
    pub(super) flaws: Vec<Flaw>,
}

/// Opens a frame. Packets with extension headers are foreign: no server sends them to a client on its link.
pub(super) fn open(arrival: &Arrival, frame: &[u8], own: &Settings) -> Content {
    let Ok(frame) = ethernet::parse(frame) else { return Content::Unreadable };
    let tag = arrival.tag.or_else(|| frame.repr.tags.first().copied());
    // A tag with VLAN 0 is a bare priority, which every station takes (IEEE 802.1Q clause 6.9).
    if frame.repr.ethertype != ipv6::ETHERTYPE || tag.is_some_and(|tag| tag.vlan() != 0) {
        return Content::Foreign;
    }
    let Ok((header, payload)) = ipv6::parse(frame.payload) else { return Content::Unreadable };
    if header.next_header != crate::wire::ipv4::UDP || header.destination != own.source || frame.repr.destination != own.mac {
        return Content::Foreign;
    }
    let Ok(datagram) = udp::parse(payload, header.source, header.destination) else { return Content::Unreadable };
    if datagram.repr.destination_port != CLIENT_PORT {
        return Content::Foreign;
    }
    // RFC 8200 section 8.1: over IPv6 there must be one.
    if arrival.has_checksum && datagram.checksum != udp::Checksum::Right {
        return Content::Unreadable;
    }
    match dhcp6::parse(datagram.payload) {
        Ok((message, flaws)) => {
            Content::Message(Box::new(Received { mac: frame.repr.source, from: header.source, message, flaws }))
        }
        Err(_) => Content::Unreadable,
    }
}
