//! Membership of a group by this machine's kernel, on one interface: the kernel then speaks IGMP and MLD by itself (ip(7), ipv6(7), RFC 3678).
//!
//! Nothing is read here; whoever wants the group's packets listens on the port.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::os::fd::AsRawFd;

use socket2::{Domain, InterfaceIndexOrAddress, SockAddr, Socket, Type};

/// A membership, until it is dropped.
#[derive(Debug)]
pub struct Membership {
    _socket: Socket,
}

impl Membership {
    /// Joins a group on an interface, of one source or of any.
    ///
    /// # Errors
    /// `ENODEV` when there is no such interface; `ENOBUFS` beyond the kernel's limit of memberships.
    pub fn join(device: &str, index: u32, group: IpAddr, source: Option<IpAddr>) -> io::Result<Self> {
        let socket = Socket::new(if group.is_ipv4() { Domain::IPV4 } else { Domain::IPV6 }, Type::DGRAM.cloexec(), None)?;
        socket.bind_device(Some(device.as_bytes()))?;
        match (group, source) {
            (_, Some(source)) => join_source(&socket, index, group, source)?,
            (IpAddr::V4(group), None) => socket.join_multicast_v4_n(&group, &InterfaceIndexOrAddress::Index(index))?,
            (IpAddr::V6(group), None) => socket.join_multicast_v6(&group, index)?,
        }
        // Not bound to a port, so that no packet of the group is ever queued here.
        Ok(Self { _socket: socket })
    }
}

/// `MCAST_JOIN_SOURCE_GROUP` of RFC 3678 section 5.1.2, for both IP versions.
fn join_source(socket: &Socket, index: u32, group: IpAddr, source: IpAddr) -> io::Result<()> {
    let storage = |address: IpAddr| -> libc::sockaddr_storage {
        let address = SockAddr::from(SocketAddr::new(address, 0));
        // SAFETY: all zeroes is a valid sockaddr_storage.
        let mut storage: libc::sockaddr_storage = unsafe { std::mem::zeroed() };
        // SAFETY: the address is a socket address of that length, which is at most a storage's; both are plain octets.
        unsafe {
            std::ptr::copy_nonoverlapping(
                address.as_ptr().cast::<u8>(),
                (&raw mut storage).cast::<u8>(),
                (address.len() as usize).min(size_of::<libc::sockaddr_storage>()),
            );
        }
        storage
    };
    // struct group_source_req (linux/in.h): the two addresses stand at the alignment of a pointer.
    #[repr(C)]
    struct GroupSource {
        interface: u32,
        group: libc::sockaddr_storage,
        source: libc::sockaddr_storage,
    }
    let request = GroupSource { interface: index, group: storage(group), source: storage(source) };
    let level = if group.is_ipv4() { libc::SOL_IP } else { libc::SOL_IPV6 };
    // SAFETY: pointer and length describe `request`, a plain C struct that lives through the call, which copies it.
    let status = unsafe {
        libc::setsockopt(
            socket.as_raw_fd(),
            level,
            MCAST_JOIN_SOURCE_GROUP,
            (&raw const request).cast(),
            size_of::<GroupSource>() as libc::socklen_t,
        )
    };
    if status == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
}

/// linux/in.h.
const MCAST_JOIN_SOURCE_GROUP: libc::c_int = 46;
