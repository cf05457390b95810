//! The plan of the practice line: places, cables, addresses, routes. Pure tables; the builder reads them.
//!
//! ```text
//! laptop ─home─ gateway ─access─ edge ─network─ core ─far end─ far end
//! neighbour ────┘ (NAT44)                        └──────────── resolvers
//! ```
//!
//! Addresses only from the documentation ranges (RFC 5737, RFC 3849) and the shared one (RFC 6598); documentation
//! addresses can't be on a real network beside it.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use crate::unit::Segment;

/// A place on the line; each is a network namespace.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Node {
    /// Where the agent runs; its port is [`LAPTOP_PORT`].
    Laptop,
    /// Another host in the home, on a port of its own; there only when it uses the line.
    Neighbour,
    /// The customer's gateway: NAT for IPv4, router for IPv6, DHCP server.
    Gateway,
    /// The provider's edge, behind the access line.
    Edge,
    /// The router behind it.
    Core,
    /// The far end's host.
    FarEnd,
    /// The provider's two resolvers, on one host.
    Resolvers,
}

impl Node {
    /// The places of every line, from the laptop on.
    pub const ALL: [Self; 6] = [Self::Laptop, Self::Gateway, Self::Edge, Self::Core, Self::FarEnd, Self::Resolvers];

    /// Short name, which its threads carry.
    pub fn label(self) -> &'static str {
        match self {
            Self::Laptop => "laptop",
            Self::Neighbour => "neighbour",
            Self::Gateway => "gateway",
            Self::Edge => "edge",
            Self::Core => "core",
            Self::FarEnd => "far-end",
            Self::Resolvers => "resolvers",
        }
    }

    /// True for a place that forwards.
    pub(super) fn forwards(self) -> bool {
        matches!(self, Self::Gateway | Self::Edge | Self::Core)
    }
}

/// The laptop's port under test.
pub const LAPTOP_PORT: &str = "lan0";
/// The gateway's port toward the access line.
pub const WAN_PORT: &str = "wan";
/// The gateway's port toward the home.
pub const LAN_PORT: &str = "lan";
/// The edge's port toward the access line.
pub(super) const ACCESS_PORT: &str = "access";
/// The edge's port toward the core.
pub(super) const CORE_PORT: &str = "core";

const fn v4(a: u8, b: u8, c: u8, d: u8) -> Ipv4Addr {
    Ipv4Addr::new(a, b, c, d)
}

const fn v6(network: u16, host: u16) -> Ipv6Addr {
    Ipv6Addr::new(0x2001, 0xdb8, network, 0, 0, 0, 0, host)
}

/// The gateway in the home.
pub const GATEWAY_LAN_V4: Ipv4Addr = v4(192, 0, 2, 1);
/// The gateway in the home.
pub const GATEWAY_LAN_V6: Ipv6Addr = v6(0x77, 1);
/// The laptop's fixed IPv6 address, where no router of the line gives it one. IPv4 comes by DHCP.
pub const LAPTOP_V6: Ipv6Addr = v6(0x77, 0x50);
/// The network of the home.
pub(super) const HOME_V6: Ipv6Addr = v6(0x77, 0);
/// Where the addresses begin that the gateway lends by DHCPv6.
pub(super) const LENT_V6: Ipv6Addr = v6(0x77, 0x1000);
/// What the gateway delegates prefixes of 56 bits from: a part of the /48 that the provider delegated to it.
pub(super) const DELEGATED_V6: Ipv6Addr = Ipv6Addr::new(0x2001, 0xdb8, 0xd0, 0x1000, 0, 0, 0, 0);
/// What a rogue router makes up.
pub(super) const ROGUE_V6: Ipv6Addr = v6(0xbad, 0);
/// The gateway's outer address: what the network sees of all IPv4 in the home.
pub const GATEWAY_WAN_V4: Ipv4Addr = v4(198, 51, 100, 2);
/// The gateway's outer address.
pub const GATEWAY_WAN_V6: Ipv6Addr = v6(0x100, 2);
/// The provider's first hop.
pub const EDGE_V4: Ipv4Addr = v4(198, 51, 100, 1);
/// The provider's first hop.
pub const EDGE_V6: Ipv6Addr = v6(0x100, 1);
/// What a subscriber gets at the edge in a PPPoE session.
pub const SUBSCRIBER_V4: Ipv4Addr = v4(198, 51, 100, 50);
/// The core router, as the edge sees it.
pub const CORE_V4: Ipv4Addr = v4(100, 64, 0, 2);
/// The core router, as the edge sees it.
pub const CORE_V6: Ipv6Addr = v6(0x64, 2);
/// The far end.
pub const FAR_END_V4: Ipv4Addr = v4(203, 0, 113, 10);
/// The far end.
pub const FAR_END_V6: Ipv6Addr = v6(0x203, 0x10);
/// The resolvers, in the order of the hand-out.
pub const RESOLVERS_V4: [Ipv4Addr; 2] = [v4(203, 0, 113, 53), v4(203, 0, 113, 54)];
/// The resolvers.
pub const RESOLVERS_V6: [Ipv6Addr; 2] = [v6(0x53, 0x53), v6(0x53, 0x54)];

/// The second DHCP server that a home may have.
pub const STRANGER_V4: Ipv4Addr = v4(192, 0, 2, 254);

/// The gateway, as the other host in the home sees it.
const GATEWAY_NEIGHBOUR_V4: Ipv4Addr = v4(100, 64, 77, 1);
const NEIGHBOUR_V4: Ipv4Addr = v4(100, 64, 77, 2);
const EDGE_TO_CORE_V4: Ipv4Addr = v4(100, 64, 0, 1);
const EDGE_TO_CORE_V6: Ipv6Addr = v6(0x64, 1);
const CORE_TO_FAR_END_V4: Ipv4Addr = v4(203, 0, 113, 9);
const CORE_TO_FAR_END_V6: Ipv6Addr = v6(0x203, 1);
const CORE_TO_RESOLVERS_V4: Ipv4Addr = v4(203, 0, 113, 49);
const CORE_TO_RESOLVERS_V6: Ipv6Addr = v6(0x53, 1);

/// A cable between two places.
#[derive(Debug)]
pub(super) struct Cable {
    /// The stretch whose faults it can be given; the resolvers' has none.
    pub(super) segment: Option<Segment>,
    /// The end nearer to the laptop.
    pub(super) near: (Node, &'static str),
    /// The end nearer to the far end.
    pub(super) far: (Node, &'static str),
}

/// All cables.
pub(super) const CABLES: [Cable; 5] = [
    Cable { segment: Some(Segment::Home), near: (Node::Laptop, LAPTOP_PORT), far: (Node::Gateway, LAN_PORT) },
    Cable { segment: Some(Segment::Access), near: (Node::Gateway, WAN_PORT), far: (Node::Edge, ACCESS_PORT) },
    Cable { segment: Some(Segment::Network), near: (Node::Edge, CORE_PORT), far: (Node::Core, "edge") },
    Cable { segment: Some(Segment::FarEnd), near: (Node::Core, "far-end"), far: (Node::FarEnd, "net0") },
    Cable { segment: None, near: (Node::Core, "resolvers"), far: (Node::Resolvers, "net0") },
];

/// Addresses with prefix lengths: place, port, address.
pub(super) const ADDRESSES: [(Node, &str, IpAddr, u8); 21] = [
    (Node::Laptop, LAPTOP_PORT, IpAddr::V6(LAPTOP_V6), 64),
    (Node::Gateway, LAN_PORT, IpAddr::V4(GATEWAY_LAN_V4), 24),
    (Node::Gateway, LAN_PORT, IpAddr::V6(GATEWAY_LAN_V6), 64),
    (Node::Gateway, WAN_PORT, IpAddr::V4(GATEWAY_WAN_V4), 24),
    (Node::Gateway, WAN_PORT, IpAddr::V6(GATEWAY_WAN_V6), 64),
    (Node::Edge, ACCESS_PORT, IpAddr::V4(EDGE_V4), 24),
    (Node::Edge, ACCESS_PORT, IpAddr::V6(EDGE_V6), 64),
    (Node::Edge, CORE_PORT, IpAddr::V4(EDGE_TO_CORE_V4), 30),
    (Node::Edge, CORE_PORT, IpAddr::V6(EDGE_TO_CORE_V6), 64),
    (Node::Core, "edge", IpAddr::V4(CORE_V4), 30),
    (Node::Core, "edge", IpAddr::V6(CORE_V6), 64),
    (Node::Core, "far-end", IpAddr::V4(CORE_TO_FAR_END_V4), 29),
    (Node::Core, "far-end", IpAddr::V6(CORE_TO_FAR_END_V6), 64),
    (Node::Core, "resolvers", IpAddr::V4(CORE_TO_RESOLVERS_V4), 28),
    (Node::Core, "resolvers", IpAddr::V6(CORE_TO_RESOLVERS_V6), 64),
    (Node::FarEnd, "net0", IpAddr::V4(FAR_END_V4), 29),
    (Node::FarEnd, "net0", IpAddr::V6(FAR_END_V6), 64),
    (Node::Resolvers, "net0", IpAddr::V4(RESOLVERS_V4[0]), 28),
    (Node::Resolvers, "net0", IpAddr::V6(RESOLVERS_V6[0]), 64),
    (Node::Resolvers, "net0", IpAddr::V4(RESOLVERS_V4[1]), 28),
    (Node::Resolvers, "net0", IpAddr::V6(RESOLVERS_V6[1]), 64),
];

const ANY_V4: IpAddr = IpAddr::V4(Ipv4Addr::UNSPECIFIED);
const ANY_V6: IpAddr = IpAddr::V6(Ipv6Addr::UNSPECIFIED);

/// Routes beyond the own links: place, port, destination, prefix length, next hop. Nobody but the gateway knows the way
/// to the home's IPv4, so what comes back came through the NAT.
pub(super) const ROUTES: [(Node, &str, IpAddr, u8, IpAddr); 13] = [
    (Node::Laptop, LAPTOP_PORT, ANY_V6, 0, IpAddr::V6(GATEWAY_LAN_V6)),
    (Node::Gateway, WAN_PORT, ANY_V4, 0, IpAddr::V4(EDGE_V4)),
    (Node::Gateway, WAN_PORT, ANY_V6, 0, IpAddr::V6(EDGE_V6)),
    (Node::Edge, ACCESS_PORT, IpAddr::V6(v6(0x77, 0)), 64, IpAddr::V6(GATEWAY_WAN_V6)),
    (Node::Edge, CORE_PORT, ANY_V4, 0, IpAddr::V4(CORE_V4)),
    (Node::Edge, CORE_PORT, ANY_V6, 0, IpAddr::V6(CORE_V6)),
    (Node::Core, "edge", IpAddr::V4(v4(198, 51, 100, 0)), 24, IpAddr::V4(EDGE_TO_CORE_V4)),
    (Node::Core, "edge", IpAddr::V6(v6(0x100, 0)), 64, IpAddr::V6(EDGE_TO_CORE_V6)),
    (Node::Core, "edge", IpAddr::V6(v6(0x77, 0)), 64, IpAddr::V6(EDGE_TO_CORE_V6)),
    (Node::FarEnd, "net0", ANY_V4, 0, IpAddr::V4(CORE_TO_FAR_END_V4)),
    (Node::FarEnd, "net0", ANY_V6, 0, IpAddr::V6(CORE_TO_FAR_END_V6)),
    (Node::Resolvers, "net0", ANY_V4, 0, IpAddr::V4(CORE_TO_RESOLVERS_V4)),
    (Node::Resolvers, "net0", ANY_V6, 0, IpAddr::V6(CORE_TO_RESOLVERS_V6)),
];

/// An address with the access line's block and the shared one behind the edge exchanged; others stay.
pub(super) fn exchanged(address: IpAddr) -> IpAddr {
    let IpAddr::V4(four) = address else { return address };
    match four.octets() {
        [198, 51, 100, host] => v4(100, 64, 0, host).into(),
        [100, 64, 0, host] => v4(198, 51, 100, host).into(),
        _ => address,
    }
}

/// What comes on top where another host in the home uses the line: its cable,
pub(super) const NEIGHBOUR_CABLES: [Cable; 1] =
    [Cable { segment: None, near: (Node::Neighbour, "net0"), far: (Node::Gateway, "lan2") }];
/// its addresses
pub(super) const NEIGHBOUR_ADDRESSES: [(Node, &str, IpAddr, u8); 2] =
    [(Node::Neighbour, "net0", IpAddr::V4(NEIGHBOUR_V4), 30), (Node::Gateway, "lan2", IpAddr::V4(GATEWAY_NEIGHBOUR_V4), 30)];
/// and its route.
pub(super) const NEIGHBOUR_ROUTES: [(Node, &str, IpAddr, u8, IpAddr); 1] =
    [(Node::Neighbour, "net0", ANY_V4, 0, IpAddr::V4(GATEWAY_NEIGHBOUR_V4))];

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// RFC 5737 section 3, RFC 3849 section 2, RFC 6598 section 7.
    fn is_documentation_or_shared(address: IpAddr) -> bool {
        match address {
            IpAddr::V4(a) => match a.octets() {
                [192, 0, 2, _] | [198, 51, 100, _] | [203, 0, 113, _] => true,
                [100, b, ..] => (64..128).contains(&b),
                _ => false,
            },
            IpAddr::V6(a) => a.segments()[..2] == [0x2001, 0xdb8],
        }
    }

    #[test]
    fn every_address_is_from_the_documentation_or_the_shared_range_and_stands_once() {
        let mut seen = BTreeSet::new();
        for (node, port, address, _) in ADDRESSES.into_iter().chain(NEIGHBOUR_ADDRESSES) {
            assert!(is_documentation_or_shared(address), "{address} at {node:?}");
            assert!(seen.insert(address), "{address} stands twice");
            let mut cables = CABLES.iter().chain(&NEIGHBOUR_CABLES);
            assert!(cables.any(|c| c.near == (node, port) || c.far == (node, port)), "no cable in {node:?} {port}");
        }
    }

    #[test]
    fn every_next_hop_is_the_neighbour_on_that_cable() {
        for (node, port, _, _, hop) in ROUTES {
            let cable = CABLES.iter().find(|c| c.near == (node, port) || c.far == (node, port)).expect("a cable");
            let other = if cable.near == (node, port) { cable.far } else { cable.near };
            assert!(ADDRESSES.iter().any(|(n, p, a, _)| (*n, *p) == other && *a == hop), "{hop} from {node:?} {port}");
        }
    }

    #[test]
    fn port_names_fit_the_kernel_and_stand_once_per_place() {
        let mut seen = BTreeSet::new();
        for (node, port) in CABLES.iter().flat_map(|c| [c.near, c.far]) {
            assert!(port.len() < 16 && seen.insert((node, port)), "{node:?} {port}");
        }
    }
}
