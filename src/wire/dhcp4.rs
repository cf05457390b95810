//! DHCP for IPv4: messages (RFC 2131) and options (RFC 2132 and later).
//!
//! ```text
//!  0                   1                   2                   3
//! |      op       |     htype     |     hlen      |     hops      |
//! |                              xid                              |
//! |             secs              |             flags             |
//! |                            ciaddr                             |
//! |                            yiaddr                             |
//! |                            siaddr                             |
//! |                            giaddr                             |
//! |                       chaddr, 16 octets                       |
//! |                        sname, 64 octets                       |
//! |                        file, 128 octets                       |
//! |                    cookie 63 82 53 63                         |
//! |                      options, variable                        |
//! ```
//!
//! It knows neither state nor time. The hard thing is to lose nothing: an examiner wants to know what a server got wrong,
//! so options are walked strictly, keep their octets and order, and what is off becomes a [`Flaw`], not a shorter list.

mod flaw;
mod introduction;
pub mod option;
mod reply;
mod tlv;

use std::net::Ipv4Addr;

pub use self::flaw::Flaw;
pub use self::introduction::{Introduction, Vendor};
use self::option::{Decoded, code};
pub use self::reply::examine;
pub use self::tlv::{Carried, Place, Tlv};

/// UDP port of servers and relays.
pub const SERVER_PORT: u16 = 67;
/// UDP port of clients.
pub const CLIENT_PORT: u16 = 68;
/// Octets before the options, cookie included.
pub const FIXED_LEN: usize = 240;
/// Octets below which old relays drop a message: a BOOTP message has 300 (RFC 1542 section 2.1).
pub const SHORTEST: usize = 300;
/// Octets that every client must take (RFC 2131 section 2).
pub const LARGEST_UNASKED: u16 = 576;

const COOKIE: [u8; 4] = [0x63, 0x82, 0x53, 0x63];
const BROADCAST: u16 = 0x8000;
const HARDWARE_ETHERNET: u8 = 1;

/// Request or reply (`op`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Operation {
    /// 1: from a client.
    Request,
    /// 2: from a server.
    Reply,
    /// Anything else.
    Other(u8),
}

impl From<u8> for Operation {
    fn from(value: u8) -> Self {
        match value {
            1 => Self::Request,
            2 => Self::Reply,
            other => Self::Other(other),
        }
    }
}

impl From<Operation> for u8 {
    fn from(value: Operation) -> Self {
        match value {
            Operation::Request => 1,
            Operation::Reply => 2,
            Operation::Other(other) => other,
        }
    }
}

/// What a message is for (option 53, RFC 2132 section 9.6).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MessageType {
    /// 1.
    Discover,
    /// 2.
    Offer,
    /// 3.
    Request,
    /// 4.
    Decline,
    /// 5.
    Ack,
    /// 6.
    Nak,
    /// 7.
    Release,
    /// 8.
    Inform,
    /// Anything else.
    Other(u8),
}

impl MessageType {
    const KNOWN: [Self; 8] =
        [Self::Discover, Self::Offer, Self::Request, Self::Decline, Self::Ack, Self::Nak, Self::Release, Self::Inform];

    /// The number of the option.
    pub fn number(self) -> u8 {
        match self {
            Self::Discover => 1,
            Self::Offer => 2,
            Self::Request => 3,
            Self::Decline => 4,
            Self::Ack => 5,
            Self::Nak => 6,
            Self::Release => 7,
            Self::Inform => 8,
            Self::Other(number) => number,
        }
    }

    /// The name in RFC 2131, without its prefix.
    pub fn name(self) -> &'static str {
        match self {
            Self::Discover => "DISCOVER",
            Self::Offer => "OFFER",
            Self::Request => "REQUEST",
            Self::Decline => "DECLINE",
            Self::Ack => "ACK",
            Self::Nak => "NAK",
            Self::Release => "RELEASE",
            Self::Inform => "INFORM",
            Self::Other(_) => "unknown type",
        }
    }
}

impl From<u8> for MessageType {
    fn from(number: u8) -> Self {
        Self::KNOWN.into_iter().find(|kind| kind.number() == number).unwrap_or(Self::Other(number))
    }
}

/// What a message says. `sname` and `file` are kept as they are, also where they carry options.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Repr {
    /// `op`.
    pub operation: Operation,
    /// `htype`: 1 is Ethernet.
    pub hardware_type: u8,
    /// `hlen`: octets of the hardware address.
    pub hardware_len: u8,
    /// `hops`: relays passed.
    pub hops: u8,
    /// `xid`: the transaction.
    pub transaction: u32,
    /// `secs`: seconds since the client began.
    pub seconds: u16,
    /// `flags`: the top bit asks for broadcast answers.
    pub flags: u16,
    /// `ciaddr`: the client's address, if it has one that it can answer on.
    pub client: Ipv4Addr,
    /// `yiaddr`: the address that the server gives.
    pub yours: Ipv4Addr,
    /// `siaddr`: the next server of a boot.
    pub next_server: Ipv4Addr,
    /// `giaddr`: the relay.
    pub relay: Ipv4Addr,
    /// `chaddr`.
    pub client_hardware_address: [u8; 16],
    /// `sname`.
    pub server_name: [u8; 64],
    /// `file`.
    pub boot_file: [u8; 128],
    /// The options of the options field, in order; no pads, no end.
    pub options: Vec<Tlv>,
}

impl Repr {
    /// A client's message from an Ethernet port, without options but the message type.
    pub fn request(kind: MessageType, transaction: u32, mac: [u8; 6]) -> Self {
        let mut client_hardware_address = [0; 16];
        client_hardware_address[..6].copy_from_slice(&mac);
        Self {
            operation: Operation::Request,
            hardware_type: HARDWARE_ETHERNET,
            hardware_len: 6,
            hops: 0,
            transaction,
            seconds: 0,
            flags: 0,
            client: Ipv4Addr::UNSPECIFIED,
            yours: Ipv4Addr::UNSPECIFIED,
            next_server: Ipv4Addr::UNSPECIFIED,
            relay: Ipv4Addr::UNSPECIFIED,
            client_hardware_address,
            server_name: [0; 64],
            boot_file: [0; 128],
            options: vec![Tlv::new(code::MESSAGE_TYPE, [kind.number()])],
        }
    }

    /// Adds an option at the end.
    #[must_use]
    pub fn with(mut self, code: u8, data: impl Into<Vec<u8>>) -> Self {
        self.options.push(Tlv::new(code, data));
        self
    }

    /// The client asks for answers by broadcast (RFC 2131 section 4.1).
    pub fn wants_broadcast(&self) -> bool {
        self.flags & BROADCAST != 0
    }

    /// Writes the message with an end marker, padded to [`SHORTEST`]. An option beyond 255 octets is written in several
    /// pieces (RFC 3396 section 5).
    pub fn emit(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(SHORTEST);
        bytes.extend([self.operation.into(), self.hardware_type, self.hardware_len, self.hops]);
        bytes.extend(self.transaction.to_be_bytes());
        bytes.extend(self.seconds.to_be_bytes());
        bytes.extend(self.flags.to_be_bytes());
        for address in [self.client, self.yours, self.next_server, self.relay] {
            bytes.extend(address.octets());
        }
        bytes.extend(self.client_hardware_address);
        bytes.extend(self.server_name);
        bytes.extend(self.boot_file);
        bytes.extend(COOKIE);
        tlv::emit(&self.options, &mut bytes);
        bytes.resize(bytes.len().max(SHORTEST), 0);
        bytes
    }
}

/// A message, all its options wherever they stood, and what was odd about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parsed {
    /// The message.
    pub repr: Repr,
    /// Every option as it stood, from the options field and, where it says so (option 52), from `file` and `sname`.
    pub carried: Vec<Carried>,
    /// What is odd but readable.
    pub flaws: Vec<Flaw>,
}

/// Can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Ends before the options.
    #[error("DHCP message of {0} octets ends before its options at {FIXED_LEN}")]
    Truncated(usize),
    /// Other octets than the cookie of RFC 2131 section 3: a bare BOOTP message or something else.
    #[error("no DHCP message: the cookie is {0:02x?}")]
    Cookie([u8; 4]),
}

/// Reads a message.
///
/// # Errors
/// When it is too short or no DHCP message; all else is a flaw.
pub fn parse(bytes: &[u8]) -> Result<Parsed, Error> {
    let fixed = bytes.first_chunk::<FIXED_LEN>().ok_or(Error::Truncated(bytes.len()))?;
    let cookie = field::<4>(fixed, 236);
    if cookie != COOKIE {
        return Err(Error::Cookie(cookie));
    }
    let address = |at: usize| Ipv4Addr::from(field::<4>(fixed, at));
    let mut repr = Repr {
        operation: fixed[0].into(),
        hardware_type: fixed[1],
        hardware_len: fixed[2],
        hops: fixed[3],
        transaction: u32::from_be_bytes(field(fixed, 4)),
        seconds: u16::from_be_bytes(field(fixed, 8)),
        flags: u16::from_be_bytes(field(fixed, 10)),
        client: address(12),
        yours: address(16),
        next_server: address(20),
        relay: address(24),
        client_hardware_address: field(fixed, 28),
        server_name: field(fixed, 44),
        boot_file: field(fixed, 108),
        options: Vec::new(),
    };
    let mut flaws = Vec::new();
    let carried = tlv::walk_all(&bytes[FIXED_LEN..], &repr.boot_file, &repr.server_name, &mut flaws);
    repr.options = carried.iter().filter(|c| c.place == Place::Options).map(|c| c.tlv.clone()).collect();
    let fits = if repr.hardware_type == HARDWARE_ETHERNET { repr.hardware_len == 6 } else { repr.hardware_len <= 16 };
    if !fits {
        flaws.push(Flaw::HardwareLength(repr.hardware_len));
    }
    let mut parsed = Parsed { repr, carried, flaws };
    let faults: Vec<Flaw> = parsed.decoded().into_iter().filter_map(|d| d.flaw).collect();
    parsed.flaws.extend(faults);
    match parsed.message_type() {
        None => parsed.flaws.push(Flaw::MessageTypeMissing),
        Some(MessageType::Other(number)) => parsed.flaws.push(Flaw::MessageTypeUnknown(number)),
        Some(_) => {}
    }
    Ok(parsed)
}

/// A field of the fixed part. Offset and length are constants of this file, within [`FIXED_LEN`].
fn field<const N: usize>(fixed: &[u8; FIXED_LEN], at: usize) -> [u8; N] {
    std::array::from_fn(|n| fixed[at + n])
}

impl Parsed {
    /// The octets of an option, its pieces put together in the order options field, `file`, `sname` (RFC 3396 sections 5
    /// and 7). `None` when it isn't there.
    pub fn option(&self, code: u8) -> Option<Vec<u8>> {
        let mut pieces = self.carried.iter().filter(|c| c.tlv.code == code).peekable();
        pieces.peek()?;
        Some(pieces.flat_map(|c| c.tlv.data.iter().copied()).collect())
    }

    /// All options with their meaning, each code once, in the order in which they first stood.
    pub fn decoded(&self) -> Vec<Decoded> {
        let mut codes: Vec<u8> = Vec::new();
        for carried in &self.carried {
            if !codes.contains(&carried.tlv.code) {
                codes.push(carried.tlv.code);
            }
        }
        codes.into_iter().filter_map(|code| Some(option::decode(code, &self.option(code)?))).collect()
    }

    /// Option 53; `None` when it is missing or not of one octet.
    pub fn message_type(&self) -> Option<MessageType> {
        let data = self.option(code::MESSAGE_TYPE)?;
        <[u8; 1]>::try_from(data).ok().map(|[number]| number.into())
    }

    /// An option of exactly four octets, as an address.
    pub fn address(&self, code: u8) -> Option<Ipv4Addr> {
        <[u8; 4]>::try_from(self.option(code)?).ok().map(Ipv4Addr::from)
    }

    /// An option that is a list of addresses, as far as it goes.
    pub fn addresses(&self, code: u8) -> Vec<Ipv4Addr> {
        self.option(code).unwrap_or_default().chunks_exact(4).map(|c| Ipv4Addr::new(c[0], c[1], c[2], c[3])).collect()
    }

    /// An option of exactly four octets, as a number.
    pub fn number(&self, code: u8) -> Option<u32> {
        self.address(code).map(u32::from)
    }
}

#[cfg(test)]
mod tests;
