//! What the TLVs of RFC 8972 carry: location, timestamp information, counts; and what of an answer's TLVs may be believed.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};

use super::super::{Key, Timestamp, key::HMAC_LEN};
use super::{
    CLASS_OF_SERVICE, ClassOfService, DIRECT_MEASUREMENT, EXTRA_PADDING, FOLLOW_UP_TELEMETRY, HEADER, HMAC, INTEGRITY_FAILED,
    LOCATION, MALFORMED, TIMESTAMP_INFORMATION, Tlvs, UNRECOGNISED, find_hmac,
};

/// Sub-TLV of a location: where the packet came from, of either IP version; and what a reflector makes of it (registry of RFC 8972 section 5.4).
const SOURCE: u8 = 7;
const SOURCE_V4: u8 = 8;
const SOURCE_V6: u8 = 9;
/// Octets of its value: an IPv4 address is followed by zeroes, so that question and answer are of one length (section 4.2.1).
const ADDRESS: usize = 16;
/// The value without sub-TLVs: two ports.
const PORTS: usize = 4;

/// Where a packet came from and went to, as its receiver saw it (section 4.2): what differs from what was sent was translated on the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Location {
    /// UDP port that it went to.
    pub to_port: u16,
    /// UDP port that it came from.
    pub from_port: u16,
    /// Address that it came from, if that was asked for.
    pub from: Option<IpAddr>,
}

impl Location {
    /// The value that a sender asks with; `wants_address` asks for the address too.
    pub fn question(wants_address: bool) -> Vec<u8> {
        let mut value = vec![0; PORTS];
        if wants_address {
            super::push(&mut value, SOURCE, &[0; ADDRESS]);
        }
        value
    }

    /// Reads an answer's value; sub-TLVs that were not recognised are left out. `None` when it has not its form.
    pub fn parse(value: &[u8]) -> Option<Self> {
        let (ports, subs) = value.split_at_checked(PORTS)?;
        let mut this = Self {
            to_port: u16::from_be_bytes([ports[0], ports[1]]),
            from_port: u16::from_be_bytes([ports[2], ports[3]]),
            from: None,
        };
        for sub in Tlvs::new(subs) {
            let sub = sub.ok()?;
            let octets: Option<[u8; ADDRESS]> = sub.value.try_into().ok().filter(|_| sub.flags == 0);
            match (sub.kind, octets) {
                (SOURCE_V4, Some([a, b, c, d, ..])) => this.from = Some(Ipv4Addr::new(a, b, c, d).into()),
                (SOURCE_V6, Some(octets)) => this.from = Some(Ipv6Addr::from(octets).into()),
                _ => {}
            }
        }
        Some(this)
    }

    /// Fills in a question's value in place; false when it has not its form. What is asked beside the source keeps its U flag.
    pub(super) fn fill(value: &mut [u8], from: SocketAddr, to_port: u16) -> bool {
        let Some((ports, mut subs)) = value.split_at_mut_checked(PORTS) else { return false };
        ports[..2].copy_from_slice(&to_port.to_be_bytes());
        ports[2..].copy_from_slice(&from.port().to_be_bytes());
        while !subs.is_empty() {
            let length = subs.get(2..HEADER).map(|l| usize::from(u16::from_be_bytes([l[0], l[1]])));
            let Some(end) = length.map(|length| HEADER + length).filter(|end| subs.len() >= *end) else {
                subs[0] |= MALFORMED;
                return false;
            };
            let (sub, rest) = subs.split_at_mut(end);
            match (sub[1], from.ip().to_canonical()) {
                (SOURCE | SOURCE_V4 | SOURCE_V6, _) if end != HEADER + ADDRESS => {
                    sub[0] = MALFORMED;
                    return false;
                }
                (SOURCE | SOURCE_V4, IpAddr::V4(address)) => {
                    sub[..2].copy_from_slice(&[0, SOURCE_V4]);
                    sub[HEADER..].fill(0);
                    sub[HEADER..HEADER + 4].copy_from_slice(&address.octets());
                }
                (SOURCE | SOURCE_V6, IpAddr::V6(address)) => {
                    sub[..2].copy_from_slice(&[0, SOURCE_V6]);
                    sub[HEADER..].copy_from_slice(&address.octets());
                }
                _ => sub[0] |= UNRECOGNISED,
            }
            subs = rest;
        }
        true
    }
}

/// How a reflector's clock is set and its stamps are taken (section 4.3); the numbers are those of the registries of sections 5.5 and 5.6.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TimestampInformation {
    /// What the clock of the receive stamp is set by: 1 NTP, 2 PTP, 3 SSU or BITS, 4 satellites, 5 nothing.
    pub receive_clock: u8,
    /// How that stamp is taken: 1 with the adapter's help, 2 by software, 3 by the control plane.
    pub receive_method: u8,
    /// The same of the transmit stamp.
    pub transmit_clock: u8,
    /// The same of the transmit stamp.
    pub transmit_method: u8,
}

impl TimestampInformation {
    /// The method of stamps that are taken by software.
    pub const SOFTWARE: u8 = 2;
    /// A clock that nothing is known to set, software stamps.
    pub const OURS: Self =
        Self { receive_clock: 5, receive_method: Self::SOFTWARE, transmit_clock: 5, transmit_method: Self::SOFTWARE };

    /// From a TLV's value; `None` when it is shorter than four octets.
    pub fn parse(value: &[u8]) -> Option<Self> {
        let &[receive_clock, receive_method, transmit_clock, transmit_method, ..] = value else { return None };
        Some(Self { receive_clock, receive_method, transmit_clock, transmit_method })
    }

    /// The TLV's value.
    pub fn value(self) -> [u8; 4] {
        [self.receive_clock, self.receive_method, self.transmit_clock, self.transmit_method]
    }
}

/// Packets counted by both sides (section 4.5).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Sent by the sender, this one included.
    pub sent: u32,
    /// Received by the reflector.
    pub received: u32,
    /// Sent back by it.
    pub sent_back: u32,
}

impl Counts {
    /// From a TLV's value; `None` when it is not of twelve octets.
    pub fn parse(value: &[u8]) -> Option<Self> {
        let &[a, b, c, d, e, f, g, h, i, j, k, l] = value else { return None };
        let of = u32::from_be_bytes;
        Some(Self { sent: of([a, b, c, d]), received: of([e, f, g, h]), sent_back: of([i, j, k, l]) })
    }

    /// The TLV's value.
    pub fn value(self) -> [u8; 12] {
        let mut value = [0; 12];
        for (place, count) in value.chunks_exact_mut(4).zip([self.sent, self.received, self.sent_back]) {
            place.copy_from_slice(&count.to_be_bytes());
        }
        value
    }
}

/// When an answer left, told with the next one (section 4.7): the system knows it only once the packet that carries T3 has gone.
///
/// ```text
/// sequence number (4)  timestamp (8)  timestamping method (1)  reserved (3)
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FollowUp {
    /// The reflector's number of that answer.
    pub sequence: u32,
    /// When it left, in the format of the packet that tells it.
    pub timestamp: Timestamp,
    /// How that was taken: 1 with the adapter's help, 2 by software, 3 by the control plane.
    pub method: u8,
}

impl FollowUp {
    /// From a TLV's value; `None` when it is not of sixteen octets, or when it tells nothing (a reflector that does not know sends zeroes).
    pub fn parse(value: &[u8]) -> Option<Self> {
        let &[a, b, c, d, ref timestamp @ .., method, _, _, _] = value else { return None };
        let timestamp = Timestamp(u64::from_be_bytes(timestamp.try_into().ok()?));
        (timestamp != Timestamp::default()).then_some(Self { sequence: u32::from_be_bytes([a, b, c, d]), timestamp, method })
    }

    /// The TLV's value.
    pub fn value(self) -> [u8; 16] {
        let mut value = [0; 16];
        value[..4].copy_from_slice(&self.sequence.to_be_bytes());
        value[4..12].copy_from_slice(&self.timestamp.0.to_be_bytes());
        value[12] = self.method;
        value
    }
}

/// What an answer's TLVs tell.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Told {
    /// Class of service.
    pub class: Option<ClassOfService>,
    /// Where the packet came from.
    pub location: Option<Location>,
    /// How the reflector takes its stamps.
    pub stamps: Option<TimestampInformation>,
    /// Both sides' counts.
    pub counts: Option<Counts>,
    /// When the answer before this one left.
    pub follow_up: Option<FollowUp>,
    /// TLVs that the reflector did not recognise, padding and HMAC aside.
    pub unrecognised: u32,
    /// A TLV is malformed, by its flag or by its length: nothing behind it was read.
    pub is_malformed: bool,
    /// The TLVs were changed on the way, there by the reflector's word or back by their HMAC: nothing of them is believed.
    pub is_forged: bool,
}

/// Reads an answer's TLVs (RFC 8972 section 4): one with U is skipped, one with M ends the reading, one with I discards all, and so
/// does an HMAC of the reflector's that does not fit. `packet` is the whole answer.
pub fn told(packet: &[u8], base_len: usize, key: Option<&Key>) -> Told {
    let mut told = Told::default();
    let Some((base, extra)) = packet.split_at_checked(base_len) else { return told };
    for tlv in Tlvs::new(extra) {
        let Ok(tlv) = tlv else {
            told.is_malformed = true;
            break;
        };
        if tlv.flags & INTEGRITY_FAILED != 0 {
            return Told { is_forged: true, ..Told::default() };
        }
        if tlv.flags & MALFORMED != 0 {
            told.is_malformed = true;
            break;
        }
        if tlv.flags & UNRECOGNISED != 0 {
            told.unrecognised += u32::from(!matches!(tlv.kind, EXTRA_PADDING | HMAC));
            continue;
        }
        match tlv.kind {
            CLASS_OF_SERVICE => told.class = told.class.or_else(|| ClassOfService::parse(tlv.value)),
            LOCATION => told.location = told.location.or_else(|| Location::parse(tlv.value)),
            TIMESTAMP_INFORMATION => told.stamps = told.stamps.or_else(|| TimestampInformation::parse(tlv.value)),
            DIRECT_MEASUREMENT => told.counts = told.counts.or_else(|| Counts::parse(tlv.value)),
            FOLLOW_UP_TELEMETRY => told.follow_up = told.follow_up.or_else(|| FollowUp::parse(tlv.value)),
            HMAC if tlv.value.len() == HMAC_LEN => {
                let fits = |key: &Key| find_hmac(extra).is_some_and(|(at, tag)| key.verifies(&[&base[..4], &extra[..at]], tag));
                if key.is_some_and(|key| !fits(key)) {
                    return Told { is_forged: true, ..Told::default() };
                }
            }
            _ => {}
        }
    }
    told
}

#[cfg(test)]
mod tests {
    use super::super::{Ingress, push, push_hmac, reflect, renew_hmac};
    use super::*;

    const BASE: usize = 44;
    const FROM: &str = "198.51.100.2:40123";

    fn question() -> Vec<u8> {
        let mut packet = vec![0; BASE];
        push(&mut packet, LOCATION, &Location::question(true));
        push(&mut packet, TIMESTAMP_INFORMATION, &[0; 4]);
        push(&mut packet, DIRECT_MEASUREMENT, &Counts { sent: 7, ..Counts::default() }.value());
        packet
    }

    fn ingress(from: &str) -> Ingress {
        Ingress { received: 6, sent: 5, from: Some(from.parse().expect("an address")), own_port: 862, ..Ingress::default() }
    }

    #[test]
    fn a_question_has_its_octets_and_its_answer_tells_where_it_came_from() {
        let mut packet = question();
        // Flags U, type 2, 24 octets; two ports; sub-TLV 7 of 16 octets.
        assert_eq!(packet[BASE..BASE + 12], [0x80, 2, 0, 24, 0, 0, 0, 0, 0x80, 7, 0, 16]);
        let before = packet.len();
        reflect(&mut packet, BASE, ingress(FROM), None);
        assert_eq!(packet.len(), before);
        assert_eq!(packet[BASE..BASE + 16], [0, 2, 0, 24, 0x03, 0x5e, 0x9c, 0xbb, 0, 8, 0, 16, 198, 51, 100, 2]);
        let told = told(&packet, BASE, None);
        let location = Location { to_port: 862, from_port: 40_123, from: Some("198.51.100.2".parse().expect("an address")) };
        assert_eq!(told.location, Some(location));
        assert_eq!(told.stamps, Some(TimestampInformation::OURS));
        assert_eq!(told.counts, Some(Counts { sent: 7, received: 6, sent_back: 5 }));
        assert_eq!((told.unrecognised, told.is_malformed, told.is_forged), (0, false, false));
    }

    #[test]
    fn ipv6_sources_and_mapped_ones_are_told_as_what_they_are() {
        for (from, want) in [("[2001:db8::7]:9", "2001:db8::7"), ("[::ffff:192.0.2.9]:9", "192.0.2.9")] {
            let mut packet = question();
            reflect(&mut packet, BASE, ingress(from), None);
            let from = told(&packet, BASE, None).location.and_then(|location| location.from);
            assert_eq!(from, Some(want.parse().expect("an address")));
        }
    }

    #[test]
    fn a_broken_location_is_malformed_and_a_foreign_question_keeps_its_flag() {
        for value in [vec![0; 3], vec![0, 0, 0, 0, 0x80, 7, 0, 17], vec![0, 0, 0, 0, 0x80, 7, 0, 1, 9], vec![0, 0, 0, 0, 1]] {
            let mut packet = vec![0; BASE];
            push(&mut packet, LOCATION, &value);
            reflect(&mut packet, BASE, ingress(FROM), None);
            assert_eq!(packet[BASE], MALFORMED, "{value:?}");
            assert!(told(&packet, BASE, None).is_malformed);
        }
        let mut value = vec![0; PORTS];
        push(&mut value, 1, &[0; 8]);
        let mut packet = vec![0; BASE];
        push(&mut packet, LOCATION, &value);
        reflect(&mut packet, BASE, ingress(FROM), None);
        assert_eq!((packet[BASE], packet[BASE + 8]), (0, UNRECOGNISED));
    }

    #[test]
    fn a_follow_up_has_its_octets_and_one_that_tells_nothing_is_none() {
        let mut packet = vec![0; BASE];
        push(&mut packet, FOLLOW_UP_TELEMETRY, &[0; 16]);
        let before = FollowUp { sequence: 0x0102_0304, timestamp: Timestamp(0x1112_1314_1516_1718), method: 2 };
        let mut known = packet.clone();
        let asked = reflect(&mut known, BASE, Ingress { follow_up: Some(before), ..ingress(FROM) }, None);
        assert!(asked.follow_up);
        let octets = [0, 7, 0, 16, 1, 2, 3, 4, 0x11, 0x12, 0x13, 0x14, 0x15, 0x16, 0x17, 0x18, 2, 0, 0, 0];
        assert_eq!(known[BASE..], octets);
        assert_eq!(told(&known, BASE, None).follow_up, Some(before));
        reflect(&mut packet, BASE, ingress(FROM), None);
        assert_eq!(told(&packet, BASE, None), Told::default());

        let mut short = vec![0; BASE];
        push(&mut short, FOLLOW_UP_TELEMETRY, &[0; 15]);
        assert!(!reflect(&mut short, BASE, ingress(FROM), None).follow_up);
        assert!(told(&short, BASE, None).is_malformed);
    }

    #[test]
    fn u_skips_one_m_ends_the_reading_and_i_discards_all() {
        let mut sound = question();
        reflect(&mut sound, BASE, ingress(FROM), None);
        let with = |at: usize, flag: u8| {
            let mut packet = sound.clone();
            packet[BASE + at] = flag;
            told(&packet, BASE, None)
        };
        // The TLVs begin at 0, 28 and 36.
        let u = with(28, UNRECOGNISED);
        assert!(u.location.is_some() && u.stamps.is_none() && u.counts.is_some() && u.unrecognised == 1);
        let m = with(28, MALFORMED);
        assert!(m.location.is_some() && m.stamps.is_none() && m.counts.is_none() && m.is_malformed);
        assert_eq!(with(36, INTEGRITY_FAILED), Told { is_forged: true, ..Told::default() });
        // Returned as they were sent, by a reflector that knows none.
        let none = told(&question(), BASE, None);
        assert_eq!(none, Told { unrecognised: 3, ..Told::default() });
    }

    #[test]
    fn an_hmac_that_does_not_fit_the_answer_discards_all() {
        let key = Key::new(b"invented");
        let mut packet = question();
        push_hmac(&mut packet, BASE, &key);
        reflect(&mut packet, BASE, ingress(FROM), Some(&key));
        assert!(told(&packet, BASE, Some(&key)).is_forged, "the values have changed since");
        renew_hmac(&mut packet, BASE, &key);
        let whole = told(&packet, BASE, Some(&key));
        assert!(whole.counts.is_some() && !whole.is_forged);
        packet[BASE + 5] ^= 1;
        assert!(told(&packet, BASE, Some(&key)).is_forged);
    }

    #[test]
    fn every_truncation_is_read_without_a_panic() {
        let mut packet = question();
        reflect(&mut packet, BASE, ingress(FROM), None);
        for end in 0..packet.len() {
            let _ = told(&packet[..end], BASE, None);
            reflect(&mut packet[..end].to_vec(), BASE, ingress(FROM), None);
        }
    }
}
