//! Which addresses a host makes of what routers advertise (RFC 4862 section 5.5.3). Pure; whoever uses it makes sure that
//! nobody has them (section 5.4).

use std::net::Ipv6Addr;

use super::router_discovery::Heard;
use crate::wire::ethernet::Mac;
use crate::wire::ra::Item;

/// Bits of an interface identifier (RFC 4291 section 2.5.1).
const IDENTIFIER_BITS: u8 = 64;

/// Addresses that are made at most, whatever a broken or hostile router advertises; as common kernels do (common practice).
pub const MOST_ADDRESSES: usize = 16;

/// An address to be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Formed {
    /// The address.
    pub address: Ipv6Addr,
    /// Length of its prefix.
    pub prefix: u8,
    /// Whether the prefix is on the link.
    pub is_on_link: bool,
    /// Valid lifetime in seconds; [`crate::wire::ra::FOREVER`] has no end.
    pub valid_s: u32,
    /// The router that advertised the prefix first.
    pub router: Ipv6Addr,
}

/// The addresses of all autonomous prefixes that a host takes, each once.
pub fn form(heard: &[Heard], mac: Mac) -> Vec<Formed> {
    let mut formed: Vec<Formed> = Vec::new();
    for one in heard.iter().filter(|one| one.is_valid()) {
        for item in &one.advertisement.items {
            let Item::Prefix { prefix, len, on_link, autonomous: true, valid_s, preferred_s } = *item else { continue };
            // b, c and d; a deprecated prefix is good for addresses that there are already, not for new ones.
            let is_fit = len == 128 - IDENTIFIER_BITS && preferred_s > 0 && preferred_s <= valid_s;
            if !is_fit || prefix.is_unicast_link_local() || prefix.is_multicast() {
                continue;
            }
            let address = with_identifier(prefix, mac);
            if formed.len() < MOST_ADDRESSES && !formed.iter().any(|known| known.address == address) {
                formed.push(Formed { address, prefix: len, is_on_link: on_link, valid_s, router: one.from });
            }
        }
    }
    formed
}

fn with_identifier(prefix: Ipv6Addr, mac: Mac) -> Ipv6Addr {
    Ipv6Addr::from(u128::from(prefix) >> IDENTIFIER_BITS << IDENTIFIER_BITS | u128::from(mac.interface_identifier()))
}

/// Whether an address lies in a prefix.
pub fn covers(prefix: Ipv6Addr, len: u8, address: Ipv6Addr) -> bool {
    let mask = u128::MAX.checked_shl(128 - u32::from(len.min(128))).unwrap_or(0);
    u128::from(prefix) & mask == u128::from(address) & mask
}

#[cfg(test)]
mod tests {
    use std::time::Instant;

    use super::*;
    use crate::proto::round_trip::Moment;
    use crate::unit::{Stamp, StampSource};
    use crate::wire::ra::{Advertisement, Flaw, Preference};

    fn prefix(text: &str, len: u8, autonomous: bool, preferred_s: u32, valid_s: u32) -> Item {
        Item::Prefix { prefix: text.parse().unwrap(), len, on_link: true, autonomous, valid_s, preferred_s }
    }

    fn heard(router: u16, items: Vec<Item>, flaws: Vec<Flaw>) -> Heard {
        Heard {
            from: Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, router),
            mac: Mac([2; 6]),
            arrived: Moment { stamp: Stamp { unix_ns: 0, source: StampSource::User, adapter_ns: None }, at: Instant::now() },
            vlan: None,
            advertisement: Advertisement {
                hop_limit: 64,
                managed: false,
                other: false,
                preference: Preference::Medium,
                router_lifetime_s: 1800,
                reachable_ms: 0,
                retransmit_ms: 0,
                items,
            },
            flaws,
        }
    }

    #[test]
    fn the_example_of_rfc_4291_appendix_a_is_met() {
        // 34-56-78-9A-BC-DE becomes 36-56-78-FF-FE-9A-BC-DE (RFC 2464 section 4).
        let mac = Mac([0x34, 0x56, 0x78, 0x9a, 0xbc, 0xde]);
        let made = form(&[heard(1, vec![prefix("2001:db8:77::", 64, true, 600, 1200)], vec![])], mac);
        let address = "2001:db8:77:0:3656:78ff:fe9a:bcde".parse().unwrap();
        let router = "fe80::1".parse().unwrap();
        assert_eq!(made, [Formed { address, prefix: 64, is_on_link: true, valid_s: 1200, router }]);
    }

    #[test]
    fn prefixes_that_a_host_ignores_make_no_address_and_the_same_one_makes_one() {
        let good = || prefix("2001:db8:1::", 64, true, 600, 1200);
        let items = vec![
            prefix("2001:db8:2::", 64, false, 600, 1200),
            prefix("2001:db8:3::", 56, true, 600, 1200),
            prefix("2001:db8:4::", 64, true, 1201, 1200),
            prefix("2001:db8:5::", 64, true, 0, 1200),
            prefix("2001:db8:6::", 64, true, 0, 0),
            prefix("fe80::", 64, true, 600, 1200),
            good(),
        ];
        let dropped = heard(3, vec![prefix("2001:db8:7::", 64, true, 600, 1200)], vec![Flaw::HopLimit(64)]);
        let made = form(&[dropped, heard(1, items, vec![]), heard(2, vec![good()], vec![])], Mac([2, 0, 0, 0, 0, 1]));
        assert_eq!(made.iter().map(|one| one.address.to_string()).collect::<Vec<_>>(), ["2001:db8:1::ff:fe00:1"]);
    }

    #[test]
    fn a_router_that_advertises_without_end_makes_few_addresses() {
        let many = (0..200).map(|n| prefix(&format!("2001:db8:{n:x}::"), 64, true, 600, 1200)).collect();
        assert_eq!(form(&[heard(1, many, vec![])], Mac([2, 0, 0, 0, 0, 1])).len(), MOST_ADDRESSES);
    }

    #[test]
    fn an_address_lies_in_a_prefix_by_its_first_bits() {
        let at = |text: &str| text.parse::<Ipv6Addr>().unwrap();
        assert!(covers(at("2001:db8::"), 64, at("2001:db8::1:2")) && !covers(at("2001:db8::"), 64, at("2001:db8:0:1::")));
        assert!(covers(at("::"), 0, at("2001:db8::")) && covers(at("::1"), 128, at("::1")) && !covers(at("::1"), 128, at("::2")));
    }
}
