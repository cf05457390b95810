//! The packet that an ICMP error quotes, as far as it is there.
//!
//! IPv4 routers owe only the IP header and eight octets behind it (RFC 792); RFC 1812 section 4.3.2.3 asks for more.
//! Fields that change on the way (TTL, checksums behind a NAT) are handed out as they came back.

use std::net::IpAddr;

use crate::unit::Family;

/// Protocol numbers (RFC 5237 registry).
mod protocol {
    pub(super) const ICMP: u8 = 1;
    pub(super) const TCP: u8 = 6;
    pub(super) const UDP: u8 = 17;
    pub(super) const ICMP_V6: u8 = 58;
    /// IPv6 extension headers with the common layout of next header and length (RFC 8200 section 4).
    pub(super) const HOP_BY_HOP: u8 = 0;
    pub(super) const ROUTING: u8 = 43;
    pub(super) const FRAGMENT: u8 = 44;
    pub(super) const DESTINATION_OPTIONS: u8 = 60;
}

/// IPv6 extension headers walked through at most.
const MAX_EXTENSION_HEADERS: usize = 8;

/// The quoted packet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Quote {
    /// Source: an address of ours, or of the NAT before us when it did not put ours back (RFC 5508 section 4.2 asks it to).
    pub source: IpAddr,
    /// Where the packet was going.
    pub destination: IpAddr,
    /// Upper-layer protocol.
    pub protocol: u8,
    /// TTL or hop limit on arrival at the offender.
    pub hop_limit: u8,
    /// Type of service or traffic class on arrival at the offender.
    pub traffic_class: u8,
    /// IPv4 identification; 0 for IPv6.
    pub identification: u16,
    /// Start of the upper layer.
    pub transport: Transport,
    /// What is quoted of the octets behind the first eight of the upper layer.
    pub payload: Vec<u8>,
}

/// First eight octets of the upper layer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Transport {
    /// UDP (RFC 768).
    Udp {
        /// Source port.
        source_port: u16,
        /// Destination port.
        destination_port: u16,
        /// UDP length, header included.
        length: u16,
        /// Checksum as it came back.
        checksum: u16,
    },
    /// TCP (RFC 9293).
    Tcp {
        /// Source port.
        source_port: u16,
        /// Destination port.
        destination_port: u16,
        /// Sequence number.
        sequence: u32,
    },
    /// ICMP or ICMPv6 with the layout of an echo.
    Icmp {
        /// Type.
        kind: u8,
        /// Code.
        code: u8,
        /// Checksum as it came back.
        checksum: u16,
        /// Identifier, if it is an echo.
        identifier: u16,
        /// Sequence number, if it is an echo.
        sequence: u16,
    },
    /// A protocol that is not read here, a later fragment, or fewer than eight octets.
    Unread,
}

impl Quote {
    /// Reads a quote; `None` when the IP header isn't whole. Header checksum and total length are not looked at.
    pub fn parse(family: Family, bytes: &[u8]) -> Option<Self> {
        match family {
            Family::Ipv4 => Self::parse_v4(bytes),
            Family::Ipv6 => Self::parse_v6(bytes),
        }
    }

    fn parse_v4(bytes: &[u8]) -> Option<Self> {
        let header = bytes.first_chunk::<20>()?;
        let header_len = usize::from(header[0] & 0x0f) * 4;
        if header[0] >> 4 != 4 || header_len < 20 {
            return None;
        }
        let upper = bytes.get(header_len..).unwrap_or(&[]);
        let is_later_fragment = u16::from_be_bytes([header[6], header[7]]) & 0x1fff != 0;
        let (transport, payload) = if is_later_fragment { (Transport::Unread, upper) } else { transport(header[9], upper) };
        Some(Self {
            source: IpAddr::from(*header[12..].first_chunk::<4>()?),
            destination: IpAddr::from(*header[16..].first_chunk::<4>()?),
            protocol: header[9],
            hop_limit: header[8],
            traffic_class: header[1],
            identification: u16::from_be_bytes([header[4], header[5]]),
            transport,
            payload: payload.to_vec(),
        })
    }

    fn parse_v6(bytes: &[u8]) -> Option<Self> {
        let (header, mut upper) = bytes.split_first_chunk::<40>()?;
        if header[0] >> 4 != 6 {
            return None;
        }
        let mut next = header[6];
        for _ in 0..MAX_EXTENSION_HEADERS {
            let len = match (next, upper) {
                (protocol::HOP_BY_HOP | protocol::ROUTING | protocol::DESTINATION_OPTIONS, [_, length, ..]) => {
                    usize::from(*length) * 8 + 8
                }
                // A later fragment has no upper-layer header: leave the fragment header's number as the protocol.
                (protocol::FRAGMENT, [_, _, high, low, ..]) if u16::from_be_bytes([*high, *low]) >> 3 == 0 => 8,
                _ => break,
            };
            let Some(behind) = upper.get(len..) else { break };
            next = upper[0];
            upper = behind;
        }
        let (transport, payload) = transport(next, upper);
        Some(Self {
            source: IpAddr::from(*header[8..].first_chunk::<16>()?),
            destination: IpAddr::from(*header[24..].first_chunk::<16>()?),
            protocol: next,
            hop_limit: header[7],
            traffic_class: header[0] << 4 | header[1] >> 4,
            identification: 0,
            transport,
            payload: payload.to_vec(),
        })
    }
}

fn transport(protocol: u8, upper: &[u8]) -> (Transport, &[u8]) {
    let Some((first, payload)) = upper.split_first_chunk::<8>() else { return (Transport::Unread, upper) };
    let word = |at: usize| u16::from_be_bytes([first[at], first[at + 1]]);
    let transport = match protocol {
        protocol::UDP => Transport::Udp { source_port: word(0), destination_port: word(2), length: word(4), checksum: word(6) },
        protocol::TCP => Transport::Tcp {
            source_port: word(0),
            destination_port: word(2),
            sequence: u32::from(word(4)) << 16 | u32::from(word(6)),
        },
        protocol::ICMP | protocol::ICMP_V6 => {
            Transport::Icmp { kind: first[0], code: first[1], checksum: word(2), identifier: word(4), sequence: word(6) }
        }
        _ => Transport::Unread,
    };
    (transport, payload)
}
