//! Many UDP sockets: one for each flow, each with a source port of its own that the system keeps for it.
//!
//! It knows no protocol. Buffers are small, for nobody waits for these ports: they are looked at by turns.

use std::io::{self, Read};
use std::net::SocketAddr;
use std::os::fd::AsFd;

use socket2::{Domain, Protocol, Socket, Type};

use super::stamped::options;
use crate::unit::Family;

/// Octets, as the kernel counts: some small answers.
const RECEIVE_BUFFER: usize = 16 << 10;

/// The sockets, all bound to one address and one device.
#[derive(Debug)]
pub struct FlowSockets {
    sockets: Vec<Socket>,
    ports: Vec<u16>,
    family: Family,
}

impl FlowSockets {
    /// Opens `count` sockets at `source`, whose port is not used.
    ///
    /// # Errors
    /// What the system says to a socket, for instance that there are too many open files.
    pub fn open(source: SocketAddr, device: &str, count: usize) -> io::Result<Self> {
        let family = Family::of(source.ip());
        let domain = if family == Family::Ipv4 { Domain::IPV4 } else { Domain::IPV6 };
        let mut at = source;
        at.set_port(0);
        let mut flows = Self { sockets: Vec::with_capacity(count), ports: Vec::with_capacity(count), family };
        for _ in 0..count {
            let socket = Socket::new(domain, Type::DGRAM.cloexec().nonblocking(), Some(Protocol::UDP))?;
            socket.bind_device(Some(device.as_bytes()))?;
            socket.set_recv_buffer_size(RECEIVE_BUFFER)?;
            socket.bind(&at.into())?;
            let port = socket.local_addr()?.as_socket().map(|address| address.port());
            flows.ports.push(port.ok_or_else(|| io::Error::other("a socket has no internet address"))?);
            flows.sockets.push(socket);
        }
        Ok(flows)
    }

    /// Sends all later datagrams whole or not at all, whatever the kernel knows of the path's MTU.
    ///
    /// # Errors
    /// What the system says.
    pub fn never_fragment(&self) -> io::Result<()> {
        self.sockets.iter().try_for_each(|socket| options::never_fragment(socket.as_fd(), self.family))
    }

    /// Source port of each flow.
    pub fn ports(&self) -> &[u16] {
        &self.ports
    }

    /// Sends one datagram of a flow at once.
    ///
    /// # Errors
    /// What the system says to the send; nothing was sent then.
    pub fn try_send(&self, flow: usize, bytes: &[u8], to: SocketAddr, hop_limit: u8) -> io::Result<()> {
        let socket = self.sockets.get(flow).ok_or(io::ErrorKind::NotFound)?;
        match self.family {
            Family::Ipv4 => socket.set_ttl_v4(u32::from(hop_limit))?,
            Family::Ipv6 => socket.set_unicast_hops_v6(u32::from(hop_limit))?,
        }
        socket.send_to(bytes, &to.into()).map(drop)
    }

    /// Takes one datagram that came to a flow's port; `None` when there is none.
    ///
    /// # Errors
    /// What the system says to the receive.
    pub fn try_receive(&self, flow: usize, buffer: &mut [u8]) -> io::Result<Option<usize>> {
        let mut socket = self.sockets.get(flow).ok_or(io::ErrorKind::NotFound)?;
        match socket.read(buffer) {
            Ok(len) => Ok(Some(len)),
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => Ok(None),
            Err(error) => Err(error),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::net::UdpSocket;

    use super::*;

    #[test]
    fn each_flow_comes_from_its_own_port() {
        let receiver = UdpSocket::bind("127.0.0.1:0").expect("bind");
        receiver.set_read_timeout(Some(std::time::Duration::from_secs(5))).expect("timeout");
        let flows = FlowSockets::open("127.0.0.1:0".parse().expect("address"), "lo", 8).expect("sockets");
        let mut seen = Vec::new();
        for flow in 0..8 {
            flows.try_send(flow, &[flow as u8], receiver.local_addr().expect("bound"), 5).expect("sent");
            let mut bytes = [0; 8];
            let (_, from) = receiver.recv_from(&mut bytes).expect("received");
            assert_eq!((usize::from(bytes[0]), from.port()), (flow, flows.ports()[flow]));
            receiver.send_to(&[7, flow as u8], from).expect("sent back");
            let length = loop {
                if let Some(length) = flows.try_receive(flow, &mut bytes).expect("received") {
                    break length;
                }
            };
            assert_eq!(length, 2);
            assert_eq!((bytes[1], flows.try_receive(flow, &mut [0; 8]).expect("nothing")), (flow as u8, None));
            seen.push(from.port());
        }
        seen.sort_unstable();
        seen.dedup();
        assert_eq!(seen.len(), 8);
        assert!(flows.try_send(8, &[], receiver.local_addr().expect("bound"), 5).is_err());
    }
}
