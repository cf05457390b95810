//! Router solicitations and advertisements of IPv6 (RFC 4861 sections 4.1, 4.2 and 4.6), with the options of RFC 4191, 8106
//! and 8781.
//!
//! ```text
//! | type 134, code 0, checksum 2 | hop limit 1 | flags 1 | router lifetime 2 | reachable 4 | retransmit 4 | [ option ]* |
//! option: | kind 1 | length 1, in units of 8 octets | value |
//! ```
//!
//! It begins behind the IPv6 header. It knows no state. The hard thing: a host must drop an advertisement for any of several
//! reasons (section 6.1.2); an examiner reads it all the same and tells the reasons.

pub(super) mod item;

use std::net::Ipv6Addr;

pub use item::Item;

use super::checksum::Sum;
use super::ethernet::Mac;
use super::icmp::NEXT_HEADER_V6;
use super::ipv6;

/// ICMPv6 type of a solicitation.
pub const SOLICITATION: u8 = 133;
/// ICMPv6 type of an advertisement.
pub const ADVERTISEMENT: u8 = 134;
/// All routers on the link (RFC 4291 section 2.7.1).
pub const ALL_ROUTERS: Ipv6Addr = Ipv6Addr::new(0xff02, 0, 0, 0, 0, 0, 0, 2);
/// Hop limit of both: nobody off the link can send them (RFC 4861 section 6.1).
pub const HOP_LIMIT: u8 = 255;
/// Octets before the options.
const FIXED_LEN: usize = 16;
/// A lifetime that never ends.
pub const FOREVER: u32 = u32::MAX;

/// How much a router wants to be the default one (RFC 4191 section 2.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Preference {
    /// 11.
    Low,
    /// 00, and the reserved 10.
    Medium,
    /// 01.
    High,
}

impl Preference {
    fn of(flags: u8) -> Self {
        match flags >> 3 & 3 {
            1 => Self::High,
            3 => Self::Low,
            _ => Self::Medium,
        }
    }

    fn flags(self) -> u8 {
        match self {
            Self::High => 1 << 3,
            Self::Medium => 0,
            Self::Low => 3 << 3,
        }
    }
}

/// What an advertisement says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Advertisement {
    /// Hop limit for hosts to use; zero leaves it open.
    pub hop_limit: u8,
    /// M: addresses by DHCPv6.
    pub managed: bool,
    /// O: other settings by DHCPv6.
    pub other: bool,
    /// Preference as default router.
    pub preference: Preference,
    /// Seconds that it wants to be default router; zero: it does not.
    pub router_lifetime_s: u16,
    /// Milliseconds that a neighbour counts as reachable; zero leaves it open.
    pub reachable_ms: u32,
    /// Milliseconds between solicitations of a neighbour; zero leaves it open.
    pub retransmit_ms: u32,
    /// Options in order.
    pub items: Vec<Item>,
}

/// A reason for a host to drop it (RFC 4861 section 6.1.2), or odd all the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
pub enum Flaw {
    /// It came from off the link, or pretends.
    #[error("hop limit {0}, not 255")]
    HopLimit(u8),
    /// A router sends from its link-local address.
    #[error("sent from {0}, no link-local address")]
    Source(Ipv6Addr),
    /// The checksum does not fit.
    #[error("checksum {found:#06x}, not {right:#06x}")]
    Checksum {
        /// In the packet.
        found: u16,
        /// By RFC 4443 section 2.3.
        right: u16,
    },
    /// Another code than zero.
    #[error("code {0}, not 0")]
    Code(u8),
    /// An option of no length, where nothing can be read behind it.
    #[error("an option of length zero")]
    EmptyOption,
    /// An option that ends behind the packet.
    #[error("option {0} ends behind the packet")]
    CutOption(u8),
    /// An option whose length or value is not what its kind has; kept as [`Item::Other`].
    #[error("option {0} is not of its kind's form")]
    OptionForm(u8),
    /// RFC 4861 section 4.6.2: preferred for longer than valid; a host ignores the prefix (RFC 4862 section 5.5.3 c).
    #[error("a prefix is preferred for longer than it is valid")]
    Lifetimes,
}

impl Flaw {
    /// Whether a host must drop the whole advertisement for it (section 6.1.2).
    pub fn makes_invalid(self) -> bool {
        !matches!(self, Self::OptionForm(_) | Self::Lifetimes)
    }
}

/// Not an advertisement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Another payload than ICMPv6, or another type.
    #[error("no router advertisement")]
    Foreign,
    /// Shorter than its fixed part.
    #[error("router advertisement of {0} octets, {FIXED_LEN} expected")]
    Truncated(usize),
}

/// Reads an advertisement. `has_checksum` is false where the checksum was left to an adapter that is not there.
///
/// # Errors
/// When it is none, or ends inside its fixed part.
pub fn parse(header: &ipv6::Repr, payload: &[u8], has_checksum: bool) -> Result<(Advertisement, Vec<Flaw>), Error> {
    if header.next_header != NEXT_HEADER_V6 || payload.first() != Some(&ADVERTISEMENT) {
        return Err(Error::Foreign);
    }
    let (fixed, options) = payload.split_first_chunk::<FIXED_LEN>().ok_or(Error::Truncated(payload.len()))?;
    let mut flaws = Vec::new();
    if header.hop_limit != HOP_LIMIT {
        flaws.push(Flaw::HopLimit(header.hop_limit));
    }
    if header.source.segments()[0] & 0xffc0 != 0xfe80 {
        flaws.push(Flaw::Source(header.source));
    }
    let found = u16::from_be_bytes([fixed[2], fixed[3]]);
    let right = checksum(header, payload);
    if has_checksum && found != right {
        flaws.push(Flaw::Checksum { found, right });
    }
    if fixed[1] != 0 {
        flaws.push(Flaw::Code(fixed[1]));
    }
    let word = |at: usize| u32::from_be_bytes([fixed[at], fixed[at + 1], fixed[at + 2], fixed[at + 3]]);
    let advertisement = Advertisement {
        hop_limit: fixed[4],
        managed: fixed[5] & 0x80 != 0,
        other: fixed[5] & 0x40 != 0,
        preference: Preference::of(fixed[5]),
        router_lifetime_s: u16::from_be_bytes([fixed[6], fixed[7]]),
        reachable_ms: word(8),
        retransmit_ms: word(12),
        items: item::parse_all(options, &mut flaws),
    };
    Ok((advertisement, flaws))
}

/// The checksum over the pseudo-header, the field itself taken as zero (RFC 4443 section 2.3).
pub(super) fn checksum(header: &ipv6::Repr, payload: &[u8]) -> u16 {
    let (source, destination) = (header.source.into(), header.destination.into());
    let sum = Sum::new().with_pseudo_header(source, destination, NEXT_HEADER_V6, payload.len() as u32);
    sum.with(payload.get(..2).unwrap_or_default()).with(payload.get(4..).unwrap_or_default()).checksum()
}

/// Whether a packet is a solicitation that a router answers (section 6.1.1, but for the checksum, which is the kernel's to see to).
pub fn is_solicitation(header: &ipv6::Repr, payload: &[u8]) -> bool {
    header.next_header == NEXT_HEADER_V6
        && header.hop_limit == HOP_LIMIT
        && payload.len() >= 8
        && payload.starts_with(&[SOLICITATION, 0])
}

impl Advertisement {
    /// Writes it with its IPv6 header; for the practice line's routers, and for tests. `None` when it gets too long.
    pub fn emit(&self, source: Ipv6Addr, destination: Ipv6Addr) -> Option<Vec<u8>> {
        let flags = u8::from(self.managed) << 7 | u8::from(self.other) << 6 | self.preference.flags();
        let mut payload = vec![ADVERTISEMENT, 0, 0, 0, self.hop_limit, flags];
        payload.extend(self.router_lifetime_s.to_be_bytes());
        payload.extend(self.reachable_ms.to_be_bytes());
        payload.extend(self.retransmit_ms.to_be_bytes());
        item::emit_all(&self.items, &mut payload);
        envelope(source, destination, payload)
    }
}

/// An ICMPv6 message of neighbour discovery with its checksum and IPv6 header.
pub(super) fn envelope(source: Ipv6Addr, destination: Ipv6Addr, mut payload: Vec<u8>) -> Option<Vec<u8>> {
    let header =
        ipv6::Repr { source, destination, next_header: NEXT_HEADER_V6, hop_limit: HOP_LIMIT, traffic_class: 0, flow_label: 0 };
    let sum = checksum(&header, &payload);
    payload[2..4].copy_from_slice(&sum.to_be_bytes());
    header.emit(&payload)
}

/// A solicitation with its IPv6 header. An unspecified source gives none of its hardware address (section 4.1).
pub fn emit_solicitation(source: Ipv6Addr, mac: Mac) -> Vec<u8> {
    let mut payload = vec![SOLICITATION, 0, 0, 0, 0, 0, 0, 0];
    if !source.is_unspecified() {
        item::emit_all(&[Item::SourceMac(mac)], &mut payload);
    }
    envelope(source, ALL_ROUTERS, payload).unwrap_or_default()
}

#[cfg(test)]
mod tests;
