//! One side of a test call: a stream of speech packets each way, sent by its clock, with a note of what left and what came when.
//!
//! RTP as telephones send it (RFC 3550 section 5.1, RFC 3551): a packet each 20 ms, the first one marked, sequence numbers and time
//! stamps from a start that is drawn. The speech is a tone. Both sides run the same machine. It knows no socket and no clock, and draws nothing:
//! time comes in as nanoseconds, what is drawn in [`Stream`]. It is a stream and no telephone: nothing here rings or dials.

pub mod account;

use std::collections::HashSet;

use crate::unit::{Codec, PACKET_TIME, Stamp, StampSource};
use crate::wire::call::{Arrival, Leg};
use crate::wire::rtp::{self, Header};

/// Packets of a stream at most: five minutes. Below the range of sequence numbers, so that each names one packet.
pub const MOST_PACKETS: u16 = 15_000;
/// How long is waited for what is late, after the last packet was due.
const DRAIN_NS: i64 = 1_000_000_000;

/// One milliwatt of 1 kHz, eight samples, as G.711 codes it (ITU-T G.711 tables 5 and 6, the digital milliwatt; from memory).
const MILLIWATT_MU_LAW: [u8; 8] = [0x1e, 0x0b, 0x0b, 0x1e, 0x9e, 0x8b, 0x8b, 0x9e];
const MILLIWATT_A_LAW: [u8; 8] = [0x34, 0x21, 0x21, 0x34, 0xb4, 0xa1, 0xa1, 0xb4];
/// Octets in the place of a frame of G.729: a pattern of our own, which no decoder needs to like.
const PATTERN: [u8; 10] = [0x78, 0x52, 0x80, 0xa0, 0x00, 0xfa, 0xc2, 0x00, 0x07, 0xd6];

/// What a stream's packets are known by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stream {
    /// Synchronisation source.
    pub ssrc: u32,
    /// Sequence number of the first packet.
    pub first_sequence: u16,
    /// Time stamp of the first packet.
    pub first_timestamp: u32,
}

/// What a side sends and what it expects.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Plan {
    /// What both are coded with.
    pub codec: Codec,
    /// Packets each way, at most [`MOST_PACKETS`].
    pub packets: u16,
    /// What this side sends.
    pub own: Stream,
    /// What the other side sends.
    pub other: Stream,
}

/// One side.
#[derive(Debug)]
pub struct Talk {
    plan: Plan,
    /// When the first packet is due.
    began_ns: i64,
    leg: Leg,
    seen: HashSet<u16>,
}

impl Talk {
    /// Begins to speak at `began_ns`, of whatever clock.
    pub fn new(began_ns: i64, plan: Plan) -> Self {
        let plan = Plan { packets: plan.packets.min(MOST_PACKETS), ..plan };
        let leg = Leg { opened: true, ..Leg::default() };
        Self { plan, began_ns, leg, seen: HashSet::new() }
    }

    fn due_ns(&self, place: usize) -> i64 {
        self.began_ns + place as i64 * spacing_ns()
    }

    /// When it wants to be asked again: the next packet's time, or the end.
    pub fn next_wake(&self) -> i64 {
        let place = self.leg.sent.len();
        if place < usize::from(self.plan.packets) { self.due_ns(place) } else { self.ends_ns() }
    }

    fn ends_ns(&self) -> i64 {
        self.due_ns(usize::from(self.plan.packets)) + DRAIN_NS
    }

    /// The packet that is due, with its place. It counts as not sent until [`Self::on_sent`] says otherwise. One that could not go at its
    /// time goes late: a telephone keeps its samples.
    pub fn transmit(&mut self, now_ns: i64) -> Option<(u16, Vec<u8>)> {
        let place = self.leg.sent.len();
        if place >= usize::from(self.plan.packets) || now_ns < self.due_ns(place) {
            return None;
        }
        self.leg.sent.push(None);
        // Below MOST_PACKETS.
        let number = place as u16;
        let Plan { codec, own, .. } = self.plan;
        let header = Header {
            marker: number == 0,
            payload_type: codec.payload_type(),
            sequence: own.first_sequence.wrapping_add(number),
            timestamp: own.first_timestamp.wrapping_add(u32::from(number).wrapping_mul(Codec::TICKS)),
            ssrc: own.ssrc,
        };
        Some((number, header.emit(&speech(codec))))
    }

    /// A packet left, nanoseconds since 1970 by the program's own look at the clock.
    pub fn on_sent(&mut self, place: u16, unix_ns: i64) {
        if let Some(slot) = self.leg.sent.get_mut(usize::from(place)) {
            *slot = Some(unix_ns);
            self.leg.user_stamped += 1;
        }
    }

    /// The kernel's stamp of a packet that left, in the place of the program's own.
    pub fn on_departure(&mut self, place: u16, unix_ns: i64) {
        if let Some(slot @ Some(_)) = self.leg.sent.get_mut(usize::from(place)) {
            *slot = Some(unix_ns);
            self.leg.user_stamped = self.leg.user_stamped.saturating_sub(1);
        }
    }

    /// A datagram came at a time that the kernel took, or this program. Whether it is a packet of the other side's stream; copies are not noted.
    pub fn on_packet(&mut self, octets: &[u8], Stamp { unix_ns, source, .. }: Stamp, class: u8) -> bool {
        let Ok(packet) = rtp::Packet::parse(octets) else { return false };
        let Plan { codec, packets, other, .. } = self.plan;
        let place = packet.header.sequence.wrapping_sub(other.first_sequence);
        let is_of_stream = packet.header.ssrc == other.ssrc
            && packet.header.payload_type == codec.payload_type()
            && packet.payload.len() == codec.octets()
            && place < packets;
        if is_of_stream && self.seen.insert(place) {
            self.leg.arrived.push(Arrival { place, class, at_ns: unix_ns });
            self.leg.user_stamped += u32::from(source == StampSource::User);
        }
        is_of_stream
    }

    /// The socket's queue has dropped so many datagrams so far.
    pub fn on_receive_drops(&mut self, drops: u32) {
        self.leg.dropped = self.leg.dropped.max(drops);
    }

    /// Whether nothing more is to be sent or waited for.
    pub fn is_over(&self, now_ns: i64) -> bool {
        let is_sent = self.leg.sent.len() == usize::from(self.plan.packets);
        is_sent && (self.seen.len() == usize::from(self.plan.packets) || now_ns >= self.ends_ns())
    }

    /// Packets that left and packets that came so far.
    pub fn progress(&self) -> (usize, usize) {
        (self.leg.sent.len(), self.leg.arrived.len())
    }

    /// What was noted.
    pub fn into_leg(self) -> Leg {
        self.leg
    }
}

fn spacing_ns() -> i64 {
    PACKET_TIME.as_nanos() as i64
}

fn speech(codec: Codec) -> Vec<u8> {
    let pattern: &[u8] = match codec {
        Codec::G711MuLaw => &MILLIWATT_MU_LAW,
        Codec::G711ALaw => &MILLIWATT_A_LAW,
        Codec::G729A => &PATTERN,
    };
    pattern.iter().copied().cycle().take(codec.octets()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: i64 = 1_000_000;

    fn plan(codec: Codec, packets: u16) -> Plan {
        let stream = |ssrc, first_sequence| Stream { ssrc, first_sequence, first_timestamp: u32::MAX - 100 };
        Plan { codec, packets, own: stream(0x1234_5678, 65_534), other: stream(0x8765_4321, 65_000) }
    }

    fn at(unix_ns: i64) -> Stamp {
        Stamp { unix_ns, source: StampSource::Kernel, adapter_ns: None }
    }

    fn mirrored(plan: Plan) -> Plan {
        Plan { own: plan.other, other: plan.own, ..plan }
    }

    #[test]
    fn packets_are_those_of_rfc_3551_one_each_20_ms_with_numbers_that_wrap() {
        for (codec, kind, octets) in [(Codec::G711MuLaw, 0, 160), (Codec::G711ALaw, 8, 160), (Codec::G729A, 18, 20)] {
            let mut talk = Talk::new(5 * MS, plan(codec, 3));
            assert_eq!((talk.next_wake(), talk.transmit(5 * MS - 1)), (5 * MS, None));
            for (place, sequence, timestamp) in [(0, 65_534, u32::MAX - 100), (1, 65_535, 59), (2, 0, 219)] {
                let at = (5 + 20 * i64::from(place)) * MS;
                assert_eq!(talk.next_wake(), at);
                let (number, bytes) = talk.transmit(at).expect("due");
                assert_eq!((number, talk.transmit(at)), (place, None));
                let packet = rtp::Packet::parse(&bytes).expect("RTP");
                let header = packet.header;
                assert_eq!((header.marker, header.payload_type, packet.payload.len()), (place == 0, kind, octets));
                assert_eq!((header.sequence, header.timestamp, header.ssrc), (sequence, timestamp, 0x1234_5678));
            }
            assert_eq!(talk.next_wake(), (5 + 60 + 1000) * MS);
        }
    }

    #[test]
    fn both_sides_understand_each_other_and_end_when_all_has_come() {
        let plan = plan(Codec::G711MuLaw, 50);
        let (mut near, mut far) = (Talk::new(0, plan), Talk::new(0, mirrored(plan)));
        for number in 0..50 {
            let now = number * 20 * MS;
            let (place, bytes) = near.transmit(now).expect("due");
            near.on_sent(place, now + 3);
            near.on_departure(place, now + 7);
            // Every tenth is lost, and every ninth comes twice.
            if number % 10 != 3 {
                assert!(far.on_packet(&bytes, at(now + 9 * MS), 0xb8));
            }
            if number % 9 == 0 {
                assert!(far.on_packet(&bytes, at(now + 10 * MS), 0));
            }
            let (_, bytes) = far.transmit(now).expect("due");
            assert!(near.on_packet(&bytes, at(now + 5 * MS), 0));
        }
        assert!(near.is_over(1000 * MS), "all came");
        assert!(!far.is_over(1999 * MS) && far.is_over(2000 * MS), "some did not, and a second is over");
        let (near, far) = (near.into_leg(), far.into_leg());
        assert_eq!((near.sent[1], near.user_stamped, far.sent[1]), (Some(20 * MS + 7), 0, None));
        assert_eq!((near.arrived.len(), far.arrived.len()), (50, 45));
        assert_eq!(far.arrived[3], Arrival { place: 4, class: 0xb8, at_ns: 89 * MS });
    }

    #[test]
    fn what_is_not_of_the_stream_is_not_taken_for_it() {
        let plan = plan(Codec::G711MuLaw, 50);
        let mut other = Talk::new(0, mirrored(plan));
        let (_, whole) = other.transmit(0).expect("due");
        let mut talk = Talk::new(0, plan);
        for octet in [0, 1, 2, 3, 8, 11] {
            let mut changed = whole.clone();
            // Version, payload type, sequence out of range, source.
            changed[octet] ^= if octet == 3 { 0x80 } else { 0x40 };
            assert!(!talk.on_packet(&changed, at(0), 0), "{octet}");
        }
        for length in 0..whole.len() {
            assert!(!talk.on_packet(&whole[..length], at(0), 0), "{length}");
        }
        assert!(talk.on_packet(&whole, at(0), 0));
        talk.on_receive_drops(4);
        assert_eq!((talk.progress(), talk.into_leg().dropped), ((0, 1), 4));
    }
}
