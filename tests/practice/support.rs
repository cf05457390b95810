//! What the tests share: a bare line with a laptop address, and an ICMP echo by hand.

use std::io::{self, Read};
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use doorstep::practice::{Node, PracticeLine};
use socket2::{Domain, Protocol, Socket, Type};

pub(crate) use crate::lab::{bare, build};

/// Sends one ICMP echo request from a place and waits for its reply: RFC 792, RFC 4443 section 4.
pub(crate) fn ping(line: &PracticeLine, from: Node, to: IpAddr, sequence: u16) -> io::Result<Duration> {
    line.namespace(from).run(move || ping_here(to, sequence, Duration::from_secs(2)))
}

/// Resolves all addresses on the way, also over a line that loses frames.
pub(crate) fn warm_up(line: &PracticeLine, from: Node, to: IpAddr) {
    let answered = |n| line.namespace(from).run(move || ping_here(to, n, Duration::from_millis(300))).is_ok();
    assert!((0..20).any(answered), "{to} does not answer {from:?}");
}

/// The same in the calling thread's namespace.
pub(crate) fn ping_here(to: IpAddr, sequence: u16, limit: Duration) -> io::Result<Duration> {
    let (domain, protocol, request, reply, header) = match to {
        IpAddr::V4(_) => (Domain::IPV4, Protocol::ICMPV4, 8, 0, 20),
        IpAddr::V6(_) => (Domain::IPV6, Protocol::ICMPV6, 128, 129, 0),
    };
    let socket = Socket::new(domain, Type::RAW, Some(protocol))?;
    socket.set_read_timeout(Some(limit))?;
    let [high, low] = sequence.to_be_bytes();
    let mut packet = [request, 0, 0, 0, 0x70, 0x11, high, low];
    // RFC 1071; for ICMPv6 the kernel fills it in.
    let sum: u32 = packet.chunks(2).map(|pair| u32::from(u16::from_be_bytes([pair[0], pair[1]]))).sum();
    let sum = !(((sum & 0xffff) + (sum >> 16)) as u16);
    packet[2..4].copy_from_slice(&sum.to_be_bytes());
    let start = Instant::now();
    socket.send_to(&packet, &SocketAddr::new(to, 0).into())?;
    let mut buffer = [0; 200];
    loop {
        let len = (&socket).read(&mut buffer)?;
        let message = buffer[..len].get(header..).unwrap_or_default();
        if message.len() >= 8 && message[0] == reply && message[4..8] == packet[4..8] {
            return Ok(start.elapsed());
        }
    }
}
