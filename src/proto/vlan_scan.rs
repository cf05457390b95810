//! Looks for the VLANs that a port answers on, without I/O: in each of them a DHCP DISCOVER, a PADI and a Router Solicitation
//! are sent, and whoever answers is noted with its tag.
//!
//! It knows no socket and no clock. Nothing is taken: no offer is accepted, no session opened. The hard thing is not to
//! flood: frames are spread over time, each VLAN is asked twice, and the number of VLANs is the caller's bound.

use std::collections::VecDeque;
use std::net::{Ipv4Addr, Ipv6Addr};
use std::time::{Duration, Instant};

use super::machine::{Arrival, Machine, Outgoing};
use super::round_trip::Moment;
use crate::wire::dhcp4::MessageType;
use crate::wire::ethernet::{self, Mac};
use crate::wire::pppoe::{self, Code, DISCOVERY, Tag as PppoeTag, tag};
use crate::wire::vlan::TagStack;
use crate::wire::{dhcp4, ipv4, ipv6, ra, udp};

/// Between two frames.
const SPACING: Duration = Duration::from_millis(4);
/// From the last frame of the first round to the first of the second: an answer that needs longer than this is slow.
const BETWEEN_ROUNDS: Duration = Duration::from_millis(700);
/// After the last frame. A DHCP server looks for another owner of the address before it offers it, up to 1 s in common
/// practice; with the second round's lead that is covered.
const LISTEN: Duration = Duration::from_millis(1500);
const ROUNDS: usize = 2;
/// Group address of ff02::2 (RFC 2464 section 7).
const ALL_ROUTERS_MAC: Mac = Mac([0x33, 0x33, 0, 0, 0, 2]);
/// Answers that are kept.
const MOST_ANSWERS: usize = 512;

/// What is asked for in a VLAN.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Service {
    /// A DHCP server (DISCOVER, answered by OFFER).
    Dhcp,
    /// A PPPoE concentrator (PADI, answered by PADO).
    Pppoe,
    /// An IPv6 router (solicitation, answered by an advertisement).
    Ipv6Router,
}

impl Service {
    const ALL: [Self; 3] = [Self::Dhcp, Self::Pppoe, Self::Ipv6Router];

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Dhcp => "DHCP",
            Self::Pppoe => "PPPoE",
            Self::Ipv6Router => "IPv6 router",
        }
    }
}

/// What is looked for, and where.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The port.
    pub mac: Mac,
    /// The VLANs, [`TagStack::NONE`] for frames without a tag.
    pub stacks: Vec<TagStack>,
    /// Random; marks our questions.
    pub run: u32,
}

/// Somebody answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// In which VLAN.
    pub stack: TagStack,
    /// To what.
    pub service: Service,
    /// Its hardware address.
    pub from: Mac,
    /// Its name: the server's address, the concentrator's name, the router's address.
    pub name: String,
    /// Since the latest question of that kind in that VLAN was sent.
    pub after: Duration,
}

/// Something that happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Event {
    /// Somebody answered who had not before.
    Answered,
    /// It is over.
    Over,
}

/// A search under way.
#[derive(Debug)]
pub struct VlanScan {
    settings: Settings,
    /// What is still to be asked: VLAN, service, when.
    due: VecDeque<(usize, Service, Instant)>,
    asked: Vec<[Option<Instant>; 3]>,
    ends_at: Instant,
    is_over: bool,
    answers: Vec<Answer>,
    events: VecDeque<Event>,
    failed: u64,
}

/// How long a search in this many VLANs takes.
pub fn duration(stacks: usize) -> Duration {
    round(stacks) * ROUNDS as u32 + BETWEEN_ROUNDS + LISTEN
}

fn round(stacks: usize) -> Duration {
    SPACING * (stacks * Service::ALL.len()) as u32
}

impl VlanScan {
    /// Begins: the first frame is wanted at once.
    pub fn new(settings: Settings, now: Instant) -> Self {
        let mut due = VecDeque::new();
        let mut at = now;
        for _ in 0..ROUNDS {
            for stack in 0..settings.stacks.len() {
                for service in Service::ALL {
                    due.push_back((stack, service, at));
                    at += SPACING;
                }
            }
            at += BETWEEN_ROUNDS;
        }
        let ends_at = at - BETWEEN_ROUNDS + LISTEN;
        let asked = vec![[None; 3]; settings.stacks.len()];
        Self { settings, due, asked, ends_at, is_over: false, answers: Vec::new(), events: VecDeque::new(), failed: 0 }
    }

    /// Who answered, in order.
    pub fn answers(&self) -> &[Answer] {
        &self.answers
    }

    /// Frames that could not be sent.
    pub fn failed(&self) -> u64 {
        self.failed
    }

    fn question(&self, stack: usize, service: Service) -> Option<Vec<u8>> {
        let mac = self.settings.mac;
        let frame = |destination, ethertype, payload: &[u8]| {
            let tags = self.settings.stacks[stack].tags().to_vec();
            ethernet::Repr { destination, source: mac, tags, ethertype }.emit(payload)
        };
        Some(match service {
            Service::Dhcp => {
                let message = dhcp4::Repr::request(MessageType::Discover, self.transaction(stack), mac.0).emit();
                let (from, to) = (Ipv4Addr::UNSPECIFIED, Ipv4Addr::BROADCAST);
                let ports = udp::Repr { source_port: dhcp4::CLIENT_PORT, destination_port: dhcp4::SERVER_PORT };
                let packet = ipv4::Repr::plain(from, to, ipv4::UDP).emit(&ports.emit(&message, from, to));
                frame(Mac::BROADCAST, ethernet::IPV4, &packet)
            }
            Service::Pppoe => {
                let tags = vec![
                    PppoeTag::new(tag::SERVICE_NAME, Vec::new()),
                    PppoeTag::new(tag::HOST_UNIQ, self.transaction(stack).to_be_bytes().to_vec()),
                ];
                let packet = pppoe::Repr { code: Code::Initiation, session: 0, tags }.emit()?;
                frame(Mac::BROADCAST, DISCOVERY, &packet)
            }
            // From the unspecified address: this port has none in that VLAN (RFC 4861 section 4.1).
            Service::Ipv6Router => frame(ALL_ROUTERS_MAC, ipv6::ETHERTYPE, &ra::emit_solicitation(Ipv6Addr::UNSPECIFIED, mac)),
        })
    }

    /// Of the VLAN with this index.
    fn transaction(&self, stack: usize) -> u32 {
        self.settings.run.wrapping_add(stack as u32)
    }

    /// The VLAN that a frame came in, and the frame without its tags. The kernel has put the outermost tag aside.
    fn place(&self, arrival: &Arrival, frame: &[u8]) -> Option<(usize, Vec<u8>)> {
        self.settings.stacks.iter().enumerate().find_map(|(at, stack)| Some((at, stack.strip(arrival.tag, frame)?.concat())))
    }

    fn read(&self, stack: usize, arrival: &Arrival, frame: &[u8]) -> Option<(Service, Mac, String)> {
        let frame = ethernet::parse(frame).ok()?;
        let from = frame.repr.source;
        if from == self.settings.mac {
            return None;
        }
        match frame.repr.ethertype {
            DISCOVERY => {
                let packet = pppoe::parse(frame.payload).ok()?.repr;
                let is_ours = packet.tag(tag::HOST_UNIQ) == Some(&self.transaction(stack).to_be_bytes());
                let name = packet.tag(tag::AC_NAME).map(|octets| String::from_utf8_lossy(octets).into_owned());
                (packet.code == Code::Offer && is_ours).then(|| (Service::Pppoe, from, plain(&name.unwrap_or_default())))
            }
            ethernet::IPV4 => {
                let packet = ipv4::parse(frame.payload).ok()?;
                let datagram = udp::parse(packet.payload, packet.repr.source, packet.repr.destination).ok()?;
                let message = dhcp4::parse(datagram.payload).ok()?;
                let is_ours =
                    message.repr.transaction == self.transaction(stack) && message.message_type() == Some(MessageType::Offer);
                let server = message.address(dhcp4::option::code::SERVER_IDENTIFIER).unwrap_or(packet.repr.source);
                is_ours.then(|| (Service::Dhcp, from, server.to_string()))
            }
            ipv6::ETHERTYPE => {
                let (header, payload) = ipv6::parse(frame.payload).ok()?;
                // With a lifetime: one that offers a default route (RFC 4861 section 4.2).
                let (advertisement, flaws) = ra::parse(&header, payload, arrival.has_checksum).ok()?;
                let is_router = !flaws.iter().any(|flaw| flaw.makes_invalid()) && advertisement.router_lifetime_s > 0;
                is_router.then(|| (Service::Ipv6Router, from, header.source.to_string()))
            }
            _ => None,
        }
    }
}

/// Somebody else's words, fit to be shown.
fn plain(text: &str) -> String {
    text.chars().take(100).map(|c| if c.is_control() { '?' } else { c }).collect()
}

impl Machine for VlanScan {
    type Event = Event;

    fn on_frame(&mut self, arrival: &Arrival, frame: &[u8]) {
        let Some((at, inside)) = self.place(arrival, frame) else { return };
        let Some((service, from, name)) = self.read(at, arrival, &inside) else { return };
        let stack = self.settings.stacks[at];
        let is_known = self.answers.iter().any(|a| (a.stack, a.service, a.from) == (stack, service, from));
        let Some(asked) = self.asked[at][service as usize].filter(|_| !is_known && self.answers.len() < MOST_ANSWERS) else {
            return;
        };
        let after = arrival.moment.at.saturating_duration_since(asked);
        self.answers.push(Answer { stack, service, from, name, after });
        self.events.push_back(Event::Answered);
    }

    fn on_sent(&mut self, ticket: u64, submitted: Moment) {
        if let Some(asked) = self.asked.get_mut(ticket as usize / 3) {
            asked[ticket as usize % 3] = Some(submitted.at);
        }
    }

    fn on_send_failed(&mut self, _: u64) {
        self.failed += 1;
    }

    fn on_departure(&mut self, _: u64, _: Moment) {}

    fn on_wake(&mut self, now: Instant) {
        if now >= self.ends_at && !self.is_over {
            self.is_over = true;
            self.events.push_back(Event::Over);
        }
    }

    fn transmit(&mut self, now: Instant) -> Option<Outgoing> {
        while let Some((stack, service, _)) = self.due.pop_front_if(|(_, _, at)| *at <= now) {
            if let Some(bytes) = self.question(stack, service) {
                return Some(Outgoing { ticket: (stack * 3 + service as usize) as u64, bytes });
            }
        }
        None
    }

    fn next_wake(&self) -> Option<Instant> {
        let next = self.due.front().map_or(self.ends_at, |(_, _, at)| *at);
        (!self.is_over).then_some(next)
    }

    fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }
}

#[cfg(test)]
mod tests;
