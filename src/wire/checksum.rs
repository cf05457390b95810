//! The Internet checksum (RFC 1071), alone and with the pseudo-headers of IPv4 and IPv6.
//!
//! It knows no packet. The one catch: the sum is associative over 16-bit words only, so that parts of odd length may
//! stand at the end alone.

use std::net::IpAddr;

/// A running one's-complement sum.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Sum(u64);

impl Sum {
    /// The sum of nothing.
    pub fn new() -> Self {
        Self(0)
    }

    /// Adds octets; an odd last one counts as if followed by zero (RFC 1071 section 1).
    #[must_use]
    pub fn with(mut self, bytes: &[u8]) -> Self {
        let mut words = bytes.chunks_exact(2);
        for word in &mut words {
            self.0 += u64::from(u16::from_be_bytes([word[0], word[1]]));
        }
        if let [last] = words.remainder() {
            self.0 += u64::from(*last) << 8;
        }
        self
    }

    /// Adds the pseudo-header of an upper layer: RFC 768 for IPv4, RFC 8200 section 8.1 for IPv6. Addresses of two
    /// families are a caller's mistake and give a sum that no receiver accepts.
    #[must_use]
    pub fn with_pseudo_header(self, source: IpAddr, destination: IpAddr, protocol: u8, length: u32) -> Self {
        let sum = match source {
            IpAddr::V4(address) => self.with(&address.octets()),
            IpAddr::V6(address) => self.with(&address.octets()),
        };
        let sum = match destination {
            IpAddr::V4(address) => sum.with(&address.octets()),
            IpAddr::V6(address) => sum.with(&address.octets()),
        };
        sum.with(&length.to_be_bytes()).with(&[0, protocol])
    }

    /// Folded to 16 bits, not complemented.
    pub fn folded(self) -> u16 {
        let mut sum = self.0;
        while sum > 0xffff {
            sum = (sum & 0xffff) + (sum >> 16);
        }
        sum as u16
    }

    /// The value of the checksum field: the complement.
    pub fn checksum(self) -> u16 {
        !self.folded()
    }
}

/// Checksum of one run of octets whose checksum field is zero; 0 when the field holds the right value.
pub fn internet(bytes: &[u8]) -> u16 {
    Sum::new().with(bytes).checksum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worked_example_of_rfc_1071_section_3() {
        let bytes = [0x00, 0x01, 0xf2, 0x03, 0xf4, 0xf5, 0xf6, 0xf7];
        assert_eq!(Sum::new().with(&bytes).folded(), 0xddf2);
        assert_eq!(internet(&bytes), 0x220d);
        // "Swapped" order of the same example.
        let swapped = [0x01, 0x00, 0x03, 0xf2, 0xf5, 0xf4, 0xf7, 0xf6];
        assert_eq!(Sum::new().with(&swapped).folded(), 0xf2dd);
    }

    #[test]
    fn an_odd_octet_counts_as_if_followed_by_zero() {
        assert_eq!(internet(&[1, 2, 3]), internet(&[1, 2, 3, 0]));
    }

    #[test]
    fn a_message_with_its_checksum_sums_to_zero_under_both_pseudo_headers() {
        for (source, destination) in [("192.0.2.1", "203.0.113.10"), ("2001:db8:77::1", "2001:db8:203::10")] {
            let (source, destination) = (source.parse().unwrap(), destination.parse().unwrap());
            let mut message = [0xc0, 0x01, 0x00, 0x35, 0, 10, 0, 0, 0xab, 0xcd];
            let sum = |m: &[u8]| Sum::new().with_pseudo_header(source, destination, 17, 10).with(m);
            let checksum = sum(&message).checksum();
            message[6..8].copy_from_slice(&checksum.to_be_bytes());
            assert_eq!(sum(&message).checksum(), 0, "{source}");
        }
    }
}
