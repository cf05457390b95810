//! ARP for IPv4 over Ethernet (RFC 826).
//!
//! ```text
//! | hardware type 2 | protocol type 2 | lengths 1 + 1 | operation 2 | sender mac 6, ip 4 | target mac 6, ip 4 |
//! ```
//!
//! It knows no table of neighbours. The one catch: a probe for an address that nobody should have yet carries no sender
//! address (RFC 5227 section 1.1), so that it changes no one's table.

use std::net::Ipv4Addr;

use super::ethernet::{IPV4, Mac};

/// Octets of a packet.
pub const LEN: usize = 28;
const HARDWARE_ETHERNET: u16 = 1;

/// What a packet is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Operation {
    /// 1: who has the target address?
    Request,
    /// 2: I have.
    Reply,
    /// Anything else.
    Other(u16),
}

/// What a packet says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Repr {
    /// What it is for.
    pub operation: Operation,
    /// Sender's hardware address.
    pub sender_mac: Mac,
    /// Sender's address; unspecified in a probe.
    pub sender: Ipv4Addr,
    /// Target's hardware address; nothing in a request.
    pub target_mac: Mac,
    /// Target's address.
    pub target: Ipv4Addr,
}

/// Can't be read, or is about other things than IPv4 over Ethernet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Too short.
    #[error("ARP packet of {0} octets, {LEN} expected")]
    Truncated(usize),
    /// Another hardware or protocol, or addresses of another length.
    #[error("ARP for hardware {hardware} and protocol {protocol:#06x} with addresses of {lengths:?} octets")]
    Foreign {
        /// Hardware type.
        hardware: u16,
        /// Protocol type.
        protocol: u16,
        /// Octets of hardware and protocol addresses.
        lengths: [u8; 2],
    },
}

/// Reads a packet; what follows it is frame padding.
///
/// # Errors
/// When it is short or about something else.
pub fn parse(bytes: &[u8]) -> Result<Repr, Error> {
    let packet = bytes.first_chunk::<LEN>().ok_or(Error::Truncated(bytes.len()))?;
    let field = |at: usize| u16::from_be_bytes([packet[at], packet[at + 1]]);
    let mac = |at: usize| Mac(std::array::from_fn(|n| packet[at + n]));
    let ip = |at: usize| Ipv4Addr::from(std::array::from_fn::<u8, 4, _>(|n| packet[at + n]));
    let (hardware, protocol, lengths) = (field(0), field(2), [packet[4], packet[5]]);
    if (hardware, protocol, lengths) != (HARDWARE_ETHERNET, IPV4, [6, 4]) {
        return Err(Error::Foreign { hardware, protocol, lengths });
    }
    let operation = match field(6) {
        1 => Operation::Request,
        2 => Operation::Reply,
        other => Operation::Other(other),
    };
    Ok(Repr { operation, sender_mac: mac(8), sender: ip(14), target_mac: mac(18), target: ip(24) })
}

impl Repr {
    /// Asks whether anybody has an address that the asker wants to use (RFC 5227 section 2.1.1).
    pub fn probe(sender_mac: Mac, target: Ipv4Addr) -> Self {
        Self { operation: Operation::Request, sender_mac, sender: Ipv4Addr::UNSPECIFIED, target_mac: Mac::default(), target }
    }

    /// Writes the packet.
    pub fn emit(&self) -> [u8; LEN] {
        let operation = match self.operation {
            Operation::Request => 1,
            Operation::Reply => 2,
            Operation::Other(other) => other,
        };
        let mut bytes = [0; LEN];
        bytes[0..2].copy_from_slice(&HARDWARE_ETHERNET.to_be_bytes());
        bytes[2..4].copy_from_slice(&IPV4.to_be_bytes());
        bytes[4..6].copy_from_slice(&[6, 4]);
        bytes[6..8].copy_from_slice(&u16::to_be_bytes(operation));
        bytes[8..14].copy_from_slice(&self.sender_mac.0);
        bytes[14..18].copy_from_slice(&self.sender.octets());
        bytes[18..24].copy_from_slice(&self.target_mac.0);
        bytes[24..28].copy_from_slice(&self.target.octets());
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn golden_bytes_both_ways() {
        // RFC 5227 section 2.1.1: sender hardware address ours, sender IP and target hardware address zero.
        let probe = Repr::probe(Mac([2, 0, 0, 0, 0, 9]), Ipv4Addr::new(192, 0, 2, 50));
        #[rustfmt::skip]
        let bytes = [
            0, 1, 8, 0, 6, 4, 0, 1,
            2, 0, 0, 0, 0, 9, 0, 0, 0, 0,
            0, 0, 0, 0, 0, 0, 192, 0, 2, 50,
        ];
        assert_eq!(probe.emit(), bytes);
        assert_eq!(parse(&[&bytes[..], &[0xaa; 18]].concat()), Ok(probe));
    }

    #[test]
    fn every_truncation_and_foreign_kinds_are_refused() {
        let bytes = Repr::probe(Mac::BROADCAST, Ipv4Addr::LOCALHOST).emit();
        for len in 0..LEN {
            assert_eq!(parse(&bytes[..len]), Err(Error::Truncated(len)));
        }
        for at in 0..6 {
            let mut foreign = bytes;
            foreign[at] ^= 0x10;
            assert!(matches!(parse(&foreign), Err(Error::Foreign { .. })), "{at}");
        }
    }

    proptest! {
        #[test]
        fn what_is_emitted_is_read_back_and_is_as_a_reference_library_writes_it(
            operation: u16, sender_mac: [u8; 6], sender: u32, target_mac: [u8; 6], target: u32,
        ) {
            let known = match operation { 1 => Operation::Request, 2 => Operation::Reply, other => Operation::Other(other) };
            let (sender, target) = (Ipv4Addr::from(sender), Ipv4Addr::from(target));
            let repr = Repr { operation: known, sender_mac: Mac(sender_mac), sender, target_mac: Mac(target_mac), target };
            prop_assert_eq!(parse(&repr.emit()), Ok(repr));
            let theirs = etherparse::ArpEthIpv4Packet {
                operation: etherparse::ArpOperation(operation),
                sender_mac, sender_ipv4: sender.octets(), target_mac, target_ipv4: target.octets(),
            };
            prop_assert_eq!(repr.emit(), theirs.to_bytes());
        }
    }
}
