//! A client on a made-up clock, and a server's words.

use super::super::*;
use crate::unit::{Stamp, StampSource};
use crate::wire::dhcp4::option::code;
use crate::wire::dhcp4::{Introduction, Operation, Repr};
use crate::wire::ethernet::Tag;
use crate::wire::{arp, dhcp4, ethernet, ipv4, udp};

pub(super) const MAC: Mac = Mac([2, 0, 0x5e, 0, 0, 1]);
pub(super) const SERVER_MAC: Mac = Mac([2, 0, 0x5e, 0, 0, 0x99]);
pub(super) const SERVER: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
pub(super) const OTHER_SERVER: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 2);
pub(super) const ADDRESS: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 50);

pub(super) fn settings() -> Settings {
    Settings {
        mac: MAC,
        purpose: Purpose::Acquire,
        patience: Duration::from_secs(300),
        window: Duration::from_millis(500),
        probe_waits: Vec::new(),
        own: Vec::new(),
        introduction: Introduction::default(),
        transaction: 0x1000,
        jitter_ms: Vec::new(),
    }
}

/// A client and the clock.
pub(super) struct Scene {
    pub(super) client: Client,
    pub(super) start: Instant,
    pub(super) ms: u64,
    /// ARP packets that were sent, with their times.
    pub(super) spoken: Vec<(u64, arp::Repr)>,
}

/// A message as it went out.
#[derive(Debug, Clone)]
pub(super) struct Out {
    pub(super) repr: Repr,
    pub(super) kind: MessageType,
    pub(super) header: ethernet::Repr,
    pub(super) ip: ipv4::Repr,
}

impl Out {
    pub(super) fn option(&self, code: u8) -> Option<&[u8]> {
        self.repr.options.iter().find(|o| o.code == code).map(|o| o.data.as_slice())
    }
}

impl Scene {
    pub(super) fn new(settings: Settings) -> Self {
        let start = Instant::now();
        Self { client: Client::new(settings, start), start, ms: 0, spoken: Vec::new() }
    }

    pub(super) fn moment(&self) -> Moment {
        let stamp = Stamp {
            unix_ns: 1_700_000_000_000_000_000 + self.ms as i64 * 1_000_000,
            source: StampSource::Kernel,
            adapter_ns: None,
        };
        Moment { stamp, at: self.start + Duration::from_millis(self.ms) }
    }

    /// Everything that is sent now, stamped as it leaves; what is no DHCP goes to `spoken`.
    pub(super) fn flush(&mut self) -> Vec<Out> {
        let now = self.moment();
        let mut out = Vec::new();
        while let Some(outgoing) = self.client.transmit(now.at) {
            self.client.on_sent(outgoing.ticket, now);
            self.client.on_departure(outgoing.ticket, now);
            let frame = ethernet::parse(&outgoing.bytes).unwrap();
            if frame.repr.ethertype == ethernet::ARP {
                assert_eq!((frame.repr.destination, frame.repr.source), (Mac::BROADCAST, MAC));
                self.spoken.push((self.ms, arp::parse(frame.payload).unwrap()));
                continue;
            }
            let packet = ipv4::parse(frame.payload).unwrap();
            let datagram = udp::parse(packet.payload, packet.repr.source, packet.repr.destination).unwrap();
            assert_eq!((datagram.repr.source_port, datagram.repr.destination_port), (68, 67));
            assert_eq!((datagram.checksum, &packet.flaws[..]), (udp::Checksum::Right, &[][..]));
            let parsed = dhcp4::parse(datagram.payload).unwrap();
            assert_eq!(parsed.flaws, []);
            let kind = parsed.message_type().unwrap();
            out.push(Out { repr: parsed.repr, kind, header: frame.repr, ip: packet.repr });
        }
        out
    }

    /// Moves the clock to a time and returns what is sent on the way, with the time of each.
    pub(super) fn until(&mut self, ms: u64) -> Vec<(u64, Out)> {
        let mut sent: Vec<(u64, Out)> = self.flush().into_iter().map(|out| (self.ms, out)).collect();
        let mut stuck = 0;
        while let Some(wake) = self.client.next_wake() {
            let due = wake.saturating_duration_since(self.start).as_millis() as u64;
            if due > ms {
                break;
            }
            stuck = if due <= self.ms { stuck + 1 } else { 0 };
            assert!(stuck < 3, "asks to be woken at {due} ms again and again");
            self.ms = self.ms.max(due);
            let now = self.moment().at;
            self.client.on_wake(now);
            sent.extend(self.flush().into_iter().map(|out| (self.ms, out)));
        }
        self.ms = ms;
        sent
    }

    /// Only the one message that is sent now.
    pub(super) fn only(&mut self) -> Out {
        let mut out = self.flush();
        assert_eq!(out.len(), 1, "{out:?}");
        out.remove(0)
    }

    pub(super) fn deliver(&mut self, answer: &Repr, from: Ipv4Addr) {
        self.deliver_with(answer, from, |_| {}, None, true);
    }

    pub(super) fn deliver_with(
        &mut self,
        answer: &Repr,
        from: Ipv4Addr,
        spoil: impl FnOnce(&mut Vec<u8>),
        tag: Option<Tag>,
        has_checksum: bool,
    ) {
        let ports = udp::Repr { source_port: 67, destination_port: 68 };
        let packet = ipv4::Repr::plain(from, ADDRESS, ipv4::UDP).emit(&ports.emit(&answer.emit(), from, ADDRESS));
        let header = ethernet::Repr { destination: MAC, source: SERVER_MAC, tags: Vec::new(), ethertype: ethernet::IPV4 };
        let mut frame = header.emit(&packet);
        spoil(&mut frame);
        let arrival = Arrival { moment: self.moment(), tag, has_checksum };
        self.client.on_frame(&arrival, &frame);
    }

    pub(super) fn deliver_arp(&mut self, packet: arp::Repr) {
        let header = ethernet::Repr { destination: MAC, source: packet.sender_mac, tags: Vec::new(), ethertype: ethernet::ARP };
        let arrival = Arrival { moment: self.moment(), tag: None, has_checksum: true };
        self.client.on_frame(&arrival, &header.emit(&packet.emit()));
    }

    pub(super) fn events(&mut self) -> Vec<Event> {
        let all = std::iter::from_fn(|| self.client.poll_event());
        all.filter(|e| !matches!(e, Event::Sent(_) | Event::Answered(_))).collect()
    }

    /// Through OFFER and ACK at once; the lease is an hour with T1 and T2 by default.
    pub(super) fn bind(&mut self) -> Out {
        let discover = self.only();
        self.deliver(&answer(&discover, MessageType::Offer, SERVER), SERVER);
        let sent = self.until(self.ms + 500);
        let request = sent.into_iter().next_back().expect("a REQUEST").1;
        self.deliver(&answer(&request, MessageType::Ack, SERVER), SERVER);
        assert_eq!(self.events(), [Event::Bound]);
        request
    }
}

/// A server's sound answer.
pub(super) fn answer(to: &Out, kind: MessageType, server: Ipv4Addr) -> Repr {
    let mut repr = Repr::request(kind, to.repr.transaction, MAC.0).with(code::SERVER_IDENTIFIER, server.octets());
    repr.operation = Operation::Reply;
    if kind != MessageType::Nak {
        repr.yours = ADDRESS;
        repr = repr
            .with(code::LEASE_TIME, 3600_u32.to_be_bytes())
            .with(code::SUBNET_MASK, [255, 255, 255, 0])
            .with(code::ROUTERS, SERVER.octets())
            .with(code::NAME_SERVERS, [203, 0, 113, 53, 203, 0, 113, 54]);
    }
    repr
}
