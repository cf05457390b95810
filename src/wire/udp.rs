//! UDP over IPv4 (RFC 768) and IPv6 (RFC 8200 section 8.1).
//!
//! ```text
//! | source port 2 | destination port 2 | length 2 | checksum 2 | payload |
//! ```
//!
//! It knows no payload. The one catch: a checksum of zero means that the sender made none,
//! which only IPv4 allows.

use std::net::IpAddr;

use super::checksum::Sum;
use crate::unit::Family;

/// Octets of the header.
pub const HEADER_LEN: usize = 8;

/// Octets of IP and UDP header before a payload, without options or extension headers (RFC 791, RFC 8200, RFC 768).
pub const fn headers(family: Family) -> u32 {
    match family {
        Family::Ipv4 => 28,
        Family::Ipv6 => 48,
    }
}

/// The ports.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Repr {
    /// Sender's port; 0 when no answer is wanted.
    pub source_port: u16,
    /// Receiver's port.
    pub destination_port: u16,
}

/// What the checksum says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Checksum {
    /// Right.
    Right,
    /// The sender made none: allowed over IPv4.
    Absent,
    /// Wrong.
    Wrong {
        /// In the header.
        found: u16,
        /// By RFC 768 over the pseudo-header.
        right: u16,
    },
}

/// A datagram.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parsed<'a> {
    /// The ports.
    pub repr: Repr,
    /// What the length leaves for the payload.
    pub payload: &'a [u8],
    /// The checksum.
    pub checksum: Checksum,
    /// Octets of the IP payload behind the datagram's end; a sound one has none.
    pub left_over: usize,
}

/// Can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Ends inside its header.
    #[error("UDP datagram of {0} octets ends inside its header of {HEADER_LEN}")]
    Truncated(usize),
    /// A length below the header's or beyond the packet.
    #[error("UDP length is {length}, of {len} octets")]
    Length {
        /// As stated.
        length: usize,
        /// Octets that there are.
        len: usize,
    },
}

fn sum(source: IpAddr, destination: IpAddr, datagram: &[u8]) -> Sum {
    Sum::new().with_pseudo_header(source, destination, super::ipv4::UDP, datagram.len() as u32).with(datagram)
}

/// The sum as it is sent: all zeroes is sent as all ones (RFC 768), as zero means that there is none.
fn as_sent(sum: Sum) -> u16 {
    if sum.checksum() == 0 { 0xffff } else { sum.checksum() }
}

/// Reads a datagram that went from one address to another of the same family.
///
/// # Errors
/// When it can't be read.
pub fn parse(bytes: &[u8], source: impl Into<IpAddr>, destination: impl Into<IpAddr>) -> Result<Parsed<'_>, Error> {
    let (source, destination) = (source.into(), destination.into());
    let header = bytes.first_chunk::<HEADER_LEN>().ok_or(Error::Truncated(bytes.len()))?;
    let field = |at: usize| u16::from_be_bytes([header[at], header[at + 1]]);
    let length = usize::from(field(4));
    let bad_length = Error::Length { length, len: bytes.len() };
    let datagram = bytes.get(..length).ok_or(bad_length)?;
    let payload = datagram.get(HEADER_LEN..).ok_or(bad_length)?;
    let found = field(6);
    let checksum = if found == 0 {
        Checksum::Absent
    } else if sum(source, destination, datagram).checksum() == 0 {
        Checksum::Right
    } else {
        let mut zeroed = datagram.to_vec();
        zeroed[6..8].fill(0);
        Checksum::Wrong { found, right: as_sent(sum(source, destination, &zeroed)) }
    };
    let repr = Repr { source_port: field(0), destination_port: field(2) };
    Ok(Parsed { repr, payload, checksum, left_over: bytes.len() - length })
}

impl Repr {
    /// Writes header and payload with the checksum of these addresses. Payload beyond the largest datagram is cut.
    pub fn emit(&self, payload: &[u8], source: impl Into<IpAddr>, destination: impl Into<IpAddr>) -> Vec<u8> {
        let payload = &payload[..payload.len().min(usize::from(u16::MAX) - HEADER_LEN)];
        let mut bytes = Vec::with_capacity(HEADER_LEN + payload.len());
        bytes.extend(self.source_port.to_be_bytes());
        bytes.extend(self.destination_port.to_be_bytes());
        bytes.extend(((HEADER_LEN + payload.len()) as u16).to_be_bytes());
        bytes.extend([0, 0]);
        bytes.extend(payload);
        let value = as_sent(sum(source.into(), destination.into(), &bytes));
        bytes[6..8].copy_from_slice(&value.to_be_bytes());
        bytes
    }
}

#[cfg(test)]
mod tests {
    use std::net::{Ipv4Addr, Ipv6Addr};

    use super::*;
    use proptest::prelude::*;

    const FROM: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
    const TO: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 7);

    #[test]
    fn the_worked_example_of_rfc_1071_is_the_payload_of_a_datagram_with_the_same_sum() {
        // RFC 1071 section 3: these octets sum to ddf2. With addresses 0 the pseudo-header adds 17 and twice the length of
        // 16 (once in the header), ports 0 nothing: ddf2 + 0011 + 0010 + 0010 = de23, complemented 21dc.
        let zero = Ipv4Addr::UNSPECIFIED;
        let repr = Repr { source_port: 0, destination_port: 0 };
        let bytes = repr.emit(&[0x00, 0x01, 0xf2, 0x03, 0xf4, 0xf5, 0xf6, 0xf7], zero, zero);
        assert_eq!(bytes[4..8], [0, 16, 0x21, 0xdc]);
    }

    #[test]
    fn a_wrong_an_absent_and_a_right_checksum_are_told_apart() {
        let repr = Repr { source_port: 67, destination_port: 68 };
        let mut bytes = repr.emit(b"hello", FROM, TO);
        let right = u16::from_be_bytes([bytes[6], bytes[7]]);
        assert_eq!(parse(&bytes, FROM, TO).unwrap().checksum, Checksum::Right);
        bytes[12] ^= 1;
        let Checksum::Wrong { found, right: wanted } = parse(&bytes, FROM, TO).unwrap().checksum else { panic!() };
        assert!(found == right && wanted != right);
        // Addresses are part of the sum: a translator that forgets it is found out.
        bytes[12] ^= 1;
        assert!(matches!(parse(&bytes, FROM, FROM).unwrap().checksum, Checksum::Wrong { .. }));
        bytes[6..8].fill(0);
        assert_eq!(parse(&bytes, FROM, TO).unwrap().checksum, Checksum::Absent);
    }

    #[test]
    fn lengths_that_lie_are_refused_and_octets_behind_the_end_told() {
        let mut bytes = Repr { source_port: 1, destination_port: 2 }.emit(b"abc", FROM, TO);
        bytes.extend([0; 5]);
        let parsed = parse(&bytes, FROM, TO).unwrap();
        assert_eq!((parsed.payload, parsed.left_over, parsed.checksum), (&b"abc"[..], 5, Checksum::Right));
        bytes[5] = 17;
        assert_eq!(parse(&bytes, FROM, TO), Err(Error::Length { length: 17, len: 16 }));
        bytes[5] = 7;
        assert_eq!(parse(&bytes, FROM, TO), Err(Error::Length { length: 7, len: 16 }));
        for len in 0..11 {
            bytes[5] = 11;
            assert!(parse(&bytes[..len], FROM, TO).is_err(), "{len}");
        }
    }

    proptest! {
        #[test]
        fn what_is_emitted_is_read_back_and_a_reference_library_has_the_same_checksum(
            source_port: u16, destination_port: u16, source: u32, destination: u32,
            payload in prop::collection::vec(any::<u8>(), 0..100),
        ) {
            let (source, destination) = (Ipv4Addr::from(source), Ipv4Addr::from(destination));
            let repr = Repr { source_port, destination_port };
            let bytes = repr.emit(&payload, source, destination);
            let parsed = parse(&bytes, source, destination).unwrap();
            prop_assert_eq!(parsed, Parsed { repr, payload: &payload, checksum: Checksum::Right, left_over: 0 });
            let header = etherparse::UdpHeader::without_ipv4_checksum(source_port, destination_port, payload.len()).unwrap();
            let theirs = header.calc_checksum_ipv4_raw(source.octets(), destination.octets(), &payload).unwrap();
            prop_assert_eq!(theirs, u16::from_be_bytes([bytes[6], bytes[7]]));
        }

        #[test]
        fn over_ipv6_the_checksum_is_a_reference_library_s_too(
            ports: [u16; 2], addresses: [u128; 2], payload in prop::collection::vec(any::<u8>(), 0..100),
        ) {
            let ([source_port, destination_port], [source, destination]) = (ports, addresses.map(Ipv6Addr::from));
            let repr = Repr { source_port, destination_port };
            let bytes = repr.emit(&payload, source, destination);
            prop_assert_eq!(parse(&bytes, source, destination).unwrap().checksum, Checksum::Right);
            let header = etherparse::UdpHeader::without_ipv4_checksum(source_port, destination_port, payload.len()).unwrap();
            let theirs = header.calc_checksum_ipv6_raw(source.octets(), destination.octets(), &payload).unwrap();
            prop_assert_eq!(theirs, u16::from_be_bytes([bytes[6], bytes[7]]));
        }

        #[test]
        fn no_bytes_make_it_panic(bytes: Vec<u8>) {
            let _ = parse(&bytes, FROM, TO);
        }
    }
}
