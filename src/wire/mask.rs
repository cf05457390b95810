//! What of a frame may be written down: control traffic, with credentials and payloads masked.
//!
//! Control is ARP, DHCP, DHCPv6, ICMP, ICMPv6 with neighbour discovery and MLD, IGMP, PPPoE discovery, and PPP's own protocols.
//! Everything else is nobody's business and yields nothing. Masked octets are zero, so that lengths stay true; checksums are
//! made right again where they were right before. The hard thing: what is cut, odd or padded must not slip through, so whatever
//! lies outside of the parts that are understood is zero as well.

mod dhcp;
mod ppp;

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use super::checksum::Sum;
use super::{ethernet, ipv6, pppoe};

const ICMP: u8 = 1;
const IGMP: u8 = 2;
const UDP: u8 = 17;
const ICMPV6: u8 = 58;
/// IPv6 hop-by-hop options: MLD stands behind them (RFC 3810 section 5).
const HOP_BY_HOP: u8 = 0;
/// Octets of an echo's payload that are kept: ours hold a number and a time there.
const ECHO_PAYLOAD: usize = 8;
/// Octets behind the IP header that an ICMP error quotes at least (RFC 792): ports, identifiers.
const QUOTED: usize = 8;
/// Where a checksum stands in its header.
const ICMP_CHECKSUM: usize = 2;
const UDP_CHECKSUM: usize = 6;
/// Tags that a frame may carry.
const MOST_TAGS: usize = 2;

/// A frame that may be written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Masked {
    /// The frame, as long as it was.
    pub octets: Vec<u8>,
    /// Whether anything in it was made zero.
    pub is_changed: bool,
    /// Its checksum was wrong before, and still is.
    pub is_checksum_wrong: bool,
}

/// Masks a frame, given from its destination address on, with up to two VLAN tags in it. `None` is what is not written.
pub fn mask(frame: &[u8]) -> Option<Masked> {
    let mut octets = frame.to_vec();
    let mut at = 12;
    for _ in 0..=MOST_TAGS {
        let ethertype = u16::from_be_bytes([*octets.get(at)?, *octets.get(at + 1)?]);
        at += 2;
        let payload = &mut octets[at..];
        let kept = match ethertype {
            ethernet::TAG | ethernet::PROVIDER_TAG => {
                at += 2;
                continue;
            }
            ethernet::ARP => arp(payload),
            ethernet::IPV4 => ipv4(payload),
            ipv6::ETHERTYPE => ipv6(payload),
            pppoe::DISCOVERY => discovery(payload),
            pppoe::SESSION => ppp::session(payload),
            _ => None,
        }?;
        // Padding: some adapters send whatever was in their memory.
        clear(payload, kept.len);
        let is_changed = octets != frame;
        return Some(Masked { octets, is_changed, is_checksum_wrong: kept.is_checksum_wrong });
    }
    None
}

/// How much of a payload is understood; the rest is cleared.
#[derive(Debug, Clone, Copy)]
struct Kept {
    len: usize,
    is_checksum_wrong: bool,
}

impl Kept {
    fn whole(len: usize) -> Self {
        Self { len, is_checksum_wrong: false }
    }
}

/// Zero from an offset on.
fn clear(octets: &mut [u8], from: usize) {
    if let Some(rest) = octets.get_mut(from..) {
        rest.fill(0);
    }
}

fn number(octets: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes([*octets.get(at)?, *octets.get(at + 1)?]))
}

/// RFC 826: the lengths of its addresses stand in it.
fn arp(packet: &[u8]) -> Option<Kept> {
    let (hardware, protocol) = (usize::from(*packet.get(4)?), usize::from(*packet.get(5)?));
    Some(Kept::whole(8 + 2 * (hardware + protocol)))
}

fn discovery(packet: &[u8]) -> Option<Kept> {
    Some(Kept::whole(pppoe::HEADER_LEN + usize::from(number(packet, 4)?)))
}

fn ipv4(packet: &mut [u8]) -> Option<Kept> {
    let header = usize::from(*packet.first()? & 0xf) * 4;
    let (is_v4, total) = (packet[0] >> 4 == 4, usize::from(number(packet, 2)?));
    // A later fragment is payload of something that can't be told any more.
    let is_later_fragment = number(packet, 6)? & 0x1fff != 0;
    let is_fragment = number(packet, 6)? & 0x3fff != 0;
    if !is_v4 || header < 20 || is_later_fragment || packet.len() < header || total < header {
        return None;
    }
    let address = |at: usize| Some(IpAddr::V4(Ipv4Addr::from(<[u8; 4]>::try_from(packet.get(at..at + 4)?).ok()?)));
    let (protocol, ends) = (packet[9], (address(12)?, address(16)?));
    let end = packet.len().min(total);
    let body = &mut packet[header..end];
    let is_whole = !is_fragment && total == end;
    let right = match protocol {
        ICMP => with_checksum(body, ICMP_CHECKSUM, Sum::new(), is_whole, icmp)?,
        IGMP => true,
        UDP => with_checksum(body, UDP_CHECKSUM, pseudo(ends, UDP, total - header), is_whole, |body| dhcp::udp(body, dhcp::V4))?,
        _ => return None,
    };
    Some(Kept { len: end, is_checksum_wrong: !right })
}

fn ipv6(packet: &mut [u8]) -> Option<Kept> {
    const HEADER: usize = 40;
    if *packet.first()? >> 4 != 6 || packet.len() < HEADER {
        return None;
    }
    let total = HEADER + usize::from(number(packet, 4)?);
    let address = |at: usize| Some(IpAddr::V6(Ipv6Addr::from(<[u8; 16]>::try_from(packet.get(at..at + 16)?).ok()?)));
    let ends = (address(8)?, address(24)?);
    let (mut next, mut header) = (packet[6], HEADER);
    if next == HOP_BY_HOP {
        next = *packet.get(HEADER)?;
        header += 8 + 8 * usize::from(*packet.get(HEADER + 1)?);
    }
    let end = packet.len().min(total);
    let body = packet.get_mut(header..end)?;
    let (is_whole, sum) = (total == end, pseudo(ends, next, total - header));
    let right = match next {
        ICMPV6 => with_checksum(body, ICMP_CHECKSUM, sum, is_whole, icmpv6)?,
        UDP => with_checksum(body, UDP_CHECKSUM, sum, is_whole, |body| dhcp::udp(body, dhcp::V6))?,
        _ => return None,
    };
    Some(Kept { len: end, is_checksum_wrong: !right })
}

fn pseudo(ends: (IpAddr, IpAddr), protocol: u8, len: usize) -> Sum {
    Sum::new().with_pseudo_header(ends.0, ends.1, protocol, len as u32)
}

/// Masks a body and makes its checksum at `at` right again if it was; whether it was. A part of a packet has none that could be
/// looked at.
fn with_checksum(
    body: &mut [u8],
    at: usize,
    sum: Sum,
    is_whole: bool,
    mask: impl FnOnce(&mut [u8]) -> Option<()>,
) -> Option<bool> {
    // UDP over IPv4 may state none as 0 (RFC 768).
    let has_none = number(body, at)? == 0 && at == UDP_CHECKSUM;
    // A right checksum sums up to all ones (RFC 1071).
    let was_right = sum.with(body).folded() == 0xffff;
    mask(body)?;
    if !is_whole || has_none {
        return Some(true);
    }
    if was_right {
        body[at..at + 2].fill(0);
        let fresh = sum.with(body).checksum();
        body[at..at + 2].copy_from_slice(&if fresh == 0 { 0xffff } else { fresh }.to_be_bytes());
    }
    Some(was_right)
}

/// RFC 792: type, code, checksum and four octets, then a payload or the packet that it is about.
fn icmp(message: &mut [u8]) -> Option<()> {
    match *message.first()? {
        0 | 8 => clear(message, 8 + ECHO_PAYLOAD),
        3 | 4 | 5 | 11 | 12 => {
            let header = message.get(8).map_or(20, |first| usize::from(first & 0xf) * 4);
            quote(message, header);
        }
        // Router discovery, time stamps, masks: no payload beyond a few numbers.
        _ => clear(message, 20),
    }
    Some(())
}

/// RFC 4443, 4861, 3810: errors quote, echoes carry, the rest is control all through.
fn icmpv6(message: &mut [u8]) -> Option<()> {
    match *message.first()? {
        1..=4 => quote(message, 40),
        128 | 129 => clear(message, 8 + ECHO_PAYLOAD),
        130..=137 | 143 => {}
        _ => clear(message, 8),
    }
    Some(())
}

/// The quoted packet's payload is cleared; extensions that stand behind it (RFC 4884) say which way a packet went and stay.
fn quote(message: &mut [u8], header: usize) {
    let unit = if header == 40 { 8 } else { 4 };
    let stated = usize::from(message.get(if header == 40 { 4 } else { 5 }).copied().unwrap_or(0)) * unit;
    let from = 8 + header + QUOTED;
    let until = if stated > 0 { 8 + stated } else { message.len() };
    if let Some(payload) = message.get_mut(from..until.max(from)) {
        payload.fill(0);
    } else {
        clear(message, from);
    }
}

#[cfg(test)]
mod tests;
