//! MLD, versions 1 and 2 (RFC 2710, RFC 3810): IGMP's messages inside ICMPv6.
//!
//! ```text
//! | 130, 131, 132 | 0 | checksum 2 | response code 2 | 0 2 | group 16 |            query, report, done of version 1
//! | 130 | 0 | checksum 2 | response code 2 | 0 2 | group 16 | S and QRV 1 | QQIC 1 | sources 2 | [ source 16 ]* |
//! | 143 | 0 | checksum 2 | 0 2 | records 2 | [ record ]* |                         report of version 2
//! ```
//!
//! It knows no state. The hard thing: every message stands behind a hop-by-hop header with the router alert option, which is the
//! only extension header that is walked here.

use std::net::{IpAddr, Ipv6Addr};
use std::time::Duration;

use super::checksum::Sum;
use super::icmp::NEXT_HEADER_V6;
use super::ipv6;
use super::membership::{self, Error, Flaw, Heard, Message, Query, To, Version};
use crate::unit::Family;

/// All nodes of the link: general queries go there.
pub const ALL_NODES: Ipv6Addr = Ipv6Addr::new(0xff02, 0, 0, 0, 0, 0, 0, 1);
/// Reports of version 2 go there (RFC 3810 section 5.2.14).
pub const ALL_REPORTS: Ipv6Addr = Ipv6Addr::new(0xff02, 0, 0, 0, 0, 0, 0, 0x16);
/// All routers of the link: "done" goes there (RFC 2710 section 5).
pub const ALL_ROUTERS: Ipv6Addr = Ipv6Addr::new(0xff02, 0, 0, 0, 0, 0, 0, 2);

/// Octets of all messages of version 1.
const SHORT: usize = 24;
/// Octets of a report of version 2 before its records.
const REPORT_LEN: usize = 8;
/// Types.
const QUERY: u8 = 130;
const REPORT_1: u8 = 131;
const DONE: u8 = 132;
const REPORT_2: u8 = 143;
/// Bits of the mantissa of the response code.
const MANTISSA: u32 = 12;
/// Next header value of hop-by-hop options.
const HOP_BY_HOP: u8 = 0;
/// Router alert with the value for MLD (RFC 2711 section 2.1).
const ROUTER_ALERT: [u8; 4] = [5, 2, 0, 0];
/// One octet of padding, and the option of several (RFC 8200 section 4.2).
const PAD1: u8 = 0;
const PADN: [u8; 2] = [1, 0];

/// True for the ICMPv6 types of MLD.
fn is_ours(kind: u8) -> bool {
    matches!(kind, QUERY | REPORT_1 | DONE | REPORT_2)
}

/// Reads a message that came in an IPv6 packet with these addresses. `has_checksum` is false where the checksum was left to an
/// adapter that is not there.
///
/// # Errors
/// When it can't be read; a wrong checksum is a flaw.
pub fn parse(header: &ipv6::Repr, bytes: &[u8], has_checksum: bool) -> Result<(Message, Vec<Flaw>), Error> {
    let truncated = |wanted| Error::Truncated { len: bytes.len(), wanted };
    let fixed = bytes.first_chunk::<REPORT_LEN>().ok_or_else(|| truncated(REPORT_LEN))?;
    let group = || membership::address(Family::Ipv6, &bytes[REPORT_LEN..]).ok_or_else(|| truncated(SHORT));
    let (message, rest) = match fixed[0] {
        QUERY => {
            let (group, _) = group()?;
            let (query, rest) = query(bytes, u16::from_be_bytes([fixed[4], fixed[5]]), group)?;
            (Message::Query(query), rest)
        }
        REPORT_1 => group().map(|(group, rest)| (Message::Report { version: Version::Mld1, group }, rest))?,
        DONE => group().map(|(group, rest)| (Message::Leave(group), rest))?,
        REPORT_2 => {
            let count = usize::from(u16::from_be_bytes([fixed[6], fixed[7]]));
            let found = membership::records(Family::Ipv6, count, &bytes[REPORT_LEN..]);
            found
                .map(|(records, rest)| (Message::Records(records), rest))
                .ok_or_else(|| truncated(REPORT_LEN + count * (REPORT_LEN + 12)))?
        }
        other => (Message::Other(other), &[][..]),
    };
    let mut flaws = Vec::new();
    if has_checksum && sum(header.source, header.destination, bytes) != 0 {
        flaws.push(Flaw::Checksum);
    }
    if !rest.is_empty() {
        flaws.push(Flaw::LeftOver(rest.len()));
    }
    Ok((message, flaws))
}

fn query(bytes: &[u8], code: u16, group: IpAddr) -> Result<(Query, &[u8]), Error> {
    let ms = |ms: u32| Duration::from_millis(ms.into());
    let mut query = Query::short(Version::Mld1, group, ms(code.into()));
    if bytes.len() == SHORT {
        return Ok((query, &[]));
    }
    let rest = query.read_more(Family::Ipv6, bytes, SHORT)?;
    query.version = Version::Mld2;
    query.max_response = ms(membership::from_code(code, MANTISSA));
    Ok((query, rest))
}

fn sum(source: Ipv6Addr, destination: Ipv6Addr, bytes: &[u8]) -> u16 {
    Sum::new().with_pseudo_header(source.into(), destination.into(), NEXT_HEADER_V6, bytes.len() as u32).with(bytes).checksum()
}

/// Writes a message without its checksum. `None` for what MLD can't say.
fn emit(message: &Message) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut short = |kind: u8, code: u16, group: IpAddr| {
        bytes.extend([kind, 0, 0, 0]);
        bytes.extend(code.to_be_bytes());
        bytes.extend([0, 0]);
        membership::put(Family::Ipv6, group, &mut bytes);
        (bytes.len() == SHORT).then_some(())
    };
    match message {
        Message::Query(query) => {
            let ms = u32::try_from(query.max_response.as_millis()).unwrap_or(u32::MAX);
            let code = match query.version {
                Version::Mld1 => u16::try_from(ms).unwrap_or(u16::MAX),
                Version::Mld2 => membership::to_code(ms, MANTISSA),
                Version::Igmp1 | Version::Igmp2 | Version::Igmp3 => return None,
            };
            short(QUERY, code, query.group.unwrap_or(IpAddr::V6(Ipv6Addr::UNSPECIFIED)))?;
            if query.version == Version::Mld2 {
                query.put_more(Family::Ipv6, &mut bytes);
            }
        }
        Message::Report { version: Version::Mld1, group } => short(REPORT_1, 0, *group)?,
        Message::Leave(group) => short(DONE, 0, *group)?,
        Message::Records(records) => {
            bytes.extend([REPORT_2, 0, 0, 0, 0, 0]);
            membership::put_records(Family::Ipv6, records, &mut bytes);
        }
        Message::Report { .. } | Message::Other(_) => return None,
    }
    Some(bytes)
}

/// Where a message goes.
pub fn destination(message: &Message) -> Ipv6Addr {
    match message.to() {
        To::Routers => ALL_ROUTERS,
        To::Reports => ALL_REPORTS,
        To::Group(IpAddr::V6(group)) => group,
        To::All | To::Group(IpAddr::V4(_)) => ALL_NODES,
    }
}

/// Writes a message with its headers: from a link-local address, or from `::` where the host has none yet (RFC 3810 section 5.2.13);
/// hop limit 1, router alert.
pub fn packet(source: Ipv6Addr, message: &Message) -> Option<Vec<u8>> {
    let destination = destination(message);
    let mut bytes = emit(message)?;
    let value = sum(source, destination, &bytes);
    bytes[2..4].copy_from_slice(&value.to_be_bytes());
    let mut payload = vec![NEXT_HEADER_V6, 0];
    payload.extend(ROUTER_ALERT);
    payload.extend(PADN);
    payload.extend(bytes);
    let header = ipv6::Repr { source, destination, next_header: HOP_BY_HOP, hop_limit: 1, traffic_class: 0, flow_label: 0 };
    header.emit(&payload)
}

/// Reads an IPv6 packet with a message.
///
/// # Errors
/// [`Error::Another`] for a packet of something else, or that is no packet.
pub fn read(packet: &[u8], has_checksum: bool) -> Result<Heard, Error> {
    let (header, payload) = ipv6::parse(packet).map_err(|_| Error::Another)?;
    let (next, message, has_alert) = match header.next_header {
        HOP_BY_HOP => {
            let ([next, words], rest) = payload.split_first_chunk::<2>().ok_or(Error::Another)?;
            let (options, behind) = rest.split_at_checked(usize::from(*words) * 8 + 6).ok_or(Error::Another)?;
            (*next, behind, has_router_alert(options))
        }
        next => (next, payload, false),
    };
    if next != NEXT_HEADER_V6 || !message.first().is_some_and(|kind| is_ours(*kind)) {
        return Err(Error::Another);
    }
    let (message, mut flaws) = parse(&header, message, has_checksum)?;
    if header.hop_limit != 1 {
        flaws.push(Flaw::HopLimit(header.hop_limit));
    }
    if !has_alert {
        flaws.push(Flaw::NoRouterAlert);
    }
    // Reports may come from `::` (RFC 3590 section 4), queries may not.
    let is_report = !matches!(message, Message::Query(_));
    let is_allowed = header.source.is_unicast_link_local() || is_report && header.source.is_unspecified();
    if !is_allowed {
        flaws.push(Flaw::Source);
    }
    Ok(Heard { source: header.source.into(), destination: header.destination.into(), message, flaws })
}

fn has_router_alert(mut options: &[u8]) -> bool {
    while let Some((kind, rest)) = options.split_first() {
        if *kind == PAD1 {
            options = rest;
            continue;
        }
        let Some((len, rest)) = rest.split_first() else { return false };
        let Some((value, behind)) = rest.split_at_checked(usize::from(*len)) else { return false };
        if *kind == ROUTER_ALERT[0] && value == &ROUTER_ALERT[2..] {
            return true;
        }
        options = behind;
    }
    false
}

#[cfg(test)]
mod tests;
