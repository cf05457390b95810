//! PPPoE discovery without I/O (RFC 2516 section 5): who offers sessions, and whether one can be opened; it is closed at once.
//!
//! Or it is left open for [`super::ppp`]. It knows no socket and no clock, and no PPP: no credentials are needed. The hard
//! things: it is an examiner, so every offer is kept, also odd ones; each PADI has a Host-Uniq of its own, so that an offer tells which of several it answers;
//! and nothing may stay open that is not wanted: a session that was confirmed is ended by PADT in every course of events, also
//! when the confirmation comes late.
//!
//! ```text
//!  start ▶ Soliciting ──window after the first PADO over──▶ Requesting ──PADS──▶ Closing ──PADT sent twice──▶ Over (opened)
//!            │ ▲  └ PADI again after 1, 2, 4 s ┘               │  └ PADR again ┘
//!            │ └── patience over ──▶ Over (no offer)           ├── error tag ──▶ Over (refused)
//!            └── only looking ──▶ Over (offered)               └── patience over ──▶ Over (no confirmation)
//! ```
//!
//! Section 8 has the wait for an answer doubled each time and gives no first value: one second is ours.

mod answer;
mod subscriber;
#[cfg(test)]
mod tests;

use std::collections::VecDeque;
use std::time::{Duration, Instant};

pub use self::answer::{Echo, Offer, Verdict};
pub use self::subscriber::{Access, Subscriber};
use super::machine::{Arrival, Machine, Outgoing};
use super::round_trip::{Flight, Moment, Settled};
use crate::wire::ethernet::{self, Mac};
use crate::wire::pppoe::{self, Code, DISCOVERY, Repr, Tag, tag};

/// First wait for an answer; each further one is twice as long.
const FIRST_WAIT: Duration = Duration::from_secs(1);
/// Between the two PADTs: one may be lost, and nobody confirms them.
const BETWEEN_TERMINATIONS: Duration = Duration::from_millis(20);
const TERMINATIONS: u32 = 2;
/// Offers that are kept; a broken or hostile network may send any number.
const MOST_OFFERS: usize = 64;

/// What is asked, and how long is waited.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Hardware address of the port.
    pub mac: Mac,
    /// For the first offer.
    pub patience: Duration,
    /// For other concentrators after the first offer.
    pub window: Duration,
    /// For the confirmation.
    pub confirmation: Duration,
    /// What becomes of an offer.
    pub then: Then,
    /// Service that is asked for; empty for any.
    pub service: Vec<u8>,
    /// Payload beyond 1492 octets that is asked about (RFC 4638); `None` does not ask.
    pub max_payload: Option<u16>,
    /// Random; makes the Host-Uniq of this run unlike all others.
    pub run: u32,
}

/// What becomes of an offer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Then {
    /// Nothing: looked at only.
    Look,
    /// Once the window is over a session is opened, and closed at once.
    OpenAndClose,
    /// A session is opened at once and left open, for PPP to go on; other offers are still heard.
    Keep,
}

/// Something that happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Event {
    /// A concentrator offered; the index is that of [`Discovery::offers`].
    Offered(usize),
    /// It is over.
    Over(Ending),
}

/// How it ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ending {
    /// Nobody offered.
    NoOffer,
    /// Somebody offered, and no more was wanted, or could be.
    Offered,
    /// A session was opened, and closed unless it was to be kept.
    Opened,
    /// The concentrator refused the session.
    Refused,
    /// The concentrator that had offered did not answer the request.
    NoConfirmation,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Soliciting { again_at: Instant, wait: Duration, ends_at: Instant, window_ends_at: Option<Instant> },
    Requesting { offer: usize, again_at: Instant, wait: Duration, ends_at: Instant },
    Closing { to: Mac, session: u16, left: u32, again_at: Instant },
    Kept { from: Mac, session: u16 },
    Over,
}

/// What a frame that was sent is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Purpose {
    Initiation,
    Request,
    Terminate,
}

#[derive(Debug)]
struct Sent {
    purpose: Purpose,
    flight: Option<Flight>,
}

/// A discovery under way.
#[derive(Debug)]
pub struct Discovery {
    settings: Settings,
    state: State,
    /// By ticket; the ticket is the last part of the frame's Host-Uniq.
    sent: Vec<Sent>,
    queue: VecDeque<Outgoing>,
    events: VecDeque<Event>,
    offers: Vec<Offer>,
    verdict: Option<Verdict>,
    is_ending: bool,
    ignored: u64,
}

impl Discovery {
    /// Begins: the first PADI is wanted at once.
    pub fn new(settings: Settings, now: Instant) -> Self {
        let ends_at = now + settings.patience;
        let state = State::Soliciting { again_at: now + FIRST_WAIT, wait: FIRST_WAIT, ends_at, window_ends_at: None };
        let mut this = Self {
            settings,
            state,
            sent: Vec::new(),
            queue: VecDeque::new(),
            events: VecDeque::new(),
            offers: Vec::new(),
            verdict: None,
            is_ending: false,
            ignored: 0,
        };
        this.initiate();
        this
    }

    /// All offers in order of arrival, odd ones too.
    pub fn offers(&self) -> &[Offer] {
        &self.offers
    }

    /// What the concentrator said to the request.
    pub fn verdict(&self) -> Option<&Verdict> {
        self.verdict.as_ref()
    }

    /// The session that was opened to be kept: concentrator and number.
    pub fn kept(&self) -> Option<(Mac, u16)> {
        match self.state {
            State::Kept { from, session } => Some((from, session)),
            _ => None,
        }
    }

    /// Time from the PADI to the offer that answers it.
    pub fn offer_time(&self, offer: &Offer) -> Option<Settled> {
        Some(self.time(offer.answers?, offer.arrived))
    }

    /// Time from the PADR to the PADS that answers it.
    pub fn confirmation_time(&self) -> Option<Settled> {
        let verdict = self.verdict.as_ref()?;
        Some(self.time(verdict.answers?, verdict.arrived))
    }

    /// PADI and PADR that were sent.
    pub fn requests_sent(&self) -> (usize, usize) {
        let count = |purpose| self.sent.iter().filter(|sent| sent.purpose == purpose && sent.flight.is_some()).count();
        (count(Purpose::Initiation), count(Purpose::Request))
    }

    /// Discovery packets that were unreadable, or not for this host.
    pub fn ignored(&self) -> u64 {
        self.ignored
    }

    /// Ends early: a session that is open or may become so is closed by what [`Machine::transmit`] then gives.
    pub fn end(&mut self, now: Instant) {
        match self.state {
            State::Closing { .. } | State::Over => {}
            State::Kept { from, session } => self.close(from, session, now),
            State::Soliciting { .. } => self.over(if self.offers.is_empty() { Ending::NoOffer } else { Ending::Offered }),
            // The number of a session that is being opened is unknown, so it can't be closed: a short wait shows it.
            State::Requesting { offer, again_at, wait, .. } => {
                let ends_at = now + Duration::from_millis(300);
                self.is_ending = true;
                self.state = State::Requesting { offer, again_at: again_at.max(ends_at), wait, ends_at };
            }
        }
    }

    fn time(&self, ticket: usize, arrived: Moment) -> Settled {
        let Some(mut flight) = self.sent.get(ticket).and_then(|sent| sent.flight) else { return Settled::NotYet };
        flight.on_arrival(arrived);
        flight.settle(true)
    }

    fn initiate(&mut self) {
        let tags = self.asked();
        self.post(Purpose::Initiation, Mac::BROADCAST, Code::Initiation, 0, tags);
    }

    /// The tags that PADI and PADR share.
    fn asked(&self) -> Vec<Tag<'static>> {
        let mut tags = vec![Tag::new(tag::SERVICE_NAME, self.settings.service.clone())];
        tags.extend(self.settings.max_payload.map(|octets| Tag::new(tag::MAX_PAYLOAD, octets.to_be_bytes().to_vec())));
        tags
    }

    fn request(&mut self, offer: usize) {
        let Some(chosen) = self.offers.get(offer) else { return };
        let mut tags = self.asked();
        if !chosen.services.contains(&self.settings.service)
            && let Some(service) = chosen.services.first()
        {
            tags[0] = Tag::new(tag::SERVICE_NAME, service.clone());
        }
        // Sections 5.3 and appendix A: returned as they came.
        tags.extend(chosen.cookie.clone().map(|cookie| Tag::new(tag::AC_COOKIE, cookie)));
        tags.extend(chosen.relay.clone().map(|relay| Tag::new(tag::RELAY_SESSION_ID, relay)));
        self.post(Purpose::Request, chosen.from, Code::Request, 0, tags);
    }

    fn post(&mut self, purpose: Purpose, to: Mac, code: Code, session: u16, mut tags: Vec<Tag<'static>>) {
        let ticket = self.sent.len();
        if purpose != Purpose::Terminate {
            tags.push(Tag::new(tag::HOST_UNIQ, self.host_uniq(ticket).to_vec()));
        }
        // What was read from a packet fits one, except that tags of several may add up to more: such an offer can't be asked.
        let Some(packet) = (Repr { code, session, tags }).emit().filter(|packet| packet.len() <= 1500) else { return };
        let header = ethernet::Repr { destination: to, source: self.settings.mac, tags: Vec::new(), ethertype: DISCOVERY };
        self.sent.push(Sent { purpose, flight: None });
        self.queue.push_back(Outgoing { ticket: ticket as u64, bytes: header.emit(&packet) });
    }

    fn host_uniq(&self, ticket: usize) -> [u8; 8] {
        let mut octets = [0; 8];
        octets[..4].copy_from_slice(&self.settings.run.to_be_bytes());
        octets[4..].copy_from_slice(&(ticket as u32).to_be_bytes());
        octets
    }

    /// Which of our frames a packet answers.
    fn echo(&self, repr: &Repr<'_>) -> Echo {
        match repr.tag(tag::HOST_UNIQ) {
            None => Echo::Missing,
            Some(octets) => {
                let ticket = (0..self.sent.len()).find(|ticket| self.host_uniq(*ticket) == octets);
                ticket.map_or(Echo::Foreign, Echo::Of)
            }
        }
    }

    fn on_offer(&mut self, arrival: &Arrival, from: Mac, parsed: &pppoe::Parsed<'_>) {
        let echo = self.echo(&parsed.repr);
        let keeps = self.settings.then == Then::Keep;
        let is_heard = matches!(self.state, State::Soliciting { .. }) || keeps && self.state != State::Over;
        if !is_heard || self.offers.len() >= MOST_OFFERS {
            return;
        }
        if let State::Soliciting { window_ends_at, .. } = &mut self.state {
            window_ends_at.get_or_insert(arrival.moment.at + self.settings.window);
        }
        self.offers.push(Offer::of(arrival, from, parsed, echo, self.sent.len()));
        self.events.push_back(Event::Offered(self.offers.len() - 1));
        let is_usable = self.offers.last().is_some_and(Offer::is_usable);
        if keeps && is_usable && matches!(self.state, State::Soliciting { .. }) {
            self.soliciting_is_over(arrival.moment.at);
        }
    }

    fn on_confirmation(&mut self, arrival: &Arrival, from: Mac, repr: &Repr<'_>) {
        let echo = self.echo(repr);
        let asked = match self.state {
            State::Requesting { offer, .. } => self.offers.get(offer).map(|offer| offer.from),
            _ => None,
        };
        let is_ours = echo != Echo::Foreign;
        if asked == Some(from) && is_ours {
            let verdict = Verdict::of(arrival, repr, echo);
            let is_open = verdict.is_open();
            self.verdict = Some(verdict);
            if is_open && self.settings.then == Then::Keep && !self.is_ending {
                self.state = State::Kept { from, session: repr.session };
                self.events.push_back(Event::Over(Ending::Opened));
            } else if is_open {
                self.close(from, repr.session, arrival.moment.at);
            } else {
                self.over(Ending::Refused);
            }
        } else if self.state == (State::Kept { from, session: repr.session }) {
            // Said twice.
        } else if is_ours && matches!(echo, Echo::Of(_)) && repr.session != 0 {
            // A second one, or one that comes when nobody waits any more: it must not stay open.
            self.terminate(from, repr.session);
        } else {
            self.ignored += 1;
        }
    }

    fn close(&mut self, to: Mac, session: u16, now: Instant) {
        self.terminate(to, session);
        self.state = State::Closing { to, session, left: TERMINATIONS - 1, again_at: now + BETWEEN_TERMINATIONS };
    }

    fn terminate(&mut self, to: Mac, session: u16) {
        self.post(Purpose::Terminate, to, Code::Terminate, session, Vec::new());
    }

    fn over(&mut self, ending: Ending) {
        self.state = State::Over;
        self.events.push_back(Event::Over(ending));
    }

    fn soliciting_is_over(&mut self, now: Instant) {
        let usable = self.offers.iter().position(Offer::is_usable);
        match usable.filter(|_| self.settings.then != Then::Look) {
            Some(offer) => {
                let ends_at = now + self.settings.confirmation;
                self.state = State::Requesting { offer, again_at: now + FIRST_WAIT, wait: FIRST_WAIT, ends_at };
                self.request(offer);
            }
            None if self.offers.is_empty() => self.over(Ending::NoOffer),
            None => self.over(Ending::Offered),
        }
    }
}

impl Machine for Discovery {
    type Event = Event;

    fn on_frame(&mut self, arrival: &Arrival, frame: &[u8]) {
        let Ok(frame) = ethernet::parse(frame) else { return };
        if frame.repr.ethertype != DISCOVERY {
            return;
        }
        let is_for_us = frame.repr.destination == self.settings.mac;
        let Some(parsed) = pppoe::parse(frame.payload).ok().filter(|_| is_for_us) else {
            self.ignored += 1;
            return;
        };
        match parsed.repr.code {
            Code::Offer => self.on_offer(arrival, frame.repr.source, &parsed),
            Code::Confirmation => self.on_confirmation(arrival, frame.repr.source, &parsed.repr),
            // Closed by the other side: nothing more is to be closed.
            Code::Terminate => {}
            _ => self.ignored += 1,
        }
    }

    fn on_sent(&mut self, ticket: u64, submitted: Moment) {
        if let Some(sent) = self.sent.get_mut(ticket as usize) {
            sent.flight = Some(Flight::new(submitted));
        }
    }

    fn on_send_failed(&mut self, _: u64) {}

    fn on_departure(&mut self, ticket: u64, moment: Moment) {
        if let Some(flight) = self.sent.get_mut(ticket as usize).and_then(|sent| sent.flight.as_mut()) {
            flight.on_departure(moment);
        }
    }

    fn on_wake(&mut self, now: Instant) {
        match self.state {
            State::Soliciting { again_at, wait, ends_at, window_ends_at } => {
                if now >= window_ends_at.unwrap_or(ends_at) {
                    self.soliciting_is_over(now);
                } else if window_ends_at.is_none() && now >= again_at {
                    let wait = wait * 2;
                    self.state = State::Soliciting { again_at: now + wait, wait, ends_at, window_ends_at };
                    self.initiate();
                }
            }
            State::Requesting { offer, again_at, wait, ends_at } => {
                if now >= ends_at {
                    self.over(Ending::NoConfirmation);
                } else if now >= again_at {
                    let wait = wait * 2;
                    self.state = State::Requesting { offer, again_at: now + wait, wait, ends_at };
                    self.request(offer);
                }
            }
            State::Closing { to, session, left, again_at } if now >= again_at => {
                if left > 0 {
                    self.terminate(to, session);
                    self.state = State::Closing { to, session, left: left - 1, again_at: now + BETWEEN_TERMINATIONS };
                } else {
                    self.over(Ending::Opened);
                }
            }
            State::Closing { .. } | State::Kept { .. } | State::Over => {}
        }
    }

    fn transmit(&mut self, _: Instant) -> Option<Outgoing> {
        self.queue.pop_front()
    }

    fn next_wake(&self) -> Option<Instant> {
        match self.state {
            State::Soliciting { window_ends_at: Some(window), .. } => Some(window),
            State::Soliciting { again_at, ends_at, window_ends_at: None, .. } => Some(again_at.min(ends_at)),
            State::Requesting { again_at, ends_at, .. } => Some(again_at.min(ends_at)),
            State::Closing { again_at, .. } => Some(again_at),
            State::Kept { .. } | State::Over => None,
        }
    }

    fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }
}
