//! The subscriber's side of a session, from the first LCP packet to the PADT.
//!
//! ```text
//!  Link ──LCP open──▶ Login ──accepted, or not asked──▶ Network ──IPCP open, IPV6CP settled──▶ Open ──end──▶ Closing ──▶ Over
//!    └────────────────────┴───── refused, no answer, closed by the peer, PADT ─────────────────┴────────────────────────▶ Over
//! ```
//!
//! The hard thing is fairness to the line: what a server's software does in its first second (it may throw away requests that
//! come before it is up) is timed, and named, but no packet lost there is a loss of the line.

mod echo;
mod login;
mod model;

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use self::echo::EchoState;
pub use self::model::{Addresses, Echo, Ending, Event, Phase, Settings, Times};
use super::negotiation::{Negotiation, Stage};
use super::terms::{Ipcp, Ipv6cp, Lcp, Proof};
use crate::proto::machine::{Arrival, Machine, Outgoing};
use crate::proto::round_trip::{Flight, Moment};
use crate::wire::ethernet;
use crate::wire::ppp::{self, Control, code};
use crate::wire::pppoe::{self, Code, DISCOVERY, SESSION};

/// Once IPv4 is up, how long IPv6 is waited for before the session counts as open: a peer that wants it has asked by then.
const IPV6_GRACE: Duration = Duration::from_millis(150);
/// Between two PADTs: one may be lost, and nobody confirms them.
const BETWEEN_TERMINATIONS: Duration = Duration::from_millis(20);
const TERMINATIONS: u32 = 2;

/// A session under way.
#[derive(Debug)]
pub struct Session {
    settings: Settings,
    phase: Phase,
    times: Times,
    lcp: Negotiation<Lcp>,
    ipcp: Negotiation<Ipcp>,
    ipv6cp: Negotiation<Ipv6cp>,
    /// PAP: when to ask again, and how often was asked.
    pap: Option<(Instant, u32)>,
    proof_refused: Option<String>,
    ends_at: Instant,
    ipv6_ends_at: Option<Instant>,
    padt: Option<(u32, Instant)>,
    ending: Option<Ending>,
    echoes: Vec<EchoState>,
    next_identifier: u8,
    queue: VecDeque<Outgoing>,
    events: VecDeque<Event>,
}

impl Session {
    /// Begins: the first LCP request is wanted at once.
    pub fn new(settings: Settings, now: Instant) -> Self {
        let mut lcp = Negotiation::new(Lcp::subscriber(settings.mru, settings.magic));
        lcp.open(now);
        let mut this = Self {
            phase: Phase::Link,
            times: Times { begun: now, peer_spoke: None, link: None, login: None, ipv4: None, ipv6: None },
            lcp,
            ipcp: Negotiation::new(Ipcp::subscriber()),
            ipv6cp: Negotiation::new(Ipv6cp::new(settings.interface_identifier)),
            pap: None,
            proof_refused: None,
            ends_at: now + settings.patience,
            ipv6_ends_at: None,
            padt: None,
            ending: None,
            echoes: Vec::new(),
            next_identifier: 0,
            queue: VecDeque::new(),
            events: VecDeque::new(),
            settings,
        };
        this.flush();
        this
    }

    /// How far it is.
    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// When each phase ended.
    pub fn times(&self) -> Times {
        self.times
    }

    /// What the peer demanded as proof.
    pub fn proof(&self) -> Option<Proof> {
        self.lcp.terms.peer_demands
    }

    /// Own LCP requests until now: more than one where the first found nobody.
    pub fn link_requests(&self) -> u32 {
        self.lcp.requests()
    }

    /// What both sides take at most, ours and the peer's.
    pub fn mru(&self) -> (Option<u16>, u16) {
        (self.lcp.terms.mru, self.lcp.terms.peer_mru)
    }

    /// What it gave, once it is open.
    pub fn addresses(&self) -> Option<Addresses> {
        let ipcp = &self.ipcp.terms;
        let is_up = self.ipcp.stage() == Stage::Open && !ipcp.own.is_unspecified();
        let ipv6 = (self.ipv6cp.stage() == Stage::Open).then_some(self.ipv6cp.terms.own).zip(self.ipv6cp.terms.peer);
        let ours = self.lcp.terms.mru.unwrap_or(self.settings.mru).min(self.settings.mru);
        is_up.then(|| Addresses {
            own: ipcp.own,
            peer: ipcp.peer,
            dns: ipcp.dns.into_iter().filter(|address| !address.is_unspecified()).collect(),
            ipv6,
            mtu: self.lcp.terms.peer_mru.min(ours),
        })
    }

    /// Ends it: LCP's Terminate-Request, then PADT.
    pub fn end(&mut self, now: Instant) {
        if !matches!(self.phase, Phase::Closing | Phase::Over) {
            self.ending.get_or_insert(Ending::Closed);
            self.phase = Phase::Closing;
            self.lcp.close(now);
            self.flush();
            self.after(now);
        }
    }

    /// The frame that ends the session at once (RFC 2516 section 5.5), for whoever can't wait for [`Session::end`].
    pub fn farewell(&self) -> Vec<u8> {
        let packet = pppoe::Repr { code: Code::Terminate, session: self.settings.number, tags: Vec::new() }.emit();
        self.header(DISCOVERY).emit(&packet.unwrap_or_default())
    }

    fn magic(&self) -> [u8; 4] {
        self.lcp.terms.magic.unwrap_or(0).to_be_bytes()
    }

    fn header(&self, ethertype: u16) -> ethernet::Repr {
        ethernet::Repr { destination: self.settings.peer, source: self.settings.own, tags: Vec::new(), ethertype }
    }

    fn post(&mut self, protocol: u16, packet: &Control, ticket: u64) {
        let frame = packet.emit(protocol);
        let Ok(len) = u16::try_from(frame.len()) else { return };
        let session = [&pppoe::session_header(self.settings.number, len)[..], &frame].concat();
        self.queue.push_back(Outgoing { ticket, bytes: self.header(SESSION).emit(&session) });
    }

    /// Sends what the negotiations want sent.
    fn flush(&mut self) {
        while let Some(packet) = self.lcp.poll() {
            self.post(ppp::LCP, &packet, 0);
        }
        while let Some(packet) = self.ipcp.poll() {
            self.post(ppp::IPCP, &packet, 0);
        }
        while let Some(packet) = self.ipv6cp.poll() {
            self.post(ppp::IPV6CP, &packet, 0);
        }
    }

    fn reach(&mut self, phase: Phase) {
        self.phase = phase;
        self.events.push_back(Event::Reached(phase));
    }

    /// Draws the conclusions of what has just happened.
    fn after(&mut self, now: Instant) {
        if self.phase == Phase::Link && self.lcp.stage() == Stage::Open {
            self.times.link = Some(now);
            self.reach(Phase::Login);
            match self.lcp.terms.peer_demands {
                None => self.accepted(now),
                Some(_) if self.settings.login.is_none() => {
                    self.fail(Ending::Refused("a login is asked for, and none was given".to_owned()), now);
                }
                Some(Proof::Pap) => self.ask_by_pap(now, 0),
                Some(Proof::ChapMd5) => {}
            }
        }
        if self.phase == Phase::Network && self.ipcp.stage() == Stage::Open {
            self.times.ipv4.get_or_insert(now);
            let deadline = *self.ipv6_ends_at.get_or_insert(now + IPV6_GRACE);
            let ipv6_is_settled = matches!(self.ipv6cp.stage(), Stage::Open | Stage::Failed | Stage::Closed);
            if ipv6_is_settled || now >= deadline {
                self.reach(Phase::Open);
            }
        }
        if self.ipv6cp.stage() == Stage::Open {
            self.times.ipv6.get_or_insert(now);
        }
        self.judge_ends(now);
        self.flush();
    }

    fn judge_ends(&mut self, now: Instant) {
        let words = |octets: Option<&[u8]>| plain(octets.unwrap_or_default());
        match (self.phase, self.lcp.stage()) {
            (Phase::Over, _) => {}
            (Phase::Closing, Stage::Closed | Stage::Failed) if self.padt.is_none() => self.say_farewell(now),
            (Phase::Closing, _) => {}
            (phase, Stage::Closed) => {
                let words = words(self.lcp.peer_words());
                let ending = match self.proof_refused.take() {
                    Some(said) if said.is_empty() => Ending::Refused(words),
                    Some(said) => Ending::Refused(said),
                    // Some refuse a login by closing the link alone.
                    None if phase == Phase::Login => Ending::Refused(words),
                    None => Ending::ClosedByPeer(phase, words),
                };
                self.fail(ending, now);
            }
            (phase, Stage::Failed) => self.fail(Ending::NoAnswer(phase), now),
            (Phase::Network, _) if matches!(self.ipcp.stage(), Stage::Failed | Stage::Closed) => {
                let words = words(self.ipcp.peer_words());
                self.fail(Ending::ClosedByPeer(Phase::Network, words), now);
            }
            (Phase::Link, _) if self.lcp.terms.looped && self.lcp.requests() > 3 => self.fail(Ending::Looped, now),
            _ => {}
        }
    }

    fn fail(&mut self, ending: Ending, now: Instant) {
        if self.phase == Phase::Closing || self.phase == Phase::Over {
            return;
        }
        self.ending = Some(ending);
        self.phase = Phase::Closing;
        if matches!(self.lcp.stage(), Stage::Open | Stage::Negotiating) {
            self.lcp.close(now);
        } else {
            self.say_farewell(now);
        }
        self.flush();
    }

    fn say_farewell(&mut self, now: Instant) {
        let frame = self.farewell();
        self.queue.push_back(Outgoing { ticket: 0, bytes: frame });
        let sent = self.padt.map_or(0, |(sent, _)| sent) + 1;
        self.padt = Some((sent, now + BETWEEN_TERMINATIONS));
    }

    fn over(&mut self) {
        self.phase = Phase::Over;
        self.padt = None;
        let ending = self.ending.clone().unwrap_or(Ending::Closed);
        self.events.push_back(Event::Over(ending));
    }

    fn on_lcp(&mut self, packet: &Control, arrival: &Arrival) {
        let now = arrival.moment.at;
        match packet.code {
            code::ECHO_REQUEST => self.on_echo_request(packet),
            code::ECHO_REPLY => self.on_echo_reply(packet, arrival.moment),
            code::PROTOCOL_REJECT => match packet.data.first_chunk::<2>().map(|octets| u16::from_be_bytes(*octets)) {
                Some(ppp::IPCP) => self.ipcp.on_protocol_reject(),
                Some(ppp::IPV6CP) => self.ipv6cp.on_protocol_reject(),
                _ => {}
            },
            code::CONFIGURE_REQUEST..=code::TERMINATE_ACK => self.lcp.on_packet(packet, now),
            _ => {}
        }
    }

    fn on_session_frame(&mut self, arrival: &Arrival, payload: &[u8]) {
        let Ok((number, frame)) = pppoe::session(payload) else { return };
        if number != self.settings.number {
            return;
        }
        let Ok((protocol, information)) = ppp::frame(frame) else { return };
        if matches!(protocol, ppp::IPV4 | ppp::IPV6) {
            return;
        }
        let now = arrival.moment.at;
        self.times.peer_spoke.get_or_insert(now);
        let Ok(packet) = ppp::control(information) else { return };
        let is_up = self.phase >= Phase::Network;
        match protocol {
            ppp::LCP => self.on_lcp(&packet, arrival),
            ppp::PAP => self.on_pap(&packet, now),
            ppp::CHAP => self.on_chap(&packet, now),
            // Before the login is done they are thrown away (RFC 1661 section 3.5).
            ppp::IPCP if is_up => self.ipcp.on_packet(&packet, now),
            ppp::IPV6CP if is_up => self.ipv6cp.on_packet(&packet, now),
            ppp::IPCP | ppp::IPV6CP => {}
            unknown if self.lcp.stage() == Stage::Open => {
                // RFC 1661 section 5.7: the protocol and what came, as far as the peer takes it.
                let mut data = unknown.to_be_bytes().to_vec();
                data.extend(information.iter().take(64));
                self.next_identifier = self.next_identifier.wrapping_add(1);
                let packet = Control { code: code::PROTOCOL_REJECT, identifier: self.next_identifier, data };
                self.post(ppp::LCP, &packet, 0);
            }
            _ => {}
        }
    }
}

/// A peer's words, fit to be shown.
fn plain(octets: &[u8]) -> String {
    let text = String::from_utf8_lossy(octets);
    text.chars().take(200).map(|c| if c.is_control() { ' ' } else { c }).collect::<String>().trim().to_owned()
}

impl Machine for Session {
    type Event = Event;

    fn on_frame(&mut self, arrival: &Arrival, frame: &[u8]) {
        let Ok(frame) = ethernet::parse(frame) else { return };
        let is_ours = frame.repr.source == self.settings.peer && frame.repr.destination == self.settings.own;
        if !is_ours || self.phase == Phase::Over {
            return;
        }
        let now = arrival.moment.at;
        match frame.repr.ethertype {
            SESSION => self.on_session_frame(arrival, frame.payload),
            DISCOVERY => {
                let ended = pppoe::parse(frame.payload).ok().filter(|p| p.repr.code == Code::Terminate);
                if ended.is_some_and(|parsed| parsed.repr.session == self.settings.number) {
                    let refused = self.proof_refused.take().map(Ending::Refused);
                    let ending = refused.unwrap_or_else(|| Ending::ClosedByPeer(self.phase, String::new()));
                    self.ending.get_or_insert(ending);
                    return self.over();
                }
            }
            _ => {}
        }
        self.after(now);
    }

    fn on_sent(&mut self, ticket: u64, submitted: Moment) {
        if let Some(echo) = ticket.checked_sub(1).and_then(|number| self.echoes.get_mut(number as usize)) {
            echo.flight = Some(Flight::new(submitted));
        }
    }

    fn on_send_failed(&mut self, _: u64) {}

    fn on_departure(&mut self, ticket: u64, moment: Moment) {
        let echo = ticket.checked_sub(1).and_then(|number| self.echoes.get_mut(number as usize));
        if let Some(flight) = echo.and_then(|echo| echo.flight.as_mut()) {
            flight.on_departure(moment);
        }
    }

    fn on_wake(&mut self, now: Instant) {
        if let Some((sent, again_at)) = self.padt {
            if now >= again_at {
                if sent < TERMINATIONS { self.say_farewell(now) } else { self.over() }
            }
            return;
        }
        if self.phase < Phase::Open && now >= self.ends_at {
            let phase = self.phase;
            let refused = self.proof_refused.take().map(Ending::Refused);
            self.fail(refused.unwrap_or(Ending::NoAnswer(phase)), now);
        }
        self.lcp.on_wake(now);
        self.ipcp.on_wake(now);
        self.ipv6cp.on_wake(now);
        if let Some((again_at, asked)) = self.pap
            && now >= again_at
        {
            self.ask_by_pap(now, asked);
        }
        self.after(now);
    }

    fn transmit(&mut self, _: Instant) -> Option<Outgoing> {
        self.queue.pop_front()
    }

    fn next_wake(&self) -> Option<Instant> {
        if self.phase == Phase::Over {
            return None;
        }
        if let Some((_, again_at)) = self.padt {
            return Some(again_at);
        }
        let negotiations = [self.lcp.next_wake(), self.ipcp.next_wake(), self.ipv6cp.next_wake()];
        let deadline = (self.phase < Phase::Open).then_some(self.ends_at);
        let ipv6 = self.ipv6_ends_at.filter(|_| self.phase == Phase::Network);
        negotiations.into_iter().chain([deadline, ipv6, self.pap.map(|(at, _)| at)]).flatten().min()
    }

    fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }
}
