//! Datagram and raw ICMP sockets whose packets carry kernel time stamps, on receive and on transmit.
//!
//! It knows no protocol: bytes and stamps in and out. The hard thing: transmit stamps and ICMP errors arrive on the
//! socket's error queue, so that every readiness drains both queues, and the number of a transmit stamp must be kept in
//! step with the sends even when a send fails.
//!
//! Stamps are the kernel's software stamps, wall-clock time; use [`Stamp::span_since`] for differences, which notices a
//! clock step. Where somebody has set the adapter to stamp all packets, its stamps come with them; nothing on it is switched
//! on or off here (SIOCSHWTSTAMP), since a test set that only looks should not do that.

pub(super) mod control;
mod ledger;
pub(super) mod options;

use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::os::fd::AsFd;
use std::sync::Mutex;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use socket2::{Domain, Protocol, Socket, Type};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

use self::control::{Ancillary, ControlBuffer, ExtendedError};
pub(super) use self::ledger::Ledger;
use self::options::Stampers;
use super::ethtool;
use crate::unit::{Family, Stamp, StampSource};

/// A socket with kernel time stamps. All its calls are non-blocking or async; it belongs to the tokio runtime that it
/// was made in.
#[derive(Debug)]
pub struct StampedSocket {
    socket: AsyncFd<Socket>,
    family: Family,
    kind: Kind,
    stampers: Stampers,
    ledger: Mutex<Ledger>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Kind {
    Udp,
    RawIcmp,
}

/// What is set on one packet only.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct SendWith {
    /// TTL or hop limit; `None` takes the system's default.
    pub ttl: Option<u8>,
    /// DSCP, 0 to 63 (RFC 2474); `None` sends 0.
    pub dscp: Option<u8>,
    /// ECN field, 0 to 3 (RFC 3168 section 5).
    pub ecn: u8,
}

/// Names one send on its socket; the transmit stamp comes back with the same key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SendKey {
    number: u64,
    user_ns: i64,
}

impl SendKey {
    /// The stamp that this program took before the send call: the fall-back where the kernel gives none.
    pub fn user_stamp(self) -> Stamp {
        Stamp { unix_ns: self.user_ns, source: StampSource::User, adapter_ns: None }
    }
}

/// What happened on a stamped socket.
#[derive(Debug, Clone, PartialEq)]
pub enum StampedEvent {
    /// A datagram; for ICMP sockets the ICMP message without its IP header. Longer than the buffer: cut.
    Received {
        /// Octets in the buffer.
        len: usize,
        /// Source; the port is 0 on ICMP sockets.
        from: SocketAddr,
        /// Arrival stamp; its source says who took it.
        stamp: Stamp,
        /// The arrival on the monotonic clock: when this program read the packet, less the time that it had waited.
        at: Instant,
        /// TTL or hop limit on arrival.
        ttl: Option<u8>,
        /// Type of service or traffic class on arrival, all eight bits.
        traffic_class: Option<u8>,
        /// Datagrams that this socket's full buffer has dropped so far: the test set's own loss.
        receive_drops: u32,
    },
    /// A transmit stamp.
    Sent {
        /// The send.
        key: SendKey,
        /// When the packet was handed to the adapter.
        stamp: Stamp,
        /// The same on the monotonic clock.
        at: Instant,
    },
    /// An ICMP error about a datagram of a UDP socket.
    IcmpError {
        /// ICMP or ICMPv6 type.
        kind: u8,
        /// ICMP or ICMPv6 code.
        code: u8,
        /// Who sent the error. Our own address: the kernel found no way, for instance no answer to ARP.
        offender: Option<IpAddr>,
        /// Where the datagram was going.
        destination: Option<SocketAddr>,
        /// Next-hop MTU for "fragmentation needed" and "packet too big", else 0.
        info: u32,
        /// Octets of the quoted datagram's payload in the buffer.
        len: usize,
        /// Arrival stamp.
        stamp: Stamp,
        /// Arrival on the monotonic clock.
        at: Instant,
    },
}

impl StampedSocket {
    /// A UDP socket bound to `bind`, and to the device when one is named.
    ///
    /// # Errors
    /// What the system says to socket, bind or an option; `ENOTTY` or `ENOPROTOOPT` when the kernel can't stamp.
    pub fn udp(bind: SocketAddr, device: Option<&str>) -> io::Result<Self> {
        let family = Family::of(bind.ip());
        let socket = Socket::new(domain(family), Type::DGRAM.cloexec(), Some(Protocol::UDP))?;
        if family == Family::Ipv6 {
            socket.set_only_v6(true)?;
        }
        options::prepare(&socket, socket.as_fd(), family, device)?;
        options::report_errors(socket.as_fd(), family)?;
        socket.bind(&bind.into())?;
        Self::stamping(socket, family, Kind::Udp, device)
    }

    /// Sends all later datagrams whole or not at all, whatever was learned of the path's MTU: for probes of it (ip(7),
    /// IP_PMTUDISC_PROBE). A datagram above the interface's own MTU is then refused with `EMSGSIZE`.
    ///
    /// # Errors
    /// What the system says.
    pub fn never_fragment(&self) -> io::Result<()> {
        options::never_fragment(self.socket.get_ref().as_fd(), self.family)
    }

    /// A raw ICMP or ICMPv6 socket that sees only answers to probes (replies and errors), of all senders on the machine.
    ///
    /// The checksum of ICMPv6 is the kernel's work (RFC 3542 section 3.1), that of ICMP the caller's.
    ///
    /// # Errors
    /// `EPERM` without the right to open raw sockets (CAP_NET_RAW), else as for [`Self::udp`].
    pub fn icmp(family: Family, device: Option<&str>) -> io::Result<Self> {
        let protocol = match family {
            Family::Ipv4 => Protocol::ICMPV4,
            Family::Ipv6 => Protocol::ICMPV6,
        };
        let socket = Socket::new(domain(family), Type::RAW.cloexec(), Some(protocol))?;
        options::only_answers(socket.as_fd(), family)?;
        options::prepare(&socket, socket.as_fd(), family, device)?;
        Self::stamping(socket, family, Kind::RawIcmp, device)
    }

    fn stamping(socket: Socket, family: Family, kind: Kind, device: Option<&str>) -> io::Result<Self> {
        let by_adapter = device.is_some_and(ethtool::stamps_all_packets);
        let stampers = if by_adapter { Stampers::KernelAndAdapter } else { Stampers::Kernel };
        options::set_timestamping(socket.as_fd(), stampers)?;
        // SAFETY: the Socket owns its descriptor and stays inside the AsyncFd, only borrowed, until both are dropped.
        let socket = unsafe { AsyncFd::register_with_interest(socket, Interest::READABLE | Interest::ERROR) }
            .map_err(|error| error.into_parts().1)?;
        Ok(Self { socket, family, kind, stampers, ledger: Mutex::new(Ledger::default()) })
    }

    /// The address that the socket is bound to; unspecified with port 0 for ICMP.
    ///
    /// # Errors
    /// What the system says.
    pub fn local_addr(&self) -> io::Result<SocketAddr> {
        match self.kind {
            Kind::Udp => self
                .socket
                .get_ref()
                .local_addr()?
                .as_socket()
                .ok_or_else(|| io::Error::new(io::ErrorKind::InvalidData, "socket has no internet address")),
            Kind::RawIcmp if self.family == Family::Ipv4 => Ok((Ipv4Addr::UNSPECIFIED, 0).into()),
            Kind::RawIcmp => Ok((Ipv6Addr::UNSPECIFIED, 0).into()),
        }
    }

    /// Sends one datagram at once. The transmit stamp follows as [`StampedEvent::Sent`] with the returned key.
    ///
    /// # Errors
    /// What the system says to the send; nothing was sent then, and the packet must not count as lost on the line.
    pub fn try_send_to(&self, bytes: &[u8], to: SocketAddr, with: SendWith) -> io::Result<SendKey> {
        let mut control = ControlBuffer::new();
        let mut used = 0;
        let (level, ttl, class) = match self.family {
            Family::Ipv4 => (libc::IPPROTO_IP, libc::IP_TTL, libc::IP_TOS),
            Family::Ipv6 => (libc::IPPROTO_IPV6, libc::IPV6_HOPLIMIT, libc::IPV6_TCLASS),
        };
        if let Some(value) = with.ttl {
            used = control.put_int(used, level, ttl, i32::from(value));
        }
        if with.dscp.is_some() || with.ecn != 0 {
            let octet = (with.dscp.unwrap_or(0) & 0x3f) << 2 | with.ecn & 3;
            used = control.put_int(used, level, class, i32::from(octet));
        }
        let to = match self.kind {
            Kind::Udp => to,
            // A raw IPv6 socket takes the port for a protocol number and refuses another than its own or 0.
            Kind::RawIcmp => with_port(to, 0),
        };
        let fd = self.socket.get_ref().as_fd();
        let mut ledger = self.ledger.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        // An ICMP error that came in earlier is reported by the next call on the socket, whatever that is; details
        // are on the error queue. Take it away here, so that it isn't taken for a failure of this send.
        let _ = self.socket.get_ref().take_error();
        let user_ns = unix_now_ns();
        match options::send(fd, bytes, to, &mut control, used) {
            Ok(()) => Ok(ledger.sent(user_ns)),
            Err(error) => {
                // Whether the failed send has used up a number depends on where in the kernel it failed.
                options::restart_numbering(fd, self.stampers)?;
                ledger.restarted();
                Err(error)
            }
        }
    }

    /// Waits for the next event. `buffer` holds the datagram, or the quoted payload of an ICMP error.
    ///
    /// Cancel safe: an event is either returned or still queued.
    ///
    /// # Errors
    /// What the system says to the receive call, other than the ICMP errors that become events.
    pub async fn next_event(&self, buffer: &mut [u8]) -> io::Result<StampedEvent> {
        loop {
            let mut guard = self.socket.ready(Interest::READABLE | Interest::ERROR).await?;
            if let Some(event) = self.try_event(buffer)? {
                return Ok(event);
            }
            guard.clear_ready();
        }
    }

    /// The next event if there is one now. The error queue comes first, so that a transmit stamp is told before the
    /// answer to its packet.
    ///
    /// # Errors
    /// As [`Self::next_event`].
    pub fn try_event(&self, buffer: &mut [u8]) -> io::Result<Option<StampedEvent>> {
        let fd = self.socket.get_ref().as_fd();
        let mut control = ControlBuffer::new();
        loop {
            match options::receive(fd, buffer, &mut control, libc::MSG_ERRQUEUE) {
                Ok(taken) => {
                    let ancillary = control::parse(&control.0[..taken.control_len]);
                    if let Some(event) = self.queued_error(&taken, &ancillary) {
                        return Ok(Some(event));
                    }
                }
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => break,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        if let Some(event) = self.waited_for_adapter(&mut control) {
            return Ok(Some(event));
        }
        loop {
            match options::receive(fd, buffer, &mut control, 0) {
                Ok(taken) => {
                    let ancillary = control::parse(&control.0[..taken.control_len]);
                    if let Some(event) = self.queued_datagram(&taken, &ancillary, buffer) {
                        return Ok(Some(event));
                    }
                }
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(None),
                // The pending error of a message that is on the error queue, or of an interface that went down: the
                // call clears it, and what it says about the line shows in the missing answers.
                Err(error) if is_line_error(&error) || error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
    }

    /// A transmit stamp of the kernel's that the adapter's was awaited for, when a datagram has come meanwhile: that may be the
    /// answer, and the stamp must be told before it.
    fn waited_for_adapter(&self, control: &mut ControlBuffer) -> Option<StampedEvent> {
        if self.stampers == Stampers::Kernel {
            return None;
        }
        options::receive(self.socket.get_ref().as_fd(), &mut [], control, libc::MSG_PEEK).ok()?;
        let mut ledger = self.ledger.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        ledger.overdue().map(|(key, stamp, at)| StampedEvent::Sent { key, stamp, at })
    }

    fn queued_error(&self, taken: &options::Taken, ancillary: &Ancillary) -> Option<StampedEvent> {
        let error: ExtendedError = ancillary.error?;
        let (stamp, at) = arrival(ancillary);
        match error.origin {
            libc::SO_EE_ORIGIN_TIMESTAMPING => {
                let mut ledger = self.ledger.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
                let (key, stamp, at) = match self.stampers {
                    Stampers::Kernel => (ledger.stamped(error.data)?, stamp, at),
                    Stampers::KernelAndAdapter => {
                        let kernel = ancillary.software_ns.map(|_| (stamp, at));
                        ledger.stamped_by_one(error.data, kernel, ancillary.adapter_ns)?
                    }
                };
                Some(StampedEvent::Sent { key, stamp, at })
            }
            libc::SO_EE_ORIGIN_ICMP | libc::SO_EE_ORIGIN_ICMP6 => Some(StampedEvent::IcmpError {
                kind: error.kind,
                code: error.code,
                offender: error.offender,
                destination: taken.name,
                info: error.info,
                len: taken.len,
                stamp,
                at,
            }),
            // Local errors (a datagram above the known path MTU) were already returned by the send call.
            _ => None,
        }
    }

    fn queued_datagram(&self, taken: &options::Taken, ancillary: &Ancillary, buffer: &mut [u8]) -> Option<StampedEvent> {
        let from = taken.name?;
        let mut len = taken.len;
        if self.kind == Kind::RawIcmp && self.family == Family::Ipv4 {
            // A raw IPv4 socket hands out the IP header too (raw(7)); a raw IPv6 socket does not (RFC 3542 section 3).
            let header = usize::from(*buffer.first()? & 0x0f) * 4;
            if header < 20 || header > len {
                return None;
            }
            buffer.copy_within(header..len, 0);
            len -= header;
        }
        let from = if self.kind == Kind::RawIcmp { with_port(from, 0) } else { from };
        let (stamp, at) = arrival(ancillary);
        Some(StampedEvent::Received {
            len,
            from,
            stamp,
            at,
            ttl: ancillary.ttl,
            traffic_class: ancillary.traffic_class,
            receive_drops: ancillary.drops.unwrap_or(0),
        })
    }
}

fn domain(family: Family) -> Domain {
    match family {
        Family::Ipv4 => Domain::IPV4,
        Family::Ipv6 => Domain::IPV6,
    }
}

fn with_port(mut address: SocketAddr, port: u16) -> SocketAddr {
    address.set_port(port);
    address
}

/// The stamp of a message, and the same moment on the monotonic clock.
pub(super) fn arrival(ancillary: &Ancillary) -> (Stamp, Instant) {
    let (read_at, now_ns) = both_clocks();
    // How long the message waited for us, by the software stamp: both are wall-clock time, microseconds apart.
    let waited = ancillary.software_ns.map_or(0, |ns| now_ns.saturating_sub(ns));
    // Negative or absurd when the clock was stepped in between: then take the moment of reading, and let the
    // comparison with the stamps show the step.
    let waited = u64::try_from(waited).ok().map(Duration::from_nanos).filter(|w| *w < Duration::from_secs(5));
    let at = waited.and_then(|w| read_at.checked_sub(w)).unwrap_or(read_at);
    let adapter_ns = ancillary.adapter_ns;
    let stamp = match ancillary.software_ns {
        Some(unix_ns) => Stamp { unix_ns, source: StampSource::Kernel, adapter_ns },
        None => Stamp { unix_ns: now_ns, source: StampSource::User, adapter_ns },
    };
    (stamp, at)
}

/// Monotonic and wall clock (nanoseconds since 1970) read as one: again when this thread was held up in between.
pub fn both_clocks() -> (Instant, i64) {
    let mut before = Instant::now();
    for _ in 0..3 {
        let now_ns = unix_now_ns();
        let after = Instant::now();
        if after - before < Duration::from_micros(50) {
            return (after, now_ns);
        }
        before = after;
    }
    (before, unix_now_ns())
}

/// Nanoseconds since 1970 by this machine's clock.
pub fn unix_now_ns() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).ok().and_then(|d| i64::try_from(d.as_nanos()).ok()).unwrap_or(0)
}

fn is_line_error(error: &io::Error) -> bool {
    matches!(
        error.raw_os_error(),
        Some(
            libc::ECONNREFUSED
                | libc::EHOSTUNREACH
                | libc::ENETUNREACH
                | libc::ENETDOWN
                | libc::EHOSTDOWN
                | libc::EPROTO
                | libc::EMSGSIZE
                | libc::EOPNOTSUPP
                | libc::EACCES
                | libc::ENOPROTOOPT
        )
    )
}

#[cfg(test)]
mod tests;
