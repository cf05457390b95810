//! DHCPv6 messages (RFC 8415 sections 8 and 9), with the options that a customer's equipment meets.
//!
//! ```text
//! between client and server:  | type 1 | transaction 3 | [ option ]* |
//! between relay and server:   | type 1 | hops 1 | link address 16 | peer address 16 | [ option ]* |
//! option:                     | code 2 | length 2 | value |
//! ```
//!
//! It begins behind UDP and knows no state. What is odd but readable is read and told as a [`Flaw`]; only what has no head
//! is an error. The hard thing: options nest, an address stands inside its association, its status inside the address.

mod duid;
mod flaw;
pub mod option;

use std::net::Ipv6Addr;

pub use duid::Duid;
pub use flaw::Flaw;
pub use option::{Association, Item};

/// UDP port of clients (RFC 8415 section 7.2).
pub const CLIENT_PORT: u16 = 546;
/// UDP port of servers and relays.
pub const SERVER_PORT: u16 = 547;
/// All relays and servers on the link (section 7.1).
pub const ALL_SERVERS: Ipv6Addr = Ipv6Addr::new(0xff02, 0, 0, 0, 0, 0, 1, 2);
/// A lifetime that never ends (section 7.7).
pub const FOREVER: u32 = u32::MAX;

/// Status codes (sections 21.13; IANA registry).
pub mod status {
    /// It worked.
    pub const SUCCESS: u16 = 0;
    /// It failed for no reason given.
    pub const UNSPECIFIED_FAILURE: u16 = 1;
    /// There is no address to hand out.
    pub const NO_ADDRESSES: u16 = 2;
    /// The server knows of no such lease.
    pub const NO_BINDING: u16 = 3;
    /// The address does not belong to the link.
    pub const NOT_ON_LINK: u16 = 4;
    /// Use the group address.
    pub const USE_MULTICAST: u16 = 5;
    /// There is no prefix to delegate.
    pub const NO_PREFIX: u16 = 6;

    /// The name in the standard; `None` for others.
    pub fn name(code: u16) -> Option<&'static str> {
        Some(match code {
            SUCCESS => "Success",
            UNSPECIFIED_FAILURE => "UnspecFail",
            NO_ADDRESSES => "NoAddrsAvail",
            NO_BINDING => "NoBinding",
            NOT_ON_LINK => "NotOnLink",
            USE_MULTICAST => "UseMulticast",
            NO_PREFIX => "NoPrefixAvail",
            _ => return None,
        })
    }
}

/// Kind of a message (section 7.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MessageType {
    /// 1: who serves?
    Solicit,
    /// 2: this server would hand out these.
    Advertise,
    /// 3: please do.
    Request,
    /// 4: is the address still right for the link?
    Confirm,
    /// 5: longer please, to its server.
    Renew,
    /// 6: longer please, to any.
    Rebind,
    /// 7: the server's word.
    Reply,
    /// 8: not needed any more.
    Release,
    /// 9: in use by somebody else.
    Decline,
    /// 10: a server asks its client to ask again.
    Reconfigure,
    /// 11: settings only.
    InformationRequest,
    /// 12: a relay's envelope toward the server.
    RelayForward,
    /// 13: a server's envelope toward the relay.
    RelayReply,
    /// Any other.
    Other(u8),
}

impl MessageType {
    /// By its number.
    pub fn of(number: u8) -> Self {
        match number {
            1 => Self::Solicit,
            2 => Self::Advertise,
            3 => Self::Request,
            4 => Self::Confirm,
            5 => Self::Renew,
            6 => Self::Rebind,
            7 => Self::Reply,
            8 => Self::Release,
            9 => Self::Decline,
            10 => Self::Reconfigure,
            11 => Self::InformationRequest,
            12 => Self::RelayForward,
            13 => Self::RelayReply,
            other => Self::Other(other),
        }
    }

    /// Its number.
    pub fn number(self) -> u8 {
        match self {
            Self::Solicit => 1,
            Self::Advertise => 2,
            Self::Request => 3,
            Self::Confirm => 4,
            Self::Renew => 5,
            Self::Rebind => 6,
            Self::Reply => 7,
            Self::Release => 8,
            Self::Decline => 9,
            Self::Reconfigure => 10,
            Self::InformationRequest => 11,
            Self::RelayForward => 12,
            Self::RelayReply => 13,
            Self::Other(other) => other,
        }
    }

    /// The name in the standard.
    pub fn name(self) -> &'static str {
        match self {
            Self::Solicit => "SOLICIT",
            Self::Advertise => "ADVERTISE",
            Self::Request => "REQUEST",
            Self::Confirm => "CONFIRM",
            Self::Renew => "RENEW",
            Self::Rebind => "REBIND",
            Self::Reply => "REPLY",
            Self::Release => "RELEASE",
            Self::Decline => "DECLINE",
            Self::Reconfigure => "RECONFIGURE",
            Self::InformationRequest => "INFORMATION-REQUEST",
            Self::RelayForward => "RELAY-FORW",
            Self::RelayReply => "RELAY-REPL",
            Self::Other(_) => "message of an unknown type",
        }
    }

    fn is_relayed(self) -> bool {
        matches!(self, Self::RelayForward | Self::RelayReply)
    }
}

/// What stands before the options.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Head {
    /// Between client and server.
    Transaction(u32),
    /// Between relay and server (section 9).
    Relay {
        /// Relays passed before.
        hops: u8,
        /// An address on the client's link.
        link: Ipv6Addr,
        /// Who sent the message inside.
        peer: Ipv6Addr,
    },
}

/// A message. Type and head fit each other in all that was read; a relay's type written with a transaction gets an empty
/// relay's head.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Its kind.
    pub kind: MessageType,
    /// What stands before the options.
    pub head: Head,
    /// Options in order.
    pub items: Vec<Item>,
}

/// No message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Ends inside its head.
    #[error("DHCPv6 message of {len} octets, {wanted} expected")]
    Truncated {
        /// Octets that there are.
        len: usize,
        /// Octets of its head.
        wanted: usize,
    },
}

/// Reads a message, and tells what is odd about it.
///
/// # Errors
/// When it ends inside its head.
pub fn parse(bytes: &[u8]) -> Result<(Message, Vec<Flaw>), Error> {
    let truncated = |wanted| Error::Truncated { len: bytes.len(), wanted };
    let (&[number, high, middle, low], options) = bytes.split_first_chunk::<4>().ok_or_else(|| truncated(4))?;
    let kind = MessageType::of(number);
    let mut flaws = Vec::new();
    if let MessageType::Other(number) = kind {
        flaws.push(Flaw::UnknownType(number));
    }
    let (head, options) = if kind.is_relayed() {
        let (addresses, options) = bytes[2..].split_first_chunk::<32>().ok_or_else(|| truncated(34))?;
        let address = |at: usize| {
            let mut octets = [0; 16];
            octets.copy_from_slice(&addresses[at..at + 16]);
            Ipv6Addr::from(octets)
        };
        (Head::Relay { hops: high, link: address(0), peer: address(16) }, options)
    } else {
        (Head::Transaction(u32::from_be_bytes([0, high, middle, low])), options)
    };
    let items = option::parse_all(options, option::Place::Message, &mut flaws);
    Ok((Message { kind, head, items }, flaws))
}

impl Message {
    /// A message without options; of the transaction number the lower 24 bits are sent.
    pub fn new(kind: MessageType, transaction: u32) -> Self {
        Self { kind, head: Head::Transaction(transaction & 0x00ff_ffff), items: Vec::new() }
    }

    /// With an option more.
    #[must_use]
    pub fn with(mut self, item: Item) -> Self {
        self.items.push(item);
        self
    }

    /// Writes it. An option beyond 65 535 octets is left out: no length can say it.
    pub fn emit(&self) -> Vec<u8> {
        let mut bytes = vec![self.kind.number()];
        match (self.kind.is_relayed(), self.head) {
            (false, Head::Transaction(number)) => bytes.extend(&number.to_be_bytes()[1..]),
            (false, Head::Relay { .. }) => bytes.extend([0; 3]),
            (true, Head::Relay { hops, link, peer }) => {
                bytes.push(hops);
                bytes.extend(link.octets());
                bytes.extend(peer.octets());
            }
            (true, Head::Transaction(_)) => bytes.extend([0; 33]),
        }
        option::emit_all(&self.items, &mut bytes);
        bytes
    }

    /// The transaction number; `None` in a relay's envelope.
    pub fn transaction(&self) -> Option<u32> {
        match self.head {
            Head::Transaction(number) => Some(number),
            Head::Relay { .. } => None,
        }
    }

    /// The client's identifier.
    pub fn client(&self) -> Option<&Duid> {
        self.items.iter().find_map(|item| if let Item::ClientId(duid) = item { Some(duid) } else { None })
    }

    /// The server's identifier.
    pub fn server(&self) -> Option<&Duid> {
        self.items.iter().find_map(|item| if let Item::ServerId(duid) = item { Some(duid) } else { None })
    }

    /// The server's preference; zero where it gives none (section 18.2.1).
    pub fn preference(&self) -> u8 {
        self.items.iter().find_map(|item| if let Item::Preference(value) = item { Some(*value) } else { None }).unwrap_or(0)
    }

    /// Whether the two-message exchange is meant.
    pub fn is_rapid(&self) -> bool {
        self.items.contains(&Item::RapidCommit)
    }

    /// Code and words of the message's own status; none means success (section 21.13).
    pub fn status(&self) -> Option<(u16, &str)> {
        option::status_of(&self.items)
    }

    /// Associations for addresses.
    pub fn addresses(&self) -> impl Iterator<Item = &Association> {
        self.items.iter().filter_map(|item| if let Item::Addresses(all) = item { Some(all) } else { None })
    }

    /// Associations for prefixes.
    pub fn prefixes(&self) -> impl Iterator<Item = &Association> {
        self.items.iter().filter_map(|item| if let Item::Prefixes(all) = item { Some(all) } else { None })
    }

    /// Resolvers in order (RFC 3646).
    pub fn resolvers(&self) -> Vec<Ipv6Addr> {
        self.items.iter().flat_map(|item| if let Item::Resolvers(all) = item { all.as_slice() } else { &[] }).copied().collect()
    }
}

#[cfg(test)]
mod tests;
