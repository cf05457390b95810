//! Watches one television channel: datagrams in the order in which they come, with the time of their arrival; what is wrong with them out. No socket and
//! no clock.
//!
//! Three layers, each with its own trouble: RTP ([`flow`]), the transport stream ([`transport`]) with its tables and clock, and delivery over time
//! ([`crate::metric::stream::delivery`]). Copies of a datagram, and datagrams that come after a later one, are counted and go no further, as in a receiver
//! that does not restore the order (RFC 4445 section 3.2 counts both as media loss for the same reason). Memory is bounded, whatever comes.

pub mod flow;
mod picture;
mod tables;
pub mod transport;

use std::collections::BTreeMap;

use self::flow::Flow;
use self::transport::Transport;
use crate::metric::stream::delivery::{self, Delivery};
use crate::wire::rtp::fec::{self, Fec};
use crate::wire::rtp::{self, MP2T};
use crate::wire::ts::framing::Framing;
use crate::wire::ts::{PACKET_LEN, SYNC};

/// How packets lie in datagrams.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Envelope {
    /// In UDP alone.
    Udp,
    /// In RTP.
    Rtp,
}

/// The watcher of one channel.
#[derive(Debug, Clone, Default)]
pub struct ChannelWatch {
    began_ns: Option<i64>,
    last_ns: i64,
    longest_gap_ns: i64,
    datagrams: u64,
    octets: u64,
    strange: u64,
    envelope: Option<Envelope>,
    framing: Framing,
    /// Transport packets in the last datagram: what a lost one is taken to have had.
    each: u64,
    flow: Flow,
    transport: Transport,
    delivery: Delivery,
    repair: BTreeMap<Fec, u64>,
}

/// What was found.
#[derive(Debug, Clone)]
pub struct Report {
    /// Arrival of the first datagram, in the caller's nanoseconds; `None` when none came.
    pub began_ns: Option<i64>,
    /// From the first datagram to the last, nanoseconds.
    pub span_ns: i64,
    /// Longest time without a datagram, from the first to the last, nanoseconds.
    pub longest_gap_ns: i64,
    /// Datagrams.
    pub datagrams: u64,
    /// Their octets, with RTP header, without UDP's.
    pub octets: u64,
    /// Datagrams that are neither RTP nor a transport stream, or RTP of another payload.
    pub strange: u64,
    /// How packets lie in datagrams; `None` when none could be told.
    pub envelope: Option<Envelope>,
    /// How transport packets lie in it.
    pub framing: Framing,
    /// RTP, where there is any.
    pub flow: Option<flow::Report>,
    /// The transport stream.
    pub transport: transport::Report,
    /// Delay factor and media loss, second by second.
    pub delivery: delivery::Found,
    /// Repair packets, beside the media or on the ports next to it.
    pub repair: BTreeMap<Fec, u64>,
}

impl ChannelWatch {
    /// Nothing has come yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// A datagram of the channel arrived: its payload, and when, in nanoseconds of one clock.
    pub fn on_datagram(&mut self, at_ns: i64, datagram: &[u8]) {
        self.datagrams += 1;
        self.octets += datagram.len() as u64;
        if self.began_ns.replace(self.began_ns.unwrap_or(at_ns)).is_some() {
            self.longest_gap_ns = self.longest_gap_ns.max(at_ns.saturating_sub(self.last_ns));
            self.last_ns = self.last_ns.max(at_ns);
        } else {
            self.last_ns = at_ns;
        }
        match rtp::Packet::parse(datagram) {
            Ok(packet) if packet.header.payload_type == MP2T || packet.payload.first() == Some(&SYNC) => {
                self.on_media(at_ns, &packet);
            }
            Ok(packet) => self.on_other(&packet),
            Err(_)
                if datagram.first() == Some(&SYNC) || Framing::of(datagram).is_some() || self.envelope == Some(Envelope::Udp) =>
            {
                self.envelope.get_or_insert(Envelope::Udp);
                self.take(at_ns, datagram, None);
            }
            Err(_) => self.strange += 1,
        }
    }

    /// A datagram came on a port next to the channel's, where repair packets are sent (media's + 2 and + 4).
    pub fn on_companion(&mut self, datagram: &[u8]) {
        if let Ok(packet) = rtp::Packet::parse(datagram) {
            self.look_for_repair(&packet);
        }
    }

    /// What was found until now. `now_ns` is when nothing more is listened to, on the clock of the arrivals: what must come again and did not by then, counts.
    pub fn report(&self, now_ns: i64) -> Report {
        let began_ns = self.began_ns;
        // The line may have been quiet since; that is the gap's business, and not a fault of every table.
        let end_ns = now_ns.min(self.last_ns);
        Report {
            began_ns,
            span_ns: began_ns.map_or(0, |began| self.last_ns - began),
            longest_gap_ns: self.longest_gap_ns,
            datagrams: self.datagrams,
            octets: self.octets,
            strange: self.strange,
            envelope: self.envelope,
            framing: self.framing,
            flow: self.flow.report(),
            transport: self.transport.report(began_ns.unwrap_or(end_ns), end_ns),
            delivery: self.delivery.found(),
            repair: self.repair.clone(),
        }
    }

    /// When the first point of random access came whose program's tables were known: from here on a decoder can make pictures. On the arrivals' clock.
    pub fn first_random_access_ns(&self) -> Option<i64> {
        self.transport.first_random_access_ns()
    }

    fn on_media(&mut self, at_ns: i64, packet: &rtp::Packet<'_>) {
        self.envelope = Some(Envelope::Rtp);
        match self.flow.on_packet(at_ns, &packet.header, packet.payload.len() as u64) {
            flow::Verdict::Next { missing } => {
                let each = if self.each == 0 { (packet.payload.len() / PACKET_LEN) as u64 } else { self.each };
                self.take(at_ns, packet.payload, Some(missing * each));
            }
            flow::Verdict::Restart => {
                self.transport.on_unknown_loss();
                self.take(at_ns, packet.payload, Some(0));
            }
            flow::Verdict::Late | flow::Verdict::Copy | flow::Verdict::Doubtful => {}
        }
    }

    /// The transport packets of a datagram. `lost` is how many were lost before it where RTP knows; else the counters tell.
    fn take(&mut self, at_ns: i64, payload: &[u8], lost: Option<u64>) {
        let before = self.transport.missing();
        if let Some(framing) = Framing::of(payload) {
            self.framing = framing;
        }
        if let Some(lost @ 1..) = lost {
            self.transport.on_known_loss(lost);
        }
        let mut count = 0;
        for packet in self.framing.packets(payload) {
            self.transport.on_packet(at_ns, (count * PACKET_LEN) as u32, packet);
            count += 1;
        }
        if count * self.framing.stride() != payload.len() {
            self.transport.on_left_over();
        }
        self.each = count as u64;
        let lost = lost.unwrap_or_else(|| self.transport.missing() - before);
        let bits = (count * PACKET_LEN * 8) as f64;
        self.delivery.on_arrival(at_ns, bits, lost, self.transport.rate());
    }

    fn on_other(&mut self, packet: &rtp::Packet<'_>) {
        if !self.look_for_repair(packet) {
            self.strange += 1;
        }
    }

    fn look_for_repair(&mut self, packet: &rtp::Packet<'_>) -> bool {
        let Some((ssrc, sequence)) = self.flow.media() else { return false };
        let kind = fec::recognise(packet, fec::Media { ssrc, sequence });
        if let Some(kind) = kind {
            *self.repair.entry(kind).or_default() += 1;
        }
        kind.is_some()
    }
}

#[cfg(test)]
mod tests;
