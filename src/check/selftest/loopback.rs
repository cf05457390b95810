//! The loads: TCP streams, and UDP in batches as the capacity test sends it, from this process to itself over 127.0.0.1.
//!
//! Everything is bounded: sockets that wait wait for a tenth of a second at most, and every loop ends with the time. Datagrams are
//! received one by one and not joined, as most adapters bring them.

use std::io::{self, Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use crate::net::datagrams::{self, Batch, BulkSocket, Train};

/// What is counted together.
pub(super) const BUCKET: Duration = Duration::from_millis(20);
/// Before counting begins.
pub(super) const WARMS_UP: Duration = Duration::from_millis(50);
/// A socket waits for so long at most.
const PATIENCE: Duration = Duration::from_millis(100);
/// Octets of a packet, IP and UDP header among them, and without them: those of the capacity test.
pub(super) const PACKET: usize = 1250;
const PAYLOAD: usize = PACKET - 28;
/// Datagrams in a train: as many as one can hold.
const IN_TRAIN: usize = 52;
/// Octets of a write or a read.
const BLOCK: usize = 128 * 1024;
/// Socket buffer.
const BUFFER: usize = 4 << 20;

/// What a UDP load moved, octets of IP in each bucket.
#[derive(Debug, Default)]
pub(super) struct Bulk {
    pub(super) sent: Vec<u64>,
    pub(super) received: Vec<u64>,
    /// Datagrams received.
    pub(super) datagrams: u64,
    /// Datagrams that the receiver's queue dropped.
    pub(super) dropped: u64,
}

/// The time of a load and what was moved in each bucket of it.
struct Window {
    counts_from: Instant,
    buckets: Vec<AtomicU64>,
}

impl Window {
    fn new(time: Duration) -> Self {
        let count = (time.as_millis() / BUCKET.as_millis()).max(1);
        Self { counts_from: Instant::now() + WARMS_UP, buckets: (0..count).map(|_| AtomicU64::new(0)).collect() }
    }

    /// Counts octets moved now; false once the time is over.
    fn counts(&self, octets: usize) -> bool {
        let Some(at) = Instant::now().checked_duration_since(self.counts_from) else { return true };
        match self.buckets.get((at.as_nanos() / BUCKET.as_nanos()) as usize) {
            Some(bucket) => {
                bucket.fetch_add(octets as u64, Ordering::Relaxed);
                true
            }
            None => false,
        }
    }

    fn taken(self) -> Vec<u64> {
        self.buckets.into_iter().map(AtomicU64::into_inner).collect()
    }
}

/// Runs a load on a thread of its own, in the calling thread's network namespace.
pub(super) async fn apart<T: Send + 'static>(work: impl FnOnce() -> io::Result<T> + Send + 'static) -> io::Result<T> {
    let (answer, result) = tokio::sync::oneshot::channel();
    thread::Builder::new().name("selftest".to_owned()).spawn(move || {
        // Whoever asked may be gone.
        let _ = answer.send(work());
    })?;
    result.await.map_err(|_| io::Error::other("the self-test's thread ended"))?
}

/// TCP payload octets received in each bucket. One stream to each two cores: a sender and a receiver keep them busy.
pub(super) fn tcp(time: Duration) -> io::Result<Vec<u64>> {
    let streams = thread::available_parallelism().map_or(1, |cores| (cores.get() / 2).clamp(1, 4));
    let pairs = (0..streams).map(|_| pair()).collect::<io::Result<Vec<_>>>()?;
    let window = Window::new(time);
    thread::scope(|scope| {
        let work: Vec<_> = pairs
            .into_iter()
            .flat_map(|(mut from, mut to)| {
                let window = &window;
                let sending = scope.spawn(move || {
                    let block = vec![0x55; BLOCK];
                    while window.counts(0) {
                        ignoring_waits(from.write(&block))?;
                    }
                    Ok(())
                });
                let receiving = scope.spawn(move || -> io::Result<()> {
                    let mut block = vec![0; BLOCK];
                    while window.counts(ignoring_waits(to.read(&mut block))?) {}
                    Ok(())
                });
                [sending, receiving]
            })
            .collect();
        work.into_iter()
            .try_for_each(|one| one.join().unwrap_or_else(|_| Err(io::Error::other("a thread of the self-test ended"))))
    })
    // The receiver may leave first: its sender then hears of a broken connection, when the time was over anyhow.
    .or_else(|error| if is_gone(&error) { Ok(()) } else { Err(error) })?;
    Ok(window.taken())
}

/// Two ends of a connection of this process with itself.
fn pair() -> io::Result<(TcpStream, TcpStream)> {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?;
    let from = TcpStream::connect_timeout(&listener.local_addr()?, PATIENCE)?;
    let (to, peer) = listener.accept()?;
    if peer != from.local_addr()? {
        return Err(io::Error::other("another program connected to the self-test's port"));
    }
    from.set_write_timeout(Some(PATIENCE))?;
    to.set_read_timeout(Some(PATIENCE))?;
    Ok((from, to))
}

/// Octets of IP sent and received in each bucket.
pub(super) fn udp(time: Duration) -> io::Result<Bulk> {
    let open = || {
        let local = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
        BulkSocket::open(&datagrams::Bulk { local, device: None, dscp: 0, buffer: BUFFER, joins: false })
    };
    let (from, to) = (open()?, open()?);
    from.connect(to.local_addr()?)?;
    to.connect(from.local_addr()?)?;
    let (sent, received) = (Window::new(time), Window::new(time));
    let (datagrams, dropped) = thread::scope(|scope| {
        let sending = scope.spawn(|| send(&from, &sent));
        let counted = receive(&to, &received);
        sending.join().unwrap_or_else(|_| Err(io::Error::other("a thread of the self-test ended")))?;
        counted
    })?;
    Ok(Bulk { sent: sent.taken(), received: received.taken(), datagrams, dropped })
}

fn send(socket: &BulkSocket, window: &Window) -> io::Result<()> {
    let octets = vec![0x55; PAYLOAD * IN_TRAIN];
    let trains = [Train { octets: &octets, size: PAYLOAD }; 4];
    loop {
        let trains_sent = match socket.send(&trains) {
            Ok(sent) => sent,
            Err(error) if is_full(&error) => {
                socket.wait(true, Duration::from_millis(5))?;
                0
            }
            Err(error) => return Err(error),
        };
        if !window.counts(trains_sent * IN_TRAIN * PACKET) {
            return Ok(());
        }
    }
}

fn receive(socket: &BulkSocket, window: &Window) -> io::Result<(u64, u64)> {
    let mut batch = Batch::of(datagrams::MOST_AT_ONCE);
    let (mut datagrams, mut dropped) = (0, 0);
    loop {
        let octets = match socket.receive(&mut batch) {
            Ok(_) => {
                let mut octets = 0;
                for arrived in batch.arrived() {
                    let count = arrived.payloads().count();
                    octets += arrived.octets.len() + count * (PACKET - PAYLOAD);
                    datagrams += count as u64;
                    dropped = u64::from(arrived.dropped);
                }
                octets
            }
            Err(error) if is_full(&error) => {
                socket.wait(false, Duration::from_millis(5))?;
                0
            }
            Err(error) => return Err(error),
        };
        if !window.counts(octets) {
            return Ok((datagrams, dropped));
        }
    }
}

/// Nothing moved while the socket had no room or nothing to give.
fn ignoring_waits(moved: io::Result<usize>) -> io::Result<usize> {
    moved.or_else(|error| if is_full(&error) { Ok(0) } else { Err(error) })
}

fn is_full(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut | io::ErrorKind::Interrupted)
        || error.raw_os_error() == Some(libc::ENOBUFS)
}

fn is_gone(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::BrokenPipe | io::ErrorKind::ConnectionReset | io::ErrorKind::ConnectionAborted)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TIME: Duration = Duration::from_millis(100);

    #[test]
    fn both_loads_move_octets_in_every_part_of_their_time_and_end_with_it() {
        let began = Instant::now();
        let moved = tcp(TIME).expect("loopback");
        assert_eq!(moved.len(), 5);
        assert!(moved.iter().sum::<u64>() > 0, "{moved:?}");
        let bulk = udp(TIME).expect("loopback");
        assert_eq!((bulk.sent.len(), bulk.received.len()), (5, 5));
        assert!(bulk.datagrams > 0);
        let (sent, received) = (bulk.sent.iter().sum::<u64>(), bulk.received.iter().sum::<u64>());
        assert!(received > 0 && sent > 0, "{sent} {received}");
        // Two loads of 150 ms; the rest is for a machine that is busy with something else.
        assert!(began.elapsed() < Duration::from_secs(2), "{:?}", began.elapsed());
    }

    #[test]
    fn what_comes_before_the_warm_up_ends_and_after_the_time_is_not_counted() {
        let early = Window::new(TIME);
        assert!(early.counts(1000));
        assert_eq!(early.taken(), [0; 5]);
        let mut late = Window::new(TIME);
        late.counts_from = Instant::now().checked_sub(TIME + BUCKET).expect("up for a second");
        assert!(!late.counts(1000));
        let mut now = Window::new(TIME);
        now.counts_from = Instant::now().checked_sub(BUCKET).expect("up for a second");
        assert!(now.counts(1000));
        assert_eq!(now.taken().iter().sum::<u64>(), 1000);
    }
}
