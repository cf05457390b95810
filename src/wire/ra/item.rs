//! The options of neighbour discovery: octets to meaning and back.

use std::net::Ipv6Addr;

use super::{Flaw, Preference};
use crate::wire::ethernet::Mac;
use crate::wire::names;

mod kind {
    pub(super) const SOURCE_MAC: u8 = 1;
    pub(super) const TARGET_MAC: u8 = 2;
    pub(super) const PREFIX: u8 = 3;
    pub(super) const MTU: u8 = 5;
    pub(super) const ROUTE: u8 = 24;
    pub(super) const RESOLVERS: u8 = 25;
    pub(super) const SEARCH: u8 = 31;
    pub(super) const NAT64: u8 = 38;
}

/// One option. Lifetimes in seconds; [`super::FOREVER`] has no end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Item {
    /// The router's hardware address.
    SourceMac(Mac),
    /// The hardware address of whom an answer is about; only neighbours tell it.
    TargetMac(Mac),
    /// MTU of the link.
    Mtu(u32),
    /// A prefix of the link.
    Prefix {
        /// Network address.
        prefix: Ipv6Addr,
        /// Prefix length.
        len: u8,
        /// L: addresses of it are on the link.
        on_link: bool,
        /// A: hosts may make addresses of it (RFC 4862).
        autonomous: bool,
        /// Valid lifetime.
        valid_s: u32,
        /// Preferred lifetime.
        preferred_s: u32,
    },
    /// Resolvers (RFC 8106 section 5.1).
    Resolvers {
        /// How long they may be used; zero: no more.
        lifetime_s: u32,
        /// In order.
        addresses: Vec<Ipv6Addr>,
    },
    /// Domains to search (RFC 8106 section 5.2).
    Search {
        /// How long they may be used.
        lifetime_s: u32,
        /// In order, without final dots.
        domains: Vec<String>,
    },
    /// A route (RFC 4191 section 2.3).
    Route {
        /// Network address.
        prefix: Ipv6Addr,
        /// Prefix length.
        len: u8,
        /// Preference.
        preference: Preference,
        /// Lifetime.
        lifetime_s: u32,
    },
    /// A prefix of NAT64 (RFC 8781): 96 bits and the lifetime with its length code, as they came.
    Nat64([u8; 14]),
    /// Any other: kind and value.
    Other(u8, Vec<u8>),
}

pub(in crate::wire) fn parse_all(mut options: &[u8], flaws: &mut Vec<Flaw>) -> Vec<Item> {
    let mut items = Vec::new();
    while let [kind, units, ..] = *options {
        if units == 0 {
            flaws.push(Flaw::EmptyOption);
            return items;
        }
        let Some((option, behind)) = options.split_at_checked(usize::from(units) * 8) else {
            flaws.push(Flaw::CutOption(kind));
            return items;
        };
        let value = &option[2..];
        let item = item(kind, value).unwrap_or_else(|| {
            flaws.push(Flaw::OptionForm(kind));
            Item::Other(kind, value.to_vec())
        });
        if matches!(item, Item::Prefix { valid_s, preferred_s, .. } if preferred_s > valid_s) {
            flaws.push(Flaw::Lifetimes);
        }
        items.push(item);
        options = behind;
    }
    if let [kind] = *options {
        flaws.push(Flaw::CutOption(kind));
    }
    items
}

/// `None` when it is not of its kind's form.
fn item(kind: u8, value: &[u8]) -> Option<Item> {
    let word = |at: usize| Some(u32::from_be_bytes(value.get(at..at + 4)?.try_into().ok()?));
    let address = |at: usize| Some(Ipv6Addr::from(<[u8; 16]>::try_from(value.get(at..at + 16)?).ok()?));
    Some(match kind {
        kind::SOURCE_MAC => Item::SourceMac(Mac(value.try_into().ok()?)),
        kind::TARGET_MAC => Item::TargetMac(Mac(value.try_into().ok()?)),
        kind::MTU if value.len() == 6 => Item::Mtu(word(2)?),
        kind::PREFIX if value.len() == 30 && value[0] <= 128 => Item::Prefix {
            prefix: address(14)?,
            len: value[0],
            on_link: value[1] & 0x80 != 0,
            autonomous: value[1] & 0x40 != 0,
            valid_s: word(2)?,
            preferred_s: word(6)?,
        },
        // Section 5.1: at least one address, and nothing left over.
        kind::RESOLVERS if value.len() >= 22 && (value.len() - 6).is_multiple_of(16) => Item::Resolvers {
            lifetime_s: word(2)?,
            addresses: value[6..]
                .chunks_exact(16)
                .filter_map(|octets| <[u8; 16]>::try_from(octets).ok())
                .map(Into::into)
                .collect(),
        },
        kind::SEARCH if value.len() > 6 => Item::Search { lifetime_s: word(2)?, domains: names::parse(&value[6..], true)? },
        // The prefix may be cut to the octets that it needs: 0, 8 or 16.
        kind::ROUTE if matches!(value.len(), 6 | 14 | 22) && value[0] <= 128 => {
            let mut octets = [0; 16];
            octets[..value.len() - 6].copy_from_slice(&value[6..]);
            Item::Route { prefix: octets.into(), len: value[0], preference: Preference::of(value[1]), lifetime_s: word(2)? }
        }
        kind::NAT64 => Item::Nat64(value.try_into().ok()?),
        kind::MTU | kind::PREFIX | kind::RESOLVERS | kind::SEARCH | kind::ROUTE => return None,
        other => Item::Other(other, value.to_vec()),
    })
}

/// Writes options one behind the other. One beyond 255 units of eight octets is left out: no length can say it.
pub(in crate::wire) fn emit_all(items: &[Item], bytes: &mut Vec<u8>) {
    for item in items {
        let (kind, mut value) = item.emit();
        value.resize((value.len() + 2).next_multiple_of(8) - 2, 0);
        if let Ok(units) = u8::try_from((value.len() + 2) / 8) {
            bytes.extend([kind, units]);
            bytes.extend(value);
        }
    }
}

impl Item {
    /// Kind and value.
    fn emit(&self) -> (u8, Vec<u8>) {
        let lasting = |head: [u8; 2], seconds: u32, rest: &[u8]| [&head[..], &seconds.to_be_bytes(), rest].concat();
        match self {
            Self::SourceMac(mac) => (kind::SOURCE_MAC, mac.0.to_vec()),
            Self::TargetMac(mac) => (kind::TARGET_MAC, mac.0.to_vec()),
            Self::Mtu(octets) => (kind::MTU, [&[0, 0][..], &octets.to_be_bytes()].concat()),
            Self::Prefix { prefix, len, on_link, autonomous, valid_s, preferred_s } => {
                let flags = u8::from(*on_link) << 7 | u8::from(*autonomous) << 6;
                let behind = [&preferred_s.to_be_bytes()[..], &[0; 4], &prefix.octets()].concat();
                (kind::PREFIX, lasting([*len, flags], *valid_s, &behind))
            }
            Self::Resolvers { lifetime_s, addresses } => {
                let octets: Vec<u8> = addresses.iter().flat_map(|address| address.octets()).collect();
                (kind::RESOLVERS, lasting([0, 0], *lifetime_s, &octets))
            }
            Self::Search { lifetime_s, domains } => (kind::SEARCH, lasting([0, 0], *lifetime_s, &names::emit(domains))),
            Self::Route { prefix, len, preference, lifetime_s } => {
                (kind::ROUTE, lasting([*len, preference.flags()], *lifetime_s, &prefix.octets()))
            }
            Self::Nat64(octets) => (kind::NAT64, octets.to_vec()),
            Self::Other(kind, value) => (*kind, value.clone()),
        }
    }
}
