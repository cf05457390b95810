//! UDP in bulk: sends that the kernel or the adapter cuts into datagrams (UDP_SEGMENT, udp(7)), several in a system call, and
//! receives that it joins again (UDP_GRO). It must not know what the datagrams say.
//!
//! One system call for each datagram bounds a core at a few hundred thousand a second; trains carry some millions. What the
//! socket's own queue had to drop is counted by the kernel and told with each datagram: a loss of this machine, not of the line.

mod sending;
mod several;
mod waiting;

use std::io;
use std::net::SocketAddr;
use std::os::fd::{AsFd, AsRawFd, OwnedFd};
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use socket2::{Domain, SockAddr, Socket, Type};

use super::stamped::control::{self, Ancillary, ControlBuffer, socket_address};
use super::stamped::options::{self, set_arrival_stamping, set_departure_stamping, set_int};
use crate::unit::{Stamp, StampSource};

pub use sending::{LONGEST_TRAIN, MOST_IN_TRAIN, Marked, Train};
pub use several::wait_for_any;
pub use waiting::WaitingSocket;

/// Single datagrams per system call, and received ones at most.
pub const MOST_AT_ONCE: usize = 64;
/// Received trains per system call, usually.
const RECEIVED: usize = 16;
/// Room for one of them: the largest datagram, and an odd number of cache lines, since rooms that lie a power of two apart would all fall
/// on the same few places of the processor's cache.
const ROOM: usize = 65_536 + 64;

/// What a socket is opened with.
#[derive(Debug, Clone)]
pub struct Bulk<'a> {
    /// Where it is bound.
    pub local: SocketAddr,
    /// Interface that it belongs to; `None` leaves it to the routes.
    pub device: Option<&'a str>,
    /// DSCP of what it sends, 0 to 63.
    pub dscp: u8,
    /// Octets of buffer wished for, each way. Without CAP_NET_ADMIN the kernel's limits hold.
    pub buffer: usize,
    /// Whether received datagrams may be joined. One stamp then stands for a whole train.
    pub joins: bool,
}

/// A UDP socket for bulk.
#[derive(Debug)]
pub struct BulkSocket {
    fd: OwnedFd,
    /// The kernel or the adapter refused to cut a train.
    cuts_not: AtomicBool,
}

/// Datagrams that arrived together: `octets` cut every `size`, the last may be shorter.
#[derive(Debug, Clone, Copy)]
pub struct Arrived<'a> {
    /// All their payloads.
    pub octets: &'a [u8],
    /// Octets of each payload.
    pub size: usize,
    /// Who sent them.
    pub from: Option<SocketAddr>,
    /// When the first of them arrived, by the kernel.
    pub stamp: Option<Stamp>,
    /// TTL or hop limit on arrival, where it is asked for.
    pub ttl: Option<u8>,
    /// Type of service or traffic class on arrival, where it is asked for.
    pub traffic_class: Option<u8>,
    /// Datagrams that this socket's queue has dropped so far.
    pub dropped: u32,
}

impl<'a> Arrived<'a> {
    /// Each datagram's payload.
    pub fn payloads(&self) -> impl Iterator<Item = &'a [u8]> + use<'a> {
        self.octets.chunks(self.size.max(1))
    }
}

/// Room for what one call receives; keep it and use it again.
pub struct Batch {
    octets: Box<[u8]>,
    control: Box<[ControlBuffer]>,
    names: Box<[Name]>,
    filled: Vec<(usize, usize, usize)>,
    dropped: u32,
}

#[derive(Clone, Copy)]
#[repr(C, align(8))]
struct Name([u8; size_of::<libc::sockaddr_storage>()]);

impl std::fmt::Debug for Batch {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Batch").field("filled", &self.filled.len()).finish_non_exhaustive()
    }
}

impl Default for Batch {
    fn default() -> Self {
        Self::of(RECEIVED)
    }
}

impl Batch {
    /// Room for so many, 1 to [`MOST_AT_ONCE`].
    pub fn of(most: usize) -> Self {
        let most = most.clamp(1, MOST_AT_ONCE);
        Self {
            octets: vec![0; most * ROOM].into_boxed_slice(),
            control: (0..most).map(|_| ControlBuffer::new()).collect(),
            names: vec![Name([0; size_of::<libc::sockaddr_storage>()]); most].into_boxed_slice(),
            filled: Vec::with_capacity(most),
            dropped: 0,
        }
    }

    /// What the last call received.
    pub fn arrived(&mut self) -> impl Iterator<Item = Arrived<'_>> {
        let (octets, control, names, dropped) = (&self.octets, &self.control, &self.names, &mut self.dropped);
        self.filled.iter().enumerate().map(move |(at, (len, control_len, name_len))| {
            let Ancillary { software_ns, drops, joined, ttl, traffic_class, .. } = control::parse(&control[at].0[..*control_len]);
            // The kernel adds the count only once there is one.
            *dropped = drops.unwrap_or(*dropped);
            Arrived {
                octets: &octets[at * ROOM..at * ROOM + len],
                size: joined.filter(|size| *size > 0).unwrap_or(*len),
                from: socket_address(&names[at].0[..*name_len]),
                stamp: software_ns.map(|unix_ns| Stamp { unix_ns, source: StampSource::Kernel, adapter_ns: None }),
                ttl,
                traffic_class,
                dropped: *dropped,
            }
        })
    }
}

impl BulkSocket {
    /// Opens and binds one in the calling thread's namespace. It never waits, and its datagrams are never fragmented.
    ///
    /// # Errors
    /// What the system says: an address or a port that can't be had, an interface that is not there.
    pub fn open(bulk: &Bulk<'_>) -> io::Result<Self> {
        let socket = Socket::new(Domain::for_address(bulk.local), Type::DGRAM.nonblocking(), None)?;
        if let Some(device) = bulk.device {
            socket.bind_device(Some(device.as_bytes()))?;
        }
        let fd = socket.as_fd();
        if bulk.local.is_ipv6() {
            socket.set_only_v6(true)?;
            set_int(fd, libc::IPPROTO_IPV6, libc::IPV6_MTU_DISCOVER, libc::IPV6_PMTUDISC_PROBE)?;
        } else {
            set_int(fd, libc::IPPROTO_IP, libc::IP_MTU_DISCOVER, libc::IP_PMTUDISC_PROBE)?;
        }
        let wish = i32::try_from(bulk.buffer / 2).unwrap_or(i32::MAX);
        for (force, plain) in [(libc::SO_RCVBUFFORCE, libc::SO_RCVBUF), (libc::SO_SNDBUFFORCE, libc::SO_SNDBUF)] {
            if set_int(fd, libc::SOL_SOCKET, force, wish).is_err() {
                set_int(fd, libc::SOL_SOCKET, plain, wish)?;
            }
        }
        set_int(fd, libc::SOL_SOCKET, libc::SO_RXQ_OVFL, 1)?;
        if bulk.joins {
            // A kernel before 5.0 has none; each datagram then comes by itself.
            let _ = set_int(fd, libc::SOL_UDP, libc::UDP_GRO, 1);
        }
        socket.bind(&bulk.local.into())?;
        let socket = Self { fd: socket.into(), cuts_not: AtomicBool::new(false) };
        socket.set_dscp(bulk.dscp)?;
        Ok(socket)
    }

    /// Has the kernel stamp what arrives.
    ///
    /// # Errors
    /// What the system says.
    pub fn stamp_arrivals(&self) -> io::Result<()> {
        set_arrival_stamping(self.fd.as_fd())
    }

    /// Has the kernel stamp what arrives, and what is sent so ([`Marked::stamped`]) as it leaves, numbered from zero. A second call starts
    /// the numbers anew: what a failed send made of them is not known.
    ///
    /// # Errors
    /// What the system says.
    pub fn stamp_departures(&self) -> io::Result<()> {
        set_departure_stamping(self.fd.as_fd())
    }

    /// Takes what is there of the stamps of datagrams that have left: their numbers and when.
    pub fn departures(&self, mut told: impl FnMut(u32, Stamp)) {
        let mut control = ControlBuffer::new();
        // Anything else than a message (most likely that there is none) ends it; errors of earlier sends among them are passed over.
        while let Ok(taken) = options::receive(self.fd.as_fd(), &mut [], &mut control, libc::MSG_ERRQUEUE) {
            let ancillary = control::parse(&control.0[..taken.control_len]);
            let number = ancillary.error.filter(|error| error.origin == libc::SO_EE_ORIGIN_TIMESTAMPING).map(|error| error.data);
            if let (Some(number), Some(unix_ns)) = (number, ancillary.software_ns) {
                told(number, Stamp { unix_ns, source: StampSource::Kernel, adapter_ns: None });
            }
        }
    }

    /// Has the kernel tell TTL and traffic class of what arrives.
    ///
    /// # Errors
    /// What the system says.
    pub fn hear_markings(&self) -> io::Result<()> {
        let (level, options) = if self.local_addr()?.is_ipv6() {
            (libc::IPPROTO_IPV6, [libc::IPV6_RECVHOPLIMIT, libc::IPV6_RECVTCLASS])
        } else {
            (libc::IPPROTO_IP, [libc::IP_RECVTTL, libc::IP_RECVTOS])
        };
        options.into_iter().try_for_each(|option| set_int(self.fd.as_fd(), level, option, 1))
    }

    /// Sends to, and hears from, this peer alone.
    ///
    /// # Errors
    /// What the system says.
    pub fn connect(&self, peer: SocketAddr) -> io::Result<()> {
        socket2::SockRef::from(&self.fd).connect(&peer.into())
    }

    /// Marks what it sends with a DSCP, 0 to 63.
    ///
    /// # Errors
    /// What the system says.
    pub fn set_dscp(&self, dscp: u8) -> io::Result<()> {
        let class = i32::from(dscp) << 2;
        let (level, option) =
            if self.local_addr()?.is_ipv6() { (libc::IPPROTO_IPV6, libc::IPV6_TCLASS) } else { (libc::IPPROTO_IP, libc::IP_TOS) };
        set_int(self.fd.as_fd(), level, option, class)
    }

    /// Sends with this TTL or hop limit.
    ///
    /// # Errors
    /// What the system says.
    pub fn set_ttl(&self, ttl: u8) -> io::Result<()> {
        let (level, option) = if self.local_addr()?.is_ipv6() {
            (libc::IPPROTO_IPV6, libc::IPV6_UNICAST_HOPS)
        } else {
            (libc::IPPROTO_IP, libc::IP_TTL)
        };
        set_int(self.fd.as_fd(), level, option, ttl.into())
    }

    /// Where it is bound.
    ///
    /// # Errors
    /// What the system says.
    pub fn local_addr(&self) -> io::Result<SocketAddr> {
        socket2::SockRef::from(&self.fd).local_addr()?.as_socket().ok_or_else(|| io::ErrorKind::Unsupported.into())
    }

    /// Octets of receive buffer that the kernel granted, its own book-keeping among them.
    ///
    /// # Errors
    /// What the system says.
    pub fn receive_buffer(&self) -> io::Result<usize> {
        socket2::SockRef::from(&self.fd).recv_buffer_size()
    }

    /// Sends one datagram, to `to` or to the connected peer.
    ///
    /// # Errors
    /// `WouldBlock` when the kernel has no room; what routers and the peer said of an earlier one.
    pub fn send_one(&self, payload: &[u8], to: Option<SocketAddr>) -> io::Result<()> {
        let socket = socket2::SockRef::from(&self.fd);
        let sent = match to {
            Some(to) => socket.send_to(payload, &SockAddr::from(to))?,
            None => socket.send(payload)?,
        };
        if sent == payload.len() { Ok(()) } else { Err(io::ErrorKind::WriteZero.into()) }
    }

    /// Receives what is there, as much as fits; returns how many trains.
    ///
    /// # Errors
    /// `WouldBlock` when nothing is there; what the peer or a router said of a datagram that was sent.
    pub fn receive(&self, batch: &mut Batch) -> io::Result<usize> {
        batch.filled.clear();
        // A batch may serve several sockets, and the count is a socket's own: once there is one, every later datagram brings it.
        batch.dropped = 0;
        let none = libc::iovec { iov_base: std::ptr::null_mut(), iov_len: 0 };
        let mut parts = [none; MOST_AT_ONCE];
        // SAFETY: all-zero (null pointers, zero lengths) is a valid value of this plain C struct.
        let mut headers: [libc::mmsghdr; MOST_AT_ONCE] = unsafe { std::mem::zeroed() };
        let rooms = batch.octets.chunks_exact_mut(ROOM).zip(batch.control.iter_mut()).zip(batch.names.iter_mut());
        for (((octets, control), name), (part, header)) in rooms.zip(parts.iter_mut().zip(headers.iter_mut())) {
            *part = libc::iovec { iov_base: octets.as_mut_ptr().cast(), iov_len: ROOM };
            let header = &mut header.msg_hdr;
            header.msg_iov = std::ptr::from_mut(part);
            header.msg_iovlen = 1;
            header.msg_control = control.0.as_mut_ptr().cast();
            header.msg_controllen = control.0.len() as _;
            header.msg_name = name.0.as_mut_ptr().cast();
            header.msg_namelen = name.0.len() as libc::socklen_t;
        }
        let (fd, most) = (self.fd.as_raw_fd(), batch.control.len() as libc::c_uint);
        // SAFETY: every header points at a local or at room that `batch`, borrowed exclusively, owns, with its true length.
        let got = unsafe { libc::recvmmsg(fd, headers.as_mut_ptr(), most, libc::MSG_DONTWAIT, std::ptr::null_mut()) };
        let got = usize::try_from(got).map_err(|_| io::Error::last_os_error())?;
        for (at, header) in headers[..got].iter().enumerate() {
            #[allow(clippy::unnecessary_cast, reason = "the field's type differs between C libraries")]
            let control_len = (header.msg_hdr.msg_controllen as usize).min(batch.control[at].0.len());
            let name_len = (header.msg_hdr.msg_namelen as usize).min(batch.names[at].0.len());
            batch.filled.push(((header.msg_len as usize).min(ROOM), control_len, name_len));
        }
        Ok(got)
    }

    /// Waits until something is there to receive, or there is room to send if `to_send`, or for `most`.
    ///
    /// # Errors
    /// What the system says.
    pub fn wait(&self, to_send: bool, most: Duration) -> io::Result<()> {
        let events = if to_send { libc::POLLIN | libc::POLLOUT } else { libc::POLLIN };
        let mut polled = libc::pollfd { fd: self.fd.as_raw_fd(), events, revents: 0 };
        let seconds = libc::time_t::try_from(most.as_secs()).unwrap_or(libc::time_t::MAX);
        let timeout = libc::timespec { tv_sec: seconds, tv_nsec: i64::from(most.subsec_nanos()) };
        // SAFETY: one pollfd and one timespec that live through the call; no signal mask.
        let result = unsafe { libc::ppoll(&raw mut polled, 1, &raw const timeout, std::ptr::null()) };
        let error = io::Error::last_os_error();
        if result < 0 && error.kind() != io::ErrorKind::Interrupted { Err(error) } else { Ok(()) }
    }
}

impl AsRawFd for BulkSocket {
    fn as_raw_fd(&self) -> std::os::fd::RawFd {
        self.fd.as_raw_fd()
    }
}

/// Whether an error of a socket is about an earlier packet: what a router or the peer said of it.
pub fn is_passing(error: &io::Error) -> bool {
    use io::ErrorKind::{ConnectionRefused, HostUnreachable, NetworkUnreachable};
    matches!(error.kind(), ConnectionRefused | HostUnreachable | NetworkUnreachable)
}

/// Whether the kernel had no room for what was to be sent; later it has.
pub fn has_no_room(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::WouldBlock || error.raw_os_error() == Some(libc::ENOBUFS)
}

/// Makes the calling thread wake up punctually: no timer slack, and ahead of ordinary threads where that is allowed.
pub fn hurry() {
    super::ring::hurry();
}

#[cfg(test)]
mod tests;
