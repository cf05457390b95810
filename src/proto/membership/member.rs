//! A port that is a member of groups, in one or several VLANs and over both IP versions: membership messages in frames, and the datagrams
//! that come of them.
//!
//! It knows no socket and no clock. The hard thing: what a port shows in a VLAN must not be taken for another's, so each VLAN has
//! memberships and queriers of its own, and datagrams that come with other tags are told apart.

use std::collections::{BTreeMap, VecDeque};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::time::Instant;

use super::host::{Host, Out};
use super::queriers::Queriers;
use super::{group_mac, is_local};
use crate::proto::machine::{Arrival, Machine, Moment, Outgoing};
use crate::unit::Family;
use crate::wire::ethernet::{self, Mac};
use crate::wire::membership::{Heard, Message, Version};
use crate::wire::vlan::TagStack;
use crate::wire::{igmp, ipv4, ipv6, mld, udp};

/// Places where a group was seen outside of the VLANs that are looked at; more are not told.
const MOST_ELSEWHERE: usize = 64;

/// The port in one VLAN.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The tags.
    pub stack: TagStack,
    /// Where IGMP is sent from; 0.0.0.0 while the host has no address (RFC 3376 section 4.2.13).
    pub ipv4: Ipv4Addr,
    /// Where MLD is sent from: a link-local address, or `::`.
    pub ipv6: Ipv6Addr,
    /// The version to speak; `None` is the newest.
    pub version: Option<Version>,
}

/// A datagram to a group.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Datagram {
    /// The VLAN, by its place in the list.
    pub plane: usize,
    /// Who sent it.
    pub source: IpAddr,
    /// The group.
    pub group: IpAddr,
    /// UDP port that it was sent to.
    pub port: u16,
    /// When it came.
    pub moment: Moment,
    /// Octets of the IP packet.
    pub octets: usize,
    /// What it carries.
    pub payload: Vec<u8>,
}

/// What happens.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// A message that tells of changes of these groups for the first time was handed to the system (`is_stamped` false), then left it.
    Told {
        /// The VLAN.
        plane: usize,
        /// The groups.
        groups: Vec<IpAddr>,
        /// When.
        moment: Moment,
        /// By its transmit stamp.
        is_stamped: bool,
    },
    /// A datagram came.
    Datagram(Datagram),
}

#[derive(Debug)]
struct Plane {
    settings: Settings,
    hosts: [Host; 2],
    queriers: [Queriers; 2],
}

/// The port.
#[derive(Debug)]
pub struct Member {
    mac: Mac,
    planes: Vec<Plane>,
    /// Messages under way that tell news, by ticket.
    told: BTreeMap<u64, (usize, Vec<IpAddr>)>,
    next_ticket: u64,
    events: VecDeque<Event>,
    elsewhere: BTreeMap<(IpAddr, u16), u64>,
    failed: u64,
    odd: u64,
}

fn of(family: Family) -> usize {
    match family {
        Family::Ipv4 => 0,
        Family::Ipv6 => 1,
    }
}

impl Member {
    /// A port in these VLANs, member of nothing. `seed` is random.
    pub fn new(mac: Mac, planes: Vec<Settings>, seed: u64) -> Self {
        let plane = |(number, settings): (u64, Settings)| {
            let host = |family: Family, salt: u64| Host::new(family, settings.version, seed ^ (number << 8 | salt));
            Plane { hosts: [host(Family::Ipv4, 1), host(Family::Ipv6, 2)], queriers: Default::default(), settings }
        };
        Self {
            mac,
            planes: (0..).zip(planes).map(plane).collect(),
            told: BTreeMap::new(),
            next_ticket: 0,
            events: VecDeque::new(),
            elsewhere: BTreeMap::new(),
            failed: 0,
            odd: 0,
        }
    }

    /// Joins a group in a VLAN.
    pub fn join(&mut self, now: Instant, plane: usize, group: IpAddr, source: Option<IpAddr>) {
        if let Some(plane) = self.planes.get_mut(plane) {
            plane.hosts[of(Family::of(group))].join(now, group, source);
        }
    }

    /// Leaves it.
    pub fn leave(&mut self, now: Instant, plane: usize, group: IpAddr, source: Option<IpAddr>) {
        if let Some(plane) = self.planes.get_mut(plane) {
            plane.hosts[of(Family::of(group))].leave(now, group, source);
        }
    }

    /// True while it listens to something of the group there.
    pub fn is_member(&self, plane: usize, group: IpAddr) -> bool {
        self.planes.get(plane).is_some_and(|plane| plane.hosts[of(Family::of(group))].is_member(group))
    }

    /// The version that is spoken in a VLAN.
    pub fn mode(&self, plane: usize, family: Family) -> Option<Version> {
        Some(self.planes.get(plane)?.hosts[of(family)].mode())
    }

    /// Who asks in a VLAN.
    pub fn queriers(&self, plane: usize, family: Family) -> Option<&Queriers> {
        Some(&self.planes.get(plane)?.queriers[of(family)])
    }

    /// Datagrams to groups that came outside of the VLANs that are looked at: by group and outer VLAN number, 0 without a tag.
    pub fn elsewhere(&self) -> &BTreeMap<(IpAddr, u16), u64> {
        &self.elsewhere
    }

    /// Messages that could not be sent.
    pub fn failed(&self) -> u64 {
        self.failed
    }

    /// Membership messages that were dropped as unsound.
    pub fn odd(&self) -> u64 {
        self.odd
    }

    fn on_message(&mut self, plane: usize, now: Instant, family: Family, heard: &Heard) {
        if heard.is_dropped() {
            self.odd += 1;
            return;
        }
        let Some(plane) = self.planes.get_mut(plane) else { return };
        plane.queriers[of(family)].note(now, heard);
        plane.hosts[of(family)].on_message(now, &heard.message);
    }

    /// A message of ours in its frame.
    fn frame(&self, plane: usize, message: &Message, family: Family) -> Option<Vec<u8>> {
        let settings = &self.planes.get(plane)?.settings;
        let (packet, ethertype, group) = match family {
            Family::Ipv4 => (igmp::packet(settings.ipv4, message)?, ethernet::IPV4, IpAddr::V4(igmp::destination(message))),
            Family::Ipv6 => (mld::packet(settings.ipv6, message)?, ipv6::ETHERTYPE, IpAddr::V6(mld::destination(message))),
        };
        let tags = settings.stack.tags().to_vec();
        Some(ethernet::Repr { destination: group_mac(group), source: self.mac, tags, ethertype }.emit(&packet))
    }
}

/// A report or leave that this machine's kernel sent.
fn own_report(plane: usize, ethertype: u16, packet: &[u8], moment: Moment) -> Option<Event> {
    let heard = match ethertype {
        ethernet::IPV4 => igmp::read(packet),
        // Its checksum may be left to the adapter.
        ipv6::ETHERTYPE => mld::read(packet, false),
        _ => return None,
    };
    let groups = match heard.ok()?.message {
        Message::Records(records) => records.iter().map(|record| record.group).collect(),
        Message::Report { group, .. } | Message::Leave(group) => vec![group],
        Message::Query(_) | Message::Other(_) => return None,
    };
    Some(Event::Told { plane, groups, moment, is_stamped: true })
}

/// A UDP datagram to a group that routers forward.
fn datagram(ethertype: u16, packet: &[u8], plane: usize, moment: Moment) -> Option<Datagram> {
    let (source, group, payload): (IpAddr, IpAddr, &[u8]) = match ethertype {
        ethernet::IPV4 => {
            let packet = ipv4::parse(packet).ok().filter(|p| p.repr.protocol == ipv4::UDP && !p.repr.is_fragment())?;
            (packet.repr.source.into(), packet.repr.destination.into(), packet.payload)
        }
        ipv6::ETHERTYPE => {
            let (header, payload) = ipv6::parse(packet).ok().filter(|(header, _)| header.next_header == ipv4::UDP)?;
            (header.source.into(), header.destination.into(), payload)
        }
        _ => return None,
    };
    if !group.is_multicast() || is_local(group) {
        return None;
    }
    let header = if group.is_ipv4() { ipv4::HEADER_LEN } else { ipv6::HEADER_LEN };
    let read = udp::parse(payload, source, group).ok()?;
    let (port, octets) = (read.repr.destination_port, header + payload.len());
    Some(Datagram { plane, source, group, port, moment, octets, payload: read.payload.to_vec() })
}

impl Machine for Member {
    type Event = Event;

    fn on_frame(&mut self, arrival: &Arrival, frame: &[u8]) {
        let place = self.planes.iter().position(|plane| plane.settings.stack.strip(arrival.tag, frame).is_some());
        // Tags stand behind the addresses and are read over.
        let Ok(parsed) = ethernet::parse(frame) else { return };
        let (ethertype, packet, moment) = (parsed.repr.ethertype, parsed.payload, arrival.moment);
        if parsed.repr.source == self.mac {
            // Only a socket that hears what goes out brings these: the kernel's own reports.
            self.events.extend(place.and_then(|plane| own_report(plane, ethertype, packet, moment)));
            return;
        }
        let Some(plane) = place else {
            if let Some(found) = datagram(ethertype, packet, 0, moment) {
                let key = (found.group, arrival.tag.map_or(0, |tag| tag.vlan()));
                if self.elsewhere.contains_key(&key) || self.elsewhere.len() < MOST_ELSEWHERE {
                    *self.elsewhere.entry(key).or_default() += 1;
                }
            }
            return;
        };
        if let Some(found) = datagram(ethertype, packet, plane, moment) {
            self.events.push_back(Event::Datagram(found));
            return;
        }
        let heard = match ethertype {
            ethernet::IPV4 => (Family::Ipv4, igmp::read(packet)),
            ipv6::ETHERTYPE => (Family::Ipv6, mld::read(packet, arrival.has_checksum)),
            _ => return,
        };
        if let (family, Ok(heard)) = heard {
            self.on_message(plane, moment.at, family, &heard);
        }
    }

    fn on_sent(&mut self, ticket: u64, submitted: Moment) {
        if let Some((plane, groups)) = self.told.get(&ticket) {
            let event = Event::Told { plane: *plane, groups: groups.clone(), moment: submitted, is_stamped: false };
            self.events.push_back(event);
        }
    }

    fn on_send_failed(&mut self, ticket: u64) {
        self.told.remove(&ticket);
        self.failed += 1;
    }

    fn on_departure(&mut self, ticket: u64, moment: Moment) {
        if let Some((plane, groups)) = self.told.remove(&ticket) {
            self.events.push_back(Event::Told { plane, groups, moment, is_stamped: true });
        }
    }

    fn on_wake(&mut self, _: Instant) {}

    fn transmit(&mut self, now: Instant) -> Option<Outgoing> {
        for plane in 0..self.planes.len() {
            for family in [Family::Ipv4, Family::Ipv6] {
                while let Some(Out { message, news }) = self.planes[plane].hosts[of(family)].transmit(now) {
                    let Some(bytes) = self.frame(plane, &message, family) else { continue };
                    let ticket = self.next_ticket;
                    self.next_ticket += 1;
                    if !news.is_empty() {
                        self.told.insert(ticket, (plane, news));
                    }
                    return Some(Outgoing { ticket, bytes });
                }
            }
        }
        None
    }

    fn next_wake(&self) -> Option<Instant> {
        self.planes.iter().flat_map(|plane| &plane.hosts).filter_map(Host::next_wake).min()
    }

    fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }
}

#[cfg(test)]
mod tests;
