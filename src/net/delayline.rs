//! A delay line between two interfaces: each frame read on one side is held and sent on the other, in order.
//!
//! One thread per direction over two packet sockets (AF_PACKET), in batches. What happens to a frame is decided by a
//! [`Policy`]; the line itself only obeys, and counts. It must not know rates, loss or random numbers. Both cables
//! beside it must hand over single frames with complete checksums ([`Site::single_frames`](super::build::Site)).
//!
//! The hard thing: a frame that *we* could not keep (socket or queue overrun, failed send) looks like loss on the line.
//! Every such frame is counted apart in [`Counters`], so that a test can tell the loss it set from ours. And delays
//! count from the kernel's receive stamp, not from when this thread got the processor, so a busy machine delays wake-ups
//! but does not add up.

mod queue;

use std::io::{self, PipeReader, PipeWriter};
use std::os::fd::{AsRawFd, OwnedFd};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;

use queue::FrameQueue;

use super::netns::Namespace;
pub use super::ring::PacketPort;
use super::ring::{self, BATCH, Reader, Use, Writer, monotonic_ns, socket_drops};
use crate::wire::vlan::TagStack;

/// What becomes of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// Sent at this time of the monotonic clock, in nanoseconds; never before a frame that came earlier.
    Send(u64),
    /// Sent twice at this time, one behind the other.
    SendTwice(u64),
    /// Held aside and sent at this time: frames that came later may pass it.
    SendAside(u64),
    /// Lost, as the line was told to.
    Lose,
    /// Dropped since the modelled queue is full, as the line was told to.
    Overflow,
}

/// Decides about each frame, in the order of arrival.
pub trait Policy: Send + 'static {
    /// `arrived` is the monotonic clock in nanoseconds, `octets` the frame from destination address to payload.
    fn decide(&mut self, arrived: u64, octets: usize) -> Fate;
}

/// What one direction did so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counters {
    /// Frames read.
    pub received: u64,
    /// Frames sent on.
    pub sent: u64,
    /// Frames lost on purpose.
    pub lost: u64,
    /// Frames dropped at the modelled queue, on purpose.
    pub overflowed: u64,
    /// Copies made on purpose; `sent` counts them too.
    pub copied: u64,
    /// Frames held aside on purpose, so that others could pass.
    pub held_aside: u64,
    /// Frames lost by the delay line itself: socket or memory overrun, failed or truncated. Never part of the set loss.
    pub own_drops: u64,
}

#[derive(Debug, Default)]
struct Shared {
    received: AtomicU64,
    sent: AtomicU64,
    lost: AtomicU64,
    overflowed: AtomicU64,
    copied: AtomicU64,
    held_aside: AtomicU64,
    own_drops: AtomicU64,
}

/// A running delay line. Dropping it stops and joins both threads.
#[derive(Debug)]
pub struct DelayLine {
    halves: [Half; 2],
    stop: Arc<AtomicBool>,
    /// Closing the writing end wakes both threads.
    bell: (Arc<PipeReader>, Option<PipeWriter>),
}

#[derive(Debug)]
struct Half {
    thread: Option<JoinHandle<()>>,
    shared: Arc<Shared>,
    input: Arc<OwnedFd>,
}

/// One direction: where it reads, what it decides, how much it can hold.
pub struct Way<P> {
    /// Interface that it reads.
    pub from: String,
    /// Decides.
    pub policy: P,
    /// Octets that can be held; a frame beyond is an own drop. Memory is touched only as it fills.
    pub capacity: usize,
}

impl<P> std::fmt::Debug for Way<P> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Way").field("from", &self.from).field("capacity", &self.capacity).finish_non_exhaustive()
    }
}

impl DelayLine {
    /// Starts both directions in a namespace that holds both interfaces; each way's output is the other's input.
    ///
    /// # Errors
    /// When an interface is missing or packet sockets are refused (CAP_NET_RAW).
    pub fn start<P: Policy, Q: Policy>(namespace: &Namespace, first: Way<P>, second: Way<Q>) -> io::Result<Self> {
        let names = [first.from.clone(), second.from.clone()];
        let [a, b] = namespace.run(move || -> io::Result<[Reader; 2]> {
            Ok([Reader::open(&names[0], Use::Wire)?, Reader::open(&names[1], Use::Wire)?])
        })?;
        let (hears, rings) = io::pipe()?;
        let (into_a, into_b) = (Arc::clone(a.fd()), Arc::clone(b.fd()));
        let mut line = Self {
            halves: [Half::idle(&into_a), Half::idle(&into_b)],
            stop: Arc::new(AtomicBool::new(false)),
            bell: (Arc::new(hears), Some(rings)),
        };
        line.launch(0, namespace, a, into_b, first);
        line.launch(1, namespace, b, into_a, second);
        Ok(line)
    }

    fn launch<P: Policy>(&mut self, half: usize, namespace: &Namespace, reader: Reader, output: Arc<OwnedFd>, way: Way<P>) {
        let shared = Arc::clone(&self.halves[half].shared);
        let (stop, bell) = (Arc::clone(&self.stop), Arc::clone(&self.bell.0));
        let thread = namespace.spawn(&format!("{}-{}", namespace.label(), way.from), move || {
            ring::hurry();
            let lanes = [Lane::new(way.capacity), Lane::new(way.capacity)];
            Loop { reader, writer: Writer::new(output, Use::Wire), lanes, shared, stop, bell }.run(way.policy);
        });
        self.halves[half].thread = Some(thread);
    }

    /// What each direction did so far, in the order given to [`DelayLine::start`].
    pub fn counters(&self) -> [Counters; 2] {
        self.halves.each_ref().map(Half::counters)
    }
}

impl Half {
    fn idle(input: &Arc<OwnedFd>) -> Self {
        Self { thread: None, shared: Arc::default(), input: Arc::clone(input) }
    }

    fn counters(&self) -> Counters {
        // The kernel's drop counter starts anew with each reading.
        let overrun = socket_drops(self.input.as_raw_fd());
        self.shared.own_drops.fetch_add(overrun, Ordering::Relaxed);
        Counters {
            received: self.shared.received.load(Ordering::Relaxed),
            sent: self.shared.sent.load(Ordering::Relaxed),
            lost: self.shared.lost.load(Ordering::Relaxed),
            overflowed: self.shared.overflowed.load(Ordering::Relaxed),
            copied: self.shared.copied.load(Ordering::Relaxed),
            held_aside: self.shared.held_aside.load(Ordering::Relaxed),
            own_drops: self.shared.own_drops.load(Ordering::Relaxed),
        }
    }
}

impl Drop for DelayLine {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        self.bell.1 = None;
        for half in &mut self.halves {
            if let Some(thread) = half.thread.take() {
                let _ = thread.join();
            }
        }
    }
}

/// One direction at work.
struct Loop {
    reader: Reader,
    writer: Writer,
    /// The frames in order, and those held aside.
    lanes: [Lane; 2],
    shared: Arc<Shared>,
    stop: Arc<AtomicBool>,
    bell: Arc<PipeReader>,
}

const IN_ORDER: usize = 0;
const ASIDE: usize = 1;

/// Frames that leave in the order in which they came.
struct Lane {
    queue: FrameQueue,
    last: u64,
}

impl Lane {
    fn new(capacity: usize) -> Self {
        Self { queue: FrameQueue::new(capacity), last: 0 }
    }

    /// Keeps a frame until its time, or until that of the one ahead. False when there is no room.
    fn push(&mut self, due: u64, frame: &[u8]) -> bool {
        self.last = due.max(self.last);
        self.queue.push(self.last, frame)
    }
}

impl Loop {
    fn run(mut self, mut policy: impl Policy) {
        while !self.stop.load(Ordering::Acquire) {
            let blocked = self.send_due();
            if self.take_in(&mut policy) == BATCH {
                continue;
            }
            let next = self.lanes.iter().filter_map(|l| l.queue.next_due()).min();
            let wait = next.map(|due| if blocked { 50_000 } else { due.saturating_sub(monotonic_ns()) });
            if wait != Some(0) && ring::wait(self.reader.fd().as_raw_fd(), self.bell.as_raw_fd(), wait).is_err() {
                return;
            }
        }
    }

    /// Sends what is due. True when the output takes no more for now.
    fn send_due(&mut self) -> bool {
        loop {
            // From the lane whose turn it is, up to the turn of the other.
            let [in_order, aside] = self.lanes.each_ref().map(|l| l.queue.next_due().unwrap_or(u64::MAX));
            let (lane, until) = if aside < in_order { (ASIDE, in_order) } else { (IN_ORDER, aside) };
            let queue = &mut self.lanes[lane].queue;
            let due = queue.due(monotonic_ns().min(until), BATCH);
            if due.is_empty() {
                return false;
            }
            let arena = queue.arena();
            match self.writer.send(due.iter().map(|held| [&arena[held.at..held.at + held.len], &[]])) {
                Ok(sent) => {
                    self.shared.sent.fetch_add(sent as u64, Ordering::Relaxed);
                    queue.remove(sent);
                }
                Err(error) if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted) => return true,
                Err(_) => {
                    self.shared.own_drops.fetch_add(1, Ordering::Relaxed);
                    queue.remove(1);
                }
            }
        }
    }

    /// Reads one batch and decides about it. Returns how many came.
    fn take_in(&mut self, policy: &mut impl Policy) -> usize {
        let mut new = Counters::default();
        let Self { reader, lanes: [in_order, aside], .. } = self;
        let mut tagged = Vec::new();
        let count = reader.receive(|frame, tag, arrived| {
            let Some(mut frame) = frame else {
                new.own_drops += 1;
                return;
            };
            if let Some(tag) = tag {
                tagged = TagStack::of(tag).push(frame);
                frame = &tagged;
            }
            match policy.decide(arrived, frame.len()) {
                Fate::Send(due) => new.own_drops += u64::from(!in_order.push(due, frame)),
                Fate::SendTwice(due) => {
                    new.copied += 1;
                    new.own_drops += [due; 2].iter().filter(|due| !in_order.push(**due, frame)).count() as u64;
                }
                Fate::SendAside(due) => {
                    new.held_aside += 1;
                    new.own_drops += u64::from(!aside.push(due, frame));
                }
                Fate::Lose => new.lost += 1,
                Fate::Overflow => new.overflowed += 1,
            }
        });
        new.received = count as u64;
        self.shared.add(new);
        count
    }
}

impl Shared {
    fn add(&self, new: Counters) {
        let Counters { received, sent, lost, overflowed, copied, held_aside, own_drops } = new;
        for (counter, by) in [
            (&self.received, received),
            (&self.sent, sent),
            (&self.lost, lost),
            (&self.overflowed, overflowed),
            (&self.copied, copied),
            (&self.held_aside, held_aside),
            (&self.own_drops, own_drops),
        ] {
            if by > 0 {
                counter.fetch_add(by, Ordering::Relaxed);
            }
        }
    }
}
