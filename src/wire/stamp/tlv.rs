//! The extensions of RFC 8972: TLVs after the base packet, and what a reflector does with them.
//!
//! ```text
//! flags (1: U M I 0 0 0 0 0)  type (1)  length of value (2)  value
//! ```
//!
//! The hard thing: a reply has the request's length, so a reflector works on the TLVs in place, and what it does not
//! know it must return untouched but for the U flag.

mod values;

use std::net::SocketAddr;

use super::{Key, key::HMAC_LEN};

pub use values::{Counts, FollowUp, Location, TimestampInformation, Told, told};

/// Octets before the value.
const HEADER: usize = 4;

/// U: the reflector did not recognise the TLV (RFC 8972 section 4).
pub const UNRECOGNISED: u8 = 0x80;
/// M: the TLV is malformed.
pub const MALFORMED: u8 = 0x40;
/// I: the HMAC of the TLVs failed.
pub const INTEGRITY_FAILED: u8 = 0x20;

/// Extra padding (RFC 8972 section 4.1).
pub const EXTRA_PADDING: u8 = 1;
/// Location (section 4.2).
pub const LOCATION: u8 = 2;
/// Timestamp information (section 4.3).
pub const TIMESTAMP_INFORMATION: u8 = 3;
/// Class of service (section 4.4).
pub const CLASS_OF_SERVICE: u8 = 4;
/// Direct measurement (section 4.5).
pub const DIRECT_MEASUREMENT: u8 = 5;
/// Follow-up telemetry (section 4.7).
pub const FOLLOW_UP_TELEMETRY: u8 = 7;
/// HMAC of the TLVs (section 4.8).
pub const HMAC: u8 = 8;

/// One TLV.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tlv<'a> {
    /// Flags, U M I from the top.
    pub flags: u8,
    /// Type; unknown ones are kept.
    pub kind: u8,
    /// Value.
    pub value: &'a [u8],
}

/// Where the chain of TLVs breaks: a header or a value that the packet does not hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("STAMP TLV at octet {offset} after the base packet does not fit into it")]
pub struct Broken {
    /// Octets after the base packet.
    pub offset: usize,
}

/// Walks the TLVs in what follows the base packet. Ends after the first broken one.
#[derive(Debug, Clone)]
pub struct Tlvs<'a> {
    extra: &'a [u8],
    offset: usize,
    broken: bool,
}

impl<'a> Tlvs<'a> {
    /// Starts at the first octet after the base packet.
    pub fn new(extra: &'a [u8]) -> Self {
        Self { extra, offset: 0, broken: false }
    }
}

impl<'a> Iterator for Tlvs<'a> {
    type Item = Result<Tlv<'a>, Broken>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.broken || self.offset >= self.extra.len() {
            return None;
        }
        let offset = self.offset;
        let rest = &self.extra[offset..];
        let found = rest.split_at_checked(HEADER).and_then(|(header, rest)| {
            let value = rest.get(..usize::from(u16::from_be_bytes([header[2], header[3]])))?;
            Some(Tlv { flags: header[0], kind: header[1], value })
        });
        Some(match found {
            Some(tlv) => {
                self.offset += HEADER + tlv.value.len();
                Ok(tlv)
            }
            None => {
                self.broken = true;
                Err(Broken { offset })
            }
        })
    }
}

/// Appends one TLV as a sender sends it: U set, M and I clear (RFC 8972 section 4).
///
/// # Panics
/// When the value is longer than 65 535 octets.
pub fn push(packet: &mut Vec<u8>, kind: u8, value: &[u8]) {
    let length = u16::try_from(value.len()).expect("a TLV value fits 16 bits of length");
    packet.extend([UNRECOGNISED, kind]);
    packet.extend(length.to_be_bytes());
    packet.extend(value);
}

/// Appends the HMAC TLV over the sequence number and all TLVs so far (RFC 8972 section 4.8). Only padding may follow.
///
/// # Panics
/// When `packet` is shorter than `base_len`.
pub fn push_hmac(packet: &mut Vec<u8>, base_len: usize, key: &Key) {
    let tag = key.tag(&[&packet[..4], &packet[base_len..]]);
    push(packet, HMAC, &tag);
}

/// Renews the HMAC TLV after the sequence number or a value has changed; does nothing when there is none.
pub fn renew_hmac(packet: &mut [u8], base_len: usize, key: &Key) {
    let Some(extra) = packet.get(base_len..) else { return };
    if let Some((at, _)) = find_hmac(extra) {
        let tag = key.tag(&[&packet[..4], &packet[base_len..base_len + at]]);
        packet[base_len + at + HEADER..base_len + at + HEADER + HMAC_LEN].copy_from_slice(&tag);
    }
}

/// Class of service (RFC 8972 section 4.4): which DSCP the reply shall carry, and which the request arrived with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ClassOfService {
    /// DSCP asked for the reply (DSCP1), 0 to 63.
    pub asked: u8,
    /// DSCP with which the request reached the reflector (DSCP2).
    pub seen: u8,
    /// ECN bits with which the request reached the reflector.
    pub seen_ecn: u8,
    /// RP field: 0 from the sender, and from a reflector that did as asked; 1 when its policy did not let it.
    pub reverse_path: u8,
}

impl ClassOfService {
    /// From a TLV's value; `None` when it is not of four octets.
    pub fn parse(value: &[u8]) -> Option<Self> {
        let &[a, b, _, _] = value else { return None };
        let bits = u16::from_be_bytes([a, b]);
        Some(Self {
            asked: (bits >> 10) as u8,
            seen: (bits >> 4) as u8 & 0x3f,
            seen_ecn: (bits >> 2) as u8 & 3,
            reverse_path: bits as u8 & 3,
        })
    }

    /// The TLV's value.
    pub fn value(self) -> [u8; 4] {
        let bits = u16::from(self.asked & 0x3f) << 10
            | u16::from(self.seen & 0x3f) << 4
            | u16::from(self.seen_ecn & 3) << 2
            | u16::from(self.reverse_path & 3);
        let [a, b] = bits.to_be_bytes();
        [a, b, 0, 0]
    }
}

/// What a reflector knows when it answers.
#[derive(Debug, Clone, Copy, Default)]
pub struct Ingress {
    /// Traffic class with which the request arrived, all eight bits; `None` when the system does not tell.
    pub traffic_class: Option<u8>,
    /// Packets of this sender received so far, this one included.
    pub received: u32,
    /// Packets sent to it so far, this one included.
    pub sent: u32,
    /// Where the request came from; `None` where that is not told.
    pub from: Option<SocketAddr>,
    /// Port that it came to.
    pub own_port: u16,
    /// When the answer before this one left; `None` while that is not known.
    pub follow_up: Option<FollowUp>,
}

/// What the TLVs ask of the reply.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Asked {
    /// DSCP that the reply shall carry.
    pub dscp: Option<u8>,
    /// The next reply shall tell when this one left.
    pub follow_up: bool,
}

/// Turns a request's TLVs into the reply's, in place (RFC 8972 section 4): known ones are filled in and lose their U
/// flag, unknown ones keep it, a broken one gets M and ends the work; with a failed HMAC all get I and nothing is done.
///
/// `packet` is the whole request, its sequence number still the sender's; the HMAC TLV is not renewed here, since
/// it covers the reply's sequence number: call [`renew_hmac`] once that stands.
pub fn reflect(packet: &mut [u8], base_len: usize, ingress: Ingress, key: Option<&Key>) -> Asked {
    let mut asked = Asked::default();
    let Some((base, extra)) = packet.split_at_mut_checked(base_len) else { return asked };
    // Section 4.8: verify first; if it fails, return all TLVs as they came with I set.
    let sound = match (key, find_hmac(extra)) {
        (Some(key), Some((at, tag))) => key.verifies(&[&base[..4], &extra[..at]], tag),
        // Without a key there is nothing to verify with: the HMAC TLV stays unrecognised.
        _ => true,
    };
    let mut at = 0;
    while at < extra.len() {
        let rest = &mut extra[at..];
        let length = rest.get(2..4).map(|l| usize::from(u16::from_be_bytes([l[0], l[1]])));
        let Some(length) = length.filter(|length| rest.len() >= HEADER + length) else {
            rest[0] |= MALFORMED;
            break;
        };
        let (header, rest) = rest.split_at_mut(HEADER);
        let value = &mut rest[..length];
        if sound {
            let (recognised, well_formed) = fill(header[1], value, ingress, key, &mut asked);
            let unrecognised = if recognised { 0 } else { UNRECOGNISED };
            header[0] = if well_formed { unrecognised } else { unrecognised | MALFORMED };
        } else {
            header[0] |= INTEGRITY_FAILED;
        }
        at += HEADER + length;
    }
    asked
}

/// Fills one value; tells whether the type is known and whether the value has its form.
fn fill(kind: u8, value: &mut [u8], ingress: Ingress, key: Option<&Key>, asked: &mut Asked) -> (bool, bool) {
    match kind {
        // Section 4.1: padding is returned as it is.
        EXTRA_PADDING => (true, true),
        CLASS_OF_SERVICE => {
            let (Some(request), Some(class)) = (ClassOfService::parse(value), ingress.traffic_class) else {
                return (ingress.traffic_class.is_some(), value.len() == 4);
            };
            asked.dscp = Some(request.asked);
            let reply = ClassOfService { seen: class >> 2, seen_ecn: class & 3, reverse_path: 0, ..request };
            value.copy_from_slice(&reply.value());
            (true, true)
        }
        LOCATION => match ingress.from {
            Some(from) => (true, Location::fill(value, from, ingress.own_port)),
            None => (false, true),
        },
        // Section 4.3: sub-TLVs may follow the four octets; none of them is known here, and they stay as they came.
        TIMESTAMP_INFORMATION => match value.first_chunk_mut::<4>() {
            Some(octets) => {
                *octets = TimestampInformation::OURS.value();
                (true, true)
            }
            None => (true, false),
        },
        // Section 4.5: sender's transmit count, then the reflector's receive and transmit counts.
        DIRECT_MEASUREMENT => {
            if value.len() != 12 {
                return (true, false);
            }
            value[4..8].copy_from_slice(&ingress.received.to_be_bytes());
            value[8..12].copy_from_slice(&ingress.sent.to_be_bytes());
            (true, true)
        }
        // Section 4.7: of the answer before this one; zeroes where its time of leaving is not known.
        FOLLOW_UP_TELEMETRY => {
            let told = ingress.follow_up.map_or([0; 16], FollowUp::value);
            let fits = value.len() == told.len();
            if fits {
                value.copy_from_slice(&told);
                asked.follow_up = true;
            }
            (true, fits)
        }
        HMAC => (key.is_some(), value.len() == HMAC_LEN),
        _ => (false, true),
    }
}

/// Offset and value of the HMAC TLV, if the chain is whole up to it and only padding follows.
fn find_hmac(extra: &[u8]) -> Option<(usize, &[u8])> {
    let mut at = 0;
    let mut found = None;
    for tlv in Tlvs::new(extra) {
        let tlv = tlv.ok()?;
        match (tlv.kind, found) {
            (HMAC, None) if tlv.value.len() == HMAC_LEN => found = Some((at, tlv.value)),
            (EXTRA_PADDING, _) | (_, None) => {}
            _ => return None,
        }
        at += HEADER + tlv.value.len();
    }
    found
}

#[cfg(test)]
mod tests;
