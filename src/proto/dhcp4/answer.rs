//! The answers of servers, kept for examination.

use std::net::Ipv4Addr;

use crate::proto::round_trip::Moment;
use crate::wire::dhcp4::option::code;
use crate::wire::dhcp4::{Flaw, MessageType, Parsed};
use crate::wire::ethernet::Mac;

/// A server's answer to one of our messages.
#[derive(Debug, Clone)]
pub struct Answer {
    /// OFFER, ACK, NAK, or whatever else it says that it is.
    pub kind: Option<MessageType>,
    /// Our message's transaction.
    pub transaction: u32,
    /// When it came.
    pub arrived: Moment,
    /// Address that it came from: the server's or a relay's.
    pub source: Ipv4Addr,
    /// Hardware address that it came from.
    pub source_mac: Mac,
    /// The message.
    pub message: Parsed,
    /// All that is odd about it: in its bytes, and against RFC 2131.
    pub flaws: Vec<Flaw>,
    /// It came when the client had already chosen or was done.
    pub is_late: bool,
    /// An offer that came to nothing: refused by its own server, or of an address that is in use.
    pub is_void: bool,
}

impl Answer {
    /// Whose answer it is: option 54, else the address that it came from.
    pub fn server(&self) -> Ipv4Addr {
        self.message.address(code::SERVER_IDENTIFIER).unwrap_or(self.source)
    }

    /// The server to name in a REQUEST, when this OFFER is one that a client can take: a server identifier, an address and
    /// our own hardware address (section 4.4.1).
    pub(super) fn usable_offer(&self) -> Option<Ipv4Addr> {
        let server = self.message.address(code::SERVER_IDENTIFIER)?;
        let spoils = |flaw: &Flaw| {
            matches!(
                flaw,
                Flaw::ServerIdentifierInvalid(_) | Flaw::AddressMissing | Flaw::AddressInvalid(_) | Flaw::HardwareAddressAltered
            )
        };
        (self.kind == Some(MessageType::Offer) && !self.flaws.iter().any(spoils)).then_some(server)
    }
}

/// Why a frame was passed over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Reason {
    Unreadable,
    Tagged,
    ForOthers,
    Checksum,
    Fragment,
    Transaction,
    Excess,
}

/// Frames that were passed over, by reason.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Ignored {
    /// No frame, packet, datagram or message that could be read.
    pub unreadable: u64,
    /// Carried a VLAN tag: an answer from a network that this port isn't in.
    pub tagged: u64,
    /// For another station, port or client.
    pub for_others: u64,
    /// IPv4 or UDP checksum wrong.
    pub checksum: u64,
    /// A piece of a packet.
    pub fragments: u64,
    /// A server's message with a transaction that isn't ours.
    pub transaction: u64,
    /// Answers beyond those that are kept: somebody floods the port.
    pub excess: u64,
    /// Own messages that could not be sent.
    pub not_sent: u64,
}

impl Ignored {
    pub(super) fn count(&mut self, reason: Reason) {
        *match reason {
            Reason::Unreadable => &mut self.unreadable,
            Reason::Tagged => &mut self.tagged,
            Reason::ForOthers => &mut self.for_others,
            Reason::Checksum => &mut self.checksum,
            Reason::Fragment => &mut self.fragments,
            Reason::Transaction => &mut self.transaction,
            Reason::Excess => &mut self.excess,
        } += 1;
    }
}
