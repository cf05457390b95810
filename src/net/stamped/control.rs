//! Control messages of the socket calls, built and read as plain bytes, without pointers into the kernel's structures.
//!
//! A control message is `cmsghdr { len: size_t, level: int, type: int }` and its data, each padded to the size of a
//! `long` (cmsg(3)). Lengths come from the kernel but are checked like anything else that is read.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, SocketAddrV6};

/// Octets kept for control messages of one call: stamps, drop count, TTL, class and an extended error take about 250.
const CONTROL_SPACE: usize = 512;

const HEADER: usize = size_of::<libc::cmsghdr>();
/// Seconds and nanoseconds.
const TIMESPEC: usize = 2 * size_of::<libc::c_long>();

/// Room for control messages, aligned as `cmsghdr` asks.
#[repr(C, align(8))]
pub(in crate::net) struct ControlBuffer(pub(in crate::net) [u8; CONTROL_SPACE]);

impl ControlBuffer {
    pub(in crate::net) fn new() -> Self {
        Self([0; CONTROL_SPACE])
    }

    /// Writes one integer message at `at` and returns the offset behind it.
    pub(in crate::net) fn put_int(&mut self, at: usize, level: i32, kind: i32, value: i32) -> usize {
        self.put(at, level, kind, &value.to_ne_bytes())
    }

    fn put(&mut self, at: usize, level: i32, kind: i32, value: &[u8]) -> usize {
        put(&mut self.0, at, level, kind, value)
    }
}

/// Writes one message at `at` into room that is aligned as `cmsghdr` asks, and returns the offset behind it; `at` where it does not fit.
pub(in crate::net) fn put(room: &mut [u8], at: usize, level: i32, kind: i32, value: &[u8]) -> usize {
    let len = HEADER + value.len();
    let end = at + align(len);
    let Some(space) = room.get_mut(at..end) else { return at };
    space.fill(0);
    space[..size_of::<usize>()].copy_from_slice(&len.to_ne_bytes());
    space[size_of::<usize>()..size_of::<usize>() + 4].copy_from_slice(&level.to_ne_bytes());
    space[size_of::<usize>() + 4..HEADER].copy_from_slice(&kind.to_ne_bytes());
    space[HEADER..len].copy_from_slice(value);
    end
}

fn align(len: usize) -> usize {
    len.next_multiple_of(size_of::<libc::c_long>())
}

/// What the control messages of one receive call said.
#[derive(Debug, Default, Clone, PartialEq)]
pub(in crate::net) struct Ancillary {
    /// Software stamp in nanoseconds since the epoch.
    pub(in crate::net) software_ns: Option<i64>,
    /// The adapter's stamp in nanoseconds of its own clock, whose zero is nobody's business.
    pub(in crate::net) adapter_ns: Option<i64>,
    /// TTL or hop limit on arrival.
    pub(in crate::net) ttl: Option<u8>,
    /// Type of service or traffic class on arrival.
    pub(in crate::net) traffic_class: Option<u8>,
    /// Total of datagrams dropped because the socket's buffer was full.
    pub(in crate::net) drops: Option<u32>,
    /// Extended error, on messages from the error queue.
    pub(in crate::net) error: Option<ExtendedError>,
    /// Octets of each of the datagrams that the kernel joined.
    pub(in crate::net) joined: Option<usize>,
    /// What the kernel took off or knows about a frame, on packet sockets.
    pub(in crate::net) frame: Option<FrameData>,
}

/// `struct tpacket_auxdata` (packet(7)): status, length on the wire, and the outer VLAN tag that was taken off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::net) struct FrameData {
    pub(in crate::net) status: u32,
    pub(in crate::net) len: u32,
    pub(in crate::net) tci: u16,
    pub(in crate::net) tpid: u16,
}

/// `struct sock_extended_err` and the offender behind it (linux/errqueue.h).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::net) struct ExtendedError {
    pub(in crate::net) errno: u32,
    pub(in crate::net) origin: u8,
    pub(in crate::net) kind: u8,
    pub(in crate::net) code: u8,
    pub(in crate::net) info: u32,
    pub(in crate::net) data: u32,
    pub(in crate::net) offender: Option<IpAddr>,
}

/// Reads all control messages; a malformed one ends the walk.
pub(in crate::net) fn parse(mut bytes: &[u8]) -> Ancillary {
    let mut found = Ancillary::default();
    while let Some((level, kind, data, rest)) = split_first(bytes) {
        bytes = rest;
        match (level, kind) {
            (libc::SOL_SOCKET, libc::SCM_TIMESTAMPING) => {
                // struct scm_timestamping: software first, then a deprecated and a raw hardware one; zero means none.
                found.software_ns = timespec_ns(data);
                found.adapter_ns = data.get(2 * TIMESPEC..).and_then(timespec_ns);
            }
            (libc::SOL_SOCKET, libc::SO_RXQ_OVFL) => found.drops = read_u32(data, 0),
            // An int, although it is set as two octets on send.
            (libc::SOL_UDP, libc::UDP_GRO) => found.joined = read_u32(data, 0).and_then(|v| usize::try_from(v).ok()),
            (libc::IPPROTO_IP, libc::IP_TTL) | (libc::IPPROTO_IPV6, libc::IPV6_HOPLIMIT) => {
                found.ttl = read_u32(data, 0).and_then(|v| u8::try_from(v).ok());
            }
            // IP_TOS arrives as one octet, IPV6_TCLASS as an int.
            (libc::IPPROTO_IP, libc::IP_TOS) => found.traffic_class = data.first().copied(),
            (libc::IPPROTO_IPV6, libc::IPV6_TCLASS) => {
                found.traffic_class = read_u32(data, 0).and_then(|v| u8::try_from(v).ok());
            }
            (libc::SOL_PACKET, libc::PACKET_AUXDATA) => found.frame = frame_data(data),
            (libc::IPPROTO_IP, libc::IP_RECVERR)
            | (libc::IPPROTO_IPV6, libc::IPV6_RECVERR)
            | (libc::SOL_PACKET, libc::PACKET_TX_TIMESTAMP) => {
                found.error = extended_error(data);
            }
            _ => {}
        }
    }
    found
}

fn split_first(bytes: &[u8]) -> Option<(i32, i32, &[u8], &[u8])> {
    let len = usize::from_ne_bytes(bytes.get(..size_of::<usize>())?.try_into().ok()?);
    let level = read_u32(bytes, size_of::<usize>())?.cast_signed();
    let kind = read_u32(bytes, size_of::<usize>() + 4)?.cast_signed();
    let data = bytes.get(HEADER..len)?;
    // The last message may lack its padding.
    let rest = bytes.get(align(len)..).unwrap_or(&[]);
    Some((level, kind, data, rest))
}

fn read_u32(data: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_ne_bytes(data.get(at..at.checked_add(4)?)?.try_into().ok()?))
}

fn timespec_ns(data: &[u8]) -> Option<i64> {
    const HALF: usize = TIMESPEC / 2;
    let seconds = libc::c_long::from_ne_bytes(data.get(..HALF)?.try_into().ok()?);
    let nanos = libc::c_long::from_ne_bytes(data.get(HALF..2 * HALF)?.try_into().ok()?);
    #[allow(clippy::useless_conversion, reason = "c_long is i32 on some targets")]
    let ns = i64::from(seconds).checked_mul(1_000_000_000)?.checked_add(i64::from(nanos))?;
    (ns != 0).then_some(ns)
}

fn extended_error(data: &[u8]) -> Option<ExtendedError> {
    let [origin, kind, code, _pad] = data.get(4..8)?.try_into().ok()?;
    Some(ExtendedError {
        errno: read_u32(data, 0)?,
        origin,
        kind,
        code,
        info: read_u32(data, 8)?,
        data: read_u32(data, 12)?,
        // SO_EE_OFFENDER: a socket address directly behind; family 0 when nobody is known.
        offender: data.get(16..).and_then(socket_address).map(|a| a.ip()),
    })
}

fn frame_data(data: &[u8]) -> Option<FrameData> {
    let half = |at: usize| Some(u16::from_ne_bytes(data.get(at..at + 2)?.try_into().ok()?));
    Some(FrameData { status: read_u32(data, 0)?, len: read_u32(data, 4)?, tci: half(16)?, tpid: half(18)? })
}

/// Reads a kernel `sockaddr_in` or `sockaddr_in6`.
pub(in crate::net) fn socket_address(bytes: &[u8]) -> Option<SocketAddr> {
    let family = i32::from(u16::from_ne_bytes(bytes.get(..2)?.try_into().ok()?));
    let port = u16::from_be_bytes(bytes.get(2..4)?.try_into().ok()?);
    match family {
        libc::AF_INET => {
            let octets: [u8; 4] = bytes.get(4..8)?.try_into().ok()?;
            Some(SocketAddr::from((Ipv4Addr::from(octets), port)))
        }
        libc::AF_INET6 => {
            let octets: [u8; 16] = bytes.get(8..24)?.try_into().ok()?;
            let flow = u32::from_be_bytes(bytes.get(4..8)?.try_into().ok()?);
            Some(SocketAddrV6::new(Ipv6Addr::from(octets), port, flow, read_u32(bytes, 24)?).into())
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(level: i32, kind: i32, data: &[u8]) -> Vec<u8> {
        let mut bytes = (HEADER + data.len()).to_ne_bytes().to_vec();
        bytes.extend(level.to_ne_bytes());
        bytes.extend(kind.to_ne_bytes());
        bytes.extend(data);
        bytes.resize(align(bytes.len()), 0);
        bytes
    }

    fn sample() -> Vec<u8> {
        let mut stamps = Vec::new();
        for half in [1_700_000_000_i64, 5, 0, 0, 0, 0] {
            stamps.extend((half as libc::c_long).to_ne_bytes());
        }
        let mut error = 111_u32.to_ne_bytes().to_vec();
        error.extend([2, 3, 4, 0]);
        error.extend(1400_u32.to_ne_bytes());
        error.extend(7_u32.to_ne_bytes());
        error.extend((libc::AF_INET as u16).to_ne_bytes());
        error.extend([0, 0, 192, 0, 2, 1, 0, 0, 0, 0, 0, 0, 0, 0]);
        let mut all = message(libc::SOL_SOCKET, libc::SCM_TIMESTAMPING, &stamps);
        all.extend(message(libc::IPPROTO_IP, libc::IP_TTL, &61_i32.to_ne_bytes()));
        all.extend(message(libc::IPPROTO_IP, libc::IP_TOS, &[0xb8]));
        all.extend(message(libc::SOL_SOCKET, libc::SO_RXQ_OVFL, &9_u32.to_ne_bytes()));
        all.extend(message(libc::IPPROTO_IP, libc::IP_RECVERR, &error));
        let mut frame = [0x51_u32, 1518, 600].map(u32::to_ne_bytes).concat();
        frame.extend([14_u16, 14, 0x2023, 0x88a8].map(u16::to_ne_bytes).concat());
        all.extend(message(libc::SOL_PACKET, libc::PACKET_AUXDATA, &frame));
        all
    }

    #[test]
    fn all_messages_of_one_call_are_read() {
        let found = parse(&sample());
        assert_eq!(found.software_ns, Some(1_700_000_000_000_000_005));
        assert_eq!((found.ttl, found.traffic_class, found.drops), (Some(61), Some(0xb8), Some(9)));
        let error = found.error.unwrap();
        assert_eq!((error.origin, error.kind, error.code, error.info, error.data), (2, 3, 4, 1400, 7));
        assert_eq!(error.offender, Some(Ipv4Addr::new(192, 0, 2, 1).into()));
        assert_eq!(found.frame, Some(FrameData { status: 0x51, len: 1518, tci: 0x2023, tpid: 0x88a8 }));
    }

    #[test]
    fn the_adapter_s_stamp_is_the_third_and_zero_is_none() {
        // struct scm_timestamping (linux/errqueue.h): software, deprecated, raw hardware.
        let stamps = |halves: [libc::c_long; 6]| {
            let found = parse(&message(
                libc::SOL_SOCKET,
                libc::SCM_TIMESTAMPING,
                &halves.iter().flat_map(|half| half.to_ne_bytes()).collect::<Vec<_>>(),
            ));
            (found.software_ns, found.adapter_ns)
        };
        assert_eq!(stamps([5, 6, 7, 8, 9, 10]), (Some(5_000_000_006), Some(9_000_000_010)));
        assert_eq!(stamps([0, 0, 0, 0, 9, 10]), (None, Some(9_000_000_010)), "a transmit stamp of the adapter comes alone");
        assert_eq!(stamps([5, 6, 0, 0, 0, 0]), (Some(5_000_000_006), None));
        // Kernels may give fewer.
        let short: Vec<u8> = [5, 6].iter().flat_map(|half: &libc::c_long| half.to_ne_bytes()).collect();
        let found = parse(&message(libc::SOL_SOCKET, libc::SCM_TIMESTAMPING, &short));
        assert_eq!((found.software_ns, found.adapter_ns), (Some(5_000_000_006), None));
    }

    #[test]
    fn truncated_and_absurd_control_messages_are_ignored() {
        let whole = sample();
        for end in 0..whole.len() {
            parse(&whole[..end]);
        }
        for len in [0, 1, HEADER - 1, usize::MAX, usize::MAX - 7] {
            let mut bad = whole.clone();
            bad[..size_of::<usize>()].copy_from_slice(&len.to_ne_bytes());
            parse(&bad);
        }
    }

    #[test]
    fn integers_that_are_written_read_back() {
        let mut buffer = ControlBuffer::new();
        let end = buffer.put_int(0, libc::IPPROTO_IP, libc::IP_TTL, 7);
        let end = buffer.put_int(end, libc::IPPROTO_IPV6, libc::IPV6_TCLASS, 0x28);
        let found = parse(&buffer.0[..end]);
        assert_eq!((found.ttl, found.traffic_class), (Some(7), Some(0x28)));
    }
}
