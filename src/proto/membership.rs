//! Membership of multicast groups as a host has it (RFC 2236, RFC 3376, RFC 2710, RFC 3810): joins and leaves, answers to queries,
//! who asks, and what comes of the groups.
//!
//! [`Host`] is one IP version's state; [`Member`] is a port with both, which speaks in frames; [`Queriers`] keeps who asked; [`router`]
//! is the other side, as far as a practice line needs it. None knows a socket or a clock, and random delays follow from a seed.

mod group;
pub mod host;
pub mod member;
pub mod queriers;
pub mod router;
pub mod terms;

use std::net::IpAddr;

pub use self::host::Host;
pub use self::member::{Datagram, Event, Member};
pub use self::queriers::{Querier, Queriers};
pub use self::terms::{Carriage, Channel, Terms};
use crate::wire::ethernet::Mac;

/// True for groups that are to be joined with a source: 232.0.0.0/8 and ff3x::/32 (RFC 4607 section 1).
pub fn is_source_specific(group: IpAddr) -> bool {
    match group {
        IpAddr::V4(four) => four.octets()[0] == 232,
        IpAddr::V6(six) => six.segments()[0] & 0xfff0 == 0xff30 && six.segments()[1] == 0,
    }
}

/// True for groups that no host reports and no router forwards: 224.0.0.0/24 (RFC 5771 section 4), and IPv6 groups of the scopes
/// "interface" and "link" (RFC 4291 section 2.7).
pub fn is_local(group: IpAddr) -> bool {
    match group {
        IpAddr::V4(four) => four.octets()[..3] == [224, 0, 0],
        IpAddr::V6(six) => six.segments()[0] & 0xf <= 2,
    }
}

/// The hardware address of a group: 23 bits of an IPv4 one (RFC 1112 section 6.4), 32 of an IPv6 one (RFC 2464 section 7).
pub fn group_mac(group: IpAddr) -> Mac {
    match group {
        IpAddr::V4(four) => {
            let [_, b, c, d] = four.octets();
            Mac([1, 0, 0x5e, b & 0x7f, c, d])
        }
        IpAddr::V6(six) => {
            let [.., a, b, c, d] = six.octets();
            Mac([0x33, 0x33, a, b, c, d])
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_begin_and_end_where_the_standards_say() {
        let of = |text: &str| {
            let group = text.parse().unwrap();
            (is_source_specific(group), is_local(group))
        };
        for (group, want) in [
            ("224.0.0.251", (false, true)),
            ("224.0.1.0", (false, false)),
            ("231.255.255.255", (false, false)),
            ("232.0.0.0", (true, false)),
            ("232.255.255.255", (true, false)),
            ("233.252.0.1", (false, false)),
            ("ff02::fb", (false, true)),
            ("ff05::2", (false, false)),
            ("ff0e::1", (false, false)),
            ("ff3e::8000:1", (true, false)),
            ("ff3e:40:2001:db8::1", (false, false)),
            ("ff2e::1", (false, false)),
        ] {
            assert_eq!(of(group), want, "{group}");
        }
        // RFC 1112 section 6.4: the high bit of the second octet is left out.
        assert_eq!(group_mac("233.252.0.1".parse().unwrap()), Mac([1, 0, 0x5e, 0x7c, 0, 1]));
        assert_eq!(group_mac("ff3e::8000:1".parse().unwrap()), Mac([0x33, 0x33, 0x80, 0, 0, 1]));
    }
}
