//! Packet sockets in batches: recvmmsg with kernel receive stamps, sendmmsg past the queueing discipline.

use std::io;
use std::os::fd::{AsRawFd, FromRawFd, OwnedFd, RawFd};
use std::sync::Arc;
use std::time::Duration;

use super::queue::Held;

/// Frames per system call.
pub(super) const BATCH: usize = 64;
/// Longest frame: 1500 octets of IP, Ethernet header, two VLAN tags, and slack.
const FRAME: usize = 2048;
/// Room for one control message with a timespec: cmsghdr 16 + timespec 16.
const CONTROL: usize = 64;
/// Wish for the socket buffers; without the right to force it, the kernel's limit (net.core.rmem_max) holds.
const BUFFER: libc::c_int = 64 << 20;
/// A receive stamp that is older than this, or in the future, is a step of the wall clock and is not used.
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

impl PacketPort {
    /// Opens the port on an interface of the calling thread's namespace.
    ///
    /// # Errors
    /// `PermissionDenied` without CAP_NET_RAW; `ENODEV` when there is no such interface.
    pub fn open(interface: &str) -> io::Result<Self> {
        let index = nix::net::if_::if_nametoindex(interface)?;
        // Protocol 0: nothing is queued before the bind, so no frame of another interface slips in.
        // SAFETY: plain call; a descriptor that is not negative is new and ours.
        let fd = unsafe {
            let fd = check(libc::socket(libc::AF_PACKET, libc::SOCK_RAW | libc::SOCK_CLOEXEC | libc::SOCK_NONBLOCK, 0))?;
            OwnedFd::from_raw_fd(fd)
        };
        let one: libc::c_int = 1;
        set(&fd, libc::SOL_PACKET, libc::PACKET_IGNORE_OUTGOING, &one)?;
        set(&fd, libc::SOL_PACKET, libc::PACKET_QDISC_BYPASS, &one)?;
        set(&fd, libc::SOL_SOCKET, libc::SO_TIMESTAMPNS, &one)?;
        for (forced, limited) in [(libc::SO_RCVBUFFORCE, libc::SO_RCVBUF), (libc::SO_SNDBUFFORCE, libc::SO_SNDBUF)] {
            if set(&fd, libc::SOL_SOCKET, forced, &BUFFER).is_err() {
                set(&fd, libc::SOL_SOCKET, limited, &BUFFER)?;
            }
        }
        // SAFETY: all-zero is a valid value of these plain C structs.
        let (mut address, mut member): (libc::sockaddr_ll, libc::packet_mreq) = unsafe { std::mem::zeroed() };
        member.mr_ifindex = index as libc::c_int;
        member.mr_type = libc::PACKET_MR_PROMISC as libc::c_ushort;
        set(&fd, libc::SOL_PACKET, libc::PACKET_ADD_MEMBERSHIP, &member)?;
        address.sll_family = libc::AF_PACKET as libc::c_ushort;
        address.sll_protocol = (libc::ETH_P_ALL as u16).to_be();
        address.sll_ifindex = index as libc::c_int;
        // SAFETY: the pointer and length describe `address`, which lives through the call.
        check(unsafe {
            libc::bind(fd.as_raw_fd(), (&raw const address).cast(), size_of::<libc::sockaddr_ll>() as libc::socklen_t)
        })?;
        Ok(Self { fd })
    }

    pub(super) fn into_fd(self) -> Arc<OwnedFd> {
        Arc::new(self.fd)
    }

    /// Waits for one frame and reads it. For probes and tests; the delay line reads in batches.
    ///
    /// # Errors
    /// `TimedOut` when none came within `limit`.
    pub fn receive_within(&self, frame: &mut [u8], limit: Duration) -> io::Result<usize> {
        let end = monotonic_ns() + limit.as_nanos() as u64;
        loop {
            match nix::sys::socket::recv(self.fd.as_raw_fd(), frame, nix::sys::socket::MsgFlags::empty()) {
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
pub(super) fn monotonic_ns() -> u64 {
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
pub(super) fn hurry() {
    // SAFETY: both calls take plain numbers and touch no memory of ours; refusal (no right to a negative nice value)
    // leaves the thread as it was, which is slower but right.
    unsafe {
        libc::prctl(libc::PR_SET_TIMERSLACK, 1 as libc::c_ulong);
        libc::setpriority(libc::PRIO_PROCESS, 0, -15);
    }
}

/// Frames that the kernel dropped at a packet socket since this was last asked.
pub(super) fn socket_drops(fd: RawFd) -> u64 {
    // SAFETY: all-zero is a valid value of that plain C struct.
    let mut statistics: libc::tpacket_stats = unsafe { std::mem::zeroed() };
    let mut len = size_of::<libc::tpacket_stats>() as libc::socklen_t;
    // SAFETY: pointer and length describe `statistics`, which lives through the call.
    let result =
        unsafe { libc::getsockopt(fd, libc::SOL_PACKET, libc::PACKET_STATISTICS, (&raw mut statistics).cast(), &raw mut len) };
    if result < 0 { 0 } else { u64::from(statistics.tp_drops) }
}

/// Sleeps until `input` or `bell` is readable or the time is over; `None` waits for ever. A `bell` of -1 is ignored.
pub(super) fn wait(input: RawFd, bell: RawFd, nanos: Option<u64>) -> io::Result<()> {
    let mut polled = [input, bell].map(|fd| libc::pollfd { fd, events: libc::POLLIN, revents: 0 });
    let timeout = nanos.map(|n| libc::timespec { tv_sec: (n / 1_000_000_000) as i64, tv_nsec: (n % 1_000_000_000) as i64 });
    let timeout = timeout.as_ref().map_or(std::ptr::null(), std::ptr::from_ref);
    // SAFETY: two pollfds and an optional timespec that live through the call; no signal mask.
    match check(unsafe { libc::ppoll(polled.as_mut_ptr(), 2, timeout, std::ptr::null()) }) {
        Err(error) if error.kind() != io::ErrorKind::Interrupted => Err(error),
        _ => Ok(()),
    }
}

/// Reads batches. Lives on one thread: its headers point into its own buffers.
pub(super) struct Reader {
    fd: Arc<OwnedFd>,
    frames: Box<[[u8; FRAME]]>,
    control: Box<[Control]>,
    iovecs: Box<[libc::iovec]>,
    headers: Box<[libc::mmsghdr]>,
}

/// Control buffer with the alignment of a cmsghdr.
#[repr(C, align(8))]
#[derive(Clone, Copy)]
struct Control([u8; CONTROL]);

fn zeroed_header() -> libc::mmsghdr {
    // SAFETY: all-zero (null pointers, zero lengths) is a valid value of that plain C struct.
    unsafe { std::mem::zeroed() }
}

impl Reader {
    pub(super) fn new(fd: Arc<OwnedFd>) -> Self {
        let iovec = libc::iovec { iov_base: std::ptr::null_mut(), iov_len: 0 };
        Self {
            fd,
            frames: vec![[0; FRAME]; BATCH].into_boxed_slice(),
            control: vec![Control([0; CONTROL]); BATCH].into_boxed_slice(),
            iovecs: vec![iovec; BATCH].into_boxed_slice(),
            headers: vec![zeroed_header(); BATCH].into_boxed_slice(),
        }
    }

    pub(super) fn fd(&self) -> RawFd {
        self.fd.as_raw_fd()
    }

    /// Reads what is there, at most a batch, and hands each frame over with its time of arrival on the monotonic clock
    /// (`None` for one that was too long). Returns how many came; errors count as none.
    pub(super) fn receive(&mut self, mut each: impl FnMut(Option<&[u8]>, u64)) -> usize {
        for n in 0..BATCH {
            self.iovecs[n] = libc::iovec { iov_base: self.frames[n].as_mut_ptr().cast(), iov_len: FRAME };
            let header = &mut self.headers[n].msg_hdr;
            header.msg_iov = &raw mut self.iovecs[n];
            header.msg_iovlen = 1;
            header.msg_control = self.control[n].0.as_mut_ptr().cast();
            header.msg_controllen = CONTROL;
            header.msg_flags = 0;
        }
        // SAFETY: each of the BATCH headers was just pointed at a frame, an iovec and a control buffer of this struct,
        // whose boxes neither move nor shrink.
        let count = unsafe {
            libc::recvmmsg(self.fd(), self.headers.as_mut_ptr(), BATCH as libc::c_uint, libc::MSG_DONTWAIT, std::ptr::null_mut())
        };
        let count = usize::try_from(count).unwrap_or(0);
        if count == 0 {
            return 0;
        }
        let (real, now) = (clock(libc::CLOCK_REALTIME), monotonic_ns());
        for (header, frame) in self.headers.iter().zip(&self.frames).take(count) {
            let age = stamp_of(&header.msg_hdr).map_or(0, |stamp| real - stamp);
            let age = if (0..OLDEST_STAMP_NS).contains(&age) { age as u64 } else { 0 };
            let whole = header.msg_hdr.msg_flags & libc::MSG_TRUNC == 0;
            each(whole.then(|| &frame[..(header.msg_len as usize).min(FRAME)]), now.saturating_sub(age));
        }
        count
    }
}

/// The kernel's receive stamp (SO_TIMESTAMPNS), wall clock.
fn stamp_of(header: &libc::msghdr) -> Option<i64> {
    // SAFETY: the header was filled by recvmmsg; its control buffer is alive, aligned, and msg_controllen octets of it
    // are written. The message's level, type and length are checked before its payload is read.
    unsafe {
        let message = libc::CMSG_FIRSTHDR(header);
        if message.is_null()
            || (*message).cmsg_level != libc::SOL_SOCKET
            || (*message).cmsg_type != libc::SCM_TIMESTAMPNS
            || (*message).cmsg_len < libc::CMSG_LEN(size_of::<libc::timespec>() as u32) as usize
        {
            return None;
        }
        Some(nanoseconds(libc::CMSG_DATA(message).cast::<libc::timespec>().read_unaligned()))
    }
}

/// Sends batches. Lives on one thread.
pub(super) struct Writer {
    fd: Arc<OwnedFd>,
    iovecs: Box<[libc::iovec]>,
    headers: Box<[libc::mmsghdr]>,
}

impl Writer {
    pub(super) fn new(fd: Arc<OwnedFd>) -> Self {
        let iovec = libc::iovec { iov_base: std::ptr::null_mut(), iov_len: 0 };
        Self { fd, iovecs: vec![iovec; BATCH].into_boxed_slice(), headers: vec![zeroed_header(); BATCH].into_boxed_slice() }
    }

    /// Sends frames that lie in `arena`, at most a batch. Returns how many went; an error concerns the first.
    pub(super) fn send(&mut self, arena: &[u8], frames: &[Held]) -> io::Result<usize> {
        let frames = &frames[..frames.len().min(BATCH)];
        for (n, held) in frames.iter().enumerate() {
            let frame = &arena[held.at..held.at + held.len];
            // The kernel only reads through this pointer.
            self.iovecs[n] = libc::iovec { iov_base: frame.as_ptr().cast_mut().cast(), iov_len: frame.len() };
            self.headers[n].msg_hdr.msg_iov = &raw mut self.iovecs[n];
            self.headers[n].msg_hdr.msg_iovlen = 1;
        }
        // SAFETY: the first `frames.len()` headers point at iovecs of this struct, and those at octets of `arena`, which
        // is borrowed through the call; sending does not write to them.
        let sent = unsafe {
            libc::sendmmsg(self.fd.as_raw_fd(), self.headers.as_mut_ptr(), frames.len() as libc::c_uint, libc::MSG_DONTWAIT)
        };
        check(sent).map(|n| n as usize)
    }
}
