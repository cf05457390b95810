//! Channels from sockets: several at once on one thread, many datagrams in a system call, each with the kernel's stamp.
//!
//! It joins nothing: whoever calls has done that. Since stamps are the kernel's, the thread need not hurry: it lets datagrams gather for a moment, which saves
//! most of the system calls.

use std::io;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crate::net::datagrams::{Batch, Bulk, BulkSocket, MOST_AT_ONCE, wait_for_any};
use crate::net::stamped::unix_now_ns;
use crate::proto::channel_watch::ChannelWatch;
use crate::unit::StampSource;

/// Receive buffer wished for: 400 ms of 80 Mbit/s.
const BUFFER: usize = 4 << 20;
/// Datagrams may gather for so long. At 100 Mbit/s that is 50 kB of the buffer.
const GATHER: Duration = Duration::from_millis(4);
/// The flag that ends everything is looked at this often.
const LOOK: Duration = Duration::from_millis(50);
/// Ports above the media's on which columns and rows of repair packets come (SMPTE 2022-1, from memory).
const COMPANIONS: [u16; 2] = [2, 4];

/// A channel that was watched.
#[derive(Debug)]
pub struct Watched {
    /// What came.
    pub watch: ChannelWatch,
    /// Datagrams that this machine's own queue dropped.
    pub dropped: u32,
    /// The weakest who stamped.
    pub stamped_by: StampSource,
}

struct Ear {
    channel: usize,
    is_companion: bool,
    socket: BulkSocket,
}

/// Sockets of several channels.
pub struct Listener {
    ears: Vec<Ear>,
    watched: Vec<Watched>,
    batch: Batch,
}

impl std::fmt::Debug for Listener {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Listener").field("channels", &self.watched.len()).finish_non_exhaustive()
    }
}

impl Listener {
    /// Listens for channels: each by its group (or own address) and port, on a device where one is named, in the calling thread's namespace.
    ///
    /// # Errors
    /// What the system says to a channel's own port. A port for repair packets that can't be had is done without.
    pub fn open(channels: &[SocketAddr], device: Option<&str>) -> io::Result<Self> {
        let open = |local: SocketAddr| {
            let socket = BulkSocket::open(&Bulk { local, device, dscp: 0, buffer: BUFFER, joins: false })?;
            socket.stamp_arrivals()?;
            io::Result::Ok(socket)
        };
        let mut ears = Vec::new();
        for (channel, local) in channels.iter().enumerate() {
            ears.push(Ear { channel, is_companion: false, socket: open(*local)? });
        }
        for (channel, local) in channels.iter().enumerate() {
            for above in COMPANIONS {
                let port = local.port().checked_add(above);
                // Another channel's port is that channel's.
                let at =
                    port.map(|port| SocketAddr::new(local.ip(), port)).filter(|at| local.port() != 0 && !channels.contains(at));
                ears.extend(at.and_then(|at| open(at).ok()).map(|socket| Ear { channel, is_companion: true, socket }));
            }
        }
        let nothing = || Watched { watch: ChannelWatch::new(), dropped: 0, stamped_by: StampSource::Kernel };
        let watched = channels.iter().map(|_| nothing()).collect();
        Ok(Self { ears, watched, batch: Batch::of(MOST_AT_ONCE) })
    }

    /// Where the channels' sockets are bound.
    ///
    /// # Errors
    /// What the system says.
    pub fn local_addrs(&self) -> io::Result<Vec<SocketAddr>> {
        self.ears.iter().filter(|ear| !ear.is_companion).map(|ear| ear.socket.local_addr()).collect()
    }

    /// Watches for so long, or until `stop` is set. Blocks: give it a thread. May be called again and goes on then.
    ///
    /// # Errors
    /// What the system says to a wait.
    pub fn run(&mut self, time: Duration, stop: &AtomicBool) -> io::Result<()> {
        let end = Instant::now() + time;
        while !stop.load(Ordering::Relaxed) {
            let left = end.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break;
            }
            let sockets: Vec<&BulkSocket> = self.ears.iter().map(|ear| &ear.socket).collect();
            let ready = wait_for_any(&sockets, left.min(LOOK))?;
            if ready.iter().any(|ready| *ready) {
                std::thread::sleep(left.min(GATHER));
            }
            for (place, _) in ready.iter().enumerate().filter(|(_, ready)| **ready) {
                self.drain(place);
            }
        }
        Ok(())
    }

    /// What was watched, in the order of the channels; when listening ended comes with it, on the stamps' clock.
    pub fn finish(self) -> (Vec<Watched>, i64) {
        (self.watched, unix_now_ns())
    }

    fn drain(&mut self, place: usize) {
        let Some(ear) = self.ears.get(place) else { return };
        let Some(watched) = self.watched.get_mut(ear.channel) else { return };
        // Whatever an error is about, a passive socket has nothing to do but to listen on.
        while let Ok(got) = ear.socket.receive(&mut self.batch) {
            for one in self.batch.arrived() {
                if ear.is_companion {
                    one.payloads().for_each(|payload| watched.watch.on_companion(payload));
                    continue;
                }
                watched.dropped = watched.dropped.max(one.dropped);
                let at_ns = one.stamp.map_or_else(
                    || {
                        watched.stamped_by = StampSource::User;
                        unix_now_ns()
                    },
                    |stamp| stamp.unix_ns,
                );
                one.payloads().for_each(|payload| watched.watch.on_datagram(at_ns, payload));
            }
            if got < MOST_AT_ONCE {
                break;
            }
        }
    }
}
