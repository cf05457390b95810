//! The concentrator's side of a session, for a practice line and for tests: demands a login, gives addresses, answers echoes.
//!
//! PPP frames in, PPP frames out; it knows no envelope, socket or clock.

use std::collections::VecDeque;
use std::time::Instant;

use super::login::Login;
use super::negotiation::{Negotiation, Stage};
use super::terms::{Given, Ipcp, Ipv6cp, Lcp, Proof};
use crate::wire::ppp::{self, Control, chap, code, pap};

/// What is demanded and given.
#[derive(Debug, Clone)]
pub struct Service {
    /// Largest information that it takes.
    pub mru: u16,
    /// Random.
    pub magic: u32,
    /// How the subscriber has to prove itself.
    pub proof: Proof,
    /// The only account there is.
    pub account: Login,
    /// The challenge of CHAP; random.
    pub challenge: Vec<u8>,
    /// The concentrator's own name.
    pub name: String,
    /// Its address.
    pub own: std::net::Ipv4Addr,
    /// What the subscriber gets.
    pub given: Given,
    /// Its interface identifier; `None` does no IPv6.
    pub interface_identifier: Option<[u8; 8]>,
}

/// What a refused subscriber is told.
pub const REFUSAL: &str = "Authentication failed";

/// One session, served.
#[derive(Debug)]
pub struct Serving {
    service: Service,
    lcp: Negotiation<Lcp>,
    ipcp: Negotiation<Ipcp>,
    ipv6cp: Option<Negotiation<Ipv6cp>>,
    is_accepted: Option<bool>,
    was_challenged: bool,
    outbox: VecDeque<Vec<u8>>,
}

const CHALLENGE_IDENTIFIER: u8 = 7;

impl Serving {
    /// Begins with its own LCP request.
    pub fn new(service: Service, now: Instant) -> Self {
        let mut lcp = Negotiation::new(Lcp::concentrator(service.mru, service.magic, service.proof));
        lcp.open(now);
        let mut this = Self {
            lcp,
            ipcp: Negotiation::new(Ipcp::concentrator(service.own, service.given)),
            ipv6cp: service.interface_identifier.map(|id| Negotiation::new(Ipv6cp::new(id))),
            is_accepted: None,
            was_challenged: false,
            outbox: VecDeque::new(),
            service,
        };
        this.flush();
        this
    }

    /// Whether IPv4 may pass.
    pub fn is_up(&self) -> bool {
        self.ipcp.stage() == Stage::Open
    }

    /// Whether it is over.
    pub fn is_over(&self) -> bool {
        matches!(self.lcp.stage(), Stage::Closed | Stage::Failed)
    }

    /// What the subscriber takes at most.
    pub fn subscriber_mru(&self) -> u16 {
        self.lcp.terms.peer_mru
    }

    /// Both interface identifiers once IPv6 may pass: ours, the subscriber's.
    pub fn ipv6(&self) -> Option<([u8; 8], [u8; 8])> {
        let ipv6cp = self.ipv6cp.as_ref().filter(|n| n.stage() == Stage::Open)?;
        Some((ipv6cp.terms.own, ipv6cp.terms.peer?))
    }

    /// Closes.
    pub fn close(&mut self, now: Instant) {
        self.lcp.close(now);
        self.flush();
    }

    /// The next frame to send.
    pub fn poll(&mut self) -> Option<Vec<u8>> {
        self.outbox.pop_front()
    }

    /// When [`Self::on_wake`] wants to be called.
    pub fn next_wake(&self) -> Option<Instant> {
        let ipv6cp = self.ipv6cp.as_ref().and_then(Negotiation::next_wake);
        [self.lcp.next_wake(), self.ipcp.next_wake(), ipv6cp].into_iter().flatten().min()
    }

    /// The restart timers.
    pub fn on_wake(&mut self, now: Instant) {
        self.lcp.on_wake(now);
        self.ipcp.on_wake(now);
        if let Some(ipv6cp) = &mut self.ipv6cp {
            ipv6cp.on_wake(now);
        }
        self.flush();
    }

    /// A frame of the subscriber.
    pub fn on_frame(&mut self, frame: &[u8], now: Instant) {
        let Ok((protocol, information)) = ppp::frame(frame) else { return };
        let Ok(packet) = ppp::control(information) else { return };
        match protocol {
            ppp::LCP => self.on_lcp(&packet, now),
            ppp::PAP if packet.code == pap::REQUEST && self.service.proof == Proof::Pap => self.on_pap(&packet, now),
            ppp::CHAP if packet.code == chap::RESPONSE && self.was_challenged => self.on_chap(&packet, now),
            ppp::IPCP if self.is_accepted == Some(true) => self.ipcp.on_packet(&packet, now),
            ppp::IPV6CP if self.is_accepted == Some(true) => match &mut self.ipv6cp {
                Some(ipv6cp) => ipv6cp.on_packet(&packet, now),
                None => {
                    let data = [&ppp::IPV6CP.to_be_bytes()[..], information].concat();
                    self.send(ppp::LCP, &Control { code: code::PROTOCOL_REJECT, identifier: 1, data });
                }
            },
            _ => {}
        }
        if self.lcp.stage() == Stage::Open && self.service.proof == Proof::ChapMd5 && !self.was_challenged {
            self.was_challenged = true;
            let data = ppp::emit_chap_value(&self.service.challenge, self.service.name.as_bytes());
            self.flush();
            self.send(ppp::CHAP, &Control { code: chap::CHALLENGE, identifier: CHALLENGE_IDENTIFIER, data });
        }
        self.flush();
    }

    fn on_lcp(&mut self, packet: &Control, now: Instant) {
        if packet.code == code::ECHO_REQUEST {
            self.send(ppp::LCP, &ppp::echo_reply(packet, self.service.magic.to_be_bytes()));
        } else {
            self.lcp.on_packet(packet, now);
        }
    }

    fn on_pap(&mut self, packet: &Control, now: Instant) {
        let Ok((name, password)) = ppp::pap_request(&packet.data) else { return };
        let is_right = self.service.account.is_in_clear(name, password);
        let words = if is_right { "" } else { REFUSAL };
        let data = ppp::emit_chap_value(words.as_bytes(), &[]);
        let answer = if is_right { pap::ACK } else { pap::NAK };
        self.send(ppp::PAP, &Control { code: answer, identifier: packet.identifier, data });
        self.decide(is_right, now);
    }

    fn on_chap(&mut self, packet: &Control, now: Instant) {
        let Ok((value, name)) = ppp::chap_value(&packet.data) else { return };
        let account = &self.service.account;
        let right = account.answer(CHALLENGE_IDENTIFIER, &self.service.challenge);
        let is_right = packet.identifier == CHALLENGE_IDENTIFIER && value == right && name == account.name();
        let (answer, words) = if is_right { (chap::SUCCESS, "") } else { (chap::FAILURE, REFUSAL) };
        self.send(ppp::CHAP, &Control { code: answer, identifier: packet.identifier, data: words.into() });
        self.decide(is_right, now);
    }

    fn decide(&mut self, is_right: bool, now: Instant) {
        if self.is_accepted.is_some() {
            return;
        }
        self.is_accepted = Some(is_right);
        if is_right {
            self.ipcp.open(now);
            if let Some(ipv6cp) = &mut self.ipv6cp {
                ipv6cp.open(now);
            }
        } else {
            self.lcp.close(now);
        }
    }

    fn send(&mut self, protocol: u16, packet: &Control) {
        self.outbox.push_back(packet.emit(protocol));
    }

    fn flush(&mut self) {
        while let Some(packet) = self.lcp.poll() {
            self.send(ppp::LCP, &packet);
        }
        while let Some(packet) = self.ipcp.poll() {
            self.send(ppp::IPCP, &packet);
        }
        while let Some(packet) = self.ipv6cp.as_mut().and_then(Negotiation::poll) {
            self.send(ppp::IPV6CP, &packet);
        }
    }
}
