//! The states, what is sent in each, and what moves the client from one to the next.

use std::time::{Duration, Instant};

use super::answer::Answer;
use super::lease::{self, Lease};
use super::{Client, Ending, Event, MOST_ANSWERS, Purpose, Sent, envelope};
use crate::proto::machine::Outgoing;
use crate::wire::dhcp6::option::code;
use crate::wire::dhcp6::{Association, Item, Message, MessageType};

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
/// Sending the same again, each time later (section 15).
#[derive(Debug, Clone, Copy)]
pub(super) struct Tries {
    pub(super) sends: u32,
    pub(super) first_at: Instant,
    pub(super) wait: Duration,
    pub(super) again_at: Instant,
}

/// Where the client stands.
#[derive(Debug)]
pub(super) enum State {
    Soliciting { tries: Tries },
    Requesting { tries: Tries, offer: usize },
    Informing { tries: Tries },
    Bound { lease: Box<Lease> },
    Releasing { tries: Tries, lease: Box<Lease> },
    Over,
}

impl Client {
    /// RAND of section 15, in thousandths.
    fn draw_jitter(&mut self) -> i32 {
        let list = &self.settings.jitter_per_mille;
        let drawn = if list.is_empty() { 0 } else { list[self.next_jitter % list.len()] };
        self.next_jitter += 1;
        drawn.clamp(-100, 100)
    }

    pub(super) fn first_try(&mut self, now: Instant, shape: impl Fn(i32) -> i32) -> Tries {
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
    pub(super) fn message(&self, kind: MessageType) -> Message {
        Message::new(kind, self.transaction).with(Item::ClientId(self.duid.clone()))
    }

    pub(super) fn send_solicit(&mut self, now: Instant, tries: Tries) {
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

    pub(super) fn send_question(&mut self, now: Instant, tries: Tries) {
        let wanted = vec![code::RESOLVERS, code::SEARCH, code::REFRESH, code::AFTR, code::INF_MAX_RT];
        let message = self.message(MessageType::InformationRequest).with(elapsed(now, tries)).with(Item::Request(wanted));
        self.post(&message);
    }

    pub(super) fn send_release(&mut self, now: Instant, tries: Tries, lease: &Lease) {
        let message = self.message(MessageType::Release).with(Item::ServerId(lease.server.clone())).with(elapsed(now, tries));
        let message = lease.items(self.settings.association()).into_iter().fold(message, Message::with);
        self.post(&message);
    }

    pub(super) fn post(&mut self, message: &Message) {
        let ticket = self.sent.len() as u64;
        self.sent.push(Sent { kind: message.kind, transaction: self.transaction, flight: None });
        let bytes = envelope::seal(self.settings.mac, self.settings.source, message);
        self.outbox.push_back(Outgoing { ticket, bytes });
        self.events.push_back(Event::Sent(message.kind));
    }

    pub(super) fn on_answer(&mut self, now: Instant, answer: Answer) {
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
            // Past the first wait the first offer is taken (section 18.2.1).
            (State::Soliciting { tries }, MessageType::Advertise)
                if is_usable && (preference == AT_ONCE || now >= self.collects_until || tries.sends > 1) =>
            {
                self.choose(now);
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

    pub(super) fn wake(&mut self, now: Instant) {
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

    /// When [`Client::wake`] has something to do.
    pub(super) fn wake_at(&self) -> Option<Instant> {
        match &self.state {
            State::Soliciting { .. } if self.best().is_some() => Some(self.collects_until.min(self.deadline)),
            State::Soliciting { tries } | State::Informing { tries } => Some(tries.again_at.min(self.deadline)),
            State::Requesting { tries, .. } if tries.sends < MOST_REQUESTS => Some(tries.again_at.min(self.deadline)),
            State::Requesting { .. } => Some(self.deadline),
            State::Releasing { tries, .. } => Some(tries.again_at),
            State::Bound { .. } | State::Over => None,
        }
    }
}

/// Time since the exchange began (section 21.9).
fn elapsed(now: Instant, tries: Tries) -> Item {
    let hundredths = now.saturating_duration_since(tries.first_at).as_millis() / 10;
    Item::Elapsed(u16::try_from(hundredths).unwrap_or(u16::MAX))
}
