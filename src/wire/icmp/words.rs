//! What the types and codes of ICMP errors mean, in words and as short codes for flaws.

use super::kind;
use crate::unit::Family;

/// The meaning of an error's type and code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Meaning {
    /// The destination can't be reached, for the reason of the code.
    Unreachable {
        /// Family, since codes differ.
        family: Family,
        /// Code as sent.
        code: u8,
    },
    /// Fragmentation needed (IPv4, RFC 1191) or packet too big (IPv6).
    PacketTooBig {
        /// MTU of the next hop; 0 when the router doesn't tell.
        mtu: u32,
    },
    /// TTL or hop limit reached zero on the way.
    HopLimitExceeded,
    /// Fragments did not all come in time.
    ReassemblyTimeout,
    /// A header field was not understood.
    ParameterProblem {
        /// Octet at fault.
        pointer: u32,
    },
}

impl Meaning {
    /// The meaning of an error; `None` when the type is no error that is known here. `rest` is the header's second word.
    pub(super) fn of(family: Family, kind: u8, code: u8, rest: [u8; 4]) -> Option<Self> {
        let word = u32::from_be_bytes(rest);
        Some(match (family, kind) {
            // RFC 1191 section 4: the MTU is in the lower half of the second word.
            (Family::Ipv4, kind::UNREACHABLE_V4) if code == 4 => Self::PacketTooBig { mtu: word & 0xffff },
            (Family::Ipv4, kind::UNREACHABLE_V4) | (Family::Ipv6, kind::UNREACHABLE_V6) => Self::Unreachable { family, code },
            (Family::Ipv6, kind::PACKET_TOO_BIG_V6) => Self::PacketTooBig { mtu: word },
            (Family::Ipv4, kind::TIME_EXCEEDED_V4) | (Family::Ipv6, kind::TIME_EXCEEDED_V6) => {
                if code == 1 {
                    Self::ReassemblyTimeout
                } else {
                    Self::HopLimitExceeded
                }
            }
            // RFC 792: the pointer is one octet for IPv4, RFC 4443 section 3.4: the whole word for IPv6.
            (Family::Ipv4, kind::PARAMETER_PROBLEM_V4) => Self::ParameterProblem { pointer: word >> 24 },
            (Family::Ipv6, kind::PARAMETER_PROBLEM_V6) => Self::ParameterProblem { pointer: word },
            _ => return None,
        })
    }

    /// In words.
    pub fn words(self) -> &'static str {
        self.entry().1
    }

    /// A short stable code in kebab case: `unreachable-host`.
    pub fn slug(self) -> &'static str {
        self.entry().0
    }

    /// True for an unreachable port: the packet has arrived at a host that has no user for it.
    pub fn is_port_unreachable(self) -> bool {
        matches!(self, Self::Unreachable { family: Family::Ipv4, code: 3 } | Self::Unreachable { family: Family::Ipv6, code: 4 })
    }

    fn entry(self) -> (&'static str, &'static str) {
        match self {
            Self::PacketTooBig { .. } => ("packet-too-big", "packet too big for a link on the way"),
            Self::HopLimitExceeded => ("hop-limit-exceeded", "hop limit exceeded on the way"),
            Self::ReassemblyTimeout => ("reassembly-timeout", "fragments did not all arrive in time"),
            Self::ParameterProblem { .. } => ("parameter-problem", "a header field was not understood"),
            Self::Unreachable { family, code } => {
                let table = match family {
                    Family::Ipv4 => UNREACHABLE_V4,
                    Family::Ipv6 => UNREACHABLE_V6,
                };
                table
                    .iter()
                    .find(|(c, ..)| *c == code)
                    .map_or(("unreachable-unknown", "unreachable for a reason of unknown code"), |(_, slug, words)| (slug, words))
            }
        }
    }
}

/// RFC 792 (0 to 5), RFC 1122 section 3.2.2.1 (6 to 12), RFC 1812 section 5.2.7.1 (13 to 15).
const UNREACHABLE_V4: &[(u8, &str, &str)] = &[
    (0, "unreachable-net", "network unreachable"),
    (1, "unreachable-host", "host unreachable"),
    (2, "unreachable-protocol", "protocol unreachable"),
    (3, "unreachable-port", "port unreachable"),
    (5, "unreachable-source-route", "source route failed"),
    (6, "unreachable-net-unknown", "destination network unknown"),
    (7, "unreachable-host-unknown", "destination host unknown"),
    (8, "unreachable-source-isolated", "source host isolated"),
    (9, "unreachable-net-prohibited", "network administratively prohibited"),
    (10, "unreachable-host-prohibited", "host administratively prohibited"),
    (11, "unreachable-net-service", "network unreachable for this type of service"),
    (12, "unreachable-host-service", "host unreachable for this type of service"),
    (13, "unreachable-prohibited", "communication administratively prohibited"),
    (14, "unreachable-precedence-violation", "host precedence violation"),
    (15, "unreachable-precedence-cutoff", "precedence cutoff in effect"),
];

/// RFC 4443 section 3.1.
const UNREACHABLE_V6: &[(u8, &str, &str)] = &[
    (0, "unreachable-no-route", "no route to the destination"),
    (1, "unreachable-prohibited", "communication administratively prohibited"),
    (2, "unreachable-beyond-scope", "beyond the scope of the source address"),
    (3, "unreachable-address", "address unreachable"),
    (4, "unreachable-port", "port unreachable"),
    (5, "unreachable-source-policy", "source address failed the ingress or egress policy"),
    (6, "unreachable-reject-route", "route to the destination rejects it"),
];
