//! Which frames a packet socket gets: classic BPF programs, run by the kernel before a frame is queued.

use std::io;

use socket2::{SockFilter, Socket};

/// Which frames to take. The outer VLAN tag was taken off before, so tagged frames are sorted like others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Filter {
    /// Everything.
    All,
    /// Router advertisements of IPv6, without extension headers before them.
    RouterAdvertisement,
    /// All of ICMPv6, without extension headers before it.
    Icmp6,
    /// UDP over IPv6 to this port, without extension headers before it.
    Udp6 {
        /// Destination port.
        port: u16,
    },
    /// Frames of this EtherType.
    EtherType(u16),
    /// UDP over IPv4 to this port, in one piece or the first fragment.
    Udp {
        /// Destination port.
        port: u16,
        /// ARP too.
        with_arp: bool,
    },
}

/// Octets of a frame that are handed over: all of any frame.
const WHOLE: u32 = 0x4_0000;
const ETHERTYPE_AT: u32 = 12;
const IP_AT: u32 = 14;
const ETHERTYPE_IPV4: u32 = 0x0800;
const ETHERTYPE_ARP: u32 = 0x0806;
const PROTOCOL_UDP: u32 = 17;
const ETHERTYPE_IPV6: u32 = 0x86dd;
const NEXT_HEADER_ICMP: u32 = 58;
const ROUTER_ADVERTISEMENT: u32 = 134;

/// A conditional jump: forward distances for true and false.
fn branch(condition: u32, value: u32, if_true: u8, if_false: u8) -> SockFilter {
    SockFilter::new((libc::BPF_JMP | condition | libc::BPF_K) as u16, if_true, if_false, value)
}

/// A load of `width` at a fixed offset (`BPF_ABS`) or behind the index register (`BPF_IND`).
fn load(width: u32, mode: u32, at: u32) -> SockFilter {
    SockFilter::new((libc::BPF_LD | width | mode) as u16, 0, 0, at)
}

fn give(octets: u32) -> SockFilter {
    SockFilter::new((libc::BPF_RET | libc::BPF_K) as u16, 0, 0, octets)
}

fn udp(port: u16, with_arp: bool) -> [SockFilter; 12] {
    // A load beyond the end of the frame refuses it.
    [
        load(libc::BPF_H, libc::BPF_ABS, ETHERTYPE_AT),
        branch(libc::BPF_JEQ, if with_arp { ETHERTYPE_ARP } else { u32::MAX }, 8, 0), // 1: ARP -> 10
        branch(libc::BPF_JEQ, ETHERTYPE_IPV4, 0, 8),                                  // 2: else -> 11
        load(libc::BPF_B, libc::BPF_ABS, IP_AT + 9),
        branch(libc::BPF_JEQ, PROTOCOL_UDP, 0, 6), // 4: else -> 11
        load(libc::BPF_H, libc::BPF_ABS, IP_AT + 6),
        branch(libc::BPF_JSET, 0x1fff, 4, 0), // 6: a later fragment -> 11
        SockFilter::new((libc::BPF_LDX | libc::BPF_B | libc::BPF_MSH) as u16, 0, 0, IP_AT), // x = IP header length
        load(libc::BPF_H, libc::BPF_IND, IP_AT + 2),
        branch(libc::BPF_JEQ, u32::from(port), 0, 1), // 9: else -> 11
        give(WHOLE),
        give(0),
    ]
}

fn router_advertisement() -> [SockFilter; 8] {
    [
        load(libc::BPF_H, libc::BPF_ABS, ETHERTYPE_AT),
        branch(libc::BPF_JEQ, ETHERTYPE_IPV6, 0, 5), // 1: else -> 7
        load(libc::BPF_B, libc::BPF_ABS, IP_AT + 6),
        branch(libc::BPF_JEQ, NEXT_HEADER_ICMP, 0, 3), // 3: else -> 7
        load(libc::BPF_B, libc::BPF_ABS, IP_AT + 40),
        branch(libc::BPF_JEQ, ROUTER_ADVERTISEMENT, 0, 1), // 5: else -> 7
        give(WHOLE),
        give(0),
    ]
}

fn icmp6() -> [SockFilter; 6] {
    [
        load(libc::BPF_H, libc::BPF_ABS, ETHERTYPE_AT),
        branch(libc::BPF_JEQ, ETHERTYPE_IPV6, 0, 3), // 1: else -> 5
        load(libc::BPF_B, libc::BPF_ABS, IP_AT + 6),
        branch(libc::BPF_JEQ, NEXT_HEADER_ICMP, 0, 1), // 3: else -> 5
        give(WHOLE),
        give(0),
    ]
}

fn udp6(port: u16) -> [SockFilter; 8] {
    [
        load(libc::BPF_H, libc::BPF_ABS, ETHERTYPE_AT),
        branch(libc::BPF_JEQ, ETHERTYPE_IPV6, 0, 5), // 1: else -> 7
        load(libc::BPF_B, libc::BPF_ABS, IP_AT + 6),
        branch(libc::BPF_JEQ, PROTOCOL_UDP, 0, 3), // 3: else -> 7
        load(libc::BPF_H, libc::BPF_ABS, IP_AT + 40 + 2),
        branch(libc::BPF_JEQ, u32::from(port), 0, 1), // 5: else -> 7
        give(WHOLE),
        give(0),
    ]
}

fn ethertype(wanted: u16) -> [SockFilter; 4] {
    [
        load(libc::BPF_H, libc::BPF_ABS, ETHERTYPE_AT),
        branch(libc::BPF_JEQ, u32::from(wanted), 0, 1), // 1: else -> 3
        give(WHOLE),
        give(0),
    ]
}

/// Attaches the filter's program.
pub(super) fn attach(socket: &Socket, filter: Filter) -> io::Result<()> {
    match filter {
        Filter::All => Ok(()),
        Filter::RouterAdvertisement => socket.attach_filter(&router_advertisement()),
        Filter::Icmp6 => socket.attach_filter(&icmp6()),
        Filter::Udp6 { port } => socket.attach_filter(&udp6(port)),
        Filter::EtherType(wanted) => socket.attach_filter(&ethertype(wanted)),
        Filter::Udp { port, with_arp } => socket.attach_filter(&udp(port, with_arp)),
    }
}
