//! A DHCPv6 client without I/O (RFC 8415): gets addresses and a delegated prefix and gives them back, or only asks for settings.
//!
//! It knows no socket and no clock. The hard things: it is an examiner, so every answer is kept, also those that a client
//! would not take; and a server may give one of two things asked for and refuse the other, which is half a success.
//!
//! ```text
//!  start ▶ Soliciting ──time to collect over, or preference 255──▶ Requesting ──REPLY──▶ Bound ──release──▶ Releasing
//!             │  │ └── no ADVERTISE: again after 1, 2, 4 s ... ──┘    │ └─again (1, 2, 4 s ...)               │
//!             │  └──────────── REPLY with rapid commit ──────────────────────▶ Bound                           REPLY, or no
//!             └─patience over─▶ Over                                └─patience over─▶ Over                     answer ─▶ Over
//!  start ▶ Informing ──REPLY──▶ Over (informed)
//! ```
//!
//! Departures from RFC 8415: no random wait before the first message (section 18.2.1, meant for a street after a power cut);
//! leases are not renewed, since they outlast a visit by far (common practice: hours), and die with their lifetime else; a
//! DECLINE is sent once.

mod answer;
mod envelope;
mod exchange;
mod lease;

use std::collections::VecDeque;
use std::net::Ipv6Addr;
use std::time::{Duration, Instant};

pub use self::answer::{Answer, Unusable};
use self::exchange::State;
pub use self::lease::{Delegated, Lease, Lent, Refusal};
use super::machine::{Arrival, Machine, Moment, Outgoing};
use super::round_trip::{Flight, Took};
use crate::wire::dhcp6::{Association, Duid, Item, MessageType};
use crate::wire::ethernet::Mac;

/// What is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// A lease, in four messages or two.
    Lease {
        /// An address.
        address: bool,
        /// A delegated prefix.
        prefix: bool,
    },
    /// Settings only.
    Information,
}

/// What a client is started with.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Hardware address of the port.
    pub mac: Mac,
    /// Link-local address of the port; answers come to it.
    pub source: Ipv6Addr,
    /// What is asked.
    pub purpose: Purpose,
    /// For a first answer.
    pub patience: Duration,
    /// For other servers' answers, counted from the start; never less than the first wait of section 18.2.1.
    pub window: Duration,
    /// First transaction number, drawn by the caller.
    pub transaction: u32,
    /// The random parts of waits (RAND of section 15), in thousandths, -100 to 100; used in turns.
    pub jitter_per_mille: Vec<i32>,
}

/// Something that happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Event {
    /// A message was sent.
    Sent(MessageType),
    /// A server answered; the index is that of [`Client::answers`].
    Answered(usize),
    /// There is a lease.
    Bound,
    /// It is over.
    Over(Ending),
}

/// How it ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ending {
    /// Nobody answered the SOLICIT.
    NoAdvertise,
    /// Servers answered, and none has anything to hand out.
    NothingOffered,
    /// The server that was chosen did not answer the REQUEST.
    NoReply,
    /// The server refused what it had offered.
    Refused,
    /// Nobody answered the INFORMATION-REQUEST.
    NoInformation,
    /// Settings came.
    Informed,
    /// Given back; whether the server said so.
    Released {
        /// A REPLY came.
        is_confirmed: bool,
    },
}

/// Answers that are kept; a broken or hostile network may send any number.
const MOST_ANSWERS: usize = 64;

/// A message that was sent, for the time of its answer.
#[derive(Debug, Clone, Copy)]
struct Sent {
    kind: MessageType,
    transaction: u32,
    /// `None` until the system took it, and for good when it didn't.
    flight: Option<Flight>,
}

/// The client.
#[derive(Debug)]
pub struct Client {
    settings: Settings,
    duid: Duid,
    state: State,
    deadline: Instant,
    collects_until: Instant,
    transaction: u32,
    next_jitter: usize,
    sent: Vec<Sent>,
    outbox: VecDeque<Outgoing>,
    answers: Vec<Answer>,
    unreadable: u64,
    events: VecDeque<Event>,
}

impl Client {
    /// A client that begins at once.
    pub fn new(settings: Settings, start: Instant) -> Self {
        let mut client = Self {
            duid: Duid::of_mac(settings.mac),
            state: State::Over,
            deadline: start + settings.patience,
            collects_until: start + settings.window,
            transaction: settings.transaction,
            next_jitter: 0,
            sent: Vec::new(),
            outbox: VecDeque::new(),
            answers: Vec::new(),
            unreadable: 0,
            events: VecDeque::new(),
            settings,
        };
        match client.settings.purpose {
            Purpose::Lease { .. } => {
                // Section 18.2.1: RAND of the first wait is above zero.
                let tries = client.first_try(start, i32::abs);
                client.collects_until = client.collects_until.max(tries.again_at);
                client.state = State::Soliciting { tries };
                client.send_solicit(start, tries);
            }
            Purpose::Information => {
                let tries = client.first_try(start, |jitter| jitter);
                client.state = State::Informing { tries };
                client.send_question(start, tries);
            }
        }
        client
    }

    /// All answers of servers so far, in order of arrival, also those that were not taken.
    pub fn answers(&self) -> &[Answer] {
        &self.answers
    }

    /// Messages to this client that could not be read, or came in no sound packet.
    pub fn unreadable(&self) -> u64 {
        self.unreadable
    }

    /// The lease, while it is held.
    pub fn lease(&self) -> Option<&Lease> {
        match &self.state {
            State::Bound { lease } | State::Releasing { lease, .. } => Some(lease),
            _ => None,
        }
    }

    /// Messages of a kind that the system took.
    pub fn sent(&self, kind: MessageType) -> usize {
        self.sent.iter().filter(|sent| sent.kind == kind && sent.flight.is_some()).count()
    }

    /// The time from the message to this answer to it. `None` when its send is unknown.
    pub fn took(&self, answer: &Answer) -> Option<Took> {
        let is_it = |sent: &&Sent| Some(sent.transaction) == answer.message.transaction();
        Took::between(self.sent.iter().filter(is_it).filter_map(|sent| sent.flight), answer.arrived)
    }

    /// From the first SOLICIT to the REPLY that gave the lease.
    pub fn lease_time(&self) -> Option<Took> {
        let lease = self.lease()?;
        Took::between(self.sent.first().and_then(|sent| sent.flight).into_iter(), self.answers.get(lease.answer)?.arrived)
    }

    /// Tells the server that an address is in use by somebody else (DECLINE, section 18.2.8), and forgets it.
    pub fn decline(&mut self, address: Ipv6Addr) {
        let State::Bound { lease } = &mut self.state else { return };
        let Some(at) = lease.addresses.iter().position(|lent| lent.address == address) else { return };
        let lent = lease.addresses.remove(at);
        let (server, id) = (lease.server.clone(), self.settings.association());
        self.draw_transaction();
        let message = self
            .message(MessageType::Decline)
            .with(Item::ServerId(server))
            .with(Item::Elapsed(0))
            .with(Item::Addresses(Association { items: vec![lent.item()], ..Association::new(id) }));
        self.post(&message);
    }

    /// Gives the lease back (RELEASE, section 18.2.7), if there is one; over when the server has answered, or has not for a
    /// while.
    pub fn release(&mut self, now: Instant) {
        match std::mem::replace(&mut self.state, State::Over) {
            State::Bound { lease } if lease.is_empty() => self.end(Ending::Released { is_confirmed: false }),
            State::Bound { lease } => {
                self.draw_transaction();
                let tries = self.first_try(now, |jitter| jitter);
                self.send_release(now, tries, &lease);
                self.state = State::Releasing { tries, lease };
            }
            unchanged @ State::Releasing { .. } => self.state = unchanged,
            State::Soliciting { .. } | State::Requesting { .. } | State::Informing { .. } | State::Over => {
                self.end(Ending::Released { is_confirmed: false });
            }
        }
    }

    fn end(&mut self, ending: Ending) {
        self.state = State::Over;
        self.events.push_back(Event::Over(ending));
    }

    /// A transaction number of its own for each exchange; what is sent again keeps it (section 16.1).
    fn draw_transaction(&mut self) {
        self.transaction = self.transaction.wrapping_add(1) & 0x00ff_ffff;
    }
}

impl Settings {
    /// The number of both associations (IAID): the same for the same port, as section 12.1 wants it.
    fn association(&self) -> u32 {
        let [_, _, a, b, c, d] = self.mac.0;
        u32::from_be_bytes([a, b, c, d])
    }
}

impl Machine for Client {
    type Event = Event;

    fn on_frame(&mut self, arrival: &Arrival, frame: &[u8]) {
        match envelope::open(arrival, frame, &self.settings) {
            envelope::Content::Message(received) => {
                let Some(transaction) = received.message.transaction() else { return };
                if self.sent.iter().any(|sent| sent.transaction == transaction) {
                    let answer = Answer::new(*received, arrival, &self.duid, self.settings.purpose);
                    self.on_answer(arrival.moment.at, answer);
                }
            }
            envelope::Content::Unreadable => self.unreadable += 1,
            envelope::Content::Foreign => {}
        }
    }

    fn on_sent(&mut self, ticket: u64, submitted: Moment) {
        if let Some(sent) = self.sent.get_mut(ticket as usize) {
            sent.flight = Some(Flight::new(submitted));
        }
    }

    fn on_send_failed(&mut self, _: u64) {
        // Its flight stays unknown, so it counts as not sent; the timer of its state tries again.
    }

    fn on_departure(&mut self, ticket: u64, moment: Moment) {
        if let Some(flight) = self.sent.get_mut(ticket as usize).and_then(|sent| sent.flight.as_mut()) {
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
        self.wake_at()
    }

    fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }
}

#[cfg(test)]
mod tests;
