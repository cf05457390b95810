//! The session reflector of RFC 8762: stateful, bounded, and never larger in its answer than the question.
//!
//! It knows no socket. A request goes in with its arrival stamp, a [`Reply`] comes out that the driver completes with the
//! time of sending as late as it can. The hard thing: whoever can forge a source address must gain nothing. So only
//! admitted sources or right HMACs are answered, replies are as long as requests (only the 14 to 43 octets of an
//! admitted TWAMP sender grow, to 44, as RFC 8762 section 4.6 asks), and nothing that looks like a reflector is answered.

use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use crate::unit::Stamp;
use crate::wire::stamp::{ErrorEstimate, Key, Mode, Parsed, Reflected, Sender, Timestamp, tlv};

/// Who is let in. The far end's session table implements it.
pub trait Admission {
    /// The key of the session that uses this identifier, for authenticated packets.
    fn key(&self, ssid: u16) -> Option<Key>;

    /// True when unauthenticated packets from this source are to be answered.
    fn allows(&self, source: SocketAddr) -> bool;
}

/// Limits of a reflector.
#[derive(Debug, Clone, Copy)]
pub struct Config {
    /// Senders kept at most; more are refused. Default 16 384: see [`Reflector::MEMORY_PER_SENDER`].
    pub max_senders: usize,
    /// A sender that was silent for so long is forgotten; its numbers then start anew. Default 900 s, as RFC 5357
    /// section 4.2 has for REFWAIT.
    pub idle_timeout: Duration,
    /// Packets that one sender gets answered per second. Default 20 000, far above any stream of our own: a bound
    /// for what a flood can make us send, not a shaper.
    pub max_rate: u32,
    /// The reflector's own port: packets from that port elsewhere are another reflector's answers.
    pub own_port: u16,
    /// What the time stamps are worth.
    pub error_estimate: ErrorEstimate,
}

impl Default for Config {
    fn default() -> Self {
        Self {
            max_senders: 16_384,
            idle_timeout: Duration::from_secs(900),
            max_rate: 20_000,
            own_port: crate::wire::stamp::PORT,
            // Software stamps of an unsynchronised clock: the error of a difference, not of the time of day.
            error_estimate: ErrorEstimate::of_seconds(1e-3, false),
        }
    }
}

/// One packet as it arrived.
#[derive(Debug, Clone, Copy)]
pub struct Request<'a> {
    /// Where from.
    pub from: SocketAddr,
    /// The UDP payload.
    pub bytes: &'a [u8],
    /// Arrival (T2).
    pub received: Stamp,
    /// TTL or hop limit on arrival.
    pub ttl: Option<u8>,
    /// Traffic class on arrival.
    pub traffic_class: Option<u8>,
}

/// Why a request is not answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Refusal {
    /// Too short for a STAMP or TWAMP packet.
    Short,
    /// Authenticated, but no session has that identifier, or the HMAC is wrong.
    Forged,
    /// Unauthenticated, from a source that no session has named.
    NotAdmitted,
    /// From a reflector's port or port 0: answering could start a loop between two reflectors.
    ReflectorPort,
    /// The table of senders is full.
    TableFull,
    /// The sender is above its rate.
    TooFast,
}

/// What the reflector has done so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counters {
    /// Requests answered.
    pub answered: u64,
    /// Requests refused: too short.
    pub short: u64,
    /// Refused: unknown session or wrong HMAC.
    pub forged: u64,
    /// Refused: source not admitted.
    pub not_admitted: u64,
    /// Refused: source port of a reflector.
    pub reflector_port: u64,
    /// Refused: table full.
    pub table_full: u64,
    /// Refused: above the rate.
    pub too_fast: u64,
}

/// An answer that lacks only the time of sending.
#[derive(Debug, Clone)]
pub struct Reply {
    /// Where to.
    pub to: SocketAddr,
    /// DSCP that the sender asked for (RFC 8972 section 4.4); else that of the request, so that both directions
    /// are treated alike.
    pub dscp: u8,
    base: Reflected,
    key: Option<Key>,
    bytes: Vec<u8>,
    has_tlvs: bool,
    /// The sender wants to know when this answer left.
    follows_up: bool,
}

/// Names an answer whose time of leaving is awaited.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Awaited {
    to: SocketAddr,
    ssid: u16,
    sequence: u32,
}

impl Reply {
    /// The packet, with `sent` as its T3. Call it right before the send.
    pub fn at(&mut self, sent: Stamp) -> &[u8] {
        self.base.timestamp = Timestamp::ntp_from_unix_ns(sent.unix_ns);
        self.base.emit(self.key.as_ref(), &mut self.bytes);
        if let (true, Some(key)) = (self.has_tlvs, &self.key) {
            tlv::renew_hmac(&mut self.bytes, Mode::Authenticated.base_len(), key);
        }
        &self.bytes
    }

    /// What to tell [`Reflector::on_transmit_stamp`] of, when the sender asked for follow-up telemetry (RFC 8972 section 4.7).
    pub fn awaited(&self) -> Option<Awaited> {
        self.follows_up.then_some(Awaited { to: self.to, ssid: self.base.ssid, sequence: self.base.sequence })
    }
}

/// Buffers that are kept, and the largest that is.
const SPARE: usize = 256;
const SPARE_OCTETS: usize = 2048;

/// A sender's address, port and session identifier, packed: IPv4 addresses as mapped ones.
type Id = ([u8; 16], u16, u16);

fn id(from: SocketAddr, ssid: u16) -> Id {
    let octets = match from.ip() {
        IpAddr::V4(address) => address.to_ipv6_mapped().octets(),
        IpAddr::V6(address) => address.octets(),
    };
    (octets, from.port(), ssid)
}

/// One sender's numbers. Small, so that those of many senders stay in the processor's cache.
#[derive(Debug, Clone, Copy)]
struct Peer {
    received: u32,
    sent: u32,
    /// Milliseconds since the reflector's beginning.
    last_ms: u64,
    /// Answers in the second that `last_ms` lies in.
    in_second: u32,
}

/// The reflector's state.
#[derive(Debug)]
pub struct Reflector {
    config: Config,
    peers: HashMap<Id, Peer>,
    /// Of senders that ask for it: their last answer of which it is known when it left.
    left: HashMap<Id, tlv::FollowUp>,
    /// What senders' milliseconds are counted from: the first request.
    began_at: Option<Instant>,
    sweep_at: Option<Instant>,
    counters: Counters,
    /// Buffers of answers that were sent.
    spare: Vec<Vec<u8>>,
}

impl Reflector {
    /// Octets that one sender's state takes in the table (key, value and the table's own share at its fullest).
    pub const MEMORY_PER_SENDER: usize = 2 * (2 * size_of::<Id>() + size_of::<Peer>() + size_of::<tlv::FollowUp>() + 2);

    /// An empty reflector.
    pub fn new(config: Config) -> Self {
        let (peers, left, counters) = (HashMap::new(), HashMap::new(), Counters::default());
        Self { config, peers, left, began_at: None, sweep_at: None, counters, spare: Vec::new() }
    }

    /// What it has done so far.
    pub fn counters(&self) -> Counters {
        self.counters
    }

    /// Senders in the table.
    pub fn senders(&self) -> usize {
        self.peers.len()
    }

    /// Takes one request.
    ///
    /// # Errors
    /// Says why it is not answered; it is counted.
    pub fn on_packet(&mut self, now: Instant, request: Request<'_>, admission: &dyn Admission) -> Result<Reply, Refusal> {
        let answer = self.answer(now, request, admission);
        let counter = match &answer {
            Ok(_) => &mut self.counters.answered,
            Err(Refusal::Short) => &mut self.counters.short,
            Err(Refusal::Forged) => &mut self.counters.forged,
            Err(Refusal::NotAdmitted) => &mut self.counters.not_admitted,
            Err(Refusal::ReflectorPort) => &mut self.counters.reflector_port,
            Err(Refusal::TableFull) => &mut self.counters.table_full,
            Err(Refusal::TooFast) => &mut self.counters.too_fast,
        };
        *counter += 1;
        answer
    }

    fn answer(&mut self, now: Instant, request: Request<'_>, admission: &dyn Admission) -> Result<Reply, Refusal> {
        let port = request.from.port();
        if port == 0 || port == self.config.own_port || port == crate::wire::stamp::PORT {
            return Err(Refusal::ReflectorPort);
        }
        let (Parsed { repr, extra, .. }, key) = admitted(&request, admission)?;
        let mode = if key.is_some() { Mode::Authenticated } else { Mode::Unauthenticated };
        let id = id(request.from, repr.ssid);
        let peer = self.peer(now, id)?;
        peer.received = peer.received.wrapping_add(1);
        // RFC 8762 section 4.3: a stateful reflector counts its own packets, from 0.
        let sequence = peer.sent;
        peer.sent = peer.sent.wrapping_add(1);
        let (received, sent) = (peer.received, peer.sent);

        let mut bytes = self.spare.pop().unwrap_or_default();
        bytes.extend_from_slice(request.bytes);
        // Section 4.6: a shorter packet of a TWAMP sender is answered with the base packet.
        bytes.resize(bytes.len().max(mode.base_len()), 0);
        let has_tlvs = !extra.is_empty();
        let (from, own_port) = (Some(request.from), self.config.own_port);
        // Of the answer before this one and no older (RFC 8972 section 4.7).
        let follow_up = || self.left.get(&id).copied().filter(|left| left.sequence == sequence.wrapping_sub(1));
        let follow_up = if has_tlvs { follow_up() } else { None };
        let ingress = tlv::Ingress { traffic_class: request.traffic_class, received, sent, from, own_port, follow_up };
        let asked =
            if has_tlvs { tlv::reflect(&mut bytes, mode.base_len(), ingress, key.as_ref()) } else { tlv::Asked::default() };
        let base = Reflected {
            sequence,
            timestamp: Timestamp::default(),
            error_estimate: self.config.error_estimate,
            ssid: repr.ssid,
            receive_timestamp: Timestamp::ntp_from_unix_ns(request.received.unix_ns),
            sender_sequence: repr.sequence,
            sender_timestamp: repr.timestamp,
            sender_error_estimate: repr.error_estimate,
            sender_ttl: request.ttl.unwrap_or(0),
        };
        let dscp = asked.dscp.or_else(|| request.traffic_class.map(|class| class >> 2)).unwrap_or(0);
        Ok(Reply { to: request.from, dscp, base, key, bytes, has_tlvs, follows_up: asked.follow_up })
    }

    /// When an answer left, by the kernel's or the adapter's stamp: told to its sender with the next answer.
    pub fn on_transmit_stamp(&mut self, awaited: Awaited, sent: Stamp) {
        let id = id(awaited.to, awaited.ssid);
        if self.peers.contains_key(&id) {
            let timestamp = Timestamp::ntp_from_unix_ns(sent.unix_ns);
            self.left
                .insert(id, tlv::FollowUp { sequence: awaited.sequence, timestamp, method: tlv::TimestampInformation::SOFTWARE });
        }
    }

    /// Takes answers back that were sent, so that the next need no new memory.
    pub fn recycle(&mut self, replies: impl IntoIterator<Item = Reply>) {
        for Reply { mut bytes, .. } in replies {
            if self.spare.len() < SPARE && bytes.capacity() <= SPARE_OCTETS {
                bytes.clear();
                self.spare.push(bytes);
            }
        }
    }

    fn peer(&mut self, now: Instant, id: Id) -> Result<&mut Peer, Refusal> {
        let Config { max_senders, max_rate, idle_timeout, .. } = self.config;
        let senders = self.peers.len();
        let now_ms = self.since_began(now);
        let peer = match self.peers.entry(id) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(_) if senders >= max_senders => return Err(Refusal::TableFull),
            Entry::Vacant(place) => {
                self.sweep_at.get_or_insert(now + idle_timeout);
                place.insert(Peer { received: 0, sent: 0, last_ms: now_ms, in_second: 0 })
            }
        };
        if now_ms / 1000 != peer.last_ms / 1000 {
            peer.in_second = 0;
        }
        peer.last_ms = now_ms;
        if peer.in_second >= max_rate {
            return Err(Refusal::TooFast);
        }
        peer.in_second += 1;
        Ok(peer)
    }

    fn since_began(&mut self, now: Instant) -> u64 {
        let began_at = *self.began_at.get_or_insert(now);
        now.saturating_duration_since(began_at).as_millis() as u64
    }

    /// When it wants to be woken to forget silent senders; `None` while it has none, so that an idle far end sleeps.
    pub fn next_wake(&self) -> Option<Instant> {
        self.sweep_at
    }

    /// Forgets senders that have been silent for the idle time.
    pub fn on_wake(&mut self, now: Instant) {
        if self.sweep_at.is_none_or(|at| now < at) {
            return;
        }
        let (idle_ms, now_ms) = (self.config.idle_timeout.as_millis() as u64, self.since_began(now));
        self.peers.retain(|_, peer| now_ms.saturating_sub(peer.last_ms) < idle_ms);
        self.left.retain(|id, _| self.peers.contains_key(id));
        let next_ms = self.peers.values().map(|peer| peer.last_ms + idle_ms).min();
        self.sweep_at = self.began_at.zip(next_ms).map(|(began_at, ms)| began_at + Duration::from_millis(ms));
    }

    /// Forgets the senders at an address, for instance when its session ends.
    pub fn forget(&mut self, source: IpAddr) {
        let (octets, ..) = id(SocketAddr::new(source, 0), 0);
        self.peers.retain(|id, _| id.0 != octets);
        self.left.retain(|id, _| id.0 != octets);
        if self.peers.is_empty() {
            self.sweep_at = None;
        }
    }
}

/// The request's meaning, and the key when it is authenticated.
fn admitted<'a>(request: &Request<'a>, admission: &dyn Admission) -> Result<(Parsed<'a, Sender>, Option<Key>), Refusal> {
    if Mode::guess(request.bytes) == Mode::Authenticated {
        // The identifier picks the key; it is believed only once the HMAC over it is right.
        let ssid = request.bytes.get(26..28).map_or(0, |b| u16::from_be_bytes([b[0], b[1]]));
        if let Some(key) = admission.key(ssid) {
            let parsed = Sender::parse(request.bytes, Some(&key)).map_err(|_| Refusal::Forged)?;
            return Ok((parsed, Some(key)));
        }
        return Err(Refusal::Forged);
    }
    let parsed = Sender::parse(request.bytes, None).map_err(|_| Refusal::Short)?;
    if admission.allows(request.from) { Ok((parsed, None)) } else { Err(Refusal::NotAdmitted) }
}

#[cfg(test)]
mod tests;
