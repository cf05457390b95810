//! A request and its final answer: the client transaction of everything but INVITE (RFC 3261 section 17.1.2).
//!
//! ```text
//!            1xx              2xx-6xx
//! trying ─────────▶ proceeding ─────────▶ completed ──K──▶ terminated
//!    └── F, or the stream ends ──────────────────────────────▲
//! ```
//! Over UDP it is sent again after T1, then after twice as long each time, up to T2 (timer E); over a stream never.

use std::time::{Duration, Instant};

use super::Conversation;
use super::speaker::Request;
use crate::wire::sip::{Message, Transport};

/// Times of RFC 3261 table 4.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timers {
    /// Estimate of a round trip.
    pub t1: Duration,
    /// Longest time between two sendings.
    pub t2: Duration,
    /// Longest that a message stays in the network.
    pub t4: Duration,
    /// Timer F: no answer is waited for any longer.
    pub give_up: Duration,
}

impl Timers {
    /// The standard's own: F is 64 times T1.
    pub const STANDARD: Self = Self {
        t1: Duration::from_millis(500),
        t2: Duration::from_secs(4),
        t4: Duration::from_secs(5),
        give_up: Duration::from_secs(32),
    };
}

/// How it ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ending {
    /// A final answer, and how long after the request was first sent.
    Answered(Box<Message>, Duration),
    /// Timer F.
    Silent,
    /// The stream ended, or nobody is there: in words.
    Broken(String),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Nothing came yet; `next` is timer E.
    Trying {
        next: Option<Instant>,
        interval: Duration,
    },
    /// A provisional answer came.
    Proceeding {
        next: Option<Instant>,
    },
    /// The final one came; repetitions of it are taken until timer K.
    Completed {
        until: Instant,
    },
    Terminated,
}

/// One request until its answer.
#[derive(Debug)]
pub struct Transaction {
    request: Request,
    timers: Timers,
    is_reliable: bool,
    state: State,
    first_sent: Option<Instant>,
    is_due: bool,
    sendings: u32,
    ending: Option<Ending>,
}

impl Transaction {
    /// Not yet sent.
    pub fn new(request: Request, transport: Transport, timers: Timers) -> Self {
        Self {
            request,
            timers,
            is_reliable: transport.is_reliable(),
            state: State::Trying { next: None, interval: timers.t1 },
            first_sent: None,
            is_due: true,
            sendings: 0,
            ending: None,
        }
    }

    /// How it ended, once it has: an answer may be used while repetitions of it are still taken.
    pub fn ending(&self) -> Option<&Ending> {
        self.ending.as_ref()
    }

    /// Times that the request was sent.
    pub fn sendings(&self) -> u32 {
        self.sendings
    }

    /// Section 17.1.3: the branch of the topmost Via, and the method of CSeq; its number too, since one conversation's grows.
    fn is_ours(&self, message: &Message) -> bool {
        let is_branch = message.via().is_some_and(|via| via.branch() == Some(self.request.branch.as_str()));
        is_branch && message.cseq() == Some((self.request.count, self.request.method.word()))
    }

    fn end(&mut self, state: State, ending: Ending) {
        self.state = state;
        self.is_due = false;
        self.ending.get_or_insert(ending);
    }

    fn gives_up_at(&self) -> Option<Instant> {
        self.first_sent.map(|sent| sent + self.timers.give_up)
    }
}

impl Conversation for Transaction {
    fn on_message(&mut self, now: Instant, message: &Message) {
        let (Some(status), Some(first_sent)) = (message.status(), self.first_sent) else { return };
        if !self.is_ours(message) {
            return;
        }
        match (self.state, status) {
            (State::Trying { next, .. }, 100..200) => self.state = State::Proceeding { next },
            (State::Trying { .. } | State::Proceeding { .. }, 200..) => {
                let answered = Ending::Answered(Box::new(message.clone()), now.saturating_duration_since(first_sent));
                let state = if self.is_reliable { State::Terminated } else { State::Completed { until: now + self.timers.t4 } };
                self.end(state, answered);
            }
            (State::Proceeding { .. } | State::Completed { .. } | State::Terminated, _) | (State::Trying { .. }, _) => {}
        }
    }

    fn on_wake(&mut self, now: Instant) {
        match self.state {
            State::Trying { .. } | State::Proceeding { .. } if self.gives_up_at().is_some_and(|at| now >= at) => {
                self.end(State::Terminated, Ending::Silent);
            }
            State::Trying { next: Some(at), interval } if now >= at => {
                let interval = (interval * 2).min(self.timers.t2);
                (self.state, self.is_due) = (State::Trying { next: Some(at + interval), interval }, true);
            }
            State::Proceeding { next: Some(at) } if now >= at => {
                (self.state, self.is_due) = (State::Proceeding { next: Some(at + self.timers.t2) }, true);
            }
            State::Completed { until } if now >= until => self.state = State::Terminated,
            State::Trying { .. } | State::Proceeding { .. } | State::Completed { .. } | State::Terminated => {}
        }
    }

    fn on_broken(&mut self, why: &str) {
        self.end(State::Terminated, Ending::Broken(why.to_owned()));
    }

    fn transmit(&mut self, now: Instant) -> Option<Vec<u8>> {
        if !std::mem::take(&mut self.is_due) {
            return None;
        }
        self.sendings += 1;
        if self.first_sent.is_none() {
            self.first_sent = Some(now);
            if let State::Trying { next, interval } = &mut self.state {
                *next = (!self.is_reliable).then_some(now + *interval);
            }
        }
        Some(self.request.octets.clone())
    }

    fn next_wake(&self) -> Option<Instant> {
        let resend = match self.state {
            State::Trying { next, .. } | State::Proceeding { next } => next,
            State::Completed { until } => return Some(until),
            State::Terminated => return None,
        };
        resend.into_iter().chain(self.gives_up_at()).min()
    }

    fn is_over(&self) -> bool {
        self.state == State::Terminated
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::proto::sip::speaker::Speaker;
    use crate::wire::sip::{Method, write};

    const MS: Duration = Duration::from_millis(1);

    fn asked(transport: Transport) -> Transaction {
        let mut speaker = Speaker::new(transport, "192.0.2.50:5070".parse().unwrap(), 7);
        let request = speaker.ask(Method::Options, "sip:example.net", ["sip:example.net"; 2], &[]);
        Transaction::new(request, transport, Timers::STANDARD)
    }

    fn answer(request: &[u8], status: u16) -> Message {
        let from = "198.51.100.2:40000".parse().unwrap();
        let request = Message::parse(request).unwrap();
        Message::parse(&write::response(&request, from, (status, "x"), "t", &[], b"")).unwrap()
    }

    /// When it is sent, in milliseconds, until it is over.
    fn sent_at(transaction: &mut Transaction, start: Instant, provisional: Option<u64>) -> Vec<u128> {
        let (mut now, mut at) = (start, Vec::new());
        let mut request = Vec::new();
        loop {
            while let Some(octets) = transaction.transmit(now) {
                at.push((now - start).as_millis());
                request = octets;
            }
            if let Some(ms) = provisional.filter(|_| at.len() == 1 && now == start) {
                now += MS * ms as u32;
                transaction.on_message(now, &answer(&request, 100));
            }
            let Some(wake) = transaction.next_wake() else { return at };
            now = now.max(wake);
            transaction.on_wake(now);
        }
    }

    #[test]
    fn over_udp_it_is_sent_again_as_section_17_1_2_2_has_it_and_given_up_by_timer_f() {
        let start = Instant::now();
        let mut transaction = asked(Transport::Udp);
        // The standard's own example: 500 ms, 1 s, 2 s, 4 s, 4 s and so on, up to 32 s.
        let want = [0, 500, 1500, 3500, 7500, 11_500, 15_500, 19_500, 23_500, 27_500, 31_500];
        assert_eq!(sent_at(&mut transaction, start, None), want);
        assert_eq!(transaction.ending(), Some(&Ending::Silent));
    }

    #[test]
    fn over_a_stream_it_is_sent_once() {
        let mut transaction = asked(Transport::Tcp);
        assert_eq!(sent_at(&mut transaction, Instant::now(), None), [0]);
        assert_eq!((transaction.ending(), transaction.sendings()), (Some(&Ending::Silent), 1));
    }

    #[test]
    fn after_a_provisional_answer_it_is_sent_again_each_t2() {
        let mut transaction = asked(Transport::Udp);
        let at = sent_at(&mut transaction, Instant::now(), Some(20));
        assert_eq!(at, [0, 500, 4500, 8500, 12_500, 16_500, 20_500, 24_500, 28_500]);
    }

    #[test]
    fn an_answer_of_its_own_ends_it_and_repetitions_are_taken_until_timer_k() {
        let start = Instant::now();
        let mut transaction = asked(Transport::Udp);
        let request = transaction.transmit(start).unwrap();
        let mut other = answer(&request, 200);
        other.headers.iter_mut().filter(|(name, _)| name == "CSeq").for_each(|(_, value)| *value = "2 OPTIONS".to_owned());
        transaction.on_message(start + MS, &other);
        assert_eq!(transaction.ending(), None, "another request's");
        transaction.on_message(start + 30 * MS, &answer(&request, 486));
        transaction.on_message(start + 31 * MS, &answer(&request, 200));
        assert!(
            matches!(transaction.ending(), Some(Ending::Answered(message, time)) if message.status() == Some(486) && *time == 30 * MS)
        );
        assert_eq!((transaction.is_over(), transaction.next_wake()), (false, Some(start + 5030 * MS)));
        transaction.on_wake(start + 5030 * MS);
        assert!(transaction.is_over() && transaction.transmit(start + 6000 * MS).is_none());
    }
}
