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
mod lease;

use std::collections::VecDeque;
use std::net::Ipv6Addr;
use std::time::{Duration, Instant};

pub use self::answer::{Answer, Unusable};
pub use self::lease::{Delegated, Lease, Lent, Refusal};
use super::machine::{Arrival, Machine, Moment, Outgoing};
use super::round_trip::{Flight, Took};
use crate::wire::dhcp6::option::code;
use crate::wire::dhcp6::{Association, Duid, Item, Message, MessageType};
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

/// First wait of each exchange (IRT of section 7.6: all of them 1 s).
const FIRST_WAIT: Duration = Duration::from_secs(1);
/// A REQUEST's longest wait and number (`REQ_MAX_RT`, `REQ_MAX_RC`), a RELEASE's number (`REL_MAX_RC`).
const LONGEST_REQUEST_WAIT: Duration = Duration::from_secs(30);
const MOST_REQUESTS: u32 = 10;
const MOST_RELEASES: u32 = 4;
/// A SOLICIT's and an INFORMATION-REQUEST's longest wait (`SOL_MAX_RT`, `INF_MAX_RT`).
const LONGEST_WAIT: Duration = Duration::from_secs(3600);
/// Preference of a server that wants to be taken at once (section 18.2.1).
const AT_ONCE: u8 = 255;
/// Answers that are kept; a broken or hostile network may send any number.
const MOST_ANSWERS: usize = 64;

/// Sending the same again, each time later (section 15).
#[derive(Debug, Clone, Copy)]
struct Tries {
    sends: u32,
    first_at: Instant,
    wait: Duration,
    again_at: Instant,
}

/// Where the client stands.
#[derive(Debug)]
enum State {
    Soliciting { tries: Tries },
    Requesting { tries: Tries, offer: usize },
    Informing { tries: Tries },
    Bound { lease: Box<Lease> },
    Releasing { tries: Tries, lease: Box<Lease> },
    Over,
}

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

    /// RAND of section 15, in thousandths.
    fn draw_jitter(&mut self) -> i32 {
        let list = &self.settings.jitter_per_mille;
        let drawn = if list.is_empty() { 0 } else { list[self.next_jitter % list.len()] };
        self.next_jitter += 1;
        drawn.clamp(-100, 100)
    }

    fn first_try(&mut self, now: Instant, shape: impl Fn(i32) -> i32) -> Tries {
        let jitter = shape(self.draw_jitter());
        let wait = FIRST_WAIT.mul_f64(1.0 + f64::from(jitter) / 1000.0);
        Tries { sends: 1, first_at: now, wait, again_at: now + wait }
    }

    /// RT = 2 RTprev + RAND RTprev, and about MRT beyond it (section 15).
    fn next_try(&mut self, now: Instant, tries: Tries, longest: Duration) -> Tries {
        let rand = f64::from(self.draw_jitter()) / 1000.0;
        let doubled = tries.wait.mul_f64(2.0 + rand);
        let wait = if doubled > longest { longest.mul_f64(1.0 + rand) } else { doubled };
        Tries { sends: tries.sends + 1, wait, again_at: now + wait, ..tries }
    }

    /// The beginning of every message.
    fn message(&self, kind: MessageType) -> Message {
        Message::new(kind, self.transaction).with(Item::ClientId(self.duid.clone()))
    }

    fn send_solicit(&mut self, now: Instant, tries: Tries) {
        let message = self
            .message(MessageType::Solicit)
            .with(elapsed(now, tries))
            .with(Item::Request(vec![code::RESOLVERS, code::SEARCH, code::AFTR, code::SOL_MAX_RT]))
            .with(Item::RapidCommit);
        let message = self.wishes().into_iter().fold(message, Message::with);
        self.post(&message);
    }

    /// Empty associations for what is asked for.
    fn wishes(&self) -> Vec<Item> {
        let Purpose::Lease { address, prefix } = self.settings.purpose else { return Vec::new() };
        let empty = Association::new(self.settings.association());
        let address = address.then(|| Item::Addresses(empty.clone()));
        address.into_iter().chain(prefix.then_some(Item::Prefixes(empty))).collect()
    }

    fn send_request(&mut self, now: Instant, tries: Tries, offer: usize) {
        let Some(chosen) = self.answers.get(offer) else { return };
        let Some(server) = chosen.message.server().cloned() else { return };
        // What was offered, as it was offered; what was not is asked for again.
        let offered = lease::offered(&chosen.message, self.settings.association());
        let missing = self
            .wishes()
            .into_iter()
            .filter(|wish| !offered.iter().any(|item| std::mem::discriminant(item) == std::mem::discriminant(wish)));
        let associations: Vec<Item> = missing.chain(offered.iter().cloned()).collect();
        let message = self
            .message(MessageType::Request)
            .with(Item::ServerId(server))
            .with(elapsed(now, tries))
            .with(Item::Request(vec![code::RESOLVERS, code::SEARCH, code::AFTR, code::SOL_MAX_RT]));
        let message = associations.into_iter().fold(message, Message::with);
        self.post(&message);
    }

    fn send_question(&mut self, now: Instant, tries: Tries) {
        let wanted = vec![code::RESOLVERS, code::SEARCH, code::REFRESH, code::AFTR, code::INF_MAX_RT];
        let message = self.message(MessageType::InformationRequest).with(elapsed(now, tries)).with(Item::Request(wanted));
        self.post(&message);
    }

    fn send_release(&mut self, now: Instant, tries: Tries, lease: &Lease) {
        let message = self.message(MessageType::Release).with(Item::ServerId(lease.server.clone())).with(elapsed(now, tries));
        let message = lease.items(self.settings.association()).into_iter().fold(message, Message::with);
        self.post(&message);
    }

    fn post(&mut self, message: &Message) {
        let ticket = self.sent.len() as u64;
        self.sent.push(Sent { kind: message.kind, transaction: self.transaction, flight: None });
        let bytes = envelope::seal(self.settings.mac, self.settings.source, message);
        self.outbox.push_back(Outgoing { ticket, bytes });
        self.events.push_back(Event::Sent(message.kind));
    }

    fn on_answer(&mut self, now: Instant, answer: Answer) {
        if self.answers.len() >= MOST_ANSWERS {
            return;
        }
        let index = self.answers.len();
        let is_usable = answer.unusable.is_empty();
        let (kind, is_rapid, preference) = (answer.message.kind, answer.message.is_rapid(), answer.message.preference());
        let given = Lease::of(&answer, index, self.settings.association());
        self.answers.push(answer);
        self.events.push_back(Event::Answered(index));
        match (&self.state, kind) {
            (State::Soliciting { tries }, MessageType::Advertise) if is_usable => {
                // Past the first wait the first offer is taken (section 18.2.1).
                if preference == AT_ONCE || now >= self.collects_until || tries.sends > 1 {
                    self.choose(now);
                }
            }
            (State::Soliciting { .. }, MessageType::Reply) if is_usable && is_rapid => self.bind(given),
            (State::Requesting { offer, .. }, MessageType::Reply) => {
                let is_from_it = self.answers[index].message.server() == self.answers[*offer].message.server();
                if is_from_it && is_usable {
                    self.bind(given);
                } else if is_from_it && self.answers[index].refuses() {
                    self.end(Ending::Refused);
                }
            }
            (State::Informing { .. }, MessageType::Reply) if is_usable => self.end(Ending::Informed),
            (State::Releasing { .. }, MessageType::Reply) => self.end(Ending::Released { is_confirmed: true }),
            _ => {}
        }
    }

    fn bind(&mut self, lease: Option<Lease>) {
        if let Some(lease) = lease {
            self.state = State::Bound { lease: Box::new(lease) };
            self.events.push_back(Event::Bound);
        }
    }

    /// The best ADVERTISE so far: the highest preference, then the one that offers more (section 18.2.9), then the first.
    fn best(&self) -> Option<usize> {
        let usable = |answer: &&Answer| answer.message.kind == MessageType::Advertise && answer.unusable.is_empty();
        let rank = |answer: &Answer| (answer.message.preference(), answer.kinds_offered());
        let best = self.answers.iter().filter(usable).map(rank).max()?;
        self.answers.iter().position(|answer| usable(&answer) && rank(answer) == best)
    }

    fn choose(&mut self, now: Instant) {
        let Some(offer) = self.best() else { return };
        self.draw_transaction();
        self.deadline = self.deadline.max(now + FIRST_WAIT * 2);
        let tries = self.first_try(now, |jitter| jitter);
        self.state = State::Requesting { tries, offer };
        self.send_request(now, tries, offer);
    }

    fn wake(&mut self, now: Instant) {
        match std::mem::replace(&mut self.state, State::Over) {
            State::Soliciting { tries } => {
                self.state = State::Soliciting { tries };
                if now >= self.collects_until && self.best().is_some() {
                    self.choose(now);
                } else if now >= self.deadline {
                    self.end(if self.answers.is_empty() { Ending::NoAdvertise } else { Ending::NothingOffered });
                } else if now >= tries.again_at && self.best().is_none() {
                    let tries = self.next_try(now, tries, LONGEST_WAIT);
                    self.state = State::Soliciting { tries };
                    self.send_solicit(now, tries);
                }
            }
            State::Requesting { tries, offer } => {
                self.state = State::Requesting { tries, offer };
                if now >= self.deadline {
                    self.end(Ending::NoReply);
                } else if now >= tries.again_at && tries.sends < MOST_REQUESTS {
                    let tries = self.next_try(now, tries, LONGEST_REQUEST_WAIT);
                    self.state = State::Requesting { tries, offer };
                    self.send_request(now, tries, offer);
                }
            }
            State::Informing { tries } => {
                self.state = State::Informing { tries };
                if now >= self.deadline {
                    self.end(Ending::NoInformation);
                } else if now >= tries.again_at {
                    let tries = self.next_try(now, tries, LONGEST_WAIT);
                    self.state = State::Informing { tries };
                    self.send_question(now, tries);
                }
            }
            State::Releasing { tries, lease } => {
                if now < tries.again_at {
                    self.state = State::Releasing { tries, lease };
                } else if tries.sends < MOST_RELEASES {
                    let tries = self.next_try(now, tries, LONGEST_WAIT);
                    self.send_release(now, tries, &lease);
                    self.state = State::Releasing { tries, lease };
                } else {
                    self.end(Ending::Released { is_confirmed: false });
                }
            }
            unchanged @ (State::Bound { .. } | State::Over) => self.state = unchanged,
        }
    }
}

impl Settings {
    /// The number of both associations (IAID): the same for the same port, as section 12.1 wants it.
    fn association(&self) -> u32 {
        let [_, _, a, b, c, d] = self.mac.0;
        u32::from_be_bytes([a, b, c, d])
    }
}

/// Time since the exchange began (section 21.9).
fn elapsed(now: Instant, tries: Tries) -> Item {
    let hundredths = now.saturating_duration_since(tries.first_at).as_millis() / 10;
    Item::Elapsed(u16::try_from(hundredths).unwrap_or(u16::MAX))
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
        match &self.state {
            State::Soliciting { .. } if self.best().is_some() => Some(self.collects_until.min(self.deadline)),
            State::Soliciting { tries } | State::Informing { tries } => Some(tries.again_at.min(self.deadline)),
            State::Requesting { tries, .. } if tries.sends < MOST_REQUESTS => Some(tries.again_at.min(self.deadline)),
            State::Requesting { .. } => Some(self.deadline),
            State::Releasing { tries, .. } => Some(tries.again_at),
            State::Bound { .. } | State::Over => None,
        }
    }

    fn poll_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }
}

#[cfg(test)]
mod tests;
