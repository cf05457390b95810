//! PPPoE discovery (RFC 2516): finding access concentrators, and opening and closing sessions.
//!
//! ```text
//! | version 4 bits, type 4 bits | code 1 | session 2 | length 2 | [ tag 2 | length 2 | value ]* | padding |
//! ```
//!
//! The packet begins behind the Ethernet header. It knows no state of a discovery. The one catch: an Ethernet frame is padded,
//! so what lies behind `length` is no tag. Session data (EtherType [`SESSION`]) has the same header and no tags.

use std::borrow::Cow;

/// EtherType of discovery.
pub const DISCOVERY: u16 = 0x8863;
/// EtherType of session data.
pub const SESSION: u16 = 0x8864;
/// Octets of the header.
pub const HEADER_LEN: usize = 6;
/// Version 1, type 1 (section 4).
const VERSION_AND_TYPE: u8 = 0x11;
/// Reserved (section 4): no session has this number.
pub const RESERVED_SESSION: u16 = 0xffff;

/// What a packet is for (section 5).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Code {
    /// PADI: who is there?
    Initiation,
    /// PADO: a concentrator is.
    Offer,
    /// PADR: open a session.
    Request,
    /// PADS: it is open, or the reason why not.
    Confirmation,
    /// PADT: it is closed.
    Terminate,
    /// Anything else.
    Other(u8),
}

impl Code {
    /// Its number.
    pub fn number(self) -> u8 {
        match self {
            Self::Initiation => 0x09,
            Self::Offer => 0x07,
            Self::Request => 0x19,
            Self::Confirmation => 0x65,
            Self::Terminate => 0xa7,
            Self::Other(number) => number,
        }
    }

    /// The standard's name for it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Initiation => "PADI",
            Self::Offer => "PADO",
            Self::Request => "PADR",
            Self::Confirmation => "PADS",
            Self::Terminate => "PADT",
            Self::Other(_) => "unknown",
        }
    }
}

impl From<u8> for Code {
    fn from(number: u8) -> Self {
        match number {
            0x09 => Self::Initiation,
            0x07 => Self::Offer,
            0x19 => Self::Request,
            0x65 => Self::Confirmation,
            0xa7 => Self::Terminate,
            other => Self::Other(other),
        }
    }
}

/// Numbers of tags (RFC 2516 appendix A; RFC 4638 for [`tag::MAX_PAYLOAD`]).
pub mod tag {
    /// Ends the list; not needed.
    pub const END_OF_LIST: u16 = 0x0000;
    /// A service; empty in a PADI asks for any.
    pub const SERVICE_NAME: u16 = 0x0101;
    /// The concentrator's name.
    pub const AC_NAME: u16 = 0x0102;
    /// The host's own, echoed.
    pub const HOST_UNIQ: u16 = 0x0103;
    /// The concentrator's own, echoed.
    pub const AC_COOKIE: u16 = 0x0104;
    /// Begins with a zero and the vendor's enterprise number.
    pub const VENDOR_SPECIFIC: u16 = 0x0105;
    /// An intermediate agent's own, echoed.
    pub const RELAY_SESSION_ID: u16 = 0x0110;
    /// Largest PPP payload beyond 1492 octets, two octets.
    pub const MAX_PAYLOAD: u16 = 0x0120;
    /// The service asked for can't be given.
    pub const SERVICE_NAME_ERROR: u16 = 0x0201;
    /// The concentrator can't for reasons of its own.
    pub const AC_SYSTEM_ERROR: u16 = 0x0202;
    /// Anything else went wrong.
    pub const GENERIC_ERROR: u16 = 0x0203;

    /// The standard's name of a tag.
    pub fn name(number: u16) -> &'static str {
        match number {
            END_OF_LIST => "End-Of-List",
            SERVICE_NAME => "Service-Name",
            AC_NAME => "AC-Name",
            HOST_UNIQ => "Host-Uniq",
            AC_COOKIE => "AC-Cookie",
            VENDOR_SPECIFIC => "Vendor-Specific",
            RELAY_SESSION_ID => "Relay-Session-Id",
            MAX_PAYLOAD => "PPP-Max-Payload",
            SERVICE_NAME_ERROR => "Service-Name-Error",
            AC_SYSTEM_ERROR => "AC-System-Error",
            GENERIC_ERROR => "Generic-Error",
            _ => "unknown",
        }
    }
}

/// One tag.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Tag<'a> {
    /// Its number ([`tag`]).
    pub number: u16,
    /// Its value.
    pub value: Cow<'a, [u8]>,
}

impl<'a> Tag<'a> {
    /// A tag.
    pub fn new(number: u16, value: impl Into<Cow<'a, [u8]>>) -> Self {
        Self { number, value: value.into() }
    }
}

/// What a discovery packet says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Repr<'a> {
    /// What it is for.
    pub code: Code,
    /// The session; zero until one is open.
    pub session: u16,
    /// In order.
    pub tags: Vec<Tag<'a>>,
}

/// A packet and what was odd about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parsed<'a> {
    /// The meaning.
    pub repr: Repr<'a>,
    /// What is odd but readable.
    pub flaws: Vec<Flaw>,
}

/// Odd, but readable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
pub enum Flaw {
    /// A tag ends beyond the packet; it and what lies behind it are left out.
    #[error("tag {} says {said} octets where {left} are left", tag::name(*.number))]
    TagTooLong {
        /// Its number.
        number: u16,
        /// Its length.
        said: u16,
        /// What is left.
        left: usize,
    },
    /// Too few octets for another tag's header.
    #[error("{0} octets at the end are no tag")]
    Remainder(usize),
    /// A session number where the standard wants zero (section 5.1 to 5.3), or none where it wants one (5.5).
    #[error("session {session:#06x} in a {}", code.name())]
    Session {
        /// Where.
        code: Code,
        /// What it was.
        session: u16,
    },
}

/// Can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Ends inside its header, or before its own length.
    #[error("PPPoE packet of {len} octets, {wanted} expected")]
    Truncated {
        /// Octets that there are.
        len: usize,
        /// Octets that it should have.
        wanted: usize,
    },
    /// A session packet with a code.
    #[error("PPPoE session packet with code {0:#04x}, not 0")]
    SessionCode(u8),
    /// Another version or type than 1 (section 4).
    #[error("PPPoE version and type {0:#04x}, not 0x11")]
    Version(u8),
}

/// Reads a discovery packet; octets behind its length are padding.
///
/// # Errors
/// When its header can't be read, or it ends before its own length.
pub fn parse(bytes: &[u8]) -> Result<Parsed<'_>, Error> {
    let truncated = |wanted| Error::Truncated { len: bytes.len(), wanted };
    let (header, rest) = bytes.split_first_chunk::<HEADER_LEN>().ok_or_else(|| truncated(HEADER_LEN))?;
    let [version_and_type, code, s0, s1, l0, l1] = *header;
    if version_and_type != VERSION_AND_TYPE {
        return Err(Error::Version(version_and_type));
    }
    let len = usize::from(u16::from_be_bytes([l0, l1]));
    let mut left = rest.get(..len).ok_or_else(|| truncated(HEADER_LEN + len))?;
    let (code, session) = (Code::from(code), u16::from_be_bytes([s0, s1]));
    let (mut tags, mut flaws) = (Vec::new(), Vec::new());
    if matches!((code, session), (Code::Initiation | Code::Offer | Code::Request, 1..) | (Code::Terminate, 0)) {
        flaws.push(Flaw::Session { code, session });
    }
    while let Some((head, behind)) = left.split_first_chunk::<4>() {
        let [n0, n1, l0, l1] = *head;
        let (number, said) = (u16::from_be_bytes([n0, n1]), u16::from_be_bytes([l0, l1]));
        if number == tag::END_OF_LIST {
            left = &[];
            break;
        }
        let Some((value, behind)) = behind.split_at_checked(usize::from(said)) else {
            flaws.push(Flaw::TagTooLong { number, said, left: behind.len() });
            left = &[];
            break;
        };
        tags.push(Tag::new(number, value));
        left = behind;
    }
    if !left.is_empty() {
        flaws.push(Flaw::Remainder(left.len()));
    }
    Ok(Parsed { repr: Repr { code, session, tags }, flaws })
}

impl Repr<'_> {
    /// The value of the first tag with this number.
    pub fn tag(&self, number: u16) -> Option<&[u8]> {
        self.tags.iter().find(|tag| tag.number == number).map(|tag| &*tag.value)
    }

    /// Values of all tags with this number.
    pub fn all(&self, number: u16) -> impl Iterator<Item = &[u8]> {
        self.tags.iter().filter(move |tag| tag.number == number).map(|tag| &*tag.value)
    }

    /// Writes the packet, without padding. `None` when a value or the whole is too long for its length field.
    pub fn emit(&self) -> Option<Vec<u8>> {
        let mut bytes = vec![VERSION_AND_TYPE, self.code.number()];
        bytes.extend(self.session.to_be_bytes());
        let len: usize = self.tags.iter().map(|tag| 4 + tag.value.len()).sum();
        bytes.extend(u16::try_from(len).ok()?.to_be_bytes());
        for tag in &self.tags {
            bytes.extend(tag.number.to_be_bytes());
            bytes.extend(u16::try_from(tag.value.len()).ok()?.to_be_bytes());
            bytes.extend_from_slice(&tag.value);
        }
        Some(bytes)
    }
}

/// The header of a session packet with this many octets behind it (PPP protocol and information).
pub fn session_header(session: u16, len: u16) -> [u8; HEADER_LEN] {
    let ([s0, s1], [l0, l1]) = (session.to_be_bytes(), len.to_be_bytes());
    [VERSION_AND_TYPE, 0, s0, s1, l0, l1]
}

/// Session and PPP frame of a session packet; octets behind its length are padding.
///
/// # Errors
/// When its header can't be read, it ends before its own length, or it has a code (section 6 wants zero).
pub fn session(bytes: &[u8]) -> Result<(u16, &[u8]), Error> {
    let truncated = |wanted| Error::Truncated { len: bytes.len(), wanted };
    let (header, rest) = bytes.split_first_chunk::<HEADER_LEN>().ok_or_else(|| truncated(HEADER_LEN))?;
    let [version_and_type, code, s0, s1, l0, l1] = *header;
    if version_and_type != VERSION_AND_TYPE {
        return Err(Error::Version(version_and_type));
    }
    if code != 0 {
        return Err(Error::SessionCode(code));
    }
    let len = usize::from(u16::from_be_bytes([l0, l1]));
    let frame = rest.get(..len).ok_or_else(|| truncated(HEADER_LEN + len))?;
    Ok((u16::from_be_bytes([s0, s1]), frame))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // RFC 2516 appendix B: an LCP packet of session 0x1234; the length is ours, the text leaves it open.
    #[test]
    fn a_session_packet_is_read_and_written() {
        let bytes = octets("11 00 12 34 00 06 c0 21 05 01 00 04 00 00");
        assert_eq!(session(&bytes), Ok((0x1234, &bytes[6..12])));
        assert_eq!(session_header(0x1234, 6), bytes[..6]);
        for len in 0..12 {
            assert!(session(&bytes[..len]).is_err(), "{len}");
        }
        assert_eq!(session(&octets("11 a7 12 34 00 00")), Err(Error::SessionCode(0xa7)));
        assert_eq!(session(&octets("21 00 12 34 00 00")), Err(Error::Version(0x21)));
    }

    fn octets(hex: &str) -> Vec<u8> {
        hex.split_whitespace().map(|octet| u8::from_str_radix(octet, 16).unwrap()).collect()
    }

    // RFC 2516 appendix B, behind the Ethernet header.
    const PADI: &str = "11 09 00 00 00 04 01 01 00 00";
    const PADO: &str = "11 07 00 00 00 20 01 01 00 00 01 02 00 18 \
        47 6f 20 52 65 64 42 61 63 6b 20 2d 20 65 73 68 73 68 65 73 68 6f 6f 74";

    #[test]
    fn the_initiation_of_rfc_2516_appendix_b_is_written_to_the_octet() {
        let padi = Repr { code: Code::Initiation, session: 0, tags: vec![Tag::new(tag::SERVICE_NAME, &[][..])] };
        assert_eq!(padi.emit().unwrap(), octets(PADI));
        assert_eq!(parse(&octets(PADI)).unwrap(), Parsed { repr: padi, flaws: vec![] });
    }

    #[test]
    fn the_offer_of_rfc_2516_appendix_b_is_read_with_and_without_padding() {
        let mut bytes = octets(PADO);
        let parsed = parse(&bytes).unwrap();
        assert_eq!((parsed.repr.code, parsed.repr.session, parsed.flaws.len()), (Code::Offer, 0, 0));
        assert_eq!(parsed.repr.tag(tag::SERVICE_NAME), Some(&[][..]));
        assert_eq!(parsed.repr.tag(tag::AC_NAME).map(<[u8]>::len), Some(24));
        assert_eq!(parsed.repr.emit().unwrap(), octets(PADO));
        let bare = parsed.repr.clone().tags.len();
        bytes.extend([0; 8]);
        assert_eq!(parse(&bytes).unwrap().repr.tags.len(), bare, "padding is no tag");
    }

    #[test]
    fn every_truncation_is_refused() {
        let bytes = octets(PADO);
        for end in 0..bytes.len() {
            assert!(matches!(parse(&bytes[..end]), Err(Error::Truncated { .. })), "{end}");
        }
        assert_eq!(parse(&octets("12 07 00 00 00 00")), Err(Error::Version(0x12)));
    }

    #[test]
    fn tags_that_end_too_early_or_too_late_and_odd_sessions_are_told() {
        let flaws = |hex: &str| parse(&octets(hex)).unwrap().flaws;
        assert_eq!(flaws("11 07 00 00 00 06 01 02 00 09 41 42"), [Flaw::TagTooLong { number: tag::AC_NAME, said: 9, left: 2 }]);
        assert_eq!(flaws("11 07 00 00 00 07 01 01 00 00 01 02 03"), [Flaw::Remainder(3)]);
        assert_eq!(flaws("11 07 00 05 00 00"), [Flaw::Session { code: Code::Offer, session: 5 }]);
        assert_eq!(flaws("11 a7 00 00 00 00"), [Flaw::Session { code: Code::Terminate, session: 0 }]);
        // Appendix A: what stands behind the end of the list is ignored.
        let ended = octets("11 07 00 00 00 0a 00 00 00 00 01 02 00 02 41 42");
        assert_eq!(parse(&ended).unwrap(), Parsed { repr: Repr { code: Code::Offer, session: 0, tags: vec![] }, flaws: vec![] });
    }

    #[test]
    fn what_does_not_fit_its_length_field_is_not_written() {
        let long = Tag::new(tag::AC_COOKIE, vec![0; 70_000]);
        assert_eq!(Repr { code: Code::Request, session: 0, tags: vec![long] }.emit(), None);
        let many = vec![Tag::new(tag::AC_COOKIE, vec![0; 40_000]); 2];
        assert_eq!(Repr { code: Code::Request, session: 0, tags: many }.emit(), None);
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(
            code in any::<u8>(),
            session in any::<u16>(),
            tags in prop::collection::vec((1_u16.., prop::collection::vec(any::<u8>(), 0..40)), 0..8),
        ) {
            let tags = tags.iter().map(|(number, value)| Tag::new(*number, value.as_slice())).collect();
            let repr = Repr { code: code.into(), session, tags };
            let bytes = repr.emit().unwrap();
            prop_assert_eq!(parse(&bytes).unwrap().repr, repr);
        }
    }
}
