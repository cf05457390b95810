//! UDP probes that are known again in what a router quotes of them.
//!
//! The number travels in the data; where a quote is cut short the length still tells the hop and the source port the flow.

use std::net::IpAddr;

use crate::unit::Family;
use crate::wire::icmp::quote::Transport;
use crate::wire::icmp::{self, Meaning, Message};

const HEAD: usize = 12;
const UDP_HEADER: u16 = 8;

/// What all probes of one run have in common.
#[derive(Debug, Clone, Copy)]
pub(in crate::proto) struct Marks {
    pub(in crate::proto) destination: IpAddr,
    pub(in crate::proto) destination_port: u16,
    /// Tells our data from others'.
    pub(in crate::proto) cookie: u64,
}

/// A probe as an error names it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::proto) enum Named {
    Number(usize),
    /// The quote was cut.
    Cut {
        source_port: u16,
        /// UDP length, header included.
        length: u16,
    },
}

impl Marks {
    /// The data of a probe.
    pub(in crate::proto) fn data(&self, number: usize, hop: u8) -> Vec<u8> {
        let mut data = self.cookie.to_be_bytes().to_vec();
        data.extend((number as u32).to_be_bytes());
        data.resize(HEAD + usize::from(hop), 0);
        data
    }

    /// Which probe an ICMP message, from its type octet on, is about, and what it says.
    pub(in crate::proto) fn read(&self, from: IpAddr, bytes: &[u8]) -> Option<(Named, Meaning)> {
        let family = Family::of(self.destination);
        if Family::of(from) != family {
            return None;
        }
        let parsed = icmp::parse(family, bytes, icmp::Reading::default()).ok()?;
        let Message::Error(error) = parsed.message else { return None };
        // A raw socket sees a message before the kernel has checked it; RFC 1122 section 3.2.2 discards it.
        if parsed.flaws.contains(&icmp::Flaw::Checksum) {
            return None;
        }
        let quote = error.quote?;
        let Transport::Udp { source_port, destination_port, length, .. } = quote.transport else { return None };
        if quote.destination != self.destination || destination_port != self.destination_port {
            return None;
        }
        if let Some((head, rest)) = quote.payload.split_first_chunk::<8>()
            && let Some(number) = rest.first_chunk::<4>()
        {
            let is_ours = *head == self.cookie.to_be_bytes();
            return is_ours.then_some((Named::Number(u32::from_be_bytes(*number) as usize), error.meaning));
        }
        Some((Named::Cut { source_port, length }, error.meaning))
    }

    /// The hop that a UDP length tells, for probes of [`Marks::data`].
    pub(in crate::proto) fn hop_of(length: u16) -> Option<u8> {
        u8::try_from(length.checked_sub(UDP_HEADER + HEAD as u16)?).ok()
    }
}
