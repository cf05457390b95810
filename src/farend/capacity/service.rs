//! The far end's set-up port of capacity tests: who is known by a key may have a port and a thread for one test.
//!
//! Nothing goes to an address that has not shown a key, and no answer to one that has not is longer than its request; load goes only to
//! who answered from there at the test's own port. Whether there is room is asked of the [`Door`]. It sleeps while nobody asks.

use std::collections::BTreeMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use tokio::net::UdpSocket;
use tokio_util::sync::CancellationToken;

use super::{Found, open, run};
use crate::net::datagrams::{Batch, BulkSocket};
use crate::proto::capacity::flow::{Flow, Side};
use crate::proto::capacity::server::{Asked, Verdict, on_setup};
use crate::proto::capacity::table;
use crate::unit::Family;
use crate::wire::capacity::{SendingRate, SetupResponse, SharedKey};
use crate::wire::udp;

/// How long a test's port waits for the activation.
const ACTIVATION_WAIT: Duration = Duration::from_secs(3);
/// How long the answer to a set-up is kept for one that is sent again.
const KEPT: Duration = Duration::from_secs(3);
/// Set-ups whose answers are kept at once.
const MOST_KEPT: usize = 256;
/// No set-up is longer.
const LARGEST_DATAGRAM: usize = 2048;

/// Decides who may test; the far end's sessions and capacity.
pub trait Door: Send + Sync + 'static {
    /// The shared key of a number, and whose it is.
    fn key(&self, number: u8) -> Option<SharedKey>;
    /// Admits a test of at most this rate (Mbit/s, zero for any), up or down. The seconds that it may take, and the name under which
    /// it is given back.
    ///
    /// # Errors
    /// Why not.
    fn admit(&self, number: u8, from: IpAddr, is_upstream: bool, mbit: f64) -> Result<(u64, String), SetupResponse>;
    /// A test is over.
    fn done(&self, number: u8, name: &str, found: Option<Found>);
    /// The highest rate of any test, Mbit/s.
    fn most_mbit(&self) -> f64;
}

/// The set-up port, not yet running.
pub struct CapacityService<D> {
    socket: UdpSocket,
    door: Arc<D>,
    kept: BTreeMap<(SocketAddr, u16), (Instant, Vec<u8>)>,
    running: Arc<Mutex<Vec<Arc<AtomicBool>>>>,
}

impl<D> std::fmt::Debug for CapacityService<D> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("CapacityService").field("socket", &self.socket).finish_non_exhaustive()
    }
}

fn unix_time() -> u32 {
    SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default().as_secs() as u32
}

/// Binds a set-up port.
///
/// # Errors
/// What the system says.
pub fn bind(at: SocketAddr) -> io::Result<UdpSocket> {
    let socket = socket2::Socket::new(socket2::Domain::for_address(at), socket2::Type::DGRAM, None)?;
    if at.is_ipv6() {
        socket.set_only_v6(true)?;
    }
    socket.set_nonblocking(true)?;
    socket.bind(&at.into())?;
    UdpSocket::from_std(socket.into())
}

impl<D> Drop for CapacityService<D> {
    /// No test outlives the service, however that ends.
    fn drop(&mut self) {
        for stop in self.running.lock().unwrap_or_else(PoisonError::into_inner).iter() {
            stop.store(true, Ordering::Relaxed);
        }
    }
}

impl<D: Door> CapacityService<D> {
    /// At a bound port.
    pub fn new(socket: UdpSocket, door: D) -> Self {
        Self { socket, door: Arc::new(door), kept: BTreeMap::new(), running: Arc::default() }
    }

    /// Answers until `cancel` fires.
    pub async fn serve(mut self, cancel: CancellationToken) {
        let mut buffer = [0; LARGEST_DATAGRAM];
        loop {
            let got = tokio::select! {
                () = cancel.cancelled() => return,
                got = self.socket.recv_from(&mut buffer) => got,
            };
            match got {
                Ok((len, from)) => self.on_datagram(&buffer[..len], from),
                // What somebody says of an earlier answer; a lasting error must not spin.
                Err(_) => tokio::time::sleep(Duration::from_millis(20)).await,
            }
        }
    }

    fn on_datagram(&mut self, octets: &[u8], from: SocketAddr) {
        let answer = match on_setup(octets, unix_time(), |number| self.door.key(number)) {
            Verdict::Ignore => return,
            Verdict::Refuse(answer) => answer,
            Verdict::Ask(asked) => self.on_asked(from, *asked),
        };
        // An answer that the system refuses is one that the client misses; it asks again.
        let _ = self.socket.try_send_to(&answer, from);
    }

    fn on_asked(&mut self, from: SocketAddr, asked: Asked) -> Vec<u8> {
        let now = Instant::now();
        self.kept.retain(|_, (at, _)| now.duration_since(*at) < KEPT);
        let name = (from, asked.setup.connection.2);
        if let Some((_, answer)) = self.kept.get(&name) {
            return answer.clone();
        }
        if self.kept.len() >= MOST_KEPT {
            return asked.refuse(SetupResponse::Capacity);
        }
        let answer = self.begin(from, &asked).unwrap_or_else(|why| asked.refuse(why));
        self.kept.insert(name, (now, answer.clone()));
        answer
    }

    /// Admits it, opens its port and starts its thread.
    fn begin(&self, from: SocketAddr, asked: &Asked) -> Result<Vec<u8>, SetupResponse> {
        let (number, setup) = (asked.setup.trailer.key, &asked.setup);
        let mbit = f64::from(setup.max_mbit);
        let (longest_s, name) = self.door.admit(number, from.ip().to_canonical(), setup.is_upstream, mbit)?;
        let most = if mbit > 0.0 { mbit.min(self.door.most_mbit()) } else { self.door.most_mbit() };
        let started = || -> io::Result<u16> {
            let local = SocketAddr::new(self.socket.local_addr()?.ip(), 0);
            let socket = open(local, None, 0)?;
            let port = socket.local_addr()?.port();
            // Before the answer: it opens this side's firewall.
            let _ = socket.send_one(&asked.null(), Some(from));
            let stop = Arc::new(AtomicBool::new(false));
            let list = Arc::clone(&self.running);
            list.lock().unwrap_or_else(PoisonError::into_inner).push(Arc::clone(&stop));
            let (asked, door, thread_name) = (asked.clone(), Arc::clone(&self.door), name.clone());
            let thread = std::thread::Builder::new().name("capacity".to_owned()).spawn(move || {
                let found = test(&socket, from, &asked, (longest_s, table::row_of(most)), &stop);
                list.lock().unwrap_or_else(PoisonError::into_inner).retain(|other| !Arc::ptr_eq(other, &stop));
                door.done(number, &thread_name, found.ok().flatten());
            });
            thread.map(|_| port)
        };
        started().map(|port| asked.accept(port)).map_err(|_| {
            self.door.done(number, &name, None);
            SetupResponse::Port
        })
    }
}

/// Waits for the activation and runs the test; `None` when it never came.
fn test(
    socket: &BulkSocket,
    from: SocketAddr,
    asked: &Asked,
    (longest_s, last_row): (u64, usize),
    stop: &AtomicBool,
) -> io::Result<Option<Found>> {
    let headers = udp::headers(Family::of(from.ip().to_canonical()));
    let (until, mut batch) = (Instant::now() + ACTIVATION_WAIT, Batch::default());
    while Instant::now() < until && !stop.load(Ordering::Relaxed) {
        socket.wait(false, Duration::from_millis(100))?;
        if socket.receive(&mut batch).is_err() {
            continue;
        }
        for arrived in batch.arrived() {
            // The address may differ from the set-up's only in its port: a translator maps each way anew.
            let Some(peer) = arrived.from.filter(|peer| peer.ip() == from.ip()) else { continue };
            for octets in arrived.payloads() {
                match asked.on_activation(octets, longest_s, headers, last_row) {
                    None => {}
                    Some(Err(refusal)) => {
                        let _ = socket.send_one(&refusal, Some(peer));
                        return Ok(None);
                    }
                    Some(Ok((terms, answer))) => {
                        socket.connect(peer)?;
                        socket.set_dscp(terms.dscp)?;
                        socket.send_one(&answer, None)?;
                        let side = Side::Server(asked.sizes(headers), last_row);
                        let sends = !asked.setup.is_upstream;
                        let flow = Flow::new(Instant::now(), side, terms, sends, SendingRate::default(), asked.signing());
                        // An activation that comes again has not had its answer.
                        let again = |octets: &[u8]| {
                            asked
                                .on_activation(octets, longest_s, headers, last_row)
                                .and_then(Result::ok)
                                .map(|(_, answer)| answer)
                        };
                        return run(socket, flow, stop, |_| {}, again).map(Some);
                    }
                }
            }
        }
    }
    Ok(None)
}
