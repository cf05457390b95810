//! Whole Ethernet frames in and out of one port, stamped by the kernel (packet(7)).
//!
//! For what has to work before the port has an address. It knows no protocol beyond what its filter sorts by. The hard
//! thing: what the socket hands over is not quite what was on the wire. The kernel takes the outer VLAN tag out of the
//! frame, and a frame that was made on this machine may come without its checksum; both are told in
//! [`PacketEvent::Received`].

pub(super) mod filter;

use std::io;
use std::os::fd::{AsFd, AsRawFd};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use socket2::{Domain, SockAddr, SockAddrStorage, Socket, Type};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

pub use self::filter::Filter;
use super::stamped::control::{self, Ancillary, ControlBuffer};
use super::stamped::options::Stampers;
use super::stamped::{Ledger, SendKey, arrival, options, unix_now_ns};
use crate::unit::Stamp;
use crate::wire::ethernet::{self, Mac, Tag};
use crate::wire::ipv6;

/// `TP_STATUS_CSUMNOTREADY` and its like (linux/if_packet.h).
const CHECKSUM_NOT_READY: u32 = libc::TP_STATUS_CSUMNOTREADY;
const TAG_VALID: u32 = libc::TP_STATUS_VLAN_VALID;
const TAG_TYPE_VALID: u32 = libc::TP_STATUS_VLAN_TPID_VALID;

/// A packet socket on one port, deaf to what this machine sends unless it is opened both ways. It belongs to the tokio runtime that it was made in.
#[derive(Debug)]
pub struct PacketSocket {
    socket: AsyncFd<Socket>,
    ledger: Mutex<Ledger>,
    drops: AtomicU64,
    /// On a port without a link layer: the address that this host's frames come from, as far as it has sent any.
    bare: Option<Mutex<Mac>>,
}

/// Who all others are on a port without a link layer; a locally administered address (IEEE 802 clause 8.2).
const OTHER_SIDE: Mac = Mac([2, 0, 0x5e, 0, 0, 0xff]);

/// What happened on a packet socket.
#[derive(Debug, Clone, PartialEq)]
pub enum PacketEvent {
    /// A frame, from its destination address on, without frame check sequence.
    Received {
        /// Octets in the buffer.
        len: usize,
        /// Octets that the frame had; more than `len` when it was cut.
        whole_len: usize,
        /// Arrival stamp; its source says who took it.
        stamp: Stamp,
        /// The arrival on the monotonic clock.
        at: Instant,
        /// The tag that the kernel took out of the frame.
        tag: Option<Tag>,
        /// False when the frame never was on a wire and its transport checksum was left to an adapter that isn't there.
        has_checksum: bool,
    },
    /// A transmit stamp.
    Sent {
        /// The send.
        key: SendKey,
        /// When the frame was handed to the adapter.
        stamp: Stamp,
        /// The same on the monotonic clock.
        at: Instant,
    },
}

impl PacketSocket {
    /// Opens a port of the calling thread's namespace, by its kernel index. `is_promiscuous`: also take frames for other
    /// hardware addresses.
    ///
    /// # Errors
    /// `PermissionDenied` without CAP_NET_RAW; `ENODEV` when there is no such port; `ENETDOWN` when it is switched off.
    pub fn open(index: u32, filter: Filter, is_promiscuous: bool) -> io::Result<Self> {
        Self::open_with(index, filter, is_promiscuous.then_some(libc::PACKET_MR_PROMISC), false)
    }

    /// Opens a port as a listener: what passes the filter comes, whether it comes in or goes out, from any program. Only the
    /// addresses in a frame tell which.
    ///
    /// # Errors
    /// As [`Self::open`].
    pub fn open_both_ways(index: u32, filter: Filter) -> io::Result<Self> {
        Self::open_with(index, filter, None, true)
    }

    /// Opens a port for frames to any group, whoever in this machine is a member.
    ///
    /// # Errors
    /// As [`Self::open`].
    pub fn open_to_groups(index: u32) -> io::Result<Self> {
        Self::open_with(index, Filter::WholeGroup, Some(libc::PACKET_MR_ALLMULTI), false)
    }

    /// `also`: what the adapter is to let pass beside this machine's own (packet(7), `PACKET_ADD_MEMBERSHIP`).
    fn open_with(index: u32, filter: Filter, also: Option<libc::c_int>, hears_outgoing: bool) -> io::Result<Self> {
        // Protocol 0: deaf until it is bound, so that nothing of other ports or past the filter is queued.
        let socket = Socket::new(Domain::PACKET, Type::RAW.cloexec(), None)?;
        socket.set_nonblocking(true)?;
        filter::attach(&socket, filter)?;
        let fd = socket.as_fd();
        options::set_int(fd, libc::SOL_PACKET, libc::PACKET_IGNORE_OUTGOING, i32::from(!hears_outgoing))?;
        options::set_int(fd, libc::SOL_PACKET, libc::PACKET_AUXDATA, 1)?;
        options::enlarge_receive_buffer(fd)?;
        options::set_timestamping(fd, Stampers::Kernel)?;
        if let Some(kind) = also {
            let_pass(&socket, index, kind)?;
        }
        socket.bind(&every_protocol_of(index))?;
        let bare = has_no_link_layer(&socket)?.then(Mutex::default);
        // SAFETY: the Socket owns its descriptor and stays inside the AsyncFd, only borrowed, until both are dropped.
        let socket = unsafe { AsyncFd::register_with_interest(socket, Interest::READABLE | Interest::ERROR) }
            .map_err(|error| error.into_parts().1)?;
        Ok(Self { socket, ledger: Mutex::default(), drops: AtomicU64::new(0), bare })
    }

    /// Sends one frame at once. The transmit stamp follows as [`PacketEvent::Sent`] with the returned key.
    ///
    /// # Errors
    /// What the system says to the send (`ENETDOWN` when the port is switched off, `EMSGSIZE` beyond its MTU); nothing was
    /// sent then. A port without carrier takes the frame and throws it away.
    pub fn try_send(&self, frame: &[u8]) -> io::Result<SendKey> {
        let mut ledger = self.ledger.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        // An error that is pending from the port's past would be returned in place of this send's.
        let _ = self.socket.get_ref().take_error();
        let user_ns = unix_now_ns();
        let bytes = self.bare.as_ref().map_or(frame, |own| without_link_layer(own, frame));
        match self.socket.get_ref().send(bytes) {
            Ok(_) => Ok(ledger.sent(user_ns)),
            Err(error) => {
                options::restart_numbering(self.socket.get_ref().as_fd(), Stampers::Kernel)?;
                ledger.restarted();
                Err(error)
            }
        }
    }

    /// Waits for the next event. Cancel safe: an event is either returned or still queued.
    ///
    /// # Errors
    /// What the system says to the receive call.
    pub async fn next_event(&self, buffer: &mut [u8]) -> io::Result<PacketEvent> {
        loop {
            let mut guard = self.socket.ready(Interest::READABLE | Interest::ERROR).await?;
            if let Some(event) = self.try_event(buffer)? {
                return Ok(event);
            }
            guard.clear_ready();
        }
    }

    /// The next event if there is one now; transmit stamps come first, so that a frame's is told before the answer to it.
    ///
    /// # Errors
    /// As [`Self::next_event`].
    pub fn try_event(&self, buffer: &mut [u8]) -> io::Result<Option<PacketEvent>> {
        for flags in [libc::MSG_ERRQUEUE, 0] {
            loop {
                let mut control = ControlBuffer::new();
                match options::receive(self.socket.get_ref().as_fd(), buffer, &mut control, flags) {
                    Ok(taken) => {
                        let ancillary = control::parse(&control.0[..taken.control_len]);
                        let len = match &self.bare {
                            Some(own) if flags == 0 => with_link_layer(own, buffer, taken.len),
                            _ => taken.len,
                        };
                        if let Some(event) = self.event(len, &ancillary, flags != 0) {
                            return Ok(Some(event));
                        }
                    }
                    Err(error) if error.kind() == io::ErrorKind::WouldBlock => break,
                    Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                    // The port was switched off: told once, and true of the next send too. What it means for the line
                    // shows in the missing answers.
                    Err(error) if error.raw_os_error() == Some(libc::ENETDOWN) => {}
                    Err(error) => return Err(error),
                }
            }
        }
        Ok(None)
    }

    fn event(&self, len: usize, ancillary: &Ancillary, is_from_error_queue: bool) -> Option<PacketEvent> {
        let (stamp, at) = arrival(ancillary);
        if is_from_error_queue {
            let number = ancillary.error.filter(|e| e.origin == libc::SO_EE_ORIGIN_TIMESTAMPING)?.data;
            let mut ledger = self.ledger.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
            return ledger.stamped(number).map(|key| PacketEvent::Sent { key, stamp, at });
        }
        let status = ancillary.frame.map_or(0, |f| f.status);
        let tag = ancillary
            .frame
            .filter(|_| status & TAG_VALID != 0)
            .map(|f| Tag { kind: if status & TAG_TYPE_VALID != 0 { f.tpid } else { ethernet::TAG }, control: f.tci });
        let whole_len = ancillary.frame.map_or(len, |f| f.len as usize);
        Some(PacketEvent::Received { len, whole_len, stamp, at, tag, has_checksum: status & CHECKSUM_NOT_READY == 0 })
    }

    /// Frames that passed the filter and found the socket's buffer full, since it was opened: the test set's own loss.
    pub fn drops(&self) -> u64 {
        // The kernel's counter starts again with each reading (packet(7), PACKET_STATISTICS).
        let fresh = super::ring::socket_drops(self.socket.get_ref().as_raw_fd());
        self.drops.fetch_add(fresh, Ordering::Relaxed) + fresh
    }
}

/// A port of IP packets alone, as a tunnel has it (ARPHRD_NONE, or ARPHRD_PPP).
fn has_no_link_layer(socket: &Socket) -> io::Result<bool> {
    let address = socket.local_addr()?;
    // SAFETY: the kernel wrote a sockaddr_ll of a packet socket (packet(7)) into storage that is larger.
    let kind = unsafe { (*address.as_ptr().cast::<libc::sockaddr_ll>()).sll_hatype };
    Ok(matches!(kind, libc::ARPHRD_NONE | libc::ARPHRD_PPP))
}

/// The packet in a frame, and whose frame it is.
fn without_link_layer<'a>(own: &Mutex<Mac>, frame: &'a [u8]) -> &'a [u8] {
    let Ok(parsed) = ethernet::parse(frame) else { return frame };
    *own.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = parsed.repr.source;
    let said = match (parsed.repr.ethertype, parsed.payload) {
        (ethernet::IPV4, [_, _, high, low, ..]) => usize::from(u16::from_be_bytes([*high, *low])),
        (_, [_, _, _, _, high, low, ..]) => 40 + usize::from(u16::from_be_bytes([*high, *low])),
        _ => 0,
    };
    // The padding of short frames has no place here.
    parsed.payload.get(..said).unwrap_or(parsed.payload)
}

/// Makes a frame of the packet in the buffer, so that machines read the same on every port; gives its length.
fn with_link_layer(own: &Mutex<Mac>, buffer: &mut [u8], len: usize) -> usize {
    let own = *own.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let len = len.min(buffer.len().saturating_sub(ethernet::HEADER_LEN));
    let (ethertype, destination) = match buffer[..len] {
        [first, ..] if first >> 4 == 4 => (ethernet::IPV4, own),
        // To a group (RFC 4291 section 2.7), whose frame would have had this address (RFC 2464 section 7).
        [..] if len >= 40 && buffer[24] == 0xff => {
            (ipv6::ETHERTYPE, Mac([0x33, 0x33, buffer[36], buffer[37], buffer[38], buffer[39]]))
        }
        _ => (ipv6::ETHERTYPE, own),
    };
    buffer.copy_within(..len, ethernet::HEADER_LEN);
    buffer[..6].copy_from_slice(&destination.0);
    buffer[6..12].copy_from_slice(&OTHER_SIDE.0);
    buffer[12..14].copy_from_slice(&ethertype.to_be_bytes());
    len + ethernet::HEADER_LEN
}

/// The socket address "every protocol, this port".
fn every_protocol_of(index: u32) -> SockAddr {
    let mut storage = SockAddrStorage::zeroed();
    // SAFETY: the storage is as large and as strictly aligned as any socket address, and all zeroes is a valid sockaddr_ll.
    let address = unsafe { storage.view_as::<libc::sockaddr_ll>() };
    address.sll_family = libc::AF_PACKET as libc::c_ushort;
    address.sll_protocol = (libc::ETH_P_ALL as u16).to_be();
    address.sll_ifindex = index.cast_signed();
    // SAFETY: the storage holds a sockaddr_ll of that length, written above.
    unsafe { SockAddr::new(storage, size_of::<libc::sockaddr_ll>() as libc::socklen_t) }
}

fn let_pass(socket: &Socket, index: u32, kind: libc::c_int) -> io::Result<()> {
    let member =
        libc::packet_mreq { mr_ifindex: index.cast_signed(), mr_type: kind as libc::c_ushort, mr_alen: 0, mr_address: [0; 8] };
    // SAFETY: pointer and length describe `member`, a plain C struct that lives through the call, which copies it.
    let status = unsafe {
        libc::setsockopt(
            socket.as_raw_fd(),
            libc::SOL_PACKET,
            libc::PACKET_ADD_MEMBERSHIP,
            (&raw const member).cast(),
            size_of::<libc::packet_mreq>() as libc::socklen_t,
        )
    };
    if status == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
}

#[cfg(test)]
mod tests;
