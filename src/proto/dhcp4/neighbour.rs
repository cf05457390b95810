//! The address and its neighbours (RFC 5227): probing before it is used, announcing it, and what other stations that speak
//! for it are told.

use std::net::Ipv4Addr;
use std::time::{Duration, Instant};

use super::lease::Lease;
use super::settings::Purpose;
use super::state::State;
use super::{AFTER_DECLINE, Client, Ending, Event, Rival, message};
use crate::wire::arp;
use crate::wire::dhcp4::MessageType;
use crate::wire::ethernet::Mac;

/// Between the two announcements of an address (RFC 5227 section 1.1: ANNOUNCE_NUM 2, ANNOUNCE_INTERVAL 2 s).
const ANNOUNCE_INTERVAL: Duration = Duration::from_secs(2);
/// Least time between two defences (RFC 5227 section 1.1: DEFEND_INTERVAL).
const DEFEND_INTERVAL: Duration = Duration::from_secs(10);
/// Other stations that are kept by name.
const MOST_RIVALS: usize = 16;

/// Probes for an address, underway.
#[derive(Debug, Clone, Copy)]
pub(super) struct Probes {
    address: Ipv4Addr,
    /// Probes sent.
    sent: usize,
    /// When the wait after the last one is over.
    pub(super) next_at: Instant,
}

impl Client {
    /// Sends the first probe; `None` when nobody is to be looked for.
    pub(super) fn first_probe(&mut self, now: Instant, address: Ipv4Addr) -> Option<Probes> {
        let wait = *self.settings.probe_waits.first()?;
        self.post(None, 0, 0, |s| message::conflict_probe(s, address));
        Some(Probes { address, sent: 1, next_at: now + wait })
    }

    /// Sends the next probe when it is due; `None` when the wait after the last one is over.
    pub(super) fn probe_when_due(&mut self, now: Instant, probes: Probes) -> Option<Probes> {
        if now < probes.next_at {
            return Some(probes);
        }
        let wait = *self.settings.probe_waits.get(probes.sent)?;
        self.post(None, 0, 0, |s| message::conflict_probe(s, probes.address));
        Some(Probes { sent: probes.sent + 1, next_at: now + wait, ..probes })
    }

    pub(super) fn begin_probing(&mut self, now: Instant, lease: Box<Lease>) {
        match self.first_probe(now, lease.address) {
            Some(probes) => self.state = State::Probing { lease, probes },
            None => self.bind(now, lease),
        }
    }

    /// The address is ours. One that was probed for is announced (RFC 5227 section 2.3).
    pub(super) fn bind(&mut self, now: Instant, lease: Box<Lease>) {
        if !self.settings.probe_waits.is_empty() {
            self.post(None, 0, 0, |s| message::announcement(s, lease.address));
            self.announce_at = Some(now + ANNOUNCE_INTERVAL);
        }
        self.state = State::Bound { lease };
        self.events.push_back(Event::Bound);
    }

    /// The second announcement.
    pub(super) fn announce_when_due(&mut self, now: Instant) {
        if self.announce_at.is_some_and(|at| now >= at) {
            self.announce_at = None;
            if let Some(address) = self.lease().map(|lease| lease.address) {
                self.post(None, 0, 0, |s| message::announcement(s, address));
            }
        }
    }

    /// Somebody speaks for an address: with it as sender, or (before it is used) probing for it too (RFC 5227 sections 2.1.1
    /// and 2.4).
    pub(super) fn on_arp(&mut self, now: Instant, packet: &arp::Repr) {
        let owner = packet.sender_mac;
        if owner == self.settings.mac || self.settings.own.contains(&owner) {
            return;
        }
        let probes_for = (packet.sender.is_unspecified() && packet.operation == arp::Operation::Request).then_some(packet.target);
        match (&self.state, self.settings.purpose) {
            (State::Probing { lease, .. }, _) => {
                if packet.sender == lease.address || probes_for == Some(lease.address) {
                    let lease = lease.clone();
                    self.decline(now, &lease, owner);
                }
            }
            // Whoever manages this address defends it.
            (_, Purpose::Inform(address)) if packet.sender == address => self.note_rival(address, owner, false),
            _ => {
                let held = self.lease().map(|lease| lease.address).filter(|address| *address == packet.sender);
                if let Some(address) = held {
                    self.note_rival(address, owner, false);
                    self.defend(now, address);
                }
            }
        }
    }

    /// Section 2.4 (c): the address is kept for the time of the visit, and defended by one announcement in ten seconds at most.
    fn defend(&mut self, now: Instant, address: Ipv4Addr) {
        if self.last_defence.is_none_or(|at| now >= at + DEFEND_INTERVAL) {
            self.last_defence = Some(now);
            self.post(None, 0, 0, |s| message::announcement(s, address));
        }
    }

    /// Refuses an address that another station has (RFC 2131 section 3.1 step 5).
    fn decline(&mut self, now: Instant, lease: &Lease, owner: Mac) {
        let transaction = self.draw_transaction();
        self.post(Some(MessageType::Decline), transaction, 0, |s| message::decline(s, lease, transaction));
        self.note_rival(lease.address, owner, true);
        for answer in &mut self.answers {
            answer.is_void = true;
        }
        self.state = State::Declined { restart_at: now + AFTER_DECLINE };
        if now + AFTER_DECLINE >= self.deadline {
            self.end(Ending::Conflict);
        }
    }

    fn note_rival(&mut self, address: Ipv4Addr, owner: Mac, is_declined: bool) {
        let rival = Rival { address, owner, is_declined };
        if self.rivals.len() < MOST_RIVALS && !self.rivals.contains(&rival) {
            self.rivals.push(rival);
            self.events.push_back(if is_declined {
                Event::Conflict { address, owner }
            } else {
                Event::Contested { address, owner }
            });
        }
    }
}
