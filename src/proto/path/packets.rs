//! The probes' octets, and which probe an answer is about.
//!
//! All probes of a kind must look alike to a router that hashes over the flow, and still be told apart: by an echo's sequence number under a
//! checksum that is held constant, by the length, the checksum and the data of a datagram.

use super::PathMachine;
use super::{ProbeKind, State};
use crate::unit::Family;
use crate::wire::checksum::Sum;
use crate::wire::icmp::quote::{Quote, Transport};
use crate::wire::icmp::{self, Echo};

/// UDP data: cookie, number, then filled up so that the length tells the hop.
pub(super) const DATA_HEAD: usize = 12;
const UDP_HEADER: usize = 8;
pub(super) const PROTOCOL_UDP: u8 = 17;

impl PathMachine {
    /// An echo whose checksum is the same for every number: the data starts with the number's complement, and a number
    /// and its complement add up to nothing in one's-complement arithmetic (RFC 1071).
    pub(super) fn echo(&self, id: usize) -> Vec<u8> {
        let sequence = id as u16;
        let mut payload = (!sequence).to_be_bytes().to_vec();
        payload.extend([0, 0]);
        payload.extend(self.settings.cookie.to_be_bytes());
        payload.resize(DATA_HEAD + 8, 0);
        let echo = Echo { identifier: self.settings.identifier, sequence, payload: &payload };
        icmp::emit_request(Family::of(self.settings.destination), echo)
    }

    /// UDP data and the checksum that the kernel will give it.
    pub(super) fn datagram(&self, id: usize, hop: u8) -> (Vec<u8>, u16) {
        let settings = &self.settings;
        let mut data = settings.cookie.to_be_bytes().to_vec();
        data.extend((id as u32).to_be_bytes());
        data.resize(DATA_HEAD + usize::from(hop), 0);
        let length = (UDP_HEADER + data.len()) as u16;
        let mut header = Vec::with_capacity(UDP_HEADER);
        for word in [settings.source_port, settings.destination_port, length, 0] {
            header.extend(word.to_be_bytes());
        }
        let sum = Sum::new()
            .with_pseudo_header(settings.source, settings.destination, PROTOCOL_UDP, u32::from(length))
            .with(&header)
            .with(&data)
            .checksum();
        // RFC 768: a computed zero is sent as all ones.
        (data, if sum == 0 { 0xffff } else { sum })
    }

    pub(super) fn number_in(&self, data: &[u8]) -> Option<usize> {
        let (head, rest) = data.split_first_chunk::<8>()?;
        let number = rest.first_chunk::<4>()?;
        (*head == self.settings.cookie.to_be_bytes()).then_some(u32::from_be_bytes(*number) as usize)
    }

    /// Which probe a quote is of.
    pub(super) fn quoted(&self, quote: &Quote) -> Option<(usize, ProbeKind)> {
        if quote.destination != self.settings.destination {
            return None;
        }
        match quote.transport {
            Transport::Icmp { identifier, sequence, .. } if identifier == self.settings.identifier => {
                Some((usize::from(sequence), ProbeKind::Icmp))
            }
            Transport::Udp { destination_port, length, checksum, .. } if destination_port == self.settings.destination_port => {
                let id = self.number_in(&quote.payload).or_else(|| self.by_length(length, checksum))?;
                Some((id, ProbeKind::Udp))
            }
            _ => None,
        }
    }

    /// For routers that quote no more than they must: the length tells the hop; the checksum tells the probe, unless a
    /// NAT changed it and did not change it back in the quote (RFC 5508 section 4.2 asks it to); then the latest probe to
    /// that hop that has no answer yet is meant.
    fn by_length(&self, length: u16, checksum: u16) -> Option<usize> {
        let hop = usize::from(length).checked_sub(UDP_HEADER + DATA_HEAD)?;
        let mut latest = None;
        for (id, probe) in self.probes.iter().enumerate() {
            if probe.kind == ProbeKind::Udp && usize::from(probe.hop) == hop && matches!(probe.state, State::Open { .. }) {
                if probe.checksum == checksum {
                    return Some(id);
                }
                latest = Some(id);
            }
        }
        latest
    }
}
