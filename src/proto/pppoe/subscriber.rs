//! Discovery and session as one machine, for one driver and one socket: nothing that comes between them is lost.
//!
//! It knows no socket and no clock. What belongs to discovery goes there, what belongs to the session there; tickets are told
//! apart by their last bit.

use std::time::Instant;

use super::{Discovery, Ending, Event as Discovered};
use crate::proto::machine::{Arrival, Machine, Outgoing};
use crate::proto::ppp::{Event as InSession, Session, Settings as SessionSettings};
use crate::proto::round_trip::Moment;
use crate::wire::ethernet::Mac;

/// Something that happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Access {
    /// A concentrator offered.
    Offered,
    /// There will be no session.
    NoSession(Ending),
    /// The concentrator opened one; PPP has begun.
    SessionOpened,
    /// Something in the session.
    Session(InSession),
}

/// A host that wants a session and keeps it.
#[derive(Debug)]
pub struct Subscriber {
    discovery: Discovery,
    /// All but the peer and the number, which discovery brings.
    settings: SessionSettings,
    session: Option<Session>,
    /// What discovery says of a session that was refused comes before its end.
    events: std::collections::VecDeque<Access>,
}

impl Subscriber {
    /// `settings` has no peer and no number yet: those in it do not matter.
    pub fn new(discovery: Discovery, settings: SessionSettings) -> Self {
        Self { discovery, settings, session: None, events: std::collections::VecDeque::new() }
    }

    /// What was found before the session.
    pub fn discovery(&self) -> &Discovery {
        &self.discovery
    }

    /// The session, once it is open.
    pub fn session(&self) -> Option<&Session> {
        self.session.as_ref()
    }

    /// The session, to ask it for something.
    pub fn session_mut(&mut self) -> Option<&mut Session> {
        self.session.as_mut()
    }

    /// Ends whatever is open.
    pub fn end(&mut self, now: Instant) {
        match &mut self.session {
            Some(session) => session.end(now),
            None => self.discovery.end(now),
        }
    }

    fn begin(&mut self, peer: Mac, number: u16, now: Instant) {
        // RFC 4638 section 3: more than 1492 only where the concentrator has said that it can.
        let said = self.discovery.verdict().and_then(|verdict| verdict.max_payload);
        let mru = self.settings.mru.min(said.unwrap_or(0).max(MRU_WITHOUT_WORD));
        let settings = SessionSettings { peer, number, mru, ..self.settings.clone() };
        self.session = Some(Session::new(settings, now));
    }

    fn collect(&mut self, now: Instant) {
        while let Some(event) = self.discovery.poll_event() {
            match event {
                Discovered::Offered(_) => self.events.push_back(Access::Offered),
                Discovered::Over(Ending::Opened) => match self.discovery.kept() {
                    Some((peer, number)) if self.session.is_none() => {
                        self.begin(peer, number, now);
                        self.events.push_back(Access::SessionOpened);
                    }
                    Some(_) => {}
                    None => self.events.push_back(Access::NoSession(Ending::Opened)),
                },
                Discovered::Over(ending) => self.events.push_back(Access::NoSession(ending)),
            }
        }
        while let Some(event) = self.session.as_mut().and_then(Session::poll_event) {
            self.events.push_back(Access::Session(event));
        }
    }
}

/// PPP's largest information over PPPoE unless both sides have said more (RFC 2516 section 7).
const MRU_WITHOUT_WORD: u16 = 1492;

/// Whose ticket: the last bit says session.
fn ticket(inner: u64, is_session: bool) -> u64 {
    inner << 1 | u64::from(is_session)
}

impl Machine for Subscriber {
    type Event = Access;

    fn on_frame(&mut self, arrival: &Arrival, frame: &[u8]) {
        self.discovery.on_frame(arrival, frame);
        if let Some(session) = &mut self.session {
            session.on_frame(arrival, frame);
        }
        self.collect(arrival.moment.at);
    }

    fn on_sent(&mut self, ticket: u64, submitted: Moment) {
        match (ticket & 1, &mut self.session) {
            (1, Some(session)) => session.on_sent(ticket >> 1, submitted),
            _ => self.discovery.on_sent(ticket >> 1, submitted),
        }
    }

    fn on_send_failed(&mut self, ticket: u64) {
        if ticket & 1 == 0 {
            self.discovery.on_send_failed(ticket >> 1);
        }
    }

    fn on_departure(&mut self, ticket: u64, moment: Moment) {
        match (ticket & 1, &mut self.session) {
            (1, Some(session)) => session.on_departure(ticket >> 1, moment),
            _ => self.discovery.on_departure(ticket >> 1, moment),
        }
    }

    fn on_wake(&mut self, now: Instant) {
        self.discovery.on_wake(now);
        if let Some(session) = &mut self.session {
            session.on_wake(now);
        }
        self.collect(now);
    }

    fn transmit(&mut self, now: Instant) -> Option<Outgoing> {
        let outgoing = match self.discovery.transmit(now) {
            Some(outgoing) => Outgoing { ticket: ticket(outgoing.ticket, false), ..outgoing },
            None => {
                let outgoing = self.session.as_mut()?.transmit(now)?;
                Outgoing { ticket: ticket(outgoing.ticket, true), ..outgoing }
            }
        };
        Some(outgoing)
    }

    fn next_wake(&self) -> Option<Instant> {
        let session = self.session.as_ref().and_then(Session::next_wake);
        [self.discovery.next_wake(), session].into_iter().flatten().min()
    }

    fn poll_event(&mut self) -> Option<Access> {
        self.events.pop_front()
    }
}
