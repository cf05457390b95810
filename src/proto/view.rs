//! The far end's view: tells an agent the address that its packets come from, with STUN's wire format (RFC 8489, RFC 5780).
//!
//! It knows no socket and no clock. Two ports share one [`View`]. The hard thing: whoever can forge a source address must gain
//! nothing. So only requests that a session's key signs are answered, each transaction once; an answer is never longer than its
//! request, nor all answers to an address together longer than what came from it; and whatever goes to an address later, from
//! the other port or in another size needs that address's own nonce, which only who receives there can know.

use std::collections::{HashMap, HashSet};
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use crate::wire::stamp::Key;
use crate::wire::stun::{self, Attribute, Class, Message, Transaction};

/// Which of the two ports.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Port {
    /// The first.
    First,
    /// The second.
    Second,
}

impl Port {
    /// The one that this is not.
    #[must_use]
    pub fn other(self) -> Self {
        match self {
            Self::First => Self::Second,
            Self::Second => Self::First,
        }
    }
}

/// Keys of the open sessions.
pub trait Sessions {
    /// The key of a session; `None` when it is not open.
    fn session_key(&self, session: u16) -> Option<Key>;
}

/// Limits.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Addresses remembered; the one that was silent longest is forgotten beyond. Default 1024.
    pub addresses: usize,
    /// Requests that one session gets answered. Default 4096: a visit has some hundred.
    pub requests: usize,
    /// Answers of one session that may wait to be sent. Default 16.
    pub waiting: usize,
    /// Longest that an answer may wait. Default 200 s, above the 2 minutes that RFC 4787 REQ-5 asks of a binding.
    pub longest_delay: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self { addresses: 1024, requests: 4096, waiting: 16, longest_delay: Duration::from_secs(200) }
    }
}

/// What is to be sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reply {
    /// From which port.
    pub from: Port,
    /// Where to.
    pub to: SocketAddr,
    /// The datagram.
    pub bytes: Vec<u8>,
}

/// Why a request is not answered. None of them is told to whoever sent it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Refusal {
    /// No request of this service.
    Unreadable,
    /// No open session, or not signed by its key.
    Forged,
    /// This transaction was answered before.
    Repeated,
    /// The session has had all its answers.
    UsedUp,
    /// The request wants something for which its address must be proven, and has not this address's nonce.
    NotProven,
    /// The answer would be longer than the request, or than what came from this address.
    TooShort,
    /// Too many answers wait, or one is to wait too long.
    TooMuch,
}

/// One address that a session sends from.
#[derive(Debug)]
struct Source {
    /// Octets that came, less octets that went.
    credit: u32,
    /// What a router on the way to it said of an answer.
    too_big: Option<u16>,
    heard_at: Instant,
}

/// What one session has had. Numbers are given out again: the mark, made with the session's key, tells two of them apart.
#[derive(Debug)]
struct Answered {
    mark: [u8; 16],
    transactions: HashSet<Transaction>,
}

#[derive(Debug)]
struct Waiting {
    at: Instant,
    session: u16,
    mark: [u8; 16],
    reply: Reply,
}

/// The service's state.
#[derive(Debug)]
pub struct View {
    limits: Limits,
    cookie: Key,
    sources: HashMap<SocketAddr, Source>,
    answered: HashMap<u16, Answered>,
    waiting: Vec<Waiting>,
}

/// More credit than the largest datagram needs is not kept.
const MOST_CREDIT: u32 = 1 << 16;

impl View {
    /// A view. `cookie` is random, of this process alone: nonces are made with it.
    pub fn new(limits: Limits, cookie: [u8; 32]) -> Self {
        let (sources, answered) = (HashMap::new(), HashMap::new());
        Self { limits, cookie: Key::new(&cookie), sources, answered, waiting: Vec::new() }
    }

    /// Takes a datagram, and gives the answer that is to go at once.
    ///
    /// # Errors
    /// Why there is none.
    pub fn on_packet(
        &mut self,
        now: Instant,
        port: Port,
        from: SocketAddr,
        bytes: &[u8],
        sessions: &impl Sessions,
    ) -> Result<Option<Reply>, Refusal> {
        let received = stun::parse(bytes).map_err(|_| Refusal::Unreadable)?;
        let message = &received.message;
        let asked = Asked::of(message).filter(|_| message.class == Class::Request).ok_or(Refusal::Unreadable)?;
        let key = sessions.session_key(asked.session).filter(|key| received.is_signed_by(key)).ok_or(Refusal::Forged)?;
        self.forget_closed(sessions);
        let mark = mark(&key);
        let answered = self.answered.entry(asked.session).or_insert_with(|| Answered { mark, transactions: HashSet::new() });
        let answered = &mut answered.transactions;
        if answered.len() >= self.limits.requests {
            return Err(Refusal::UsedUp);
        }
        if !answered.insert(message.transaction) {
            return Err(Refusal::Repeated);
        }
        let nonce = self.nonce(asked.session, from);
        let proven = asked.nonce == Some(nonce);
        if asked.needs_proof() && !proven {
            return Err(Refusal::NotProven);
        }
        let source = self.source(now, from);
        source.credit = source.credit.saturating_add(bytes.len() as u32).min(MOST_CREDIT);
        let mut answer =
            Message::new(Class::Success, message.transaction).with(Attribute::MappedAddress(from)).with(Attribute::Nonce(nonce));
        answer.attributes.extend(source.too_big.map(Attribute::TooBig));
        let least = answer.signed_len();
        let size = asked.size.map_or(least, usize::from);
        // A larger answer than its request is paid by what came before.
        let most = if asked.size.is_some() { source.credit as usize } else { bytes.len().min(source.credit as usize) };
        if size < least || size > most {
            return Err(Refusal::TooShort);
        }
        source.credit -= size as u32;
        let bytes = answer.emit(&key, Some(size)).map_err(|_| Refusal::TooShort)?;
        let reply = Reply { from: if asked.other_port { port.other() } else { port }, to: from, bytes };
        let Some(delay) = asked.delay else { return Ok(Some(reply)) };
        let pending = self.waiting.iter().filter(|w| w.session == asked.session).count();
        if delay > self.limits.longest_delay || pending >= self.limits.waiting {
            return Err(Refusal::TooMuch);
        }
        self.waiting.push(Waiting { at: now + delay, session: asked.session, mark, reply });
        Ok(None)
    }

    /// A router said that an answer to this address was too large for a link of that MTU; later answers tell the agent.
    pub fn on_too_big(&mut self, to: SocketAddr, mtu: u16) {
        if let Some(source) = self.sources.get_mut(&to) {
            source.too_big = Some(mtu);
        }
    }

    /// An answer whose time has come. Those of sessions that have ended meanwhile are dropped.
    pub fn transmit(&mut self, now: Instant, sessions: &impl Sessions) -> Option<Reply> {
        self.waiting.retain(|waiting| is_open(sessions, waiting.session, waiting.mark));
        let due = self.waiting.iter().position(|waiting| waiting.at <= now)?;
        Some(self.waiting.swap_remove(due).reply)
    }

    /// When the next answer is due.
    pub fn next_wake(&self) -> Option<Instant> {
        self.waiting.iter().map(|waiting| waiting.at).min()
    }

    /// Drops what was kept for sessions that have ended; their numbers may be given out again.
    fn forget_closed(&mut self, sessions: &impl Sessions) {
        self.answered.retain(|session, answered| is_open(sessions, *session, answered.mark));
    }

    /// What only who receives at the address can know.
    fn nonce(&self, session: u16, address: SocketAddr) -> [u8; 16] {
        let ip = match address.ip() {
            IpAddr::V4(ip) => ip.to_ipv6_mapped().octets(),
            IpAddr::V6(ip) => ip.octets(),
        };
        self.cookie.tag(&[&session.to_be_bytes(), &ip, &address.port().to_be_bytes()])
    }

    fn source(&mut self, now: Instant, from: SocketAddr) -> &mut Source {
        if !self.sources.contains_key(&from) && self.sources.len() >= self.limits.addresses {
            let oldest = self.sources.iter().min_by_key(|(_, source)| source.heard_at).map(|(at, _)| *at);
            oldest.map(|at| self.sources.remove(&at));
        }
        let source = self.sources.entry(from).or_insert(Source { credit: 0, too_big: None, heard_at: now });
        source.heard_at = now;
        source
    }
}

/// Octets that name a key without telling it.
fn mark(key: &Key) -> [u8; 16] {
    key.tag(&[b"mark of a session"])
}

/// Whether the session of this number is still the one with this mark.
fn is_open(sessions: &impl Sessions, session: u16, mark_then: [u8; 16]) -> bool {
    sessions.session_key(session).is_some_and(|key| mark(&key) == mark_then)
}

/// What a request asks for.
struct Asked {
    session: u16,
    nonce: Option<[u8; 16]>,
    other_port: bool,
    size: Option<u16>,
    delay: Option<Duration>,
}

impl Asked {
    /// `None` when a needed part is missing, or an attribute that must be understood is not (RFC 8489 section 6.3.1).
    fn of(message: &Message) -> Option<Self> {
        let mut session = None;
        let (mut nonce, mut other_port, mut size, mut delay) = (None, false, None, None);
        for attribute in &message.attributes {
            match attribute {
                Attribute::Username(number) => session = Some(*number),
                Attribute::Nonce(octets) => nonce = Some(*octets),
                Attribute::ChangePort => other_port = true,
                Attribute::ReplySize(octets) => size = Some(*octets),
                Attribute::Delay(seconds) => delay = Some(Duration::from_secs(u64::from(*seconds))),
                Attribute::Padding(_) | Attribute::MappedAddress(_) | Attribute::TooBig(_) => {}
                Attribute::Other { kind, .. } if *kind >= 0x8000 => {}
                Attribute::Other { .. } => return None,
            }
        }
        Some(Self { session: session?, nonce, other_port, size, delay })
    }

    fn needs_proof(&self) -> bool {
        self.other_port || self.size.is_some() || self.delay.is_some()
    }
}

#[cfg(test)]
mod tests;
