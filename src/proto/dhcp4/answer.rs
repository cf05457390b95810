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
    /// What the client was about when it came.
    pub phase: Phase,
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

    /// Who handed it to the client.
    pub fn way(&self) -> Way {
        match self.message.repr.relay {
            relay if !relay.is_unspecified() => Way::Relayed(relay),
            _ if self.source == self.server() => Way::Direct,
            _ => Way::Unclear,
        }
    }

    /// What tells this server from any other: its identifier, and without a relay between the station that sent it, since
    /// two servers may claim one identifier.
    pub fn origin(&self) -> (Ipv4Addr, Option<Mac>) {
        let is_relayed = matches!(self.way(), Way::Relayed(_));
        (self.server(), (!is_relayed).then_some(self.source_mac))
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

/// What a client is about (the states of RFC 2131 figure 5, as far as an answer means something else in each).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Phase {
    /// Collects offers.
    Selecting,
    /// Has taken an offer.
    Requesting,
    /// Asks its server for more time.
    Renewing,
    /// Asks any server for more time.
    Rebinding,
    /// Asks for settings.
    Informing,
    /// Waits for no answer.
    Idle,
}

/// Who handed an answer to the client, as far as the message tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Way {
    /// The server itself, on this segment: no relay is named, and it came from the address that names the server. A relay
    /// that passes itself off as the server (RFC 5107) looks the same.
    Direct,
    /// A relay with this address (`giaddr`, RFC 2131 section 4.1).
    Relayed(Ipv4Addr),
    /// No relay is named, but it came from another address than the server's: a relay that keeps silent about itself, or a
    /// server with two addresses.
    Unclear,
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
