//! The far end's STAMP reflector: the socket and the clock around [`proto::stamp::reflector`](crate::proto::stamp::reflector).
//!
//! T2 is the kernel's receive stamp, T3 is read right before the send call of a batch: what arrived together is answered together, and
//! the time that a reply waits for the others is inside T3 - T2, so in no round trip. Who asks for follow-up telemetry (RFC 8972 section 4.7)
//! is told with the next answer when the kernel handed this one to the adapter. It sleeps while nothing arrives. It must not
//! know who may use it: that is the [`Admission`] it is given, the far end's session table. The hard thing is its own
//! failures: a request that its queue dropped, or a reply that the system refused, looks like loss of the line to
//! the agent, so both are counted where the far end can tell.

use std::collections::hash_map::Entry;
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use tokio_util::sync::CancellationToken;

use crate::net::datagrams::{Batch, Bulk, BulkSocket, MOST_AT_ONCE, Marked, WaitingSocket};
use crate::proto::stamp::reflector::{Admission, Awaited, Config, Counters, Reflector, Reply, Request};
use crate::proto::view::Sessions;
use crate::unit::{Stamp, StampSource};
use crate::wire::stamp::Key;

/// Octets of buffer wished for: some ten thousand small packets while this process is held up.
const BUFFER: usize = 16 << 20;
/// Replies that share one T3: the last of them leaves later than it says by what the kernel takes for the others, about 2 us each.
const TOGETHER: usize = 32;
/// Requests in a batch from which on more are expected at once, and how long they are waited for awake.
const BUSY: usize = 8;
const MOMENT: Duration = Duration::from_micros(30);
/// Batches that are answered before others of the runtime have their turn.
const BATCHES: usize = 16;
/// Answers whose time of leaving is awaited at most.
const MOST_AWAITED: usize = 1024;
/// Pause after an error of the socket itself, so that a lasting one does not spin.
const PAUSE: Duration = Duration::from_millis(100);

/// A reflector's socket and state, not yet running.
#[derive(Debug)]
pub struct ReflectorService<A> {
    socket: WaitingSocket,
    core: Reflector,
    admission: A,
    shared: ReflectorHandle,
    /// Room for a batch's answers, kept.
    replies: Vec<Reply>,
    departures: Departures,
}

/// Answers whose time of leaving the kernel has not told yet.
#[derive(Debug, Default)]
struct Departures {
    /// The kernel's number of the next.
    next: u32,
    /// With their numbers, oldest first.
    awaited: VecDeque<(u32, Awaited)>,
}

impl Departures {
    fn sent(&mut self, awaited: Awaited) {
        // The kernel tells within moments; what it never told makes room.
        if self.awaited.len() == MOST_AWAITED {
            self.awaited.pop_front();
        }
        self.awaited.push_back((self.next, awaited));
        self.next = self.next.wrapping_add(1);
    }

    fn of(&mut self, number: u32) -> Option<Awaited> {
        let at = self.awaited.iter().position(|(awaited, _)| *awaited == number)?;
        self.awaited.remove(at).map(|(_, awaited)| awaited)
    }
}

/// Looks at, and trims, a running reflector. Cheap to clone.
#[derive(Debug, Clone, Default)]
pub struct ReflectorHandle(Arc<Mutex<Shared>>);

#[derive(Debug, Default)]
struct Shared {
    report: ReflectorReport,
    forget: Vec<IpAddr>,
}

/// What a reflector has done.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct ReflectorReport {
    /// Requests answered and refused.
    pub counters: Counters,
    /// Senders that it keeps numbers for.
    pub senders: usize,
    /// Requests that its receive queue dropped: the far end's loss, not the line's.
    pub receive_drops: u64,
    /// Replies that the system refused to send: the far end's loss, not the line's.
    pub send_failures: u64,
    /// Errors of the socket itself.
    pub socket_errors: u64,
}

impl ReflectorHandle {
    /// What it has done so far.
    pub fn report(&self) -> ReflectorReport {
        self.lock().report
    }

    /// Forgets the senders at an address when their session ends; takes effect with the next packet.
    pub fn forget(&self, source: IpAddr) {
        self.lock().forget.push(source);
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Shared> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl<A: Admission + Send> ReflectorService<A> {
    /// Binds the socket. A wildcard address serves one IP version: bind one service for each.
    ///
    /// # Errors
    /// What the system says to the socket; port 862 needs the right to bind low ports.
    pub fn bind(address: SocketAddr, device: Option<&str>, admission: A, config: Config) -> io::Result<Self> {
        let socket = BulkSocket::open(&Bulk { local: address, device, dscp: 0, buffer: BUFFER, joins: false })?;
        socket.stamp_departures()?;
        socket.hear_markings()?;
        // RFC 5357 section 4.2: replies leave with TTL 255, so that what is left of it counts the hops.
        socket.set_ttl(255)?;
        let own_port = socket.local_addr()?.port();
        let core = Reflector::new(Config { own_port, ..config });
        let (shared, departures) = (ReflectorHandle::default(), Departures::default());
        Ok(Self { socket: WaitingSocket::new(socket)?, core, admission, shared, replies: Vec::new(), departures })
    }

    /// The address that it answers at.
    ///
    /// # Errors
    /// What the system says.
    pub fn local_addr(&self) -> io::Result<SocketAddr> {
        self.socket.socket().local_addr()
    }

    /// A handle that stays valid while it runs.
    pub fn handle(&self) -> ReflectorHandle {
        self.shared.clone()
    }

    /// Answers until `cancel` fires. Owns its socket; dropping the future closes it.
    pub async fn run(mut self, cancel: CancellationToken) -> ReflectorReport {
        let mut batch = Batch::of(MOST_AT_ONCE);
        loop {
            let sweep_at = self.core.next_wake();
            let sweep = async {
                match sweep_at {
                    Some(at) => tokio::time::sleep_until(at.into()).await,
                    None => std::future::pending().await,
                }
            };
            let got = tokio::select! {
                () = cancel.cancelled() => return self.shared.report(),
                () = sweep => {
                    self.core.on_wake(Instant::now());
                    self.shared.lock().report.senders = self.core.senders();
                    continue;
                }
                got = self.socket.receive(&mut batch) => got,
            };
            match got {
                Ok(_) => self.on_batches(&mut batch),
                Err(_) => {
                    self.shared.lock().report.socket_errors += 1;
                    tokio::time::sleep(PAUSE).await;
                }
            }
        }
    }

    /// This batch, and those that have come meanwhile: under load the runtime is asked once for many.
    fn on_batches(&mut self, batch: &mut Batch) {
        for _ in 0..BATCHES {
            let answered = self.on_batch(batch);
            if !self.more(batch, answered >= BUSY) {
                return;
            }
        }
        self.on_batch(batch);
    }

    /// Receives what has come meanwhile. Under load the next requests are a moment away, less than going to sleep and waking takes.
    fn more(&self, batch: &mut Batch, is_busy: bool) -> bool {
        let until = Instant::now() + if is_busy { MOMENT } else { Duration::ZERO };
        loop {
            if self.socket.socket().receive(batch).is_ok() {
                return true;
            }
            if Instant::now() >= until {
                return false;
            }
            std::hint::spin_loop();
        }
    }

    /// Answers a batch; returns how many requests it had.
    fn on_batch(&mut self, batch: &mut Batch) -> usize {
        for source in std::mem::take(&mut self.shared.lock().forget) {
            self.core.forget(source);
        }
        if !self.departures.awaited.is_empty() {
            let (socket, core, departures) = (self.socket.socket(), &mut self.core, &mut self.departures);
            socket.departures(|number, sent| {
                if let Some(awaited) = departures.of(number) {
                    core.on_transmit_stamp(awaited, sent);
                }
            });
        }
        let (now, mut receive_drops, mut requests) = (Instant::now(), 0, 0);
        let mut replies = std::mem::take(&mut self.replies);
        for arrived in batch.arrived() {
            receive_drops = arrived.dropped;
            requests += 1;
            let Some(from) = arrived.from else { continue };
            // Without the kernel's stamp, the time of reading.
            let received = arrived.stamp.unwrap_or_else(wall_clock);
            let request =
                Request { from, bytes: arrived.octets, received, ttl: arrived.ttl, traffic_class: arrived.traffic_class };
            replies.extend(self.core.on_packet(now, request, &self.admission));
        }
        {
            // Before the replies go, so that whoever has one finds it counted.
            let mut shared = self.shared.lock();
            shared.report.counters = self.core.counters();
            shared.report.senders = self.core.senders();
            shared.report.receive_drops = u64::from(receive_drops);
        }
        let failures = self.send(&mut replies);
        if failures > 0 {
            self.shared.lock().report.send_failures += failures;
        }
        self.core.recycle(replies.drain(..));
        self.replies = replies;
        requests
    }

    /// Sends what a batch is answered with; returns how many the system refused.
    fn send(&mut self, replies: &mut [Reply]) -> u64 {
        replies.chunks_mut(TOGETHER).map(|replies| self.send_together(replies)).sum()
    }

    fn send_together(&mut self, replies: &mut [Reply]) -> u64 {
        // RFC 8762 section 4.3: T3 is when the reflector started to transmit.
        let sent = wall_clock();
        let mut marked: Vec<Marked<'_>> = Vec::with_capacity(replies.len());
        // With their places; of most streams none.
        let mut awaited: Vec<(usize, Awaited)> = Vec::new();
        for reply in replies {
            let (to, dscp) = (reply.to, Some(reply.dscp).filter(|dscp| *dscp != 0));
            let wants = reply.awaited();
            awaited.extend(wants.map(|wants| (marked.len(), wants)));
            marked.push(Marked { octets: reply.at(sent), to, dscp, stamped: wants.is_some() });
        }
        let (mut at, mut failures) = (0, 0);
        while at < marked.len() {
            match self.socket.socket().send_each(&marked[at..]) {
                Ok(count) => {
                    let went = awaited.iter().filter(|(place, _)| (at..at + count).contains(place));
                    went.for_each(|(_, wants)| self.departures.sent(*wants));
                    at += count;
                }
                Err(_) => {
                    // Whether the kernel has given the refused one a number is not known: it counts anew.
                    if marked[at].stamped && self.socket.socket().stamp_departures().is_ok() {
                        self.departures = Departures::default();
                    }
                    failures += 1;
                    at += 1;
                }
            }
        }
        failures
    }
}

fn wall_clock() -> Stamp {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Stamp { unix_ns: i64::try_from(since.as_nanos()).unwrap_or(i64::MAX), source: StampSource::User, adapter_ns: None }
}

/// Who may use the reflector: addresses of open sessions, and their keys by session identifier. Cheap to clone.
///
/// An agent behind address translation is let in by the address that its control connection came from; one whose test
/// packets come from another address (a pool of a carrier's translator) uses its key.
#[derive(Debug, Clone, Default)]
pub struct SessionTable(Arc<Mutex<Table>>);

#[derive(Debug, Default)]
struct Table {
    /// By identifier.
    keys: BTreeMap<u16, (Key, IpAddr)>,
    /// Sessions at each address: asked for every packet.
    sources: HashMap<IpAddr, u32>,
}

impl SessionTable {
    /// Lets a session in: unauthenticated packets from `source`, and packets of the identifier that the key signs.
    /// Returns the session's identifier (RFC 8972 section 3), or `None` when all 65 535 are taken.
    pub fn admit(&self, source: IpAddr, key: Key) -> Option<u16> {
        let mut sessions = self.lock();
        let id = (1..=u16::MAX).find(|id| !sessions.keys.contains_key(id))?;
        let source = unmapped(source);
        sessions.keys.insert(id, (key, source));
        *sessions.sources.entry(source).or_default() += 1;
        Some(id)
    }

    /// Ends a session. Other sessions of the same address go on.
    pub fn end(&self, id: u16) {
        let mut sessions = self.lock();
        let Some((_, source)) = sessions.keys.remove(&id) else { return };
        if let Entry::Occupied(mut count) = sessions.sources.entry(source) {
            *count.get_mut() -= 1;
            if *count.get() == 0 {
                count.remove();
            }
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Table> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Sessions for SessionTable {
    fn session_key(&self, session: u16) -> Option<Key> {
        self.key(session)
    }
}

impl Admission for SessionTable {
    fn key(&self, ssid: u16) -> Option<Key> {
        self.lock().keys.get(&ssid).map(|(key, _)| key.clone())
    }

    fn allows(&self, source: SocketAddr) -> bool {
        self.lock().sources.contains_key(&unmapped(source.ip()))
    }
}

/// An IPv4 address that came over a dual-stack socket, as plain IPv4.
fn unmapped(address: IpAddr) -> IpAddr {
    address.to_canonical()
}

#[cfg(test)]
mod tests;
