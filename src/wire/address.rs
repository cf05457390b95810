//! Address classes: what an IP address is for, by the registries of special-purpose addresses (RFC 6890 and those it lists).
//!
//! It knows no network: whether an address can be reached is not said here.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// What an address is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum AddressClass {
    /// Reachable from everywhere, as far as the registries tell.
    Global,
    /// Private use (RFC 1918).
    Private,
    /// Shared between a provider and its customers' gateways, for carrier-grade address translation (RFC 6598).
    Shared,
    /// This link only (RFC 3927, RFC 4291 section 2.5.6): with IPv4 a sign that no server handed out an address.
    LinkLocal,
    /// Unique local (RFC 4193).
    UniqueLocal,
    /// This host (RFC 1122 section 3.2.1.3, RFC 4291 section 2.5.3).
    Loopback,
    /// Documentation (RFC 5737, RFC 3849): never on a real line, but routed like a global one on a practice line.
    Documentation,
    /// Measurements between devices in a laboratory (RFC 2544, RFC 5180).
    Benchmarking,
    /// The two ends of a DS-Lite tunnel (RFC 6333 section 5.7).
    DsLite,
    /// Translation between the IP versions and tunnels (RFC 6052, RFC 3056, RFC 4380).
    Transition,
    /// Multicast (RFC 5771, RFC 4291 section 2.7).
    Multicast,
    /// "This network", the limited broadcast, and what is reserved or assigned to protocols.
    Reserved,
}

impl AddressClass {
    /// The class of an address; an IPv4 address inside an IPv6 one (RFC 4291 section 2.5.5.2) has that of the IPv4 address.
    pub fn of(address: IpAddr) -> Self {
        match address.to_canonical() {
            IpAddr::V4(address) => of_v4(address),
            IpAddr::V6(address) => of_v6(address),
        }
    }

    /// True for addresses that nobody outside of the own network or the provider can reach.
    pub fn is_inner(self) -> bool {
        !matches!(self, Self::Global | Self::Documentation | Self::Transition)
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Global => "global",
            Self::Private => "private (RFC 1918)",
            Self::Shared => "shared for carrier translation (RFC 6598)",
            Self::LinkLocal => "link-local (RFC 3927, RFC 4291)",
            Self::UniqueLocal => "unique local (RFC 4193)",
            Self::Loopback => "loopback",
            Self::Documentation => "documentation (RFC 5737, RFC 3849)",
            Self::Benchmarking => "benchmarking (RFC 2544, RFC 5180)",
            Self::DsLite => "DS-Lite (RFC 6333)",
            Self::Transition => "transition between IP versions",
            Self::Multicast => "multicast",
            Self::Reserved => "reserved (RFC 6890)",
        }
    }
}

fn of_v4(address: Ipv4Addr) -> AddressClass {
    match address.octets() {
        [10, ..] | [192, 168, ..] | [172, 16..=31, ..] => AddressClass::Private,
        [100, 64..=127, ..] => AddressClass::Shared,
        [127, ..] => AddressClass::Loopback,
        [169, 254, ..] => AddressClass::LinkLocal,
        [192, 0, 0, 0..=7] => AddressClass::DsLite,
        [192, 0, 2, _] | [198, 51, 100, _] | [203, 0, 113, _] => AddressClass::Documentation,
        [198, 18..=19, ..] => AddressClass::Benchmarking,
        [224..=239, ..] => AddressClass::Multicast,
        [0, ..] | [192, 0, 0, _] | [240..=255, ..] => AddressClass::Reserved,
        _ => AddressClass::Global,
    }
}

fn of_v6(address: Ipv6Addr) -> AddressClass {
    match address.segments() {
        [0, 0, 0, 0, 0, 0, 0, 1] => AddressClass::Loopback,
        [0, 0, 0, 0, 0, 0, 0, 0] | [0x100, 0, 0, 0, ..] => AddressClass::Reserved,
        [0x64, 0xff9b, 0, 0, 0, 0, ..] | [0x2001, 0, ..] | [0x2002, ..] => AddressClass::Transition,
        [0x2001, 2, 0, ..] => AddressClass::Benchmarking,
        [0x2001, 0xdb8, ..] => AddressClass::Documentation,
        // 2001::/23: protocol assignments, with what was taken out of it above.
        [0x2001, 0..=0x1ff, ..] => AddressClass::Reserved,
        [0xfc00..=0xfdff, ..] => AddressClass::UniqueLocal,
        [0xfe80..=0xfebf, ..] => AddressClass::LinkLocal,
        [0xff00..=0xffff, ..] => AddressClass::Multicast,
        _ => AddressClass::Global,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn class(text: &str) -> AddressClass {
        AddressClass::of(text.parse().unwrap())
    }

    /// First and last address of each block of RFC 6890 tables 1 to 20, and the neighbours outside.
    #[test]
    fn blocks_begin_and_end_where_the_registries_say() {
        use AddressClass::*;
        for (first, last, want) in [
            ("0.0.0.0", "0.255.255.255", Reserved),
            ("10.0.0.0", "10.255.255.255", Private),
            ("100.64.0.0", "100.127.255.255", Shared),
            ("127.0.0.0", "127.255.255.255", Loopback),
            ("169.254.0.0", "169.254.255.255", LinkLocal),
            ("172.16.0.0", "172.31.255.255", Private),
            ("192.0.0.0", "192.0.0.7", DsLite),
            ("192.0.0.8", "192.0.0.255", Reserved),
            ("192.0.2.0", "192.0.2.255", Documentation),
            ("192.168.0.0", "192.168.255.255", Private),
            ("198.18.0.0", "198.19.255.255", Benchmarking),
            ("198.51.100.0", "198.51.100.255", Documentation),
            ("203.0.113.0", "203.0.113.255", Documentation),
            ("224.0.0.0", "239.255.255.255", Multicast),
            ("240.0.0.0", "255.255.255.255", Reserved),
            ("64:ff9b::", "64:ff9b::ffff:ffff", Transition),
            ("100::", "100::ffff:ffff:ffff:ffff", Reserved),
            ("2001::", "2001:0:ffff:ffff:ffff:ffff:ffff:ffff", Transition),
            ("2001:2::", "2001:2:0:ffff:ffff:ffff:ffff:ffff", Benchmarking),
            ("2001:10::", "2001:1f:ffff:ffff:ffff:ffff:ffff:ffff", Reserved),
            ("2001:db8::", "2001:db8:ffff:ffff:ffff:ffff:ffff:ffff", Documentation),
            ("2002::", "2002:ffff:ffff:ffff:ffff:ffff:ffff:ffff", Transition),
            ("fc00::", "fdff:ffff:ffff:ffff:ffff:ffff:ffff:ffff", UniqueLocal),
            ("fe80::", "febf:ffff:ffff:ffff:ffff:ffff:ffff:ffff", LinkLocal),
        ] {
            assert_eq!((class(first), class(last)), (want, want), "{first} to {last}");
        }
        for outside in [
            "9.255.255.255",
            "11.0.0.0",
            "100.63.255.255",
            "100.128.0.0",
            "172.15.255.255",
            "172.32.0.0",
            "192.167.255.255",
            "192.169.0.0",
            "198.17.255.255",
            "198.20.0.0",
            "223.255.255.255",
            "169.253.255.255",
            "169.255.0.0",
            "2001:200::",
            "2003::",
            "2a00::1",
            "64:ff9c::1",
        ] {
            assert_eq!(class(outside), Global, "{outside}");
        }
        assert_eq!((class("::1"), class("::"), class("::ffff:10.1.2.3")), (Loopback, Reserved, Private));
    }

    #[test]
    fn what_nobody_outside_can_reach_is_inner() {
        for (text, inner) in
            [("10.0.0.1", true), ("100.64.0.1", true), ("198.51.100.1", false), ("8.0.0.1", false), ("fd00::1", true)]
        {
            assert_eq!(class(text).is_inner(), inner, "{text}");
        }
    }
}
