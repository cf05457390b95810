//! Ethernet frames (IEEE 802.3), with and without VLAN tags (IEEE 802.1Q).
//!
//! ```text
//! | destination 6 | source 6 | [ tag kind 2 | control 2 ]* | EtherType 2 | payload |
//! ```
//!
//! Without preamble and frame check sequence, which the adapter keeps to itself. It knows no payload. The one catch: short
//! frames are padded to 60 octets, so that the payload may be longer than what it carries.

use std::fmt;

/// Octets of addresses and EtherType.
pub const HEADER_LEN: usize = 14;
/// Octets below which an adapter pads (IEEE 802.3 clause 3.2.7: 64 with the frame check sequence).
pub const SHORTEST: usize = 60;

/// EtherType of IPv4 (RFC 894).
pub const IPV4: u16 = 0x0800;
/// EtherType of ARP (RFC 826).
pub const ARP: u16 = 0x0806;
/// EtherType of a customer's VLAN tag.
pub const TAG: u16 = 0x8100;
/// EtherType of a provider's VLAN tag.
pub const PROVIDER_TAG: u16 = 0x88a8;

/// A hardware address.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Mac(pub [u8; 6]);

impl Mac {
    /// All stations.
    pub const BROADCAST: Self = Self([0xff; 6]);

    /// Goes to more than one station (the I/G bit, IEEE 802 clause 8.2).
    pub fn is_group(self) -> bool {
        self.0[0] & 1 != 0
    }

    /// The interface identifier that is made of it: modified EUI-64 (RFC 4291 appendix A).
    pub fn interface_identifier(self) -> u64 {
        let [a, b, c, d, e, f] = self.0;
        u64::from_be_bytes([a ^ 2, b, c, 0xff, 0xfe, d, e, f])
    }

    /// The link-local address that is made of it (RFC 4862 section 5.3).
    pub fn link_local(self) -> std::net::Ipv6Addr {
        std::net::Ipv6Addr::from(0xfe80_u128 << 112 | u128::from(self.interface_identifier()))
    }
}

impl fmt::Display for Mac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [a, b, c, d, e, g] = self.0;
        write!(f, "{a:02x}:{b:02x}:{c:02x}:{d:02x}:{e:02x}:{g:02x}")
    }
}

/// One VLAN tag.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Tag {
    /// EtherType of the tag, [`TAG`] or [`PROVIDER_TAG`].
    pub kind: u16,
    /// Priority (3 bits), drop eligibility (1), VLAN number (12).
    pub control: u16,
}

impl Tag {
    /// The VLAN number; 0 is no VLAN but a bare priority (IEEE 802.1Q clause 9.6).
    pub fn vlan(self) -> u16 {
        self.control & 0x0fff
    }
}

/// What stands before the payload.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Repr {
    /// Whom it is for.
    pub destination: Mac,
    /// Who sent it.
    pub source: Mac,
    /// Tags, outer first. A packet socket has taken the outermost off.
    pub tags: Vec<Tag>,
    /// What the payload is; up to 1500 it is a length (IEEE 802.3 clause 3.2.6).
    pub ethertype: u16,
}

/// A frame and what was odd about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parsed<'a> {
    /// The header.
    pub repr: Repr,
    /// The rest, padding included.
    pub payload: &'a [u8],
    /// What is odd but readable.
    pub flaws: Vec<Flaw>,
}

/// Odd, but readable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Flaw {
    /// The sender claims a group address, which no station has (IEEE 802 clause 8.2).
    GroupSource(Mac),
}

/// Ends inside its header.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("frame of {len} octets ends inside its header")]
pub struct Truncated {
    /// Octets that there are.
    pub len: usize,
}

/// Reads a frame.
///
/// # Errors
/// When it ends inside its header or a tag.
pub fn parse(bytes: &[u8]) -> Result<Parsed<'_>, Truncated> {
    let truncated = Truncated { len: bytes.len() };
    let (destination, rest) = bytes.split_first_chunk::<6>().ok_or(truncated)?;
    let (source, mut rest) = rest.split_first_chunk::<6>().ok_or(truncated)?;
    let mut tags = Vec::new();
    loop {
        let (kind, behind) = rest.split_first_chunk::<2>().ok_or(truncated)?;
        let kind = u16::from_be_bytes(*kind);
        if kind != TAG && kind != PROVIDER_TAG {
            let source = Mac(*source);
            let repr = Repr { destination: Mac(*destination), source, tags, ethertype: kind };
            let flaws = if source.is_group() { vec![Flaw::GroupSource(source)] } else { Vec::new() };
            return Ok(Parsed { repr, payload: behind, flaws });
        }
        let (control, behind) = behind.split_first_chunk::<2>().ok_or(truncated)?;
        tags.push(Tag { kind, control: u16::from_be_bytes(*control) });
        rest = behind;
    }
}

impl Repr {
    /// Writes the frame, padded with zeroes to [`SHORTEST`].
    pub fn emit(&self, payload: &[u8]) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(HEADER_LEN + 4 * self.tags.len() + payload.len());
        bytes.extend(self.destination.0);
        bytes.extend(self.source.0);
        for tag in &self.tags {
            bytes.extend(tag.kind.to_be_bytes());
            bytes.extend(tag.control.to_be_bytes());
        }
        bytes.extend(self.ethertype.to_be_bytes());
        bytes.extend(payload);
        bytes.resize(bytes.len().max(SHORTEST), 0);
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn double_tagged() -> Repr {
        Repr {
            destination: Mac::BROADCAST,
            source: Mac([2, 0, 0x5e, 1, 2, 3]),
            tags: vec![Tag { kind: PROVIDER_TAG, control: 35 }, Tag { kind: TAG, control: 0xa007 }],
            ethertype: IPV4,
        }
    }

    // The same frame by an independent library.
    #[test]
    fn a_double_tagged_frame_is_as_a_reference_library_writes_it() {
        let mut want = Vec::new();
        let builder = etherparse::PacketBuilder::ethernet2([2, 0, 0x5e, 1, 2, 3], [0xff; 6]);
        let builder = builder.double_vlan(35.try_into().unwrap(), 7.try_into().unwrap());
        builder.ipv4([192, 0, 2, 1], [192, 0, 2, 2], 64).udp(67, 68).write(&mut want, &[0; 30]).unwrap();
        // The library sets no priority.
        let mut repr = double_tagged();
        repr.tags[1].control = 7;
        let parsed = parse(&want).unwrap();
        assert_eq!(parsed.repr, repr);
        assert_eq!(repr.emit(parsed.payload), want);
    }

    #[test]
    fn a_group_source_is_told() {
        let mut bytes = double_tagged().emit(&[]);
        bytes[6] |= 1;
        assert_eq!(parse(&bytes).unwrap().flaws, [Flaw::GroupSource(Mac([3, 0, 0x5e, 1, 2, 3]))]);
        assert!(parse(&double_tagged().emit(&[])).unwrap().flaws.is_empty());
    }

    #[test]
    fn every_truncation_of_the_header_is_refused() {
        let bytes = double_tagged().emit(&[1; 46]);
        for len in 0..HEADER_LEN + 8 {
            assert_eq!(parse(&bytes[..len]), Err(Truncated { len }));
        }
        assert!(parse(&bytes[..HEADER_LEN + 8]).is_ok());
    }

    #[test]
    fn an_address_is_written_with_colons() {
        assert_eq!(Mac([0, 0x1b, 2, 0xff, 0, 9]).to_string(), "00:1b:02:ff:00:09");
    }

    proptest! {
        #[test]
        fn what_is_emitted_is_read_back(
            destination: [u8; 6], source: [u8; 6], ethertype: u16,
            tags in prop::collection::vec((prop::bool::ANY, any::<u16>()), 0..4),
            payload in prop::collection::vec(any::<u8>(), 46..200),
        ) {
            prop_assume!(ethertype != TAG && ethertype != PROVIDER_TAG);
            let tags = tags.into_iter().map(|(p, control)| Tag { kind: if p { PROVIDER_TAG } else { TAG }, control }).collect();
            let repr = Repr { destination: Mac(destination), source: Mac(source), tags, ethertype };
            let bytes = repr.emit(&payload);
            let parsed = parse(&bytes).unwrap();
            prop_assert_eq!(&parsed.repr, &repr);
            prop_assert_eq!(parsed.payload, &payload[..]);
        }

        #[test]
        fn no_bytes_make_it_panic(bytes: Vec<u8>) {
            let _ = parse(&bytes);
        }
    }
}
