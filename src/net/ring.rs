//! Packet sockets in batches: a receive ring shared with the kernel (packet(7), TPACKET_V2), which brings the kernel's
//! receive stamps, and sendmmsg. It must not know what the frames mean.
//!
//! A ring and not the socket's own buffer, since that is bounded by net.core.rmem_max (about 2 ms of a gigabit on a stock
//! system), which only root may exceed.

use std::io;
use std::os::fd::{AsRawFd, OwnedFd, RawFd};
use std::ptr::NonNull;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use socket2::{Domain, Socket, Type};

use super::packet::Filter;
use super::packet::filter;
use crate::wire::ethernet::{TAG, Tag};

/// Frames per system call.
pub(in crate::net) const BATCH: usize = 64;
/// One slot of the ring: some 80 octets of header and room for 1500 octets of IP, Ethernet header and VLAN tags.
const SLOT: usize = 2048;
/// Slots of the ring: 98 ms of full frames at 1 Gbit/s, 16 MiB.
const SLOTS: usize = 8192;
/// The kernel allocates the ring in pieces of this size.
const BLOCK: usize = 64 << 10;
/// Wish for the send buffer of a wire; without the right to force it, the kernel's limit (net.core.wmem_max) holds.
const WIRE_SEND_BUFFER: libc::c_int = 64 << 20;
/// For a host's own traffic: some 200 full frames as the kernel counts them, 2.4 ms at 1 Gbit/s. Its queue belongs to the
/// sender's round trip, so it is kept short.
const HOST_SEND_BUFFER: libc::c_int = 512 << 10;
/// A receive stamp that is further than this from now is a step of the wall clock and is not used.
const OLDEST_STAMP_NS: i64 = 500_000_000;

/// A packet socket on one interface, all protocols, promiscuous, deaf to what it sends itself.
#[derive(Debug)]
pub struct PacketPort {
    fd: OwnedFd,
}

fn check(result: libc::c_int) -> io::Result<libc::c_int> {
    if result < 0 { Err(io::Error::last_os_error()) } else { Ok(result) }
}

fn set<T>(fd: &OwnedFd, level: libc::c_int, option: libc::c_int, value: &T) -> io::Result<()> {
    // SAFETY: the pointer and length describe `value`, a plain C struct or integer that lives through the call.
    check(unsafe {
        libc::setsockopt(fd.as_raw_fd(), level, option, std::ptr::from_ref(value).cast(), size_of::<T>() as libc::socklen_t)
    })?;
    Ok(())
}

/// What a port is opened for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::net) enum Use {
    /// To stand in the middle of a cable: every frame of everybody, sent on past the queueing discipline, never waiting.
    Wire,
    /// To carry this host's own traffic: what the filter takes; a send waits while the port's queue is full.
    Host(Filter),
}

/// A packet socket that is not bound: nothing is queued yet, so no frame of another interface slips in.
fn open_unbound(purpose: Use) -> io::Result<OwnedFd> {
    let socket = Socket::new(Domain::PACKET, Type::RAW.cloexec(), None)?;
    if let Use::Host(filter) = purpose {
        filter::attach(&socket, filter)?;
    }
    let fd = OwnedFd::from(socket);
    let one: libc::c_int = 1;
    set(&fd, libc::SOL_PACKET, libc::PACKET_IGNORE_OUTGOING, &one)?;
    let send_buffer = match purpose {
        Use::Wire => {
            set(&fd, libc::SOL_PACKET, libc::PACKET_QDISC_BYPASS, &one)?;
            WIRE_SEND_BUFFER
        }
        Use::Host(_) => HOST_SEND_BUFFER,
    };
    if set(&fd, libc::SOL_SOCKET, libc::SO_SNDBUFFORCE, &send_buffer).is_err() {
        set(&fd, libc::SOL_SOCKET, libc::SO_SNDBUF, &send_buffer)?;
    }
    Ok(fd)
}

/// Binds to an interface of the calling thread's namespace: all protocols.
fn bind(fd: &OwnedFd, interface: &str, purpose: Use) -> io::Result<()> {
    let index = nix::net::if_::if_nametoindex(interface)? as libc::c_int;
    // SAFETY: all-zero is a valid value of these plain C structs.
    let (mut address, mut member): (libc::sockaddr_ll, libc::packet_mreq) = unsafe { std::mem::zeroed() };
    if purpose == Use::Wire {
        member.mr_ifindex = index;
        member.mr_type = libc::PACKET_MR_PROMISC as libc::c_ushort;
        set(fd, libc::SOL_PACKET, libc::PACKET_ADD_MEMBERSHIP, &member)?;
    }
    address.sll_family = libc::AF_PACKET as libc::c_ushort;
    address.sll_protocol = (libc::ETH_P_ALL as u16).to_be();
    address.sll_ifindex = index;
    // SAFETY: the pointer and length describe `address`, which lives through the call.
    check(unsafe { libc::bind(fd.as_raw_fd(), (&raw const address).cast(), size_of::<libc::sockaddr_ll>() as libc::socklen_t) })?;
    Ok(())
}

impl PacketPort {
    /// Opens the port on an interface of the calling thread's namespace.
    ///
    /// # Errors
    /// `PermissionDenied` without CAP_NET_RAW; `ENODEV` when there is no such interface.
    pub fn open(interface: &str) -> io::Result<Self> {
        let fd = open_unbound(Use::Wire)?;
        bind(&fd, interface, Use::Wire)?;
        Ok(Self { fd })
    }

    /// Sends one frame at once. For probes and benches; the delay line sends in batches.
    ///
    /// # Errors
    /// What the kernel says.
    pub fn send(&self, frame: &[u8]) -> io::Result<()> {
        nix::sys::socket::send(self.fd.as_raw_fd(), frame, nix::sys::socket::MsgFlags::MSG_DONTWAIT)?;
        Ok(())
    }

    /// Waits for one frame and reads it. For probes and tests; the delay line reads in batches.
    ///
    /// # Errors
    /// `TimedOut` when none came within `limit`.
    pub fn receive_within(&self, frame: &mut [u8], limit: Duration) -> io::Result<usize> {
        let end = monotonic_ns() + limit.as_nanos() as u64;
        loop {
            match nix::sys::socket::recv(self.fd.as_raw_fd(), frame, nix::sys::socket::MsgFlags::MSG_DONTWAIT) {
                Err(nix::errno::Errno::EAGAIN) => {}
                other => return Ok(other?),
            }
            let left = end.saturating_sub(monotonic_ns());
            if left == 0 {
                return Err(io::ErrorKind::TimedOut.into());
            }
            wait(self.fd.as_raw_fd(), -1, Some(left))?;
        }
    }
}

/// The monotonic clock in nanoseconds.
pub(in crate::net) fn monotonic_ns() -> u64 {
    clock(libc::CLOCK_MONOTONIC) as u64
}

fn clock(id: libc::clockid_t) -> i64 {
    let mut time = libc::timespec { tv_sec: 0, tv_nsec: 0 };
    // SAFETY: writes one timespec that lives through the call; both clocks used here always exist.
    unsafe { libc::clock_gettime(id, &raw mut time) };
    nanoseconds(time)
}

fn nanoseconds(time: libc::timespec) -> i64 {
    time.tv_sec * 1_000_000_000 + time.tv_nsec
}

/// Makes the calling thread wake up punctually: no timer slack, and ahead of ordinary threads where that is allowed.
pub(in crate::net) fn hurry() {
    // SAFETY: both calls take plain numbers and touch no memory of ours; refusal (no right to a negative nice value)
    // leaves the thread as it was, which is slower but right.
    unsafe {
        libc::prctl(libc::PR_SET_TIMERSLACK, 1 as libc::c_ulong);
        libc::setpriority(libc::PRIO_PROCESS, 0, -15);
    }
}

/// Frames that the kernel dropped at a packet socket since this was last asked.
pub(in crate::net) fn socket_drops(fd: RawFd) -> u64 {
    // SAFETY: all-zero is a valid value of that plain C struct.
    let mut statistics: libc::tpacket_stats = unsafe { std::mem::zeroed() };
    let mut len = size_of::<libc::tpacket_stats>() as libc::socklen_t;
    // SAFETY: pointer and length describe `statistics`, which lives through the call.
    let result =
        unsafe { libc::getsockopt(fd, libc::SOL_PACKET, libc::PACKET_STATISTICS, (&raw mut statistics).cast(), &raw mut len) };
    if result < 0 { 0 } else { u64::from(statistics.tp_drops) }
}

/// Sleeps until `input` or `bell` is readable or the time is over; `None` waits for ever. A `bell` of -1 is ignored.
pub(in crate::net) fn wait(input: RawFd, bell: RawFd, nanos: Option<u64>) -> io::Result<()> {
    let mut polled = [input, bell].map(|fd| libc::pollfd { fd, events: libc::POLLIN, revents: 0 });
    let timeout = nanos.map(|n| libc::timespec { tv_sec: (n / 1_000_000_000) as i64, tv_nsec: (n % 1_000_000_000) as i64 });
    let timeout = timeout.as_ref().map_or(std::ptr::null(), std::ptr::from_ref);
    // SAFETY: two pollfds and an optional timespec that live through the call; no signal mask.
    match check(unsafe { libc::ppoll(polled.as_mut_ptr(), 2, timeout, std::ptr::null()) }) {
        Err(error) if error.kind() != io::ErrorKind::Interrupted => Err(error),
        _ => Ok(()),
    }
}

/// Reads batches out of a ring that the kernel fills. The socket also sends.
pub(in crate::net) struct Reader {
    fd: Arc<OwnedFd>,
    ring: NonNull<u8>,
    next: usize,
}

// SAFETY: the mapping belongs to this struct alone, is valid on every thread, and is only reached through `&mut self`.
unsafe impl Send for Reader {}

impl Reader {
    /// Opens an interface of the calling thread's namespace for reading and sending.
    pub(in crate::net) fn open(interface: &str, purpose: Use) -> io::Result<Self> {
        let fd = open_unbound(purpose)?;
        set(&fd, libc::SOL_PACKET, libc::PACKET_VERSION, &(libc::tpacket_versions::TPACKET_V2 as libc::c_int))?;
        let request = libc::tpacket_req {
            tp_block_size: BLOCK as libc::c_uint,
            tp_block_nr: (SLOTS * SLOT / BLOCK) as libc::c_uint,
            tp_frame_size: SLOT as libc::c_uint,
            tp_frame_nr: SLOTS as libc::c_uint,
        };
        set(&fd, libc::SOL_PACKET, libc::PACKET_RX_RING, &request)?;
        let (protection, flags) = (libc::PROT_READ | libc::PROT_WRITE, libc::MAP_SHARED);
        // SAFETY: a new mapping of the ring just asked for, at an address of the kernel's choice.
        let ring = unsafe { libc::mmap(std::ptr::null_mut(), SLOTS * SLOT, protection, flags, fd.as_raw_fd(), 0) };
        if ring == libc::MAP_FAILED {
            return Err(io::Error::last_os_error());
        }
        let ring = NonNull::new(ring.cast()).ok_or(io::ErrorKind::OutOfMemory)?;
        let reader = Self { fd: Arc::new(fd), ring, next: 0 };
        bind(&reader.fd, interface, purpose)?;
        Ok(reader)
    }

    pub(in crate::net) fn fd(&self) -> &Arc<OwnedFd> {
        &self.fd
    }

    /// Reads what is there, at most a batch, and hands each frame over with its time of arrival on the monotonic clock
    /// (`None` for one that was too long), and the tag that the kernel took out of it. Returns how many came.
    pub(in crate::net) fn receive(&mut self, mut each: impl FnMut(Option<&[u8]>, Option<Tag>, u64)) -> usize {
        // Once per batch, and in this order: a pause in between makes frames leave later, never earlier.
        let (real, now) = (clock(libc::CLOCK_REALTIME), monotonic_ns());
        for count in 0..BATCH {
            // SAFETY: `next` is below SLOTS, so the slot lies in the mapping; slots are 2048-aligned.
            let slot = unsafe { self.ring.as_ptr().add(self.next * SLOT) };
            // SAFETY: the first word of a slot is its status, aligned, and shared with the kernel, hence atomic.
            let status = unsafe { AtomicU32::from_ptr(slot.cast()) };
            if status.load(Ordering::Acquire) & libc::TP_STATUS_USER == 0 {
                return count;
            }
            // SAFETY: with the user bit seen (acquire), the slot is ours until the status is given back; it starts with
            // this header (packet(7), TPACKET_V2).
            let header = unsafe { slot.cast::<libc::tpacket2_hdr>().read() };
            let (at, len) = (usize::from(header.tp_mac), header.tp_snaplen as usize);
            let whole = header.tp_snaplen == header.tp_len && at + len <= SLOT;
            // SAFETY: `at + len` was checked against the slot, which is ours and not written meanwhile.
            let frame = whole.then(|| unsafe { std::slice::from_raw_parts(slot.add(at), len) });
            // Below zero for what came after the clocks were read.
            let age = real - (i64::from(header.tp_sec) * 1_000_000_000 + i64::from(header.tp_nsec));
            let age = if age.abs() < OLDEST_STAMP_NS { age } else { 0 };
            let has_tag = header.tp_status & libc::TP_STATUS_VLAN_VALID != 0;
            let kind = if header.tp_status & libc::TP_STATUS_VLAN_TPID_VALID != 0 { header.tp_vlan_tpid } else { TAG };
            let tag = has_tag.then_some(Tag { kind, control: header.tp_vlan_tci });
            each(frame, tag, now.saturating_add_signed(-age));
            status.store(libc::TP_STATUS_KERNEL, Ordering::Release);
            self.next = (self.next + 1) % SLOTS;
        }
        BATCH
    }
}

impl Drop for Reader {
    fn drop(&mut self) {
        // SAFETY: the mapping made in `open`, of that size; nothing borrows from it any more.
        unsafe { libc::munmap(self.ring.as_ptr().cast(), SLOTS * SLOT) };
    }
}

fn zeroed_header() -> libc::mmsghdr {
    // SAFETY: all-zero (null pointers, zero lengths) is a valid value of that plain C struct.
    unsafe { std::mem::zeroed() }
}

/// A frame to send in up to two pieces, which saves copying where something is cut out of it.
pub(in crate::net) type Pieces<'a> = [&'a [u8]; 2];

/// Sends batches. Lives on one thread.
pub(in crate::net) struct Writer {
    fd: Arc<OwnedFd>,
    flags: libc::c_int,
    iovecs: Box<[[libc::iovec; 2]]>,
    headers: Box<[libc::mmsghdr]>,
}

impl Writer {
    /// Over a reader's socket. Only a [`Use::Host`] waits for room.
    pub(in crate::net) fn new(fd: Arc<OwnedFd>, purpose: Use) -> Self {
        let iovec = libc::iovec { iov_base: std::ptr::null_mut(), iov_len: 0 };
        let flags = if purpose == Use::Wire { libc::MSG_DONTWAIT } else { 0 };
        let (iovecs, headers) = (vec![[iovec; 2]; BATCH], vec![zeroed_header(); BATCH]);
        Self { fd, flags, iovecs: iovecs.into_boxed_slice(), headers: headers.into_boxed_slice() }
    }

    /// Sends frames, at most a batch. Returns how many went; an error concerns the first.
    pub(in crate::net) fn send<'a>(&mut self, frames: impl Iterator<Item = Pieces<'a>>) -> io::Result<usize> {
        let mut count = 0;
        for pieces in frames.take(BATCH) {
            for (iovec, piece) in self.iovecs[count].iter_mut().zip(pieces) {
                // The kernel only reads through this pointer.
                *iovec = libc::iovec { iov_base: piece.as_ptr().cast_mut().cast(), iov_len: piece.len() };
            }
            self.headers[count].msg_hdr.msg_iov = self.iovecs[count].as_mut_ptr();
            self.headers[count].msg_hdr.msg_iovlen = 2;
            count += 1;
        }
        // SAFETY: the first `count` headers point at iovecs of this struct, and those at octets that `frames` borrowed for
        // 'a, which outlives the call; sending does not write to them.
        let sent = unsafe { libc::sendmmsg(self.fd.as_raw_fd(), self.headers.as_mut_ptr(), count as libc::c_uint, self.flags) };
        check(sent).map(|n| n as usize)
    }
}
