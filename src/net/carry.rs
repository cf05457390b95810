//! Carries frames between the port under test and a port of the agent's own, with an envelope on the way out that is taken
//! off on the way in: VLAN tags, or a PPPoE session (and tags).
//!
//! One thread per direction, in batches. It must not know why. The hard thing is not to become the narrow place of the
//! line: what waits, waits in the kernel's queues, and each direction costs two copies and, of system calls, one for each
//! frame and two for each batch. A frame that we could not keep is counted in [`Carried`], apart from the line's losses.

use std::io::{self, PipeReader, PipeWriter};
use std::os::fd::{AsRawFd, OwnedFd};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;

use super::packet::Filter;
use super::ring::{self, BATCH, Pieces, Reader, Use, Writer, socket_drops};
use super::tun::Tun;
use crate::wire::ethernet::{self, Mac};
use crate::wire::vlan::TagStack;
use crate::wire::{ppp, pppoe};

/// Room for one frame of the agent's own port, and before it for what the envelope adds.
const SLOT: usize = 2048;
/// Addresses, two tags, EtherType, PPPoE header, PPP protocol: 30 octets.
const HEADROOM: usize = 32;
/// Octets of both addresses.
const ADDRESSES_LEN: usize = 12;

/// What is put around each frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Envelope {
    /// The tags of a VLAN around Ethernet frames.
    Tags(TagStack),
    /// A PPPoE session in that VLAN around IP packets.
    Session {
        /// Tags outside of it.
        stack: TagStack,
        /// This host.
        own: Mac,
        /// The concentrator.
        peer: Mac,
        /// The session's number.
        number: u16,
    },
}

impl Envelope {
    fn filter(&self) -> Filter {
        match *self {
            Self::Tags(stack) => Filter::Vlan(stack),
            Self::Session { stack, number, .. } => Filter::SessionIp { stack, session: number },
        }
    }

    /// Puts the frame at `slot[HEADROOM..HEADROOM + len]` into the envelope; gives where it begins. `None` for what has no
    /// place in it.
    fn wrap(&self, slot: &mut [u8], len: usize) -> Option<usize> {
        let mut header = [0; HEADROOM];
        let mut at = 0;
        let mut put = |octets: &[u8]| {
            header[at..at + octets.len()].copy_from_slice(octets);
            at += octets.len();
        };
        let (stack, replaced) = match self {
            Self::Tags(stack) => (stack, ADDRESSES_LEN),
            Self::Session { stack, .. } => (stack, 0),
        };
        match self {
            Self::Tags(_) => put(slot.get(HEADROOM..HEADROOM + ADDRESSES_LEN).filter(|_| len >= ADDRESSES_LEN)?),
            Self::Session { own, peer, .. } => [peer, own].into_iter().for_each(|mac| put(&mac.0)),
        }
        stack.bytes().for_each(|octet| put(&[octet]));
        if let Self::Session { number, .. } = self {
            let protocol = match slot.get(HEADROOM)? >> 4 {
                4 => ppp::IPV4,
                6 => ppp::IPV6,
                _ => return None,
            };
            put(&pppoe::SESSION.to_be_bytes());
            put(&pppoe::session_header(*number, u16::try_from(len + 2).ok()?));
            put(&protocol.to_be_bytes());
        }
        let begin = HEADROOM + replaced - at;
        slot.get_mut(begin..begin + at)?.copy_from_slice(&header[..at]);
        Some(begin)
    }

    /// What is inside a frame that passed the filter; the outermost tag was taken off by the kernel.
    fn unwrap<'a>(&self, frame: &'a [u8]) -> Option<Pieces<'a>> {
        let inner_tags = |stack: &TagStack| stack.octets().saturating_sub(crate::wire::vlan::TAG_LEN);
        match self {
            Self::Tags(stack) => {
                let (addresses, rest) = frame.split_at_checked(ADDRESSES_LEN)?;
                Some([addresses, rest.get(inner_tags(stack)..)?])
            }
            Self::Session { stack, own, peer, .. } => {
                let (addresses, rest) = frame.split_at_checked(ADDRESSES_LEN)?;
                if addresses[..6] != own.0 || addresses[6..] != peer.0 {
                    return None;
                }
                let session = rest.get(inner_tags(stack) + ethernet::HEADER_LEN - ADDRESSES_LEN..)?;
                let (protocol, packet) = ppp::frame(pppoe::session(session).ok()?.1).ok()?;
                matches!(protocol, ppp::IPV4 | ppp::IPV6).then_some([packet, &[]])
            }
        }
    }
}

/// What was carried so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Carried {
    /// Frames out of the port under test.
    pub sent: u64,
    /// Frames in.
    pub received: u64,
    /// Frames that we lost: they found no room, or a send failed.
    pub own_drops: u64,
}

#[derive(Debug, Default)]
struct Shared {
    sent: AtomicU64,
    received: AtomicU64,
    own_drops: AtomicU64,
    stop: AtomicBool,
}

/// The two threads at work. Dropping it stops them and takes the agent's port away.
#[derive(Debug)]
pub struct Carrier {
    threads: Vec<JoinHandle<()>>,
    shared: Arc<Shared>,
    input: Arc<OwnedFd>,
    tun: Arc<Tun>,
    /// Closing it wakes both threads.
    bell: Option<PipeWriter>,
}

impl Carrier {
    /// Starts between the port under test, by its kernel name, and a port of the agent's own; both in the namespace of the
    /// calling thread.
    ///
    /// # Errors
    /// When the packet socket is refused or the threads can't be started.
    pub fn start(port: &str, tun: Tun, envelope: Envelope) -> io::Result<Self> {
        let reader = Reader::open(port, Use::Host(envelope.filter()))?;
        let input = Arc::clone(reader.fd());
        let (hears, rings) = io::pipe()?;
        let hears = Arc::new(hears);
        let shared = Arc::new(Shared::default());
        let tun = Arc::new(tun);
        let mut this = Self { threads: Vec::new(), shared, input, tun, bell: Some(rings) };
        let (shared, tun, bell) = (Arc::clone(&this.shared), Arc::clone(&this.tun), Arc::clone(&hears));
        this.spawn("carry-in", move || carry_in(reader, &tun, envelope, &shared, &bell))?;
        let (shared, tun, output) = (Arc::clone(&this.shared), Arc::clone(&this.tun), Arc::clone(&this.input));
        this.spawn("carry-out", move || carry_out(output, &tun, envelope, &shared, &hears))?;
        Ok(this)
    }

    fn spawn(&mut self, name: &str, work: impl FnOnce() + Send + 'static) -> io::Result<()> {
        self.threads.push(std::thread::Builder::new().name(name.to_owned()).spawn(work)?);
        Ok(())
    }

    /// Kernel name and index of the agent's own port.
    pub fn port(&self) -> (&str, u32) {
        (self.tun.name(), self.tun.index())
    }

    /// What was carried so far.
    pub fn carried(&self) -> Carried {
        // The kernel's drop counter starts anew with each reading.
        self.shared.own_drops.fetch_add(socket_drops(self.input.as_raw_fd()), Ordering::Relaxed);
        let read = |counter: &AtomicU64| counter.load(Ordering::Relaxed);
        let Shared { sent, received, own_drops, .. } = &*self.shared;
        Carried { sent: read(sent), received: read(received), own_drops: read(own_drops) }
    }
}

impl Drop for Carrier {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::Release);
        self.bell = None;
        for thread in self.threads.drain(..) {
            let _ = thread.join();
        }
    }
}

fn carry_in(mut reader: Reader, tun: &Tun, envelope: Envelope, shared: &Shared, bell: &PipeReader) {
    let mut whole = Vec::with_capacity(SLOT);
    while !shared.stop.load(Ordering::Acquire) {
        let (mut received, mut lost) = (0, 0);
        let count = reader.receive(|frame, _, _| {
            let Some([head, tail]) = frame.and_then(|frame| envelope.unwrap(frame)) else {
                lost += u64::from(frame.is_none());
                return;
            };
            let written = if tail.is_empty() {
                tun.send(head)
            } else {
                whole.clear();
                whole.extend_from_slice(head);
                whole.extend_from_slice(tail);
                tun.send(&whole)
            };
            // The port is switched off (EIO) until it has its address; what comes before is nobody's loss.
            match written {
                Ok(()) => received += 1,
                Err(error) if error.raw_os_error() == Some(libc::EIO) => {}
                Err(_) => lost += 1,
            }
        });
        shared.received.fetch_add(received, Ordering::Relaxed);
        shared.own_drops.fetch_add(lost, Ordering::Relaxed);
        if count < BATCH && ring::wait(reader.fd().as_raw_fd(), bell.as_raw_fd(), None).is_err() {
            return;
        }
    }
}

fn carry_out(output: Arc<OwnedFd>, tun: &Tun, envelope: Envelope, shared: &Shared, bell: &PipeReader) {
    let mut writer = Writer::new(output, Use::Host(envelope.filter()));
    let mut slots = vec![0; BATCH * SLOT];
    let mut frames: Vec<(usize, usize)> = Vec::with_capacity(BATCH);
    while !shared.stop.load(Ordering::Acquire) {
        frames.clear();
        for (n, slot) in slots.chunks_exact_mut(SLOT).enumerate() {
            let len = match tun.read(&mut slot[HEADROOM..]) {
                Ok(len) => len,
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => break,
                // Somebody took the port away.
                Err(_) => return,
            };
            if let Some(begin) = envelope.wrap(slot, len) {
                frames.push((n * SLOT + begin, n * SLOT + HEADROOM + len));
            }
        }
        if frames.is_empty() {
            if ring::wait(tun.fd(), bell.as_raw_fd(), None).is_err() {
                return;
            }
            continue;
        }
        let mut left = &frames[..];
        while !left.is_empty() {
            match writer.send(left.iter().map(|(begin, end)| [&slots[*begin..*end], &[]])) {
                Ok(sent) => {
                    shared.sent.fetch_add(sent as u64, Ordering::Relaxed);
                    left = &left[sent.min(left.len())..];
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(_) => {
                    shared.own_drops.fetch_add(1, Ordering::Relaxed);
                    left = &left[1..];
                }
            }
            if shared.stop.load(Ordering::Acquire) {
                return;
            }
        }
    }
}

#[cfg(test)]
mod tests;
