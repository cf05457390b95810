//! Neighbour solicitations and advertisements of IPv6 (RFC 4861 sections 4.3 and 4.4).
//!
//! ```text
//! | type 135 or 136, code 0, checksum 2 | R S O and reserved 4 | target 16 | [ option ]* |
//! ```
//!
//! It knows no state, and of the options only the hardware address. What a host must drop (section 7.1) is not read at all.

use std::net::Ipv6Addr;

use super::ethernet::Mac;
use super::icmp::NEXT_HEADER_V6;
use super::{ipv6, ra};

/// ICMPv6 types.
const SOLICITATION: u8 = 135;
const ADVERTISEMENT: u8 = 136;
/// Octets before the options.
const FIXED_LEN: usize = 24;
const ROUTER: u8 = 0x80;
const SOLICITED: u8 = 0x40;
const OVERRIDE: u8 = 0x20;

/// A message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Message {
    /// Who has it?
    Solicitation {
        /// The address that is asked for.
        target: Ipv6Addr,
        /// Hardware address of who asks; none while it makes sure that nobody has its address.
        mac: Option<Mac>,
    },
    /// I have it.
    Advertisement {
        /// The address.
        target: Ipv6Addr,
        /// Hardware address to send to; may be left out where it is known.
        mac: Option<Mac>,
        /// R: who has it is a router.
        is_router: bool,
        /// S: it answers a solicitation.
        is_solicited: bool,
    },
}

/// Reads a message. `None` when it is another or one that a host must drop (sections 7.1.1 and 7.1.2). `has_checksum` is false
/// where the checksum was left to an adapter that is not there.
pub fn parse(header: &ipv6::Repr, payload: &[u8], has_checksum: bool) -> Option<Message> {
    let (fixed, options) = payload.split_first_chunk::<FIXED_LEN>()?;
    let is_sound = header.next_header == NEXT_HEADER_V6 && header.hop_limit == ra::HOP_LIMIT && fixed[1] == 0;
    let found = u16::from_be_bytes([fixed[2], fixed[3]]);
    let mut octets = [0; 16];
    octets.copy_from_slice(&fixed[8..]);
    let target = Ipv6Addr::from(octets);
    if !is_sound || target.is_multicast() || (has_checksum && found != ra::checksum(header, payload)) {
        return None;
    }
    let mut flaws = Vec::new();
    let items = ra::item::parse_all(options, &mut flaws);
    if flaws.iter().any(|flaw| flaw.makes_invalid()) {
        return None;
    }
    let mac = items.iter().find_map(|item| match *item {
        ra::Item::SourceMac(mac) if fixed[0] == SOLICITATION => Some(mac),
        ra::Item::TargetMac(mac) if fixed[0] == ADVERTISEMENT => Some(mac),
        _ => None,
    });
    match fixed[0] {
        SOLICITATION => Some(Message::Solicitation { target, mac }),
        ADVERTISEMENT => {
            let is_solicited = fixed[4] & SOLICITED != 0;
            let is_router = fixed[4] & ROUTER != 0;
            (!is_solicited || !header.destination.is_multicast()).then_some(Message::Advertisement {
                target,
                mac,
                is_router,
                is_solicited,
            })
        }
        _ => None,
    }
}

impl Message {
    /// Writes it with its IPv6 header. An advertisement overrides what was known (O).
    pub fn emit(&self, source: Ipv6Addr, destination: Ipv6Addr) -> Vec<u8> {
        let (kind, flags, target, item) = match *self {
            Self::Solicitation { target, mac } => (SOLICITATION, 0, target, mac.map(ra::Item::SourceMac)),
            Self::Advertisement { target, mac, is_router, is_solicited } => {
                let flags = OVERRIDE | if is_router { ROUTER } else { 0 } | if is_solicited { SOLICITED } else { 0 };
                (ADVERTISEMENT, flags, target, mac.map(ra::Item::TargetMac))
            }
        };
        let mut payload = vec![kind, 0, 0, 0, flags, 0, 0, 0];
        payload.extend(target.octets());
        ra::item::emit_all(item.as_slice(), &mut payload);
        ra::envelope(source, destination, payload).unwrap_or_default()
    }
}

/// The group that whoever has an address listens to (RFC 4291 section 2.7.1), and the hardware address of that group
/// (RFC 2464 section 7).
pub fn solicited_node(target: Ipv6Addr) -> (Ipv6Addr, Mac) {
    let [.., a, b, c] = target.octets();
    let group = Ipv6Addr::new(0xff02, 0, 0, 0, 0, 1, 0xff00 | u16::from(a), u16::from_be_bytes([b, c]));
    (group, Mac([0x33, 0x33, 0xff, a, b, c]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Written by scapy 2.5: from fe80::2 and 02:00:5e:00:00:02, who has fe80::1?
    const SOLICITED_BY: &str = "6000000000203afffe800000000000000000000000000002ff0200000000000000000001ff00000187001c9700000000\
        fe800000000000000000000000000001010102005e000002";
    /// Written by scapy 2.5: fe80::1 is at 02:00:5e:00:00:01, router, solicited, override.
    const ADVERTISED: &str = "6000000000203afffe800000000000000000000000000001fe80000000000000000000000000000288003a1be0000000\
        fe800000000000000000000000000001020102005e000001";

    fn octets(hex: &str) -> Vec<u8> {
        let digits: Vec<char> = hex.chars().filter(|c| !c.is_whitespace()).collect();
        digits.chunks(2).map(|pair| u8::from_str_radix(&pair.iter().collect::<String>(), 16).unwrap()).collect()
    }

    fn read(bytes: &[u8]) -> Option<Message> {
        let (header, payload) = ipv6::parse(bytes).unwrap();
        parse(&header, payload, true)
    }

    fn address(text: &str) -> Ipv6Addr {
        text.parse().unwrap()
    }

    #[test]
    fn golden_octets_both_ways() {
        let mac = |n| Some(Mac([2, 0, 0x5e, 0, 0, n]));
        let asks = Message::Solicitation { target: address("fe80::1"), mac: mac(2) };
        let (group, group_mac) = solicited_node(address("fe80::1"));
        assert_eq!((group, group_mac), (address("ff02::1:ff00:1"), Mac([0x33, 0x33, 0xff, 0, 0, 1])));
        assert_eq!((asks.emit(address("fe80::2"), group), read(&octets(SOLICITED_BY))), (octets(SOLICITED_BY), Some(asks)));
        let tells = Message::Advertisement { target: address("fe80::1"), mac: mac(1), is_router: true, is_solicited: true };
        let written = tells.emit(address("fe80::1"), address("fe80::2"));
        assert_eq!((written, read(&octets(ADVERTISED))), (octets(ADVERTISED), Some(tells)));
    }

    #[test]
    fn what_a_host_must_drop_is_not_read() {
        let whole = octets(ADVERTISED);
        // Hop limit, code, checksum, an option of no length, a group as target.
        for (at, value) in [(7, 64), (41, 1), (42, 0), (65, 0), (48, 0xff)] {
            let mut spoilt = whole.clone();
            spoilt[at] = value;
            let (header, payload) = ipv6::parse(&spoilt).unwrap();
            assert_eq!(parse(&header, payload, at == 42), None, "{at}");
        }
        let (header, payload) = ipv6::parse(&whole).unwrap();
        for end in 0..payload.len() {
            assert_eq!(parse(&header, &payload[..end], true), None, "{end}");
        }
    }

    proptest! {
        #[test]
        fn no_octets_make_it_stumble(options in prop::collection::vec(any::<u8>(), 0..60)) {
            let (header, payload) = ipv6::parse(&octets(ADVERTISED)).map(|(header, payload)| (header, payload.to_vec())).unwrap();
            let _ = parse(&header, &[&payload[..24], &options].concat(), false);
        }
    }
}
