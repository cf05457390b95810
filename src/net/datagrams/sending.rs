//! Sending: trains that the kernel cuts, and single datagrams that it is handed many at a time.

use std::io;
use std::net::SocketAddr;
use std::os::fd::AsRawFd;
use std::sync::atomic::Ordering;
use std::time::Duration;

use socket2::SockAddr;

use super::super::stamped::control;
use super::super::stamped::options::stamp_this;
use super::{BulkSocket, MOST_AT_ONCE};

/// Most octets that one train may have: what a UDP datagram could hold before it is cut.
pub const LONGEST_TRAIN: usize = 65_507;
/// Most datagrams in one train (UDP_MAX_SEGMENTS of the kernel, before it was raised to 128).
pub const MOST_IN_TRAIN: usize = 64;
/// Trains per system call.
const TRAINS: usize = 16;

/// Datagrams to be sent as one: `octets` cut every `size`, the last may be shorter.
#[derive(Debug, Clone, Copy)]
pub struct Train<'a> {
    /// All their payloads, one behind the other; at most [`LONGEST_TRAIN`] and [`MOST_IN_TRAIN`] of them.
    pub octets: &'a [u8],
    /// Octets of each payload.
    pub size: usize,
}

/// A single datagram with its own address and marking.
#[derive(Debug, Clone, Copy)]
pub struct Marked<'a> {
    /// Its payload.
    pub octets: &'a [u8],
    /// Where to.
    pub to: SocketAddr,
    /// DSCP; `None` takes the socket's, which costs less.
    pub dscp: Option<u8>,
    /// Whether the kernel shall tell when it left, by [`BulkSocket::departures`].
    pub stamped: bool,
}

/// Octets of two control messages of an integer at most, on any target.
const MARKING: usize = 48;
/// Nothing to send.
const NO_PART: libc::iovec = libc::iovec { iov_base: std::ptr::null_mut(), iov_len: 0 };

#[derive(Clone, Copy)]
#[repr(C, align(8))]
struct Marking([u8; MARKING]);

impl BulkSocket {
    /// Sends trains to the connected peer, at most sixteen; returns how many went. An error concerns the first.
    ///
    /// # Errors
    /// `WouldBlock` when the kernel has no room; `InvalidInput` for a train that is too long; else what the system says.
    pub fn send(&self, trains: &[Train<'_>]) -> io::Result<usize> {
        if trains.iter().any(|train| train.octets.len() > LONGEST_TRAIN || !(1..=LONGEST_TRAIN).contains(&train.size)) {
            return Err(io::ErrorKind::InvalidInput.into());
        }
        if !self.cuts() {
            return self.send_uncut(trains);
        }
        let count = trains.len().min(TRAINS);
        let mut control = [Marking([0; MARKING]); TRAINS];
        let mut parts = [NO_PART; TRAINS];
        // SAFETY: all-zero (null pointers, zero lengths) is a valid value of this plain C struct.
        let mut headers: [libc::mmsghdr; TRAINS] = unsafe { std::mem::zeroed() };
        for (at, train) in trains.iter().take(count).enumerate() {
            // The kernel only reads through this pointer.
            parts[at] = libc::iovec { iov_base: train.octets.as_ptr().cast_mut().cast(), iov_len: train.octets.len() };
            let header = &mut headers[at].msg_hdr;
            header.msg_iov = &raw mut parts[at];
            header.msg_iovlen = 1;
            if train.octets.len() > train.size {
                let size = (train.size as u16).to_ne_bytes();
                let used = control::put(&mut control[at].0, 0, libc::SOL_UDP, libc::UDP_SEGMENT, &size);
                header.msg_control = control[at].0.as_mut_ptr().cast();
                header.msg_controllen = used as _;
            }
        }
        let flags = libc::MSG_DONTWAIT | libc::MSG_NOSIGNAL;
        // SAFETY: the first `count` headers point at locals and at octets that `trains` borrows, all of which outlive the call
        // with their true lengths; sending does not write to them.
        let sent = unsafe { libc::sendmmsg(self.fd.as_raw_fd(), headers.as_mut_ptr(), count as libc::c_uint, flags) };
        match usize::try_from(sent).map_err(|_| io::Error::last_os_error()) {
            Err(error) if self.gives_up_cutting(&error) => self.send_uncut(trains),
            other => other,
        }
    }

    /// The first train as single datagrams, whole.
    fn send_uncut(&self, trains: &[Train<'_>]) -> io::Result<usize> {
        let Some(train) = trains.first() else { return Ok(0) };
        for (at, datagram) in train.octets.chunks(train.size).enumerate() {
            let mut tries = 0;
            while let Err(error) = self.send_one(datagram, None) {
                // What went of a train can't be taken back, so the rest is waited for; nothing went of one that is refused at once.
                if at == 0 || error.kind() != io::ErrorKind::WouldBlock || tries == 200 {
                    return Err(error);
                }
                tries += 1;
                self.wait(true, Duration::from_millis(5))?;
            }
        }
        Ok(1)
    }

    /// Whether trains are cut by the kernel: an adapter without checksums of its own can't have it (udp(7)).
    fn cuts(&self) -> bool {
        !self.cuts_not.load(Ordering::Relaxed)
    }

    /// Takes note of a refusal to cut.
    fn gives_up_cutting(&self, error: &io::Error) -> bool {
        let refused = matches!(error.raw_os_error(), Some(libc::EIO | libc::EINVAL | libc::EOPNOTSUPP | libc::ENOPROTOOPT));
        if refused {
            self.cuts_not.store(true, Ordering::Relaxed);
        }
        refused
    }

    /// Sends single datagrams, each to its own address with its own marking, at most [`MOST_AT_ONCE`]; returns how many went. Each goes by itself
    /// and never in a train, which software on the way would drop or hold up as one. An error concerns the first.
    ///
    /// # Errors
    /// As [`BulkSocket::send`].
    pub fn send_each(&self, datagrams: &[Marked<'_>]) -> io::Result<usize> {
        let count = datagrams.len().min(MOST_AT_ONCE);
        let mut control = [Marking([0; MARKING]); MOST_AT_ONCE];
        let mut parts = [NO_PART; MOST_AT_ONCE];
        let mut names: [Option<SockAddr>; MOST_AT_ONCE] = [const { None }; MOST_AT_ONCE];
        // SAFETY: all-zero (null pointers, zero lengths) is a valid value of this plain C struct.
        let mut headers: [libc::mmsghdr; MOST_AT_ONCE] = unsafe { std::mem::zeroed() };
        for (at, datagram) in datagrams.iter().take(count).enumerate() {
            // The kernel only reads through these pointers.
            parts[at] = libc::iovec { iov_base: datagram.octets.as_ptr().cast_mut().cast(), iov_len: datagram.octets.len() };
            let header = &mut headers[at].msg_hdr;
            header.msg_iov = &raw mut parts[at];
            header.msg_iovlen = 1;
            let name = names[at].insert(SockAddr::from(datagram.to));
            header.msg_name = name.as_ptr().cast_mut().cast();
            header.msg_namelen = name.len();
            let (space, mut used) = (&mut control[at].0, 0);
            if let Some(dscp) = datagram.dscp {
                let (level, class) = match datagram.to {
                    SocketAddr::V4(_) => (libc::IPPROTO_IP, libc::IP_TOS),
                    SocketAddr::V6(_) => (libc::IPPROTO_IPV6, libc::IPV6_TCLASS),
                };
                used = control::put(space, used, level, class, &(i32::from(dscp) << 2).to_ne_bytes());
            }
            if datagram.stamped {
                used = stamp_this(space, used);
            }
            if used > 0 {
                header.msg_control = space.as_mut_ptr().cast();
                header.msg_controllen = used as _;
            }
        }
        let flags = libc::MSG_DONTWAIT | libc::MSG_NOSIGNAL;
        // SAFETY: the first `count` headers point at locals and at octets that `datagrams` borrows, all of which outlive the call
        // with their true lengths; sending does not write to them.
        let sent = unsafe { libc::sendmmsg(self.fd.as_raw_fd(), headers.as_mut_ptr(), count as libc::c_uint, flags) };
        usize::try_from(sent).map_err(|_| io::Error::last_os_error())
    }
}
