//! Socket options of a stamped socket, and the two calls that carry control messages.

use std::io;
use std::net::SocketAddr;
use std::os::fd::{AsRawFd, BorrowedFd};

use socket2::{SockAddr, Socket};

use super::control::{ControlBuffer, socket_address};
use crate::unit::Family;

/// Receive buffer asked for: a second of small probes even when this process is held up. Octets as the kernel counts.
const RECEIVE_BUFFER: i32 = 4 << 20;

/// `ICMP_FILTER` (linux/icmp.h), level `SOL_RAW`: a bit mask of types to keep out.
const ICMP_FILTER: i32 = 1;
/// `ICMPV6_FILTER` (linux/icmpv6.h), level `SOL_ICMPV6`: eight words, one bit per type to keep out.
const ICMPV6_FILTER: i32 = 1;

/// Types that a v4 probe can be answered with: echo reply, unreachable, time exceeded, parameter problem (RFC 792).
const ICMP_ANSWERS: [u32; 4] = [0, 3, 11, 12];
/// Types that a v6 probe can be answered with: the errors 1 to 4 and echo reply (RFC 4443).
const ICMPV6_ANSWERS: [usize; 5] = [1, 2, 3, 4, 129];

/// Sets an integer option.
pub(in crate::net) fn set_int(fd: BorrowedFd<'_>, level: i32, name: i32, value: i32) -> io::Result<()> {
    set_bytes(fd, level, name, &value.to_ne_bytes())
}

fn set_bytes(fd: BorrowedFd<'_>, level: i32, name: i32, value: &[u8]) -> io::Result<()> {
    // SAFETY: `value` is readable for `value.len()` octets during the call, which copies it; the descriptor is borrowed.
    let status = unsafe { libc::setsockopt(fd.as_raw_fd(), level, name, value.as_ptr().cast(), value.len() as libc::socklen_t) };
    if status == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
}

/// `SOF_TIMESTAMPING_OPT_TX_SWHW` (linux/net_tstamp.h): both stamps of a packet that is sent, each in a message of its own; without
/// it the adapter's would come instead of the kernel's.
const BOTH_OF_SENT: u32 = 1 << 14;

/// Whose stamps a socket asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::net) enum Stampers {
    /// The kernel's.
    Kernel,
    /// The kernel's and, as far as it takes some already, the adapter's.
    KernelAndAdapter,
}

/// Switches stamping on (Documentation/networking/timestamping.rst of the kernel).
///
/// Transmit stamps come back on the error queue without the packet (`OPT_TSONLY`), numbered (`OPT_ID`), with control
/// messages as on receive (`OPT_CMSG`). Where no other socket of the machine asks for it, the kernel begins to stamp arrivals some moments
/// later (`net_enable_timestamp`); until then they are stamped, and marked so, in user space.
pub(in crate::net) fn set_timestamping(fd: BorrowedFd<'_>, by: Stampers) -> io::Result<()> {
    set_int(fd, libc::SOL_SOCKET, libc::SO_TIMESTAMPING, timestamping_flags(by, true))
}

/// Switches stamping of what arrives on, and of nothing that is sent.
pub(in crate::net) fn set_arrival_stamping(fd: BorrowedFd<'_>) -> io::Result<()> {
    let flags = libc::SOF_TIMESTAMPING_RX_SOFTWARE | libc::SOF_TIMESTAMPING_SOFTWARE;
    set_int(fd, libc::SOL_SOCKET, libc::SO_TIMESTAMPING, flags as i32)
}

/// The same, and numbered stamps of what is sent with [`stamp_this`] beside it; counting starts at zero.
pub(in crate::net) fn set_departure_stamping(fd: BorrowedFd<'_>) -> io::Result<()> {
    set_arrival_stamping(fd)?;
    let flags = libc::SOF_TIMESTAMPING_RX_SOFTWARE
        | libc::SOF_TIMESTAMPING_SOFTWARE
        | libc::SOF_TIMESTAMPING_OPT_CMSG
        | libc::SOF_TIMESTAMPING_OPT_TSONLY
        | libc::SOF_TIMESTAMPING_OPT_ID;
    set_int(fd, libc::SOL_SOCKET, libc::SO_TIMESTAMPING, flags as i32)
}

/// Writes the message that has one packet stamped as it leaves, at `at`; returns the offset behind it.
pub(in crate::net) fn stamp_this(room: &mut [u8], at: usize) -> usize {
    let flags = libc::SOF_TIMESTAMPING_TX_SOFTWARE.to_ne_bytes();
    super::control::put(room, at, libc::SOL_SOCKET, libc::SO_TIMESTAMPING, &flags)
}

/// Restarts the numbering of transmit stamps at zero: the counter is reset when `OPT_ID` goes from off to on.
pub(in crate::net) fn restart_numbering(fd: BorrowedFd<'_>, by: Stampers) -> io::Result<()> {
    set_int(fd, libc::SOL_SOCKET, libc::SO_TIMESTAMPING, timestamping_flags(by, false))?;
    set_timestamping(fd, by)
}

fn timestamping_flags(by: Stampers, numbered: bool) -> i32 {
    let mut flags = libc::SOF_TIMESTAMPING_TX_SOFTWARE
        | libc::SOF_TIMESTAMPING_RX_SOFTWARE
        | libc::SOF_TIMESTAMPING_SOFTWARE
        | libc::SOF_TIMESTAMPING_OPT_CMSG
        | libc::SOF_TIMESTAMPING_OPT_TSONLY;
    if by == Stampers::KernelAndAdapter {
        flags |= libc::SOF_TIMESTAMPING_TX_HARDWARE
            | libc::SOF_TIMESTAMPING_RX_HARDWARE
            | libc::SOF_TIMESTAMPING_RAW_HARDWARE
            | BOTH_OF_SENT;
    }
    if numbered {
        flags |= libc::SOF_TIMESTAMPING_OPT_ID;
    }
    flags as i32
}

/// All options but stamping. The drop count, TTL and class are asked for but not insisted on.
pub(super) fn prepare(socket: &Socket, fd: BorrowedFd<'_>, family: Family, device: Option<&str>) -> io::Result<()> {
    socket.set_nonblocking(true)?;
    if let Some(device) = device {
        socket.bind_device(Some(device.as_bytes()))?;
    }
    enlarge_receive_buffer(fd)?;
    set_int(fd, libc::SOL_SOCKET, libc::SO_RXQ_OVFL, 1)?;
    match family {
        Family::Ipv4 => {
            set_int(fd, libc::IPPROTO_IP, libc::IP_RECVTTL, 1)?;
            set_int(fd, libc::IPPROTO_IP, libc::IP_RECVTOS, 1)
        }
        Family::Ipv6 => {
            set_int(fd, libc::IPPROTO_IPV6, libc::IPV6_RECVHOPLIMIT, 1)?;
            set_int(fd, libc::IPPROTO_IPV6, libc::IPV6_RECVTCLASS, 1)
        }
    }
}

/// Asks for [`RECEIVE_BUFFER`]. `RCVBUFFORCE` passes the system's limit but needs CAP_NET_ADMIN; `RCVBUF` is capped silently.
pub(in crate::net) fn enlarge_receive_buffer(fd: BorrowedFd<'_>) -> io::Result<()> {
    if set_int(fd, libc::SOL_SOCKET, libc::SO_RCVBUFFORCE, RECEIVE_BUFFER).is_err() {
        set_int(fd, libc::SOL_SOCKET, libc::SO_RCVBUF, RECEIVE_BUFFER)?;
    }
    Ok(())
}

/// Lets ICMP errors about datagrams of a UDP socket come to its error queue.
pub(super) fn report_errors(fd: BorrowedFd<'_>, family: Family) -> io::Result<()> {
    match family {
        Family::Ipv4 => set_int(fd, libc::IPPROTO_IP, libc::IP_RECVERR, 1),
        Family::Ipv6 => set_int(fd, libc::IPPROTO_IPV6, libc::IPV6_RECVERR, 1),
    }
}

/// Sets the don't-fragment bit (or refuses to fragment at the source) and takes no notice of a path MTU that the kernel knows.
pub(in crate::net) fn never_fragment(fd: BorrowedFd<'_>, family: Family) -> io::Result<()> {
    match family {
        Family::Ipv4 => set_int(fd, libc::IPPROTO_IP, libc::IP_MTU_DISCOVER, libc::IP_PMTUDISC_PROBE),
        Family::Ipv6 => set_int(fd, libc::IPPROTO_IPV6, libc::IPV6_MTU_DISCOVER, libc::IPV6_PMTUDISC_PROBE),
    }
}

/// Keeps out of a raw ICMP socket what no probe is answered with: requests, redirects, neighbour discovery.
pub(super) fn only_answers(fd: BorrowedFd<'_>, family: Family) -> io::Result<()> {
    match family {
        Family::Ipv4 => {
            let passed = ICMP_ANSWERS.iter().fold(0_u32, |mask, kind| mask | 1 << kind);
            set_int(fd, libc::SOL_RAW, ICMP_FILTER, (!passed).cast_signed())
        }
        Family::Ipv6 => {
            let mut blocked = [u32::MAX; 8];
            for kind in ICMPV6_ANSWERS {
                blocked[kind / 32] &= !(1 << (kind % 32));
            }
            let bytes: Vec<u8> = blocked.iter().flat_map(|word| word.to_ne_bytes()).collect();
            set_bytes(fd, libc::IPPROTO_ICMPV6, ICMPV6_FILTER, &bytes)
        }
    }
}

/// Sends one datagram with control messages.
pub(super) fn send(fd: BorrowedFd<'_>, bytes: &[u8], to: SocketAddr, control: &mut ControlBuffer, used: usize) -> io::Result<()> {
    let address = SockAddr::from(to);
    let mut part = libc::iovec { iov_base: bytes.as_ptr().cast_mut().cast(), iov_len: bytes.len() };
    // SAFETY: msghdr is plain data for which all zeroes is a valid value (null pointers with zero lengths).
    let mut message: libc::msghdr = unsafe { std::mem::zeroed() };
    message.msg_name = address.as_ptr().cast_mut().cast();
    message.msg_namelen = address.len();
    message.msg_iov = &raw mut part;
    message.msg_iovlen = 1;
    if used > 0 {
        message.msg_control = control.0.as_mut_ptr().cast();
        message.msg_controllen = used.min(control.0.len()) as _;
    }
    // SAFETY: every pointer in `message` refers to a local or borrowed object that outlives the call, with its true
    // length; sendmsg only reads them, which makes the const-to-mut casts harmless.
    let sent = unsafe { libc::sendmsg(fd.as_raw_fd(), &raw const message, libc::MSG_DONTWAIT | libc::MSG_NOSIGNAL) };
    match usize::try_from(sent) {
        Ok(len) if len == bytes.len() => Ok(()),
        Ok(_) => Err(io::Error::new(io::ErrorKind::WriteZero, "kernel took only part of a datagram")),
        Err(_) => Err(io::Error::last_os_error()),
    }
}

/// One receive call's result.
pub(in crate::net) struct Taken {
    /// Octets in the buffer.
    pub(in crate::net) len: usize,
    /// The source, or on the error queue the destination of the datagram that the error is about.
    pub(in crate::net) name: Option<SocketAddr>,
    /// Octets of control messages.
    pub(in crate::net) control_len: usize,
}

/// Room for a socket address of any family, aligned for the kernel.
#[repr(C, align(8))]
struct NameBuffer([u8; size_of::<libc::sockaddr_storage>()]);

/// Takes one datagram, or with `MSG_ERRQUEUE` one message of the error queue. A datagram longer than the buffer is cut.
pub(in crate::net) fn receive(
    fd: BorrowedFd<'_>,
    buffer: &mut [u8],
    control: &mut ControlBuffer,
    flags: i32,
) -> io::Result<Taken> {
    let mut name = NameBuffer([0; size_of::<libc::sockaddr_storage>()]);
    let mut part = libc::iovec { iov_base: buffer.as_mut_ptr().cast(), iov_len: buffer.len() };
    // SAFETY: msghdr is plain data for which all zeroes is a valid value (null pointers with zero lengths).
    let mut message: libc::msghdr = unsafe { std::mem::zeroed() };
    message.msg_name = name.0.as_mut_ptr().cast();
    message.msg_namelen = name.0.len() as libc::socklen_t;
    message.msg_iov = &raw mut part;
    message.msg_iovlen = 1;
    message.msg_control = control.0.as_mut_ptr().cast();
    message.msg_controllen = control.0.len() as _;
    // SAFETY: every pointer in `message` refers to an exclusively borrowed or local object that outlives the call, with
    // its true length, so the kernel writes only inside them.
    let got = unsafe { libc::recvmsg(fd.as_raw_fd(), &raw mut message, flags | libc::MSG_DONTWAIT) };
    let Ok(len) = usize::try_from(got) else { return Err(io::Error::last_os_error()) };
    let name_len = (message.msg_namelen as usize).min(name.0.len());
    #[allow(clippy::unnecessary_cast, reason = "the field's type differs between C libraries")]
    let control_len = (message.msg_controllen as usize).min(control.0.len());
    Ok(Taken { len: len.min(buffer.len()), name: socket_address(&name.0[..name_len]), control_len })
}
