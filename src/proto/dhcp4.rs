//! A DHCP client without I/O (RFC 2131): gets a lease, keeps it, gives it back; or only asks for settings (INFORM).
//!
//! It knows no socket and no clock. The hard things: it is an examiner, so every answer is kept, also those that a client
//! would not take; and the times of its answers are taken exactly, for which each DISCOVER has a transaction of its own
//! (section 4.1 lets a client choose), so that an OFFER tells which of several it answers.
//!
//! ```text
//!             ┌── no OFFER: DISCOVER again after 4, 8, 16, 32, 64 s, ± 1 s ─┐
//!             ▼                                                             │
//!  start ▶ Selecting ──window after the first OFFER over──▶ Requesting ──ACK──▶ Probing ──nobody has it──▶ Bound
//!             ▲   │                                          │  │ ▲            │                          │   ▲
//!             │   └─patience over──▶ Over (no offer)         │  └─┘ again      │ somebody has it:         T1  │ ACK
//!             ├────────────────NAK (twice at most)───────────┤                 │ DECLINE, wait 10 s       ▼   │
//!             └────────────────────────────────────────────────────────────────┘                       Renewing ─┤
//!                                                            └─patience over──▶ Over (no ACK)            T2  │
//!  start ▶ Informing ──window after the first ACK over──▶ Over (informed)                                 ▼   │
//!                    └─patience over──▶ Over (no answer)                   Over (expired, lost) ◀── Rebinding ─┘
//! ```
//!
//! Departures from RFC 2131, each for want of time on a doorstep: no random wait of 1 to 10 s before the first message
//! (section 4.4.1, meant for a street after a power cut), and the probe of the address may be shorter than RFC 5227 section
//! 1.1 has it ([`Settings::probe_waits`]). While the address is held, another station that speaks for it is told and answered
//! as RFC 5227 section 2.4 (c) has it. A renewal can be tried long before T1 ([`Client::try_renewal`]).

mod answer;
mod envelope;
mod lease;
mod message;
mod neighbour;
mod settings;
mod state;
mod trial;

use std::collections::VecDeque;
use std::net::Ipv4Addr;
use std::time::{Duration, Instant};

pub use self::answer::{Answer, Ignored, Phase, Way};
pub use self::lease::{Lease, Times};
pub use self::settings::{Purpose, Settings};
use self::state::{Backoff, State};
use super::machine::{Arrival, Machine, Outgoing};
pub use super::round_trip::Took;
use super::round_trip::{Flight, Moment};
use crate::wire::dhcp4::MessageType;
use crate::wire::ethernet::Mac;

/// Something that happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// A message was sent.
    Sent(MessageType),
    /// A server answered; the index is that of [`Client::answers`].
    Answered(usize),
    /// The lease is confirmed and nobody else has the address.
    Bound,
    /// The lease was confirmed again, with new times.
    Renewed,
    /// A renewal that was tried before its time was not answered; the lease stands as it was.
    RenewalUnanswered,
    /// Another station has the address; the server was told (DECLINE).
    Conflict {
        /// The address.
        address: Ipv4Addr,
        /// Who has it.
        owner: Mac,
    },
    /// Another station speaks for the address that is held, for the first time.
    Contested {
        /// The address.
        address: Ipv4Addr,
        /// Who does.
        owner: Mac,
    },
    /// All answers to INFORM that were to be waited for are in.
    Informed,
    /// It is over.
    Over(Ending),
}

/// How it ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ending {
    /// No OFFER at all.
    NoOffer,
    /// OFFERs came, none of which a client can take.
    NoUsableOffer,
    /// The server that made the OFFER did not answer the REQUEST.
    NoAck,
    /// The server refused what it had offered (NAK), twice.
    Refused,
    /// Every address that was confirmed is in use by somebody else.
    Conflict,
    /// Nobody answered INFORM.
    NoInformation,
    /// The lease ran out and nobody renewed it.
    Expired,
    /// A server withdrew the lease (NAK to a renewal).
    Withdrawn,
    /// Given back.
    Released,
    /// Informed, all is done.
    Informed,
}

/// Another station with our address.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rival {
    /// The address.
    pub address: Ipv4Addr,
    /// The other station.
    pub owner: Mac,
    /// True when it spoke up before the address was used, which was then declined.
    pub is_declined: bool,
}

/// A message that was sent, for the time of its answer.
#[derive(Debug, Clone)]
struct Sent {
    kind: Option<MessageType>,
    transaction: u32,
    /// `secs` in it.
    seconds: u16,
    /// `None` until the system took it, and for good when it didn't.
    flight: Option<Flight>,
}

/// The client.
#[derive(Debug)]
pub struct Client {
    settings: Settings,
    start: Instant,
    /// End of patience; only before the first lease.
    deadline: Instant,
    state: State,
    next_transaction: u32,
    next_jitter: usize,
    refusals: u32,
    /// First message of the present attempt among those sent; offers to earlier ones are void.
    attempt_from: usize,
    sent: Vec<Sent>,
    outbox: VecDeque<Outgoing>,
    answers: Vec<Answer>,
    rivals: Vec<Rival>,
    /// When the address is announced again.
    announce_at: Option<Instant>,
    last_defence: Option<Instant>,
    ignored: Ignored,
    events: VecDeque<Event>,
}

/// Time in which an answer is waited for after the last message, however short the patience.
const LAST_WAIT: Duration = Duration::from_millis(1500);
/// Messages of a kind that are sent before giving up, so that one lost packet doesn't decide.
const LEAST_SENDS: u32 = 2;
/// NAKs to a first REQUEST that are put up with.
const MOST_REFUSALS: u32 = 2;
/// Wait before starting again after a DECLINE (section 3.1, step 5: at least ten seconds).
const AFTER_DECLINE: Duration = Duration::from_secs(10);
/// Answers that are kept; some hundred servers at a time make no network.
const MOST_ANSWERS: usize = 1000;
/// Least wait between REQUESTs that renew (section 4.4.5).
const LEAST_RENEWAL_WAIT: Duration = Duration::from_secs(60);

impl Client {
    /// A client that begins at once.
    pub fn new(settings: Settings, start: Instant) -> Self {
        let deadline = start + settings.patience;
        let next_transaction = settings.transaction;
        let mut client = Self {
            settings,
            start,
            deadline,
            state: State::Over,
            next_transaction,
            next_jitter: 0,
            refusals: 0,
            attempt_from: 0,
            sent: Vec::new(),
            outbox: VecDeque::new(),
            answers: Vec::new(),
            rivals: Vec::new(),
            announce_at: None,
            last_defence: None,
            ignored: Ignored::default(),
            events: VecDeque::new(),
        };
        match client.settings.purpose {
            Purpose::Acquire => client.begin_selecting(start),
            Purpose::Inform(_) => client.begin_informing(start),
        }
        client
    }

    /// All answers of servers so far, in order of arrival, also those that were not taken.
    pub fn answers(&self) -> &[Answer] {
        &self.answers
    }

    /// What was passed over, by reason.
    pub fn ignored(&self) -> &Ignored {
        &self.ignored
    }

    /// The lease, while it is held.
    pub fn lease(&self) -> Option<&Lease> {
        match &self.state {
            State::Bound { lease }
            | State::Trying { lease, .. }
            | State::Renewing { lease, .. }
            | State::Rebinding { lease, .. } => Some(lease),
            _ => None,
        }
    }

    /// Other stations that spoke for an address of ours, each once.
    pub fn rivals(&self) -> &[Rival] {
        &self.rivals
    }

    /// Messages of a kind that the system took.
    pub fn sent(&self, kind: MessageType) -> u32 {
        self.sent.iter().filter(|s| s.kind == Some(kind) && s.flight.is_some()).count() as u32
    }

    /// The index, from 1, of the DISCOVER that an answer answers; `None` for answers to others.
    pub fn discover_number(&self, answer: &Answer) -> Option<u32> {
        let discovers = self.sent.iter().filter(|s| s.kind == Some(MessageType::Discover));
        discovers.zip(1..).find(|(s, _)| s.transaction == answer.transaction).map(|(_, number)| number)
    }

    /// DISCOVERs that were sent before this answer came.
    pub fn discovers_before(&self, answer: &Answer) -> u32 {
        let discovers = self.sent.iter().filter(|s| s.kind == Some(MessageType::Discover)).filter_map(|s| s.flight);
        discovers.filter(|flight| flight.began().at <= answer.arrived.at).count() as u32
    }

    /// The time from the message to this answer to it. `None` when its send is unknown.
    pub fn took(&self, answer: &Answer) -> Option<Took> {
        let question = state::question_of(answer.kind, self.settings.purpose);
        let is_it = |s: &&Sent| s.transaction == answer.transaction && s.kind == Some(question);
        let flights = self.sent.iter().filter(is_it).filter_map(|s| s.flight);
        Took::between(flights, answer.arrived)
    }

    /// Gives the lease back (RELEASE, section 4.4.6), if there is one. The frame comes out of `transmit`; nothing answers.
    pub fn release(&mut self) {
        let confirmed = if let State::Probing { lease, .. } = &self.state { Some(&**lease) } else { self.lease() };
        if let Some(lease) = confirmed.cloned() {
            let transaction = self.draw_transaction();
            self.post(Some(MessageType::Release), transaction, 0, |s| message::release(s, &lease, transaction));
        }
        self.end(Ending::Released);
    }

    /// True when nothing will happen any more.
    pub fn is_over(&self) -> bool {
        matches!(self.state, State::Over)
    }

    fn end(&mut self, ending: Ending) {
        if !self.is_over() {
            self.state = State::Over;
            self.events.push_back(Event::Over(ending));
        }
    }

    fn draw_transaction(&mut self) -> u32 {
        let transaction = self.next_transaction;
        self.next_transaction = transaction.wrapping_add(1);
        transaction
    }

    /// The next random part of a wait, within a second either way.
    fn draw_jitter(&mut self) -> i32 {
        let list = &self.settings.jitter_ms;
        let drawn = if list.is_empty() { 0 } else { list[self.next_jitter % list.len()] };
        self.next_jitter += 1;
        drawn.clamp(-1000, 1000)
    }

    /// Puts a frame in the outbox; `kind` is `None` for what is no DHCP message.
    fn post(&mut self, kind: Option<MessageType>, transaction: u32, seconds: u16, frame: impl FnOnce(&Settings) -> Vec<u8>) {
        let (ticket, bytes) = (self.sent.len() as u64, frame(&self.settings));
        self.sent.push(Sent { kind, transaction, seconds, flight: None });
        self.outbox.push_back(Outgoing { ticket, bytes });
        if let Some(kind) = kind {
            self.events.push_back(Event::Sent(kind));
        }
    }

    /// Whole seconds since the start, for `secs`.
    fn seconds(&self, now: Instant) -> u16 {
        u16::try_from(now.saturating_duration_since(self.start).as_secs()).unwrap_or(u16::MAX)
    }

    /// True when another try would only pass the end of patience, and the last one has had its time.
    fn is_out_of_patience(&self, now: Instant, tries: &Backoff) -> bool {
        now >= self.give_up_at(tries)
    }

    fn give_up_at(&self, tries: &Backoff) -> Instant {
        let last_chance = tries.last_sent_at + LAST_WAIT;
        if tries.sends < LEAST_SENDS { last_chance.max(tries.again_at + LAST_WAIT) } else { self.deadline.max(last_chance) }
    }

    /// True when the next try is due and worth making.
    fn may_try_again(&self, now: Instant, tries: &Backoff) -> bool {
        now >= tries.again_at && (tries.sends < LEAST_SENDS || tries.again_at < self.deadline)
    }

    /// The next time at which a state that tries again has something to do.
    fn try_wake(&self, tries: &Backoff) -> Instant {
        let again = tries.sends < LEAST_SENDS || tries.again_at < self.deadline;
        let give_up_at = self.give_up_at(tries);
        if again { tries.again_at.min(give_up_at) } else { give_up_at }
    }
}

impl Machine for Client {
    type Event = Event;

    fn on_frame(&mut self, arrival: &Arrival, frame: &[u8]) {
        match envelope::open(arrival, frame, self.settings.mac) {
            Ok(envelope::Content::Arp(packet)) => self.on_arp(arrival.moment.at, &packet),
            Ok(envelope::Content::Dhcp(received)) => self.on_dhcp(arrival.moment, received),
            Err(reason) => self.ignored.count(reason),
        }
    }

    fn on_sent(&mut self, ticket: u64, submitted: Moment) {
        if let Some(sent) = usize::try_from(ticket).ok().and_then(|at| self.sent.get_mut(at)) {
            sent.flight = Some(Flight::new(submitted));
        }
    }

    fn on_send_failed(&mut self, _ticket: u64) {
        // Its flight stays unknown, so it counts as not sent; the timer of its state tries again.
        self.ignored.not_sent += 1;
    }

    fn on_departure(&mut self, ticket: u64, moment: Moment) {
        let sent = usize::try_from(ticket).ok().and_then(|at| self.sent.get_mut(at));
        if let Some(flight) = sent.and_then(|s| s.flight.as_mut()) {
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
