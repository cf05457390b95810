//! Sockets of TCP and UDP that belong to one interface: what they send leaves there, whatever the routes say.
//!
//! Ordinary sockets, without time stamps. It must not know what is said over them.

use std::io;
use std::net::{Ipv4Addr, SocketAddr, SocketAddrV4};

use socket2::{Domain, Socket, Type};
use tokio::net::{TcpSocket, TcpStream, UdpSocket};

/// A socket of TCP bound to an interface, not yet connected.
///
/// # Errors
/// `PermissionDenied` without CAP_NET_RAW on kernels before 5.7; `ENODEV` when there is no such interface.
pub fn stream(to: SocketAddr, device: &str) -> io::Result<Socket> {
    let socket = Socket::new(Domain::for_address(to), Type::STREAM, None)?;
    socket.bind_device(Some(device.as_bytes()))?;
    Ok(socket)
}

/// A connection of TCP over an interface. Takes as long as the kernel tries; the caller bounds it.
///
/// # Errors
/// As [`stream`], and what the other side says.
pub async fn connect(to: SocketAddr, device: &str) -> io::Result<TcpStream> {
    let socket = stream(to, device)?;
    socket.set_nonblocking(true)?;
    TcpSocket::from_std_stream(socket.into()).connect(to).await
}

/// A socket of UDP on an interface that can ask groups on its link: `from` is the interface's address, `hops` the time to
/// live of what is sent to a group.
///
/// # Errors
/// As [`stream`]; `EADDRNOTAVAIL` when the address is not held.
pub fn asking_groups(from: Ipv4Addr, device: &str, hops: u32) -> io::Result<UdpSocket> {
    let socket = Socket::new(Domain::IPV4, Type::DGRAM, None)?;
    socket.set_nonblocking(true)?;
    socket.bind_device(Some(device.as_bytes()))?;
    socket.set_multicast_if_v4(&from)?;
    socket.set_multicast_ttl_v4(hops)?;
    socket.set_multicast_loop_v4(false)?;
    socket.bind(&SocketAddr::V4(SocketAddrV4::new(from, 0)).into())?;
    UdpSocket::from_std(socket.into())
}
