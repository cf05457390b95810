//! Which frames a packet socket gets: classic BPF programs, run by the kernel before a frame is queued.

mod control;

use std::io;

use socket2::{SockFilter, Socket};

use crate::wire::ethernet::{PROVIDER_TAG, TAG};
use crate::wire::vlan::{TAG_LEN, TagStack};
use crate::wire::{ppp, pppoe};

/// Which frames to take. The outer VLAN tag was taken off before the program runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Filter {
    /// Everything.
    All,
    /// Router advertisements of IPv6, without extension headers before them.
    RouterAdvertisement,
    /// Control traffic, as [`crate::wire::mask`] knows it, and a little more.
    Control,
    /// Frames to more than one: broadcast and multicast, only their headers.
    Group,
    /// The same, whole.
    WholeGroup,
    /// All of ICMPv6, without extension headers before it.
    Icmp6,
    /// UDP over IPv6 to this port, without extension headers before it.
    Udp6 {
        /// Destination port.
        port: u16,
    },
    /// Frames of this EtherType, whatever the tag that was taken off.
    EtherType(u16),
    /// All frames of one VLAN; without tags, all that have none.
    Vlan(TagStack),
    /// PPPoE discovery and session frames of one VLAN, but not the IP inside sessions.
    PppoeControl(TagStack),
    /// IP of one PPPoE session.
    SessionIp {
        /// The VLAN.
        stack: TagStack,
        /// The session.
        session: u16,
    },
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
/// Octets of a frame that is only counted.
const HEADERS: u32 = 64;
const ETHERTYPE_AT: u32 = 12;
/// Where a program finds the EtherType on a port with or without link layer, and where the IP header begins (linux/filter.h).
const PROTOCOL_AT: u32 = (libc::SKF_AD_OFF + libc::SKF_AD_PROTOCOL).cast_unsigned();
const IP_AT: u32 = libc::SKF_NET_OFF.cast_unsigned();
const ETHERTYPE_IPV4: u32 = 0x0800;
const ETHERTYPE_ARP: u32 = 0x0806;
const PROTOCOL_UDP: u32 = 17;
const ETHERTYPE_IPV6: u32 = 0x86dd;
const NEXT_HEADER_ICMP: u32 = 58;
const ROUTER_ADVERTISEMENT: u32 = 134;
const TAG_KINDS: [u32; 2] = [TAG as u32, PROVIDER_TAG as u32];
/// Where a program finds the tag that the kernel has put aside (linux/filter.h: `SKF_AD_OFF` + `SKF_AD_VLAN_TAG`).
const OUTERMOST_TAG: u32 = (libc::SKF_AD_OFF + libc::SKF_AD_VLAN_TAG).cast_unsigned();

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
        load(libc::BPF_H, libc::BPF_ABS, PROTOCOL_AT),
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

/// What has to hold of a frame: the register, after `loads`, is one of `values` (or none of them).
struct Condition {
    loads: Vec<SockFilter>,
    values: Vec<u32>,
    is_among: bool,
}

impl Condition {
    fn one_of(loads: Vec<SockFilter>, values: Vec<u32>) -> Self {
        Self { loads, values, is_among: true }
    }

    fn half_word(at: u32, values: Vec<u32>) -> Self {
        Self::one_of(vec![load(libc::BPF_H, libc::BPF_ABS, at)], values)
    }

    fn octet(at: u32, value: u32) -> Self {
        Self::one_of(vec![load(libc::BPF_B, libc::BPF_ABS, at)], vec![value])
    }

    /// The VLAN number in a half word that is loaded from here.
    fn vlan(at: u32, number: u16) -> Self {
        let mask = SockFilter::new((libc::BPF_ALU | libc::BPF_AND | libc::BPF_K) as u16, 0, 0, 0x0fff);
        Self::one_of(vec![load(libc::BPF_H, libc::BPF_ABS, at), mask], vec![u32::from(number)])
    }
}

/// Takes frames for which all conditions hold. A load beyond the end of the frame refuses it.
fn all_of(conditions: Vec<Condition>) -> Vec<SockFilter> {
    let refuse = conditions.iter().map(|c| c.loads.len() + c.values.len()).sum::<usize>() + 1;
    let mut program = Vec::with_capacity(refuse + 1);
    for Condition { loads, values, is_among } in conditions {
        program.extend(loads);
        for (n, value) in values.iter().enumerate() {
            let (behind, to_refusal) = (values.len() - 1 - n, (refuse - program.len() - 1) as u8);
            let (if_true, if_false) = match (is_among, behind) {
                (true, 0) => (0, to_refusal),
                (true, behind) => (behind as u8, 0),
                (false, _) => (to_refusal, 0),
            };
            program.push(branch(libc::BPF_JEQ, *value, if_true, if_false));
        }
    }
    program.extend([give(WHOLE), give(0)]);
    program
}

fn router_advertisement() -> Vec<SockFilter> {
    all_of(vec![
        Condition::half_word(PROTOCOL_AT, vec![ETHERTYPE_IPV6]),
        Condition::octet(IP_AT + 6, NEXT_HEADER_ICMP),
        Condition::octet(IP_AT + 40, ROUTER_ADVERTISEMENT),
    ])
}

/// The tags of a handoff, and where the EtherType stands behind those that are still in the frame.
fn in_vlan(stack: &TagStack) -> (Vec<Condition>, u32) {
    let numbers: Vec<u16> = stack.tags().iter().map(|tag| tag.vlan()).collect();
    // Zero where there is no tag or a bare priority.
    let mut conditions = vec![Condition::vlan(OUTERMOST_TAG, numbers.first().copied().unwrap_or(0))];
    let mut at = ETHERTYPE_AT;
    for number in numbers.iter().skip(1) {
        conditions.push(Condition::half_word(at, TAG_KINDS.to_vec()));
        conditions.push(Condition::vlan(at + 2, *number));
        at += TAG_LEN as u32;
    }
    (conditions, at)
}

fn vlan(stack: &TagStack) -> Vec<SockFilter> {
    let (mut conditions, at) = in_vlan(stack);
    conditions.push(Condition { is_among: false, ..Condition::half_word(at, TAG_KINDS.to_vec()) });
    all_of(conditions)
}

/// What stands where a session frame has its PPP protocol; in a discovery frame there is the number of a tag, and none has
/// these.
fn ppp_protocol(at: u32) -> Condition {
    Condition::half_word(at + 2 + pppoe::HEADER_LEN as u32, vec![u32::from(ppp::IPV4), u32::from(ppp::IPV6)])
}

fn pppoe_control(stack: &TagStack) -> Vec<SockFilter> {
    let (mut conditions, at) = in_vlan(stack);
    conditions.push(Condition::half_word(at, vec![u32::from(pppoe::DISCOVERY), u32::from(pppoe::SESSION)]));
    conditions.push(Condition { is_among: false, ..ppp_protocol(at) });
    all_of(conditions)
}

fn session_ip(stack: &TagStack, session: u16) -> Vec<SockFilter> {
    let (mut conditions, at) = in_vlan(stack);
    conditions.push(Condition::half_word(at, vec![u32::from(pppoe::SESSION)]));
    conditions.push(Condition::half_word(at + 4, vec![u32::from(session)]));
    conditions.push(ppp_protocol(at));
    all_of(conditions)
}

/// The lowest bit of the first octet of the destination (IEEE 802 section 8.2, "I/G").
fn group(octets: u32) -> [SockFilter; 4] {
    [
        load(libc::BPF_B, libc::BPF_ABS, 0),
        branch(libc::BPF_JSET, 1, 0, 1), // 1: else -> 3
        give(octets),
        give(0),
    ]
}

fn icmp6() -> Vec<SockFilter> {
    all_of(vec![Condition::half_word(PROTOCOL_AT, vec![ETHERTYPE_IPV6]), Condition::octet(IP_AT + 6, NEXT_HEADER_ICMP)])
}

fn udp6(port: u16) -> Vec<SockFilter> {
    all_of(vec![
        Condition::half_word(PROTOCOL_AT, vec![ETHERTYPE_IPV6]),
        Condition::octet(IP_AT + 6, PROTOCOL_UDP),
        Condition::half_word(IP_AT + 40 + 2, vec![u32::from(port)]),
    ])
}

/// Attaches the filter's program.
pub(in crate::net) fn attach(socket: &Socket, filter: Filter) -> io::Result<()> {
    match filter {
        Filter::All => Ok(()),
        Filter::RouterAdvertisement => socket.attach_filter(&router_advertisement()),
        Filter::EtherType(wanted) => socket.attach_filter(&all_of(vec![Condition::half_word(PROTOCOL_AT, vec![wanted.into()])])),
        Filter::Vlan(stack) => socket.attach_filter(&vlan(&stack)),
        Filter::PppoeControl(stack) => socket.attach_filter(&pppoe_control(&stack)),
        Filter::SessionIp { stack, session } => socket.attach_filter(&session_ip(&stack, session)),
        Filter::Control => socket.attach_filter(&control::program()),
        Filter::Group => socket.attach_filter(&group(HEADERS)),
        Filter::WholeGroup => socket.attach_filter(&group(WHOLE)),
        Filter::Icmp6 => socket.attach_filter(&icmp6()),
        Filter::Udp6 { port } => socket.attach_filter(&udp6(port)),
        Filter::Udp { port, with_arp } => socket.attach_filter(&udp(port, with_arp)),
    }
}
