//! IPv4 headers (RFC 791).
//!
//! ```text
//!  0                   1                   2                   3
//! |version|  IHL  |    class      |         total length          |
//! |         identification        |flags|     fragment offset     |
//! |      TTL      |    protocol   |        header checksum        |
//! |                         source address                        |
//! |                      destination address                      |
//! |                        options, padded                        |
//! ```
//!
//! It knows no payload and puts no fragments together. The one catch: the packet ends where its total length says, not
//! where the frame does.

use std::net::Ipv4Addr;

use super::checksum;

/// Octets of a header without options.
pub const HEADER_LEN: usize = 20;
/// Protocol number of UDP.
pub const UDP: u8 = 17;

/// What the header says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Repr {
    /// Sender.
    pub source: Ipv4Addr,
    /// Receiver.
    pub destination: Ipv4Addr,
    /// Protocol of the payload.
    pub protocol: u8,
    /// Hops that are left.
    pub ttl: u8,
    /// DSCP (6 bits, RFC 2474) and ECN (2 bits, RFC 3168).
    pub traffic_class: u8,
    /// Identification, the same in all fragments.
    pub identification: u16,
    /// DF: not to be fragmented on the way.
    pub dont_fragment: bool,
    /// MF: not the last fragment.
    pub more_fragments: bool,
    /// Offset of this fragment in units of eight octets, 13 bits.
    pub fragment_offset: u16,
    /// Options with their padding: a multiple of four octets, at most 40.
    pub options: Vec<u8>,
}

impl Repr {
    /// A whole packet with TTL 64 (RFC 1340's recommendation) and nothing special.
    pub fn plain(source: Ipv4Addr, destination: Ipv4Addr, protocol: u8) -> Self {
        Self {
            source,
            destination,
            protocol,
            ttl: 64,
            traffic_class: 0,
            identification: 0,
            dont_fragment: false,
            more_fragments: false,
            fragment_offset: 0,
            options: Vec::new(),
        }
    }

    /// A piece of a packet.
    pub fn is_fragment(&self) -> bool {
        self.more_fragments || self.fragment_offset != 0
    }

    /// Writes header and payload. Options beyond 40 octets and payload beyond the largest packet (65,535) are cut; both are
    /// a caller's mistake.
    pub fn emit(&self, payload: &[u8]) -> Vec<u8> {
        let options = &self.options[..self.options.len().min(40)];
        let header_len = HEADER_LEN + options.len().next_multiple_of(4);
        let payload = &payload[..payload.len().min(usize::from(u16::MAX) - header_len)];
        let total = (header_len + payload.len()) as u16;
        let mut bytes = Vec::with_capacity(usize::from(total));
        bytes.extend([0x40 | (header_len / 4) as u8, self.traffic_class]);
        bytes.extend(total.to_be_bytes());
        bytes.extend(self.identification.to_be_bytes());
        let flags = u16::from(self.dont_fragment) << 14 | u16::from(self.more_fragments) << 13;
        bytes.extend((flags | self.fragment_offset & 0x1fff).to_be_bytes());
        bytes.extend([self.ttl, self.protocol, 0, 0]);
        bytes.extend(self.source.octets());
        bytes.extend(self.destination.octets());
        bytes.extend(options);
        bytes.resize(header_len, 0);
        let sum = checksum::internet(&bytes);
        bytes[10..12].copy_from_slice(&sum.to_be_bytes());
        bytes.extend(payload);
        bytes
    }
}

/// A packet and what was odd about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parsed<'a> {
    /// The header.
    pub repr: Repr,
    /// What the total length leaves for the payload.
    pub payload: &'a [u8],
    /// What is odd but readable.
    pub flaws: Vec<Flaw>,
}

/// Odd, but readable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Flaw {
    /// The header checksum is wrong: what was there, and what it should be.
    Checksum {
        /// In the header.
        found: u16,
        /// By RFC 1071.
        right: u16,
    },
    /// The reserved bit before DF is set (RFC 791 section 3.1: must be zero).
    ReservedBit,
    /// TTL 0: must not be on a wire (RFC 1122 section 3.2.1.7).
    TtlZero,
    /// The source is no unicast address (RFC 1122 section 3.2.1.3).
    GroupSource,
}

/// Can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Ends inside its header.
    #[error("IPv4 packet of {len} octets ends inside its header of {header_len}")]
    Truncated {
        /// Octets that there are.
        len: usize,
        /// Octets of the header.
        header_len: usize,
    },
    /// Another version.
    #[error("IP version is {0}, not 4")]
    Version(u8),
    /// A header length below 20 octets.
    #[error("IPv4 header length is {0} words of four octets, below 5")]
    HeaderLength(u8),
    /// A total length that ends inside the header or beyond the packet.
    #[error("IPv4 total length is {total}, of {len} octets with a header of {header_len}")]
    TotalLength {
        /// As stated.
        total: usize,
        /// Octets that there are.
        len: usize,
        /// Octets of the header.
        header_len: usize,
    },
}

/// Reads a packet.
///
/// # Errors
/// When it can't be read; a wrong checksum is a flaw.
pub fn parse(bytes: &[u8]) -> Result<Parsed<'_>, Error> {
    let truncated = |header_len| Error::Truncated { len: bytes.len(), header_len };
    let fixed = bytes.first_chunk::<HEADER_LEN>().ok_or_else(|| truncated(HEADER_LEN))?;
    let (version, words) = (fixed[0] >> 4, fixed[0] & 0x0f);
    if version != 4 {
        return Err(Error::Version(version));
    }
    if words < 5 {
        return Err(Error::HeaderLength(words));
    }
    let header_len = usize::from(words) * 4;
    let header = bytes.get(..header_len).ok_or_else(|| truncated(header_len))?;
    let total = usize::from(u16::from_be_bytes([fixed[2], fixed[3]]));
    let payload = bytes.get(header_len..total).ok_or(Error::TotalLength { total, len: bytes.len(), header_len })?;
    let fragment = u16::from_be_bytes([fixed[6], fixed[7]]);
    let repr = Repr {
        source: Ipv4Addr::new(fixed[12], fixed[13], fixed[14], fixed[15]),
        destination: Ipv4Addr::new(fixed[16], fixed[17], fixed[18], fixed[19]),
        protocol: fixed[9],
        ttl: fixed[8],
        traffic_class: fixed[1],
        identification: u16::from_be_bytes([fixed[4], fixed[5]]),
        dont_fragment: fragment & 0x4000 != 0,
        more_fragments: fragment & 0x2000 != 0,
        fragment_offset: fragment & 0x1fff,
        options: header[HEADER_LEN..].to_vec(),
    };
    let mut flaws = Vec::new();
    let found = u16::from_be_bytes([fixed[10], fixed[11]]);
    let right = checksum::Sum::new().with(&header[..10]).with(&header[12..]).checksum();
    // Both zeroes of one's complement arithmetic stand for the same sum (RFC 1624 section 3).
    if checksum::internet(header) != 0 {
        flaws.push(Flaw::Checksum { found, right });
    }
    if fragment & 0x8000 != 0 {
        flaws.push(Flaw::ReservedBit);
    }
    if repr.ttl == 0 {
        flaws.push(Flaw::TtlZero);
    }
    if repr.source.is_multicast() || repr.source.is_broadcast() {
        flaws.push(Flaw::GroupSource);
    }
    Ok(Parsed { repr, payload, flaws })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const FROM: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
    const TO: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 7);

    /// Worked by hand: 4500 001e 0000 0000 4011 c000 0201 c633 6407 sum to 2716a, folded 716c, complement 8e93.
    const GOLDEN: [u8; 30] = [
        0x45, 0x00, 0x00, 0x1e, 0x00, 0x00, 0x00, 0x00, 0x40, 0x11, 0x8e, 0x93, 0xc0, 0x00, 0x02, 0x01, 0xc6, 0x33, 0x64, 0x07,
        1, 2, 3, 4, 5, 6, 7, 8, 9, 10,
    ];

    #[test]
    fn golden_bytes_both_ways() {
        let repr = Repr::plain(FROM, TO, UDP);
        assert_eq!(repr.emit(&[1, 2, 3, 4, 5, 6, 7, 8, 9, 10]), GOLDEN);
        // Frame padding behind the packet is not payload.
        let padded = [&GOLDEN[..], &[0xee; 16]].concat();
        let parsed = parse(&padded).unwrap();
        assert_eq!((&parsed.repr, parsed.payload.len(), &parsed.flaws[..]), (&repr, 10, &[][..]));
    }

    #[test]
    fn what_is_odd_is_told() {
        let odd = |change: &dyn Fn(&mut [u8])| {
            let mut bytes = GOLDEN;
            change(&mut bytes);
            parse(&bytes).unwrap().flaws
        };
        assert_eq!(odd(&|b| b[10] ^= 1), [Flaw::Checksum { found: 0x8f93, right: 0x8e93 }]);
        let with_sum = |b: &mut [u8]| {
            b[10..12].fill(0);
            let sum = checksum::internet(&b[..20]);
            b[10..12].copy_from_slice(&sum.to_be_bytes());
        };
        assert_eq!(
            odd(&|b| {
                b[6] |= 0x80;
                with_sum(b)
            }),
            [Flaw::ReservedBit]
        );
        assert_eq!(
            odd(&|b| {
                b[8] = 0;
                with_sum(b)
            }),
            [Flaw::TtlZero]
        );
        assert_eq!(
            odd(&|b| {
                b[12] = 224;
                with_sum(b)
            }),
            [Flaw::GroupSource]
        );
    }

    #[test]
    fn what_can_not_be_read_says_why() {
        let broken = |at: usize, value: u8| {
            let mut bytes = GOLDEN;
            bytes[at] = value;
            parse(&bytes).map(|_| ()).unwrap_err()
        };
        assert_eq!(broken(0, 0x65), Error::Version(6));
        assert_eq!(broken(0, 0x44), Error::HeaderLength(4));
        assert_eq!(broken(0, 0x4f), Error::Truncated { len: 30, header_len: 60 });
        assert_eq!(broken(3, 19), Error::TotalLength { total: 19, len: 30, header_len: 20 });
        assert_eq!(broken(3, 31), Error::TotalLength { total: 31, len: 30, header_len: 20 });
        assert_eq!(broken(3, 31).to_string(), "IPv4 total length is 31, of 30 octets with a header of 20");
    }

    #[test]
    fn every_truncation_is_refused() {
        for len in 0..GOLDEN.len() {
            assert!(parse(&GOLDEN[..len]).is_err(), "{len}");
        }
    }

    proptest! {
        #[test]
        fn what_is_emitted_is_read_back_and_a_reference_library_agrees(
            source: u32, destination: u32, protocol: u8, ttl in 1_u8.., traffic_class: u8, identification: u16,
            dont_fragment: bool, more_fragments: bool, fragment_offset in 0_u16..0x2000,
            options in (0_usize..=10).prop_flat_map(|n| prop::collection::vec(any::<u8>(), n * 4)),
            payload in prop::collection::vec(any::<u8>(), 0..100),
        ) {
            let source = Ipv4Addr::from(source);
            prop_assume!(!source.is_multicast() && !source.is_broadcast());
            let repr = Repr {
                source, destination: destination.into(), protocol, ttl, traffic_class, identification,
                dont_fragment, more_fragments, fragment_offset, options,
            };
            let bytes = repr.emit(&payload);
            let parsed = parse(&bytes).unwrap();
            prop_assert_eq!(&parsed.repr, &repr);
            prop_assert_eq!(parsed.payload, &payload[..]);
            prop_assert!(parsed.flaws.is_empty(), "{:?}", parsed.flaws);
            let (theirs, _) = etherparse::Ipv4Header::from_slice(&bytes).unwrap();
            prop_assert_eq!(theirs.header_checksum, theirs.calc_header_checksum());
            prop_assert_eq!((theirs.ihl(), theirs.total_len), (bytes[0] & 0xf, bytes.len() as u16));
            prop_assert_eq!((theirs.source, theirs.destination), (repr.source.octets(), repr.destination.octets()));
            prop_assert_eq!((theirs.dont_fragment, theirs.more_fragments), (dont_fragment, more_fragments));
            prop_assert_eq!(theirs.fragment_offset.value(), fragment_offset);
        }

        #[test]
        fn no_bytes_make_it_panic(mut bytes in prop::collection::vec(any::<u8>(), 0..80), shape in 0_u8..=15) {
            let _ = parse(&bytes);
            if let Some(first) = bytes.first_mut() {
                *first = 0x40 | shape;
            }
            let _ = parse(&bytes);
        }
    }
}
