//! The states, and what moves the client from one to the next.

use std::time::{Duration, Instant};

use super::answer::{Answer, Phase, Reason};
use super::envelope::Received;
use super::lease::{Lease, Times};
use super::neighbour::Probes;
use super::settings::Purpose;
use super::{Client, Ending, Event, LEAST_RENEWAL_WAIT, MOST_ANSWERS, MOST_REFUSALS, message};
use crate::proto::round_trip::Moment;
use crate::wire::dhcp4::option::code;
use crate::wire::dhcp4::{MessageType, Operation, examine};

/// Where the client stands.
#[derive(Debug)]
pub(super) enum State {
    /// Looking for offers; with an OFFER in hand until the window is over.
    Selecting { tries: Backoff, window_ends_at: Option<Instant> },
    /// Has asked for the offer with this index among the answers.
    Requesting { tries: Backoff, offer: usize },
    /// Has the ACK and looks whether anybody else has the address.
    Probing { lease: Box<Lease>, probes: Probes },
    /// Has declined an address.
    Declined { restart_at: Instant },
    /// Has the lease.
    Bound { lease: Box<Lease> },
    /// Asks its server long before T1, to see whether it answers; `from` is the first message of the trial.
    Trying { lease: Box<Lease>, from: usize, again_at: Option<Instant>, ends_at: Instant },
    /// Past T1: asks its server.
    Renewing { lease: Box<Lease>, transaction: u32, asked_at: Instant, again_at: Instant },
    /// Past T2: asks any server.
    Rebinding { lease: Box<Lease>, transaction: u32, asked_at: Instant, again_at: Instant },
    /// Asks for settings.
    Informing { tries: Backoff, window_ends_at: Option<Instant>, probes: Option<Probes> },
    /// Nothing more will happen.
    Over,
}

impl State {
    /// What an answer that comes now answers.
    fn phase(&self) -> Phase {
        match self {
            Self::Selecting { .. } => Phase::Selecting,
            Self::Requesting { .. } => Phase::Requesting,
            Self::Trying { .. } | Self::Renewing { .. } => Phase::Renewing,
            Self::Rebinding { .. } => Phase::Rebinding,
            Self::Informing { .. } => Phase::Informing,
            Self::Probing { .. } | Self::Declined { .. } | Self::Bound { .. } | Self::Over => Phase::Idle,
        }
    }
}

/// Sending the same again, each time later (RFC 2131 section 4.1).
#[derive(Debug, Clone, Copy)]
pub(super) struct Backoff {
    pub(super) sends: u32,
    pub(super) last_sent_at: Instant,
    pub(super) again_at: Instant,
}

impl Backoff {
    /// The wait after send number `sends` (from 1): 4, 8, 16, 32, then 64 s, and the random part.
    fn wait(sends: u32, jitter_ms: i32) -> Duration {
        let base = Duration::from_secs(4 << sends.saturating_sub(1).min(4));
        let jitter = Duration::from_millis(u64::from(jitter_ms.unsigned_abs()));
        if jitter_ms < 0 { base - jitter } else { base + jitter }
    }

    fn sent_at(now: Instant, sends: u32, jitter_ms: i32) -> Self {
        Self { sends, last_sent_at: now, again_at: now + Self::wait(sends, jitter_ms) }
    }
}

impl Client {
    pub(super) fn begin_selecting(&mut self, now: Instant) {
        self.attempt_from = self.sent.len();
        self.discover(now, 1);
    }

    fn discover(&mut self, now: Instant, number: u32) {
        let (transaction, seconds) = (self.draw_transaction(), self.seconds(now));
        self.post(Some(MessageType::Discover), transaction, seconds, |s| message::discover(s, transaction, seconds));
        let tries = Backoff::sent_at(now, number, self.draw_jitter());
        self.state = State::Selecting { tries, window_ends_at: None };
    }

    pub(super) fn begin_informing(&mut self, now: Instant) {
        let Purpose::Inform(address) = self.settings.purpose else { return };
        let probes = self.first_probe(now, address);
        self.inform(now, 1, probes);
    }

    fn inform(&mut self, now: Instant, number: u32, probes: Option<Probes>) {
        let (transaction, seconds) = (self.draw_transaction(), self.seconds(now));
        self.post(Some(MessageType::Inform), transaction, seconds, |s| message::inform(s, transaction, seconds));
        // Nobody waits for this answer to come into service: asked again at half time, so that one lost packet doesn't decide.
        let tries = Backoff { sends: number, last_sent_at: now, again_at: now + self.settings.patience / 2 };
        self.state = State::Informing { tries, window_ends_at: None, probes };
    }

    /// Sends the REQUEST for an offer, for the `number`th time.
    fn request(&mut self, now: Instant, offer: usize, number: u32) {
        let taken = &self.answers[offer];
        let (transaction, address, server) = (taken.transaction, taken.message.repr.yours, taken.server());
        // Section 4.4.1: the same `secs` as in the DISCOVER.
        let seconds = self.sent.iter().find(|s| s.transaction == transaction).map_or(0, |s| s.seconds);
        self.post(Some(MessageType::Request), transaction, seconds, |s| {
            message::request(s, transaction, seconds, address, server)
        });
        let tries = Backoff::sent_at(now, number, self.draw_jitter());
        self.state = State::Requesting { tries, offer };
    }

    /// Does what is due.
    pub(super) fn wake(&mut self, now: Instant) {
        self.announce_when_due(now);
        match std::mem::replace(&mut self.state, State::Over) {
            State::Selecting { tries, window_ends_at } => {
                if let Some(offer) = window_ends_at.filter(|at| now >= *at).and_then(|_| self.first_usable_offer()) {
                    return self.request(now, offer, 1);
                }
                let is_hopeful = window_ends_at.is_some_and(|at| now < at);
                self.state = State::Selecting { tries, window_ends_at };
                if !is_hopeful && self.may_try_again(now, &tries) {
                    self.discover(now, tries.sends + 1);
                } else if !is_hopeful && self.is_out_of_patience(now, &tries) {
                    let came = self.answers.iter().any(|a| a.kind == Some(MessageType::Offer));
                    self.end(if came { Ending::NoUsableOffer } else { Ending::NoOffer });
                }
            }
            State::Requesting { tries, offer } => {
                self.state = State::Requesting { tries, offer };
                if self.may_try_again(now, &tries) {
                    self.request(now, offer, tries.sends + 1);
                } else if self.is_out_of_patience(now, &tries) {
                    self.end(Ending::NoAck);
                }
            }
            State::Probing { lease, probes } => match self.probe_when_due(now, probes) {
                Some(probes) => self.state = State::Probing { lease, probes },
                None => self.bind(now, lease),
            },
            State::Trying { lease, from, again_at, ends_at } => self.try_on(now, lease, from, again_at, ends_at),
            State::Declined { restart_at } if now >= restart_at => {
                if restart_at < self.deadline {
                    self.begin_selecting(now);
                } else {
                    self.state = State::Declined { restart_at };
                    self.end(Ending::Conflict);
                }
            }
            State::Bound { lease } => match lease.times {
                Some(times) if now >= times.renew_at => self.renew(now, lease, times),
                _ => self.state = State::Bound { lease },
            },
            State::Renewing { lease, transaction, asked_at, again_at } => match lease.times {
                Some(times) if now >= again_at.min(times.rebind_at) => self.renew(now, lease, times),
                _ => self.state = State::Renewing { lease, transaction, asked_at, again_at },
            },
            State::Rebinding { lease, transaction, asked_at, again_at } => match lease.times {
                Some(times) if now >= again_at.min(times.expires_at) => self.renew(now, lease, times),
                _ => self.state = State::Rebinding { lease, transaction, asked_at, again_at },
            },
            State::Informing { tries, window_ends_at, probes } => {
                let probes = probes.and_then(|probes| self.probe_when_due(now, probes));
                if window_ends_at.is_some_and(|at| now >= at) {
                    self.state = State::Informing { tries, window_ends_at, probes };
                    self.events.push_back(Event::Informed);
                    return self.end(Ending::Informed);
                }
                let is_hopeful = window_ends_at.is_some();
                self.state = State::Informing { tries, window_ends_at, probes };
                if !is_hopeful && tries.sends < 2 && now >= tries.again_at {
                    self.inform(now, 2, probes);
                } else if !is_hopeful && now >= self.deadline {
                    self.end(Ending::NoInformation);
                }
            }
            unchanged @ (State::Declined { .. } | State::Over) => self.state = unchanged,
        }
    }

    /// Asks for more time, or ends when there is none left.
    fn renew(&mut self, now: Instant, lease: Box<Lease>, times: Times) {
        if now >= times.expires_at {
            self.state = State::Bound { lease };
            return self.end(Ending::Expired);
        }
        let is_rebinding = now >= times.rebind_at;
        let transaction = self.draw_transaction();
        self.post(Some(MessageType::Request), transaction, 0, |s| message::renew(s, &lease, transaction, is_rebinding));
        // Section 4.4.5: again after half of what is left to the next stage, but not within a minute.
        let next_stage = if is_rebinding { times.expires_at } else { times.rebind_at };
        let half = next_stage.saturating_duration_since(now) / 2;
        let again_at = now + half.max(LEAST_RENEWAL_WAIT);
        self.state = if is_rebinding {
            State::Rebinding { lease, transaction, asked_at: now, again_at }
        } else {
            State::Renewing { lease, transaction, asked_at: now, again_at }
        };
    }

    /// When [`Client::wake`] has something to do.
    pub(super) fn wake_at(&self) -> Option<Instant> {
        let own = self.state_wake_at();
        // A lease that is lost is not announced.
        let announce_at = self.announce_at.filter(|_| self.lease().is_some());
        own.into_iter().chain(announce_at).min()
    }

    fn state_wake_at(&self) -> Option<Instant> {
        match &self.state {
            State::Selecting { tries, window_ends_at, .. } => Some(window_ends_at.map_or_else(|| self.try_wake(tries), |at| at)),
            State::Requesting { tries, .. } => Some(self.try_wake(tries)),
            State::Probing { probes, .. } => Some(probes.next_at),
            State::Trying { again_at, ends_at, .. } => Some(again_at.map_or(*ends_at, |at| at.min(*ends_at))),
            State::Declined { restart_at } => Some(*restart_at),
            State::Bound { lease } => lease.times.map(|t| t.renew_at),
            State::Renewing { lease, again_at, .. } => lease.times.map(|t| t.rebind_at.min(*again_at)),
            State::Rebinding { lease, again_at, .. } => lease.times.map(|t| t.expires_at.min(*again_at)),
            State::Informing { tries, window_ends_at, probes } => {
                let own = match window_ends_at {
                    Some(at) => *at,
                    None if tries.sends < 2 => tries.again_at.min(self.deadline),
                    None => self.deadline,
                };
                Some(probes.map_or(own, |probes| probes.next_at.min(own)))
            }
            State::Over => None,
        }
    }

    fn first_usable_offer(&self) -> Option<usize> {
        self.answers.iter().position(|a| !a.is_late && !a.is_void && a.usable_offer().is_some())
    }

    /// A server's message.
    pub(super) fn on_dhcp(&mut self, arrived: Moment, received: Box<Received>) {
        let Received { from, message } = *received;
        if message.repr.operation != Operation::Reply {
            return self.ignored.count(Reason::ForOthers);
        }
        let transaction = message.repr.transaction;
        // Section 4.4.1: what doesn't match a transaction of ours is dropped.
        if !self.sent.iter().any(|s| s.kind.is_some() && s.transaction == transaction) {
            return self.ignored.count(Reason::Transaction);
        }
        if self.answers.len() >= MOST_ANSWERS {
            return self.ignored.count(Reason::Excess);
        }
        let mut flaws = message.flaws.clone();
        let kind = message.message_type();
        flaws
            .extend(examine(&message, &message::question(&self.settings, question_of(kind, self.settings.purpose), transaction)));
        let answer = Answer {
            kind,
            phase: self.state.phase(),
            transaction,
            arrived,
            source: from.ip,
            source_mac: from.mac,
            message,
            flaws,
            is_late: false,
            is_void: false,
        };
        self.answers.push(answer);
        let index = self.answers.len() - 1;
        self.events.push_back(Event::Answered(index));
        self.take(arrived.at, index);
    }

    /// Moves on by an answer. What a state has no use for is late or unasked: it is kept, and changes nothing.
    fn take(&mut self, now: Instant, index: usize) {
        let (kind, transaction) = (self.answers[index].kind, self.answers[index].transaction);
        match (std::mem::replace(&mut self.state, State::Over), kind) {
            (State::Selecting { tries, window_ends_at }, Some(MessageType::Offer)) if self.is_of_this_attempt(transaction) => {
                let usable = self.answers[index].usable_offer().is_some();
                let window_ends_at = window_ends_at.or_else(|| usable.then_some(now + self.settings.window));
                self.state = State::Selecting { tries, window_ends_at };
            }
            (State::Requesting { offer, .. }, Some(MessageType::Ack)) if self.is_from(index, offer) => {
                let requested_at = self.requested_at(transaction).unwrap_or(now);
                let lease = Box::new(self.lease_of(index, requested_at));
                self.begin_probing(now, lease);
            }
            (State::Requesting { offer, .. }, Some(MessageType::Nak)) if self.is_from(index, offer) => {
                self.refusals += 1;
                if self.refusals >= MOST_REFUSALS || now >= self.deadline {
                    self.state = State::Declined { restart_at: now };
                    return self.end(Ending::Refused);
                }
                // Section 3.1 step 5: start again. Offers of before are void.
                for answer in &mut self.answers {
                    answer.is_void = true;
                }
                self.begin_selecting(now);
            }
            (State::Trying { from, .. }, Some(MessageType::Ack)) if self.is_since(from, transaction) => {
                let lease = Box::new(self.lease_of(index, self.requested_at(transaction).unwrap_or(now)));
                self.state = State::Bound { lease };
                self.events.push_back(Event::Renewed);
            }
            (State::Trying { lease, from, .. }, Some(MessageType::Nak)) if self.is_since(from, transaction) => {
                self.state = State::Bound { lease };
                self.end(Ending::Withdrawn);
            }
            (
                State::Renewing { transaction: asked, asked_at, .. } | State::Rebinding { transaction: asked, asked_at, .. },
                Some(MessageType::Ack),
            ) if asked == transaction => {
                let lease = Box::new(self.lease_of(index, asked_at));
                self.state = State::Bound { lease };
                self.events.push_back(Event::Renewed);
            }
            (
                State::Renewing { lease, transaction: asked, .. } | State::Rebinding { lease, transaction: asked, .. },
                Some(MessageType::Nak),
            ) if asked == transaction => {
                self.state = State::Bound { lease };
                self.end(Ending::Withdrawn);
            }
            (State::Informing { tries, window_ends_at, probes }, Some(MessageType::Ack)) => {
                let window_ends_at = window_ends_at.or_else(|| Some((now + self.settings.window).min(self.deadline.max(now))));
                self.state = State::Informing { tries, window_ends_at, probes };
            }
            (state, _) => {
                self.answers[index].is_late = true;
                self.state = state;
            }
        }
    }

    fn is_of_this_attempt(&self, transaction: u32) -> bool {
        self.is_since(self.attempt_from, transaction)
    }

    fn is_since(&self, from: usize, transaction: u32) -> bool {
        self.sent[from..].iter().any(|s| s.kind.is_some() && s.transaction == transaction)
    }

    /// True when an answer is from the server whose offer was taken. One that doesn't say who it is passes: the transaction
    /// has to do, and the missing identifier is among its flaws.
    fn is_from(&self, answer: usize, offer: usize) -> bool {
        let named = self.answers[answer].message.address(code::SERVER_IDENTIFIER);
        self.answers[answer].transaction == self.answers[offer].transaction
            && named.is_none_or(|server| server == self.answers[offer].server())
    }

    fn requested_at(&self, transaction: u32) -> Option<Instant> {
        let is_it = |s: &&super::Sent| s.transaction == transaction && s.kind == Some(MessageType::Request);
        self.sent.iter().rev().filter(is_it).find_map(|s| s.flight).map(|f| f.began().at)
    }

    fn lease_of(&self, index: usize, requested_at: Instant) -> Lease {
        let ack = &self.answers[index];
        Lease::new(&ack.message, ack.source, ack.source_mac, requested_at)
    }
}

/// The kind of message that an answer of this kind answers.
pub(super) fn question_of(answer: Option<MessageType>, purpose: Purpose) -> MessageType {
    match (purpose, answer) {
        (Purpose::Inform(_), _) => MessageType::Inform,
        (Purpose::Acquire, Some(MessageType::Ack | MessageType::Nak)) => MessageType::Request,
        (Purpose::Acquire, _) => MessageType::Discover,
    }
}
