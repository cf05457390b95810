//! The messages that a client sends (RFC 2131 table 5), as frames.

use std::net::Ipv4Addr;

use super::envelope::{self, Address};
use super::lease::Lease;
use super::settings::{Purpose, Settings};
use crate::wire::arp;
use crate::wire::dhcp4::option::code;
use crate::wire::dhcp4::{MessageType, Repr};
use crate::wire::ethernet::{self, Mac};

/// What is asked for where nobody says otherwise. Option 121 stands before 3 and 33 (RFC 3442). Not asked for: 108 (RFC 8925), which would make a server
/// withhold the address.
const WANTED: [u8; 20] = [1, 121, 3, 33, 6, 15, 119, 26, 28, 2, 42, 43, 58, 59, 66, 67, 114, 120, 125, 212];

/// The largest message that is taken: what fits in an Ethernet frame.
const LARGEST: u16 = 1472;

/// Hardware type and address (RFC 2132 section 9.14), the identity that most clients show.
fn client_identifier(mac: Mac) -> Vec<u8> {
    let mut identifier = vec![1];
    identifier.extend(mac.0);
    identifier
}

/// What all messages have in common.
fn begin(settings: &Settings, kind: MessageType, transaction: u32) -> Repr {
    let identifier = settings.introduction.client_identifier.clone().unwrap_or_else(|| client_identifier(settings.mac));
    let mut repr = Repr::request(kind, transaction, settings.mac.0).with(code::CLIENT_IDENTIFIER, identifier);
    if let Purpose::Inform(address) = settings.purpose {
        repr.client = address;
    }
    repr
}

/// A message as far as an answer to it is held against it.
pub(super) fn question(settings: &Settings, kind: MessageType, transaction: u32) -> Repr {
    begin(settings, kind, transaction)
}

/// Adds what the client wants and is; table 5 lets these stand in DISCOVER, REQUEST and INFORM only.
fn with_wishes(settings: &Settings, repr: Repr) -> Repr {
    let wanted = settings.introduction.parameter_list.clone().unwrap_or_else(|| WANTED.to_vec());
    let mut repr = repr.with(code::MAXIMUM_SIZE, LARGEST.to_be_bytes()).with(code::PARAMETER_LIST, wanted);
    repr.options.extend(settings.introduction.options());
    repr
}

fn to_everybody(settings: &Settings, repr: &Repr) -> Vec<u8> {
    let from = Address { mac: settings.mac, ip: repr.client };
    envelope::seal(from, Address { mac: Mac::BROADCAST, ip: Ipv4Addr::BROADCAST }, repr)
}

/// Asks for offers.
pub(super) fn discover(settings: &Settings, transaction: u32, seconds: u16) -> Vec<u8> {
    let mut repr = with_wishes(settings, begin(settings, MessageType::Discover, transaction));
    repr.seconds = seconds;
    to_everybody(settings, &repr)
}

/// Takes an offer: the same transaction and `secs` as before, by broadcast so that other servers see it (section 3.1 step
/// 3, section 4.4.1), the address in option 50 and the server in option 54.
pub(super) fn request(settings: &Settings, transaction: u32, seconds: u16, address: Ipv4Addr, server: Ipv4Addr) -> Vec<u8> {
    let repr = begin(settings, MessageType::Request, transaction)
        .with(code::REQUESTED_ADDRESS, address.octets())
        .with(code::SERVER_IDENTIFIER, server.octets());
    let mut repr = with_wishes(settings, repr);
    repr.seconds = seconds;
    to_everybody(settings, &repr)
}

/// Asks for more time, from the server or, when `is_rebinding`, from any: the address in `ciaddr`, neither option 50 nor
/// 54 (section 4.3.2).
pub(super) fn renew(settings: &Settings, lease: &Lease, transaction: u32, is_rebinding: bool) -> Vec<u8> {
    let mut repr = with_wishes(settings, begin(settings, MessageType::Request, transaction));
    repr.client = lease.address;
    if is_rebinding {
        return to_everybody(settings, &repr);
    }
    let from = Address { mac: settings.mac, ip: lease.address };
    envelope::seal(from, Address { mac: lease.server_mac, ip: lease.server }, &repr)
}

/// Refuses an address that somebody else has.
pub(super) fn decline(settings: &Settings, lease: &Lease, transaction: u32) -> Vec<u8> {
    let repr = begin(settings, MessageType::Decline, transaction)
        .with(code::REQUESTED_ADDRESS, lease.address.octets())
        .with(code::SERVER_IDENTIFIER, lease.server.octets());
    to_everybody(settings, &repr)
}

/// Gives an address back: straight to the server (section 4.4.4), with the identifier that it was leased under.
pub(super) fn release(settings: &Settings, lease: &Lease, transaction: u32) -> Vec<u8> {
    let mut repr = begin(settings, MessageType::Release, transaction).with(code::SERVER_IDENTIFIER, lease.server.octets());
    repr.client = lease.address;
    let from = Address { mac: settings.mac, ip: lease.address };
    envelope::seal(from, Address { mac: lease.server_mac, ip: lease.server }, &repr)
}

/// Asks for settings only; by broadcast, as no server is known (section 4.4.3).
pub(super) fn inform(settings: &Settings, transaction: u32, seconds: u16) -> Vec<u8> {
    let mut repr = with_wishes(settings, begin(settings, MessageType::Inform, transaction));
    repr.seconds = seconds;
    to_everybody(settings, &repr)
}

/// Tells everybody who has the address now (RFC 5227 section 2.3), which also defends it (section 2.4).
pub(super) fn announcement(settings: &Settings, address: Ipv4Addr) -> Vec<u8> {
    let header = ethernet::Repr { destination: Mac::BROADCAST, source: settings.mac, tags: Vec::new(), ethertype: ethernet::ARP };
    header.emit(&arp::Repr { sender: address, ..arp::Repr::probe(settings.mac, address) }.emit())
}

/// Asks whether anybody has the address.
pub(super) fn conflict_probe(settings: &Settings, address: Ipv4Addr) -> Vec<u8> {
    let header = ethernet::Repr { destination: Mac::BROADCAST, source: settings.mac, tags: Vec::new(), ethertype: ethernet::ARP };
    header.emit(&arp::Repr::probe(settings.mac, address).emit())
}
