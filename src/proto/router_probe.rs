//! Whether advertised routers are there, and whether each leads out (RFC 4861 section 7.2, RFC 4443 section 4).
//!
//! Each router is asked for its hardware address; who answers gets echo requests for a host far away and questions for a resolver
//! to pass on, whatever the system's own routes say: many hosts answer no echo, and a resolver must answer. It knows no socket and
//! no clock. The hard thing: a host has one way out at a time, an examiner tries every router's; so replies are told apart by number.

use std::collections::VecDeque;
use std::net::Ipv6Addr;
use std::time::{Duration, Instant};

use super::machine::{Arrival, Machine, Moment, Outgoing};
use super::round_trip::{Flight, Took};
use crate::unit::Family;
use crate::wire::ethernet::{self, Mac};
use crate::wire::icmp::{self, Echo};
use crate::wire::{dns, ipv4, ipv6, nd, udp};

/// `MAX_MULTICAST_SOLICIT` and `RETRANS_TIMER` (RFC 4861 section 10).
const MOST_SOLICITATIONS: u32 = 3;
const SOLICITATION_WAIT: Duration = Duration::from_secs(1);
/// Echo requests through each router, and their distance; a reply counts until the last one's time is over (ours).
const ECHOES: u32 = 4;
const ECHO_WAIT: Duration = Duration::from_millis(400);
/// As kernels begin with (common practice).
const HOP_LIMIT: u8 = 64;
/// Where resolvers answer (RFC 1035 section 4.2).
const DNS_PORT: u16 = 53;
/// Tells our echoes from others'.
const COOKIE: &[u8] = b"way out through this router?";

/// A router to be tried.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Candidate {
    /// Its link-local address.
    pub address: Ipv6Addr,
    /// Its hardware address, where there is nothing to ask for: on a link without such addresses.
    pub mac: Option<Mac>,
    /// Our address to send through it from; without one it is only asked whether it is there.
    pub source: Option<Ipv6Addr>,
}

/// What is tried.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Hardware address of the port.
    pub mac: Mac,
    /// Link-local address of the port.
    pub link_local: Ipv6Addr,
    /// The routers.
    pub routers: Vec<Candidate>,
    /// A host far away for echoes.
    pub destination: Option<Ipv6Addr>,
    /// A resolver far away for questions. Without either no way out is tried.
    pub resolver: Option<Ipv6Addr>,
    /// Of echoes and questions, drawn by the caller.
    pub identifier: u16,
}

/// What was found about one router.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Probed {
    /// Its link-local address.
    pub address: Ipv6Addr,
    /// Hardware address in its answer; `None` when it gave none.
    pub mac: Option<Mac>,
    /// Whether it says of itself that it is a router.
    pub says_router: bool,
    /// How long its answer took.
    pub answered_in: Option<Took>,
    /// Whether anything sent through it was answered; `None` when it was not tried.
    pub leads_out: Option<bool>,
}

/// All is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Over;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    Asking,
    Echoing,
    Done,
}

#[derive(Debug)]
struct Router {
    found: Probed,
    source: Option<Ipv6Addr>,
    stage: Stage,
    sends: u32,
    again_at: Instant,
    flights: Vec<Flight>,
}

/// The attempt.
#[derive(Debug)]
pub struct RouterProbe {
    settings: Settings,
    routers: Vec<Router>,
    /// Which router each ticket is a solicitation for.
    tickets: Vec<Option<usize>>,
    outbox: VecDeque<Outgoing>,
    is_told: bool,
}

impl RouterProbe {
    /// Begins: all routers are asked at once.
    pub fn new(settings: Settings, now: Instant) -> Self {
        let routers = settings.routers.iter().map(|candidate| Router {
            found: Probed {
                address: candidate.address,
                mac: candidate.mac,
                says_router: false,
                answered_in: None,
                leads_out: None,
            },
            source: candidate.source,
            stage: Stage::Asking,
            sends: 0,
            again_at: now,
            flights: Vec::new(),
        });
        let mut routers: Vec<Router> = routers.collect();
        for router in routers.iter_mut().filter(|router| router.found.mac.is_some()) {
            router.is_there(settings.has_way(), now);
        }
        let mut this = Self { settings, routers, tickets: Vec::new(), outbox: VecDeque::new(), is_told: false };
        this.wake(now);
        this
    }

    /// What was found so far, in the order of the settings.
    pub fn found(&self) -> Vec<Probed> {
        self.routers.iter().map(|router| router.found).collect()
    }

    fn wake(&mut self, now: Instant) {
        for at in 0..self.routers.len() {
            let router = &mut self.routers[at];
            if now < router.again_at {
                continue;
            }
            let (most, wait) = match router.stage {
                Stage::Asking => (MOST_SOLICITATIONS, SOLICITATION_WAIT),
                Stage::Echoing => (ECHOES, ECHO_WAIT),
                Stage::Done => continue,
            };
            if router.sends == most {
                router.stage = Stage::Done;
                continue;
            }
            router.sends += 1;
            router.again_at = now + wait;
            match router.stage {
                Stage::Asking => self.ask(at),
                _ => {
                    self.echo(at);
                    self.question(at);
                }
            }
        }
    }

    fn ask(&mut self, at: usize) {
        let target = self.routers[at].found.address;
        let (group, group_mac) = nd::solicited_node(target);
        let message = nd::Message::Solicitation { target, mac: Some(self.settings.mac) };
        let packet = message.emit(self.settings.link_local, group);
        self.post(group_mac, &packet, Some(at));
    }

    fn echo(&mut self, at: usize) {
        let router = &self.routers[at];
        let (Some(mac), Some(source), Some(destination)) = (router.found.mac, router.source, self.settings.destination) else {
            return;
        };
        let sequence = router.number(at);
        let echo = Echo { identifier: self.settings.identifier, sequence, payload: COOKIE };
        let mut message = icmp::emit_request(Family::Ipv6, echo);
        icmp::fill_checksum_v6(source, destination, &mut message);
        let header = ipv6::Repr {
            source,
            destination,
            next_header: icmp::NEXT_HEADER_V6,
            hop_limit: HOP_LIMIT,
            traffic_class: 0,
            flow_label: 0,
        };
        let packet = header.emit(&message).unwrap_or_default();
        self.post(mac, &packet, None);
    }

    /// Asks for the root, which every resolver knows.
    fn question(&mut self, at: usize) {
        let router = &self.routers[at];
        let (Some(mac), Some(source), Some(resolver)) = (router.found.mac, router.source, self.settings.resolver) else {
            return;
        };
        let id = self.settings.identifier.wrapping_add(router.number(at));
        let ports = udp::Repr { source_port: self.settings.port(), destination_port: DNS_PORT };
        let datagram = ports.emit(&dns::query(id, ".").unwrap_or_default(), source, resolver);
        let header = ipv6::Repr {
            source,
            destination: resolver,
            next_header: ipv4::UDP,
            hop_limit: HOP_LIMIT,
            traffic_class: 0,
            flow_label: 0,
        };
        let packet = header.emit(&datagram).unwrap_or_default();
        self.post(mac, &packet, None);
    }

    fn post(&mut self, destination: Mac, packet: &[u8], solicits: Option<usize>) {
        let header = ethernet::Repr { destination, source: self.settings.mac, tags: Vec::new(), ethertype: ipv6::ETHERTYPE };
        let ticket = self.tickets.len() as u64;
        self.tickets.push(solicits);
        self.outbox.push_back(Outgoing { ticket, bytes: header.emit(packet) });
    }

    fn on_neighbour(&mut self, arrival: &Arrival, message: nd::Message, sender: Mac) {
        let nd::Message::Advertisement { target, mac, is_router, is_solicited: true } = message else { return };
        let asked = |router: &&mut Router| router.found.address == target && router.stage == Stage::Asking;
        let Some(router) = self.routers.iter_mut().find(asked) else { return };
        // Only where the address is known already may it be left out (RFC 4861 section 4.4).
        router.found.mac = Some(mac.unwrap_or(sender));
        router.found.says_router = is_router;
        router.found.answered_in = Took::between(router.flights.iter().copied(), arrival.moment);
        router.is_there(self.settings.has_way(), arrival.moment.at);
        self.wake(arrival.moment.at);
    }

    fn on_echo(&mut self, header: &ipv6::Repr, payload: &[u8]) {
        let reading = icmp::Reading { pseudo_header: None, tolerant: false };
        let Ok(icmp::Parsed { message: icmp::Message::EchoReply(echo), .. }) = icmp::parse(Family::Ipv6, payload, reading) else {
            return;
        };
        let is_ours = echo.identifier == self.settings.identifier && echo.payload == COOKIE;
        if !is_ours || Some(header.source) != self.settings.destination {
            return;
        }
        self.leads_out(echo.sequence, header.destination);
    }

    fn on_datagram(&mut self, arrival: &Arrival, header: &ipv6::Repr, payload: &[u8]) {
        let Ok(datagram) = udp::parse(payload, header.source, header.destination) else { return };
        let ports = udp::Repr { source_port: DNS_PORT, destination_port: self.settings.port() };
        let is_sound = !arrival.has_checksum || datagram.checksum == udp::Checksum::Right;
        if !is_sound || datagram.repr != ports || Some(header.source) != self.settings.resolver {
            return;
        }
        // Whatever it says: it has answered.
        if let Ok(reply) = dns::parse(datagram.payload) {
            self.leads_out(reply.id.wrapping_sub(self.settings.identifier), header.destination);
        }
    }

    fn leads_out(&mut self, number: u16, to: Ipv6Addr) {
        let router = self.routers.get_mut(usize::from(number / ECHOES as u16));
        if let Some(router) = router.filter(|router| router.source == Some(to) && router.found.leads_out.is_some()) {
            router.found.leads_out = Some(true);
            router.stage = Stage::Done;
        }
    }
}

impl Settings {
    fn has_way(&self) -> bool {
        self.destination.is_some() || self.resolver.is_some()
    }

    /// Port that questions are sent from, of the dynamic range (RFC 6335 section 6).
    fn port(&self) -> u16 {
        0xc000 | self.identifier
    }
}

impl Router {
    /// The number of what is sent through it now, as the router with this index.
    fn number(&self, at: usize) -> u16 {
        at as u16 * ECHOES as u16 + self.sends as u16 - 1
    }

    /// Its hardware address is known: the way out is next, where there is one to try.
    fn is_there(&mut self, has_destination: bool, now: Instant) {
        if self.source.is_some() && has_destination {
            self.found.leads_out = Some(false);
            (self.stage, self.sends, self.again_at) = (Stage::Echoing, 0, now);
        } else {
            self.stage = Stage::Done;
        }
    }
}

impl Machine for RouterProbe {
    type Event = Over;

    fn on_frame(&mut self, arrival: &Arrival, frame: &[u8]) {
        let Ok(frame) = ethernet::parse(frame) else { return };
        if frame.repr.ethertype != ipv6::ETHERTYPE || arrival.tag.is_some_and(|tag| tag.vlan() != 0) {
            return;
        }
        let Ok((header, payload)) = ipv6::parse(frame.payload) else { return };
        if header.next_header == ipv4::UDP {
            return self.on_datagram(arrival, &header, payload);
        }
        if header.next_header != icmp::NEXT_HEADER_V6 {
            return;
        }
        match nd::parse(&header, payload, arrival.has_checksum) {
            Some(message) => self.on_neighbour(arrival, message, frame.repr.source),
            None => self.on_echo(&header, payload),
        }
    }

    fn on_sent(&mut self, ticket: u64, submitted: Moment) {
        if let Some(Some(at)) = self.tickets.get(ticket as usize) {
            self.routers[*at].flights.push(Flight::new(submitted));
        }
    }

    fn on_send_failed(&mut self, _: u64) {}

    fn on_departure(&mut self, ticket: u64, moment: Moment) {
        if let Some(Some(at)) = self.tickets.get(ticket as usize)
            && let Some(flight) = self.routers[*at].flights.last_mut()
        {
            flight.on_departure(moment);
        }
    }

    fn on_wake(&mut self, now: Instant) {
        self.wake(now);
    }

    fn transmit(&mut self, now: Instant) -> Option<Outgoing> {
        self.wake(now);
        self.outbox.pop_front()
    }

    fn next_wake(&self) -> Option<Instant> {
        self.routers.iter().filter(|router| router.stage != Stage::Done).map(|router| router.again_at).min()
    }

    fn poll_event(&mut self) -> Option<Over> {
        let is_over = self.outbox.is_empty() && self.routers.iter().all(|router| router.stage == Stage::Done);
        (is_over && !std::mem::replace(&mut self.is_told, is_over)).then_some(Over)
    }
}

#[cfg(test)]
mod tests;
