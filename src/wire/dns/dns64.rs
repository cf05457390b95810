//! IPv4 addresses inside IPv6 addresses (RFC 6052), and the prefix that a resolver makes them with (RFC 7050). Pure.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// Name that has IPv4 addresses only, and these two (RFC 7050 section 8): an IPv6 address of it is made up.
pub const IPV4_ONLY: &str = "ipv4only.arpa.";
/// Its addresses.
pub const WELL_KNOWN: [Ipv4Addr; 2] = [Ipv4Addr::new(192, 0, 0, 170), Ipv4Addr::new(192, 0, 0, 171)];
/// Lengths that a prefix can have (RFC 6052 section 2.2).
const LENGTHS: [u8; 6] = [32, 40, 48, 56, 64, 96];

/// A prefix that IPv4 addresses are put behind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Prefix {
    /// The prefix, zero behind its length.
    pub address: Ipv6Addr,
    /// Its length in bits: one of 32, 40, 48, 56, 64, 96.
    pub length: u8,
}

impl Prefix {
    /// The prefix in an answer for [`IPV4_ONLY`]; `None` when no address holds one of the known addresses.
    pub fn learn(addresses: &[IpAddr]) -> Option<Self> {
        let six = addresses.iter().filter_map(|address| match address {
            IpAddr::V6(address) => Some(*address),
            IpAddr::V4(_) => None,
        });
        // RFC 7050 section 3: the known address is looked for at each place where it can stand.
        let found = |address: Ipv6Addr| {
            let at = LENGTHS.into_iter().find(|length| WELL_KNOWN.contains(&embedded(address, *length)))?;
            let kept = u128::MAX << (128 - u32::from(at));
            Some(Self { address: Ipv6Addr::from(u128::from(address) & kept), length: at })
        };
        six.into_iter().find_map(found)
    }

    /// Whether an address is this IPv4 address behind the prefix.
    pub fn holds(&self, address: IpAddr, inside: Ipv4Addr) -> bool {
        let IpAddr::V6(address) = address else { return false };
        let kept = u128::MAX << (128 - u32::from(self.length));
        u128::from(address) & kept == u128::from(self.address) && embedded(address, self.length) == inside
    }
}

/// The four octets that stand behind a prefix of this length; octet 8 is left out (RFC 6052 section 2.2).
fn embedded(address: Ipv6Addr, length: u8) -> Ipv4Addr {
    let octets = address.octets();
    let mut inside = octets.iter().enumerate().skip(usize::from(length) / 8).filter(|(at, _)| *at != 8).map(|(_, octet)| *octet);
    let mut next = || inside.next().unwrap_or_default();
    Ipv4Addr::new(next(), next(), next(), next())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prefixes_of_every_length_are_found_as_the_standard_writes_them() {
        // RFC 6052 section 2.4, table 1: 192.0.2.33 behind prefixes of each length.
        let inside = Ipv4Addr::new(192, 0, 2, 33);
        let rows = [
            ("2001:db8:c000:221::", 32, "2001:db8::"),
            ("2001:db8:1c0:2:21::", 40, "2001:db8:100::"),
            ("2001:db8:122:c000:2:2100::", 48, "2001:db8:122::"),
            ("2001:db8:122:3c0:0:221::", 56, "2001:db8:122:300::"),
            ("2001:db8:122:344:c0:2:2100::", 64, "2001:db8:122:344::"),
            ("2001:db8:122:344::192.0.2.33", 96, "2001:db8:122:344::"),
        ];
        for (address, length, prefix) in rows {
            let prefix = Prefix { address: prefix.parse().unwrap(), length };
            let address: IpAddr = address.parse().unwrap();
            assert!(prefix.holds(address, inside), "{address} {length}");
            assert!(!prefix.holds(address, Ipv4Addr::new(192, 0, 2, 34)), "{address} {length}");
        }
        // RFC 7050 section 3 with the well-known prefix of RFC 6052 section 2.1.
        let answer: Vec<IpAddr> = vec!["64:ff9b::192.0.0.170".parse().unwrap()];
        assert_eq!(Prefix::learn(&answer), Some(Prefix { address: "64:ff9b::".parse().unwrap(), length: 96 }));
        assert_eq!(Prefix::learn(&["2001:db8::1".parse().unwrap(), "192.0.0.170".parse().unwrap()]), None);
    }
}
