//! IPv6 headers (RFC 8200 section 3).
//!
//! ```text
//! |version 4| traffic class 8 |        flow label 20         |
//! |     payload length 16     | next header 8 | hop limit 8  |
//! |                     source address 128                   |
//! |                  destination address 128                 |
//! ```
//!
//! It knows no payload and walks no extension headers: what it serves must not have any. The one catch: the packet ends
//! where its payload length says, not where the frame does.

use std::net::Ipv6Addr;

/// Octets of the header.
pub const HEADER_LEN: usize = 40;
/// EtherType of IPv6 (RFC 2464 section 3).
pub const ETHERTYPE: u16 = 0x86dd;

/// What the header says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Repr {
    /// Sender.
    pub source: Ipv6Addr,
    /// Receiver.
    pub destination: Ipv6Addr,
    /// Kind of the payload.
    pub next_header: u8,
    /// Hops that are left.
    pub hop_limit: u8,
    /// DSCP (6 bits) and ECN (2 bits).
    pub traffic_class: u8,
    /// Flow label, 20 bits.
    pub flow_label: u32,
}

/// Can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Ends inside its header, or before its payload length.
    #[error("IPv6 packet of {len} octets, {wanted} expected")]
    Truncated {
        /// Octets that there are.
        len: usize,
        /// Octets that it should have.
        wanted: usize,
    },
    /// Another version than 6.
    #[error("IP version {0}, not 6")]
    Version(u8),
}

/// Reads a packet: header and payload.
///
/// # Errors
/// When it ends too early or is of another version.
pub fn parse(bytes: &[u8]) -> Result<(Repr, &[u8]), Error> {
    let truncated = |wanted| Error::Truncated { len: bytes.len(), wanted };
    let (header, rest) = bytes.split_first_chunk::<HEADER_LEN>().ok_or_else(|| truncated(HEADER_LEN))?;
    let first = u32::from_be_bytes([header[0], header[1], header[2], header[3]]);
    let version = (first >> 28) as u8;
    if version != 6 {
        return Err(Error::Version(version));
    }
    let len = usize::from(u16::from_be_bytes([header[4], header[5]]));
    let payload = rest.get(..len).ok_or_else(|| truncated(HEADER_LEN + len))?;
    let address = |at: usize| {
        let mut octets = [0; 16];
        octets.copy_from_slice(&header[at..at + 16]);
        Ipv6Addr::from(octets)
    };
    let repr = Repr {
        source: address(8),
        destination: address(24),
        next_header: header[6],
        hop_limit: header[7],
        traffic_class: (first >> 20) as u8,
        flow_label: first & 0x000f_ffff,
    };
    Ok((repr, payload))
}

impl Repr {
    /// Writes the packet. `None` when the payload is longer than its length field can say.
    pub fn emit(&self, payload: &[u8]) -> Option<Vec<u8>> {
        let first = 6 << 28 | u32::from(self.traffic_class) << 20 | self.flow_label & 0x000f_ffff;
        let mut bytes = Vec::with_capacity(HEADER_LEN + payload.len());
        bytes.extend(first.to_be_bytes());
        bytes.extend(u16::try_from(payload.len()).ok()?.to_be_bytes());
        bytes.extend([self.next_header, self.hop_limit]);
        bytes.extend(self.source.octets());
        bytes.extend(self.destination.octets());
        bytes.extend(payload);
        Some(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_packet_is_as_a_reference_library_writes_it_and_ends_where_it_says() {
        let (source, destination) = ("fe80::1".parse::<Ipv6Addr>().unwrap(), "2001:db8::7".parse::<Ipv6Addr>().unwrap());
        let mut want = Vec::new();
        let builder = etherparse::PacketBuilder::ipv6(source.octets(), destination.octets(), 255);
        builder.udp(546, 547).write(&mut want, b"payload").unwrap();
        let (repr, payload) = parse(&want).unwrap();
        assert_eq!((repr.source, repr.destination, repr.next_header, repr.hop_limit), (source, destination, 17, 255));
        assert_eq!(repr.emit(payload).unwrap(), want);
        let padded = [want.as_slice(), &[0; 9]].concat();
        assert_eq!(parse(&padded).unwrap(), (repr, payload));
        for end in 0..want.len() {
            assert!(matches!(parse(&want[..end]), Err(Error::Truncated { .. })), "{end}");
        }
        want[0] = 0x45;
        assert_eq!(parse(&want), Err(Error::Version(4)));
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(
            addresses in any::<[u128; 2]>(),
            small in any::<[u8; 3]>(),
            flow_label in 0_u32..1 << 20,
            payload in prop::collection::vec(any::<u8>(), 0..60),
        ) {
            let [source, destination] = addresses.map(Ipv6Addr::from);
            let [next_header, hop_limit, traffic_class] = small;
            let repr = Repr { source, destination, next_header, hop_limit, traffic_class, flow_label };
            let bytes = repr.emit(&payload).unwrap();
            prop_assert_eq!(parse(&bytes).unwrap(), (repr, payload.as_slice()));
        }
    }
}
