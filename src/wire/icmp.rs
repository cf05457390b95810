//! ICMP for IPv4 (RFC 792) and IPv6 (RFC 4443): echoes, and errors with the packet that they quote.
//!
//! It knows neither who sent a message nor what it answers. The hard thing: what an error quotes was cut by a router,
//! may have been changed on the way, and may be followed by extensions whose place is told by a length that many
//! routers don't fill in; so reading is lenient and says what was odd.

pub mod extension;
pub mod quote;
mod words;

use std::fmt;
use std::net::Ipv6Addr;

use self::extension::Extensions;
use self::quote::Quote;
pub use self::words::Meaning;
use super::checksum::{Sum, internet};
use crate::unit::Family;

/// Octets of the header of every message that is read here.
pub const HEADER_LEN: usize = 8;

/// IPv6 next header value of ICMPv6.
pub const NEXT_HEADER_V6: u8 = 58;

/// ICMP and ICMPv6 types by family.
mod kind {
    pub(super) const ECHO_REPLY_V4: u8 = 0;
    pub(super) const UNREACHABLE_V4: u8 = 3;
    pub(super) const ECHO_REQUEST_V4: u8 = 8;
    pub(super) const TIME_EXCEEDED_V4: u8 = 11;
    pub(super) const PARAMETER_PROBLEM_V4: u8 = 12;
    pub(super) const UNREACHABLE_V6: u8 = 1;
    pub(super) const PACKET_TOO_BIG_V6: u8 = 2;
    pub(super) const TIME_EXCEEDED_V6: u8 = 3;
    pub(super) const PARAMETER_PROBLEM_V6: u8 = 4;
    pub(super) const ECHO_REQUEST_V6: u8 = 128;
    pub(super) const ECHO_REPLY_V6: u8 = 129;
}

/// What a message says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Message<'a> {
    /// Echo request.
    EchoRequest(Echo<'a>),
    /// Echo reply.
    EchoReply(Echo<'a>),
    /// An error about a packet.
    Error(Error),
    /// Anything else.
    Other {
        /// Type.
        kind: u8,
        /// Code.
        code: u8,
    },
}

/// An echo, request or reply.
///
/// ```text
///  0                   1                   2                   3
/// |     type      |     code      |           checksum            |
/// |          identifier           |        sequence number        |
/// |     data ...
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Echo<'a> {
    /// Identifier.
    pub identifier: u16,
    /// Sequence number.
    pub sequence: u16,
    /// Data, which a reply must return unchanged (RFC 792, RFC 4443 section 4.2).
    pub payload: &'a [u8],
}

/// An error message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Error {
    /// Type as sent.
    pub kind: u8,
    /// Code as sent.
    pub code: u8,
    /// What type and code mean.
    pub meaning: Meaning,
    /// The quoted packet; `None` when too little of it is there to be read.
    pub quote: Option<Quote>,
    /// Extensions (RFC 4884); empty when there are none.
    pub extensions: Extensions,
}

/// A message and what was odd about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parsed<'a> {
    /// The message.
    pub message: Message<'a>,
    /// What is odd but readable.
    pub flaws: Vec<Flaw>,
}

/// Odd, but readable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Flaw {
    /// The checksum is wrong.
    Checksum,
    /// An echo with a code other than 0 (RFC 792, RFC 4443 section 4.1).
    EchoCode(u8),
    /// The quoted packet is too short or no IP packet.
    QuoteUnreadable,
    /// The length of the quoted packet is given as less than the 128 octets of RFC 4884 section 3, or more than there is.
    QuoteLength(usize),
    /// Extensions with a version other than 2.
    ExtensionVersion(u8),
    /// The extensions' checksum is wrong.
    ExtensionChecksum,
    /// An extension object ends outside the message or inside its own header.
    ExtensionObjectLength(u16),
    /// A next-hop MTU of zero: the router predates RFC 1191 section 4.
    MtuMissing,
}

/// Too short to be ICMP.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("ICMP message of {len} octets ends inside its header of {HEADER_LEN}")]
pub struct Truncated {
    /// Octets that there are.
    pub len: usize,
}

/// How to read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Reading {
    /// Addresses for the checksum of ICMPv6; without them it is not checked (a raw socket's kernel has done it).
    pub pseudo_header: Option<(Ipv6Addr, Ipv6Addr)>,
    /// Look for extensions behind 128 octets of quote even when the length attribute is zero (RFC 4884 section 5.5). Off
    /// by default, as that section asks.
    pub tolerant: bool,
}

/// Reads a message from its type octet on.
///
/// # Errors
/// When there are fewer than eight octets.
pub fn parse(family: Family, bytes: &[u8], reading: Reading) -> Result<Parsed<'_>, Truncated> {
    let Some((header, body)) = bytes.split_first_chunk::<HEADER_LEN>() else { return Err(Truncated { len: bytes.len() }) };
    let mut flaws = Vec::new();
    let sum = match (family, reading.pseudo_header) {
        (Family::Ipv4, _) => Some(internet(bytes)),
        (Family::Ipv6, Some((from, to))) => Some(checksum_v6(from, to, bytes)),
        (Family::Ipv6, None) => None,
    };
    if sum.is_some_and(|s| s != 0) {
        flaws.push(Flaw::Checksum);
    }
    let [kind, code, _, _, rest @ ..] = *header;
    let echo = Echo {
        identifier: u16::from_be_bytes([rest[0], rest[1]]),
        sequence: u16::from_be_bytes([rest[2], rest[3]]),
        payload: body,
    };
    let message = match (family, kind) {
        (Family::Ipv4, kind::ECHO_REQUEST_V4) | (Family::Ipv6, kind::ECHO_REQUEST_V6) => Message::EchoRequest(echo),
        (Family::Ipv4, kind::ECHO_REPLY_V4) | (Family::Ipv6, kind::ECHO_REPLY_V6) => Message::EchoReply(echo),
        _ => match Meaning::of(family, kind, code, rest) {
            Some(meaning) => Message::Error(error(family, header, body, meaning, reading.tolerant, &mut flaws)),
            None => Message::Other { kind, code },
        },
    };
    if matches!(message, Message::EchoRequest(_) | Message::EchoReply(_)) && code != 0 {
        flaws.push(Flaw::EchoCode(code));
    }
    Ok(Parsed { message, flaws })
}

fn error(
    family: Family,
    header: &[u8; HEADER_LEN],
    body: &[u8],
    meaning: Meaning,
    tolerant: bool,
    flaws: &mut Vec<Flaw>,
) -> Error {
    if matches!(meaning, Meaning::PacketTooBig { mtu: 0 }) {
        flaws.push(Flaw::MtuMissing);
    }
    let (kind, code) = (header[0], header[1]);
    let (quoted, extensions) = if may_be_extended(family, kind) {
        // The length attribute: 32-bit words in octet 5 for IPv4, 64-bit words in octet 4 for IPv6 (RFC 4884 section 4).
        let length = match family {
            Family::Ipv4 => usize::from(header[5]) * 4,
            Family::Ipv6 => usize::from(header[4]) * 8,
        };
        extension::split(body, length, tolerant, flaws)
    } else {
        (body, Extensions::default())
    };
    let quote = Quote::parse(family, quoted);
    if quote.is_none() {
        flaws.push(Flaw::QuoteUnreadable);
    }
    Error { kind, code, meaning, quote, extensions }
}

/// The types that RFC 4884 section 4 lets be extended.
fn may_be_extended(family: Family, kind: u8) -> bool {
    match family {
        Family::Ipv4 => matches!(kind, kind::UNREACHABLE_V4 | kind::TIME_EXCEEDED_V4 | kind::PARAMETER_PROBLEM_V4),
        Family::Ipv6 => matches!(kind, kind::UNREACHABLE_V6 | kind::TIME_EXCEEDED_V6),
    }
}

fn checksum_v6(from: Ipv6Addr, to: Ipv6Addr, bytes: &[u8]) -> u16 {
    let length = u32::try_from(bytes.len()).unwrap_or(u32::MAX);
    Sum::new().with_pseudo_header(from.into(), to.into(), NEXT_HEADER_V6, length).with(bytes).checksum()
}

/// Writes an echo request, with its checksum for IPv4. For IPv6 the field is zero: it needs the addresses, see
/// [`fill_checksum_v6`], and a raw socket fills it by itself (RFC 3542 section 3.1).
pub fn emit_request(family: Family, echo: Echo<'_>) -> Vec<u8> {
    let kind = if family == Family::Ipv4 { kind::ECHO_REQUEST_V4 } else { kind::ECHO_REQUEST_V6 };
    emit_echo(family, kind, echo)
}

/// Writes an echo reply; the checksum as for [`emit_request`].
pub fn emit_reply(family: Family, echo: Echo<'_>) -> Vec<u8> {
    let kind = if family == Family::Ipv4 { kind::ECHO_REPLY_V4 } else { kind::ECHO_REPLY_V6 };
    emit_echo(family, kind, echo)
}

fn emit_echo(family: Family, kind: u8, echo: Echo<'_>) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(HEADER_LEN + echo.payload.len());
    bytes.extend([kind, 0, 0, 0]);
    bytes.extend(echo.identifier.to_be_bytes());
    bytes.extend(echo.sequence.to_be_bytes());
    bytes.extend(echo.payload);
    if family == Family::Ipv4 {
        fill_checksum_v4(&mut bytes);
    }
    bytes
}

/// Writes an error about `quoted`, the packet from its IP header on, with extensions when there are any: the quote is
/// then padded with zeroes to at least 128 octets and its length given (RFC 4884 section 3). `rest` is the second word
/// of the header: next-hop MTU, pointer, or zero.
pub fn emit_error(family: Family, kind: u8, code: u8, rest: [u8; 4], quoted: &[u8], extensions: &Extensions) -> Vec<u8> {
    let mut bytes = vec![kind, code, 0, 0];
    bytes.extend(rest);
    bytes.extend(quoted);
    if !extensions.is_empty() && may_be_extended(family, kind) {
        let unit = if family == Family::Ipv4 { 4 } else { 8 };
        let padded = quoted.len().next_multiple_of(unit).clamp(extension::QUOTE_LEN, 255 * unit);
        bytes.resize(HEADER_LEN + padded, 0);
        bytes[if family == Family::Ipv4 { 5 } else { 4 }] = u8::try_from(padded / unit).unwrap_or(u8::MAX);
        bytes.extend(extensions.emit());
    }
    if family == Family::Ipv4 {
        fill_checksum_v4(&mut bytes);
    }
    bytes
}

fn fill_checksum_v4(bytes: &mut [u8]) {
    let checksum = internet(bytes);
    if let Some(field) = bytes.get_mut(2..4) {
        field.copy_from_slice(&checksum.to_be_bytes());
    }
}

/// Fills the checksum of an ICMPv6 message (RFC 4443 section 2.3).
pub fn fill_checksum_v6(from: Ipv6Addr, to: Ipv6Addr, bytes: &mut [u8]) {
    if let Some(field) = bytes.get_mut(2..4) {
        field.fill(0);
    }
    let checksum = checksum_v6(from, to, bytes);
    if let Some(field) = bytes.get_mut(2..4) {
        field.copy_from_slice(&checksum.to_be_bytes());
    }
}

impl fmt::Display for Flaw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Checksum => f.write_str("ICMP checksum is wrong"),
            Self::EchoCode(code) => write!(f, "echo with code {code} instead of 0"),
            Self::QuoteUnreadable => f.write_str("the quoted packet can't be read"),
            Self::QuoteLength(len) => write!(f, "length {len} of the quoted packet is impossible"),
            Self::ExtensionVersion(version) => write!(f, "extensions of version {version} instead of 2"),
            Self::ExtensionChecksum => f.write_str("checksum of the extensions is wrong"),
            Self::ExtensionObjectLength(len) => write!(f, "extension object of length {len} doesn't fit"),
            Self::MtuMissing => f.write_str("the router doesn't tell its MTU"),
        }
    }
}

#[cfg(test)]
mod tests;
