//! IGMP, versions 1 to 3 (RFC 1112 appendix I, RFC 2236, RFC 3376).
//!
//! ```text
//! | type 1 | response code 1 | checksum 2 | group 4 |                                                   versions 1, 2
//! | 0x11   | response code 1 | checksum 2 | group 4 | S and QRV 1 | QQIC 1 | sources 2 | [ source 4 ]* |    query, version 3
//! | 0x22   | 0               | checksum 2 | 0 2 | records 2 | [ record ]* |                            report, version 3
//! ```
//!
//! It knows no state. The hard thing: which version a query is of is told by its length and by a field that is zero in the oldest
//! one (RFC 3376 section 7.1).

use std::net::{IpAddr, Ipv4Addr};
use std::time::Duration;

use super::membership::{self, Error, Flaw, Heard, Message, Query, To, Version};
use super::{checksum, ipv4};
use crate::unit::Family;

/// Protocol number.
pub const PROTOCOL: u8 = 2;
/// All hosts: general queries go there.
pub const ALL_HOSTS: Ipv4Addr = Ipv4Addr::new(224, 0, 0, 1);
/// All routers: leaves of version 2 go there (RFC 2236 section 2.4).
pub const ALL_ROUTERS: Ipv4Addr = Ipv4Addr::new(224, 0, 0, 2);
/// Reports of version 3 go there (RFC 3376 section 4.2.14).
pub const ALL_REPORTS: Ipv4Addr = Ipv4Addr::new(224, 0, 0, 22);

/// Octets of all messages of versions 1 and 2, and of the fixed part of reports.
const SHORT: usize = 8;
/// Types.
const QUERY: u8 = 0x11;
const REPORT_1: u8 = 0x12;
const REPORT_2: u8 = 0x16;
const LEAVE: u8 = 0x17;
const REPORT_3: u8 = 0x22;
/// Router alert (RFC 2113): every router looks at the packet.
const ROUTER_ALERT: [u8; 4] = [0x94, 4, 0, 0];
/// Type of service of all messages of version 3, "internetwork control" (RFC 3376 section 4).
const CONTROL: u8 = 0xc0;
/// Bits of the mantissa of the response code.
const MANTISSA: u32 = 4;

/// Reads a message.
///
/// # Errors
/// When it can't be read; a wrong checksum is a flaw.
pub fn parse(bytes: &[u8]) -> Result<(Message, Vec<Flaw>), Error> {
    let truncated = |wanted| Error::Truncated { len: bytes.len(), wanted };
    let fixed = bytes.first_chunk::<SHORT>().ok_or_else(|| truncated(SHORT))?;
    let group = Ipv4Addr::new(fixed[4], fixed[5], fixed[6], fixed[7]);
    let mut rest = &bytes[SHORT..];
    let message = match fixed[0] {
        QUERY => {
            let (query, left) = query(bytes, fixed[1], group)?;
            rest = left;
            Message::Query(query)
        }
        REPORT_1 => Message::Report { version: Version::Igmp1, group: group.into() },
        REPORT_2 => Message::Report { version: Version::Igmp2, group: group.into() },
        LEAVE => Message::Leave(group.into()),
        REPORT_3 => {
            let count = usize::from(u16::from_be_bytes([fixed[6], fixed[7]]));
            let (records, left) =
                membership::records(Family::Ipv4, count, rest).ok_or_else(|| truncated(SHORT + count * SHORT))?;
            rest = left;
            Message::Records(records)
        }
        other => {
            rest = &[];
            Message::Other(other)
        }
    };
    let mut flaws = Vec::new();
    // Over the whole payload (RFC 3376 section 4.1.2).
    if checksum::internet(bytes) != 0 {
        flaws.push(Flaw::Checksum);
    }
    if !rest.is_empty() {
        flaws.push(Flaw::LeftOver(rest.len()));
    }
    Ok((message, flaws))
}

fn query(bytes: &[u8], code: u8, group: Ipv4Addr) -> Result<(Query, &[u8]), Error> {
    let tenths = |tenths: u32| Duration::from_millis(u64::from(tenths) * 100);
    let mut query = Query::short(Version::Igmp2, group.into(), tenths(code.into()));
    if bytes.len() == SHORT {
        if code == 0 {
            query.version = Version::Igmp1;
        }
        return Ok((query, &[]));
    }
    let rest = query.read_more(Family::Ipv4, bytes, SHORT)?;
    query.version = Version::Igmp3;
    query.max_response = tenths(membership::from_code(code.into(), MANTISSA));
    Ok((query, rest))
}

/// Writes a message. `None` for what IGMP can't say: a message of MLD, an unknown kind.
pub fn emit(message: &Message) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut short = |kind: u8, code: u8, group: IpAddr| {
        bytes.extend([kind, code, 0, 0]);
        membership::put(Family::Ipv4, group, &mut bytes);
        (bytes.len() == SHORT).then_some(())
    };
    match message {
        Message::Query(query) => {
            let tenths = u32::try_from(query.max_response.as_millis() / 100).unwrap_or(u32::MAX);
            let code = match query.version {
                Version::Igmp1 => 0,
                // Zero would be a query of version 1.
                Version::Igmp2 => u8::try_from(tenths).unwrap_or(u8::MAX).max(1),
                Version::Igmp3 => membership::to_code(tenths, MANTISSA) as u8,
                Version::Mld1 | Version::Mld2 => return None,
            };
            short(QUERY, code, query.group.unwrap_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED)))?;
            if query.version == Version::Igmp3 {
                query.put_more(Family::Ipv4, &mut bytes);
            }
        }
        Message::Report { version: Version::Igmp1, group } => short(REPORT_1, 0, *group)?,
        Message::Report { version: Version::Igmp2, group } => short(REPORT_2, 0, *group)?,
        Message::Leave(group) => short(LEAVE, 0, *group)?,
        Message::Records(records) => {
            bytes.extend([REPORT_3, 0, 0, 0, 0, 0]);
            membership::put_records(Family::Ipv4, records, &mut bytes);
        }
        Message::Report { .. } | Message::Other(_) => return None,
    }
    let sum = checksum::internet(&bytes);
    bytes[2..4].copy_from_slice(&sum.to_be_bytes());
    Some(bytes)
}

/// Where a message goes.
pub fn destination(message: &Message) -> Ipv4Addr {
    match message.to() {
        To::Routers => ALL_ROUTERS,
        To::Reports => ALL_REPORTS,
        To::Group(IpAddr::V4(group)) => group,
        To::All | To::Group(IpAddr::V6(_)) => ALL_HOSTS,
    }
}

/// Writes a message with its IPv4 header: TTL 1 and router alert (RFC 2236 section 2, RFC 3376 section 4). A host without an address
/// sends from 0.0.0.0 (RFC 3376 section 4.2.13).
pub fn packet(source: Ipv4Addr, message: &Message) -> Option<Vec<u8>> {
    let is_newest = match message {
        Message::Query(query) => query.version == Version::Igmp3,
        Message::Records(_) => true,
        Message::Report { .. } | Message::Leave(_) | Message::Other(_) => false,
    };
    let plain = ipv4::Repr::plain(source, destination(message), PROTOCOL);
    let traffic_class = if is_newest { CONTROL } else { 0 };
    let header = ipv4::Repr { ttl: 1, traffic_class, options: ROUTER_ALERT.to_vec(), ..plain };
    Some(header.emit(&emit(message)?))
}

/// Reads an IPv4 packet with a message.
///
/// # Errors
/// [`Error::Another`] for a packet of something else, or that is no packet.
pub fn read(packet: &[u8]) -> Result<Heard, Error> {
    let packet =
        ipv4::parse(packet).ok().filter(|p| p.repr.protocol == PROTOCOL && !p.repr.is_fragment()).ok_or(Error::Another)?;
    let (message, mut flaws) = parse(packet.payload)?;
    if packet.repr.ttl != 1 {
        flaws.push(Flaw::HopLimit(packet.repr.ttl));
    }
    // Version 1 had none.
    let may_be_without = matches!(&message, Message::Report { version: Version::Igmp1, .. })
        || matches!(&message, Message::Query(query) if query.version == Version::Igmp1);
    if !may_be_without && !packet.repr.options.chunks(4).any(|option| option.starts_with(&ROUTER_ALERT[..2])) {
        flaws.push(Flaw::NoRouterAlert);
    }
    Ok(Heard { source: packet.repr.source.into(), destination: packet.repr.destination.into(), message, flaws })
}

#[cfg(test)]
mod tests;
