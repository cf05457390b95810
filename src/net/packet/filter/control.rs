//! The program that lets control traffic pass and keeps what fills a line out of the capture's way.
//!
//! Coarse on purpose: what it lets pass is looked at again ([`crate::wire::mask`]). A frame with an inner tag passes whole, since
//! nothing behind the tag stands where it is looked for.

use socket2::SockFilter;

use super::{ETHERTYPE_ARP, ETHERTYPE_AT, ETHERTYPE_IPV4, ETHERTYPE_IPV6, IP_AT, PROTOCOL_UDP, WHOLE, branch, give};

const PROTOCOL_ICMP: u32 = 1;
const PROTOCOL_IGMP: u32 = 2;
const NEXT_HOP_BY_HOP: u32 = 0;
const NEXT_ICMPV6: u32 = 58;
const PPPOE_DISCOVERY: u32 = 0x8863;
const PPPOE_SESSION: u32 = 0x8864;
const TAG: u32 = 0x8100;
const PROVIDER_TAG: u32 = 0x88a8;
/// PPP behind the PPPoE header; its own protocols from 0x8000 on, IPv4 and IPv6 below (RFC 1661 section 2).
const PPP_AT: u32 = IP_AT + 6;
const PPP_IPV4: u32 = 0x21;
const PPP_IPV6: u32 = 0x57;

/// One step of a program: what to do, and where to go on.
enum Step {
    /// An instruction without a condition: code and value.
    Do(u32, u32),
    /// Passes when the condition holds, else goes on.
    PassIf(u32, u32),
    /// Goes to a place when the value is equal, else goes on.
    GoIf(u32, Place),
    Drop,
    Here(Place),
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Place {
    Ipv4,
    Ipv6,
    Session,
    Datagram4,
    PppIpv4,
    PppIpv6,
    PppDatagram6,
    Datagram6,
}

/// The program.
pub(super) fn program() -> Vec<SockFilter> {
    use Step::{Do, Drop, GoIf, Here, PassIf};
    let (half, octet) = (libc::BPF_H, libc::BPF_B);
    let at = |width, at| Do(libc::BPF_LD | width | libc::BPF_ABS, at);
    let equal = |value| PassIf(libc::BPF_JEQ, value);
    assemble(&[
        at(half, ETHERTYPE_AT),
        equal(ETHERTYPE_ARP),
        equal(PPPOE_DISCOVERY),
        equal(TAG),
        equal(PROVIDER_TAG),
        GoIf(ETHERTYPE_IPV4, Place::Ipv4),
        GoIf(ETHERTYPE_IPV6, Place::Ipv6),
        GoIf(PPPOE_SESSION, Place::Session),
        Drop,
        Here(Place::Ipv4),
        at(octet, IP_AT + 9),
        equal(PROTOCOL_ICMP),
        equal(PROTOCOL_IGMP),
        GoIf(PROTOCOL_UDP, Place::Datagram4),
        Drop,
        Here(Place::Datagram4),
        Do(libc::BPF_LDX | libc::BPF_B | libc::BPF_MSH, IP_AT),
        Do(libc::BPF_LD | half | libc::BPF_IND, IP_AT + 2),
        equal(67),
        equal(68),
        Drop,
        Here(Place::Ipv6),
        at(octet, IP_AT + 6),
        equal(NEXT_ICMPV6),
        equal(NEXT_HOP_BY_HOP),
        GoIf(PROTOCOL_UDP, Place::Datagram6),
        Drop,
        Here(Place::Datagram6),
        at(half, IP_AT + 42),
        equal(546),
        equal(547),
        Drop,
        Here(Place::Session),
        at(half, PPP_AT),
        PassIf(libc::BPF_JGE, 0x8000),
        GoIf(PPP_IPV4, Place::PppIpv4),
        GoIf(PPP_IPV6, Place::PppIpv6),
        Drop,
        Here(Place::PppIpv4),
        at(octet, PPP_AT + 2 + 9),
        equal(PROTOCOL_ICMP),
        equal(PROTOCOL_IGMP),
        Drop,
        Here(Place::PppIpv6),
        at(octet, PPP_AT + 2 + 6),
        equal(NEXT_ICMPV6),
        equal(NEXT_HOP_BY_HOP),
        GoIf(PROTOCOL_UDP, Place::PppDatagram6),
        Drop,
        Here(Place::PppDatagram6),
        at(half, PPP_AT + 2 + 42),
        equal(546),
        equal(547),
        Drop,
    ])
}

/// Turns places into distances; what passes goes to the last instruction.
fn assemble(steps: &[Step]) -> Vec<SockFilter> {
    let is_instruction = |step: &&Step| !matches!(step, Step::Here(_));
    let count = steps.iter().filter(is_instruction).count();
    let position = |place: Place| {
        let behind = steps.iter().position(|step| matches!(step, Step::Here(here) if *here == place)).unwrap_or(steps.len());
        steps[..behind].iter().filter(is_instruction).count()
    };
    let mut program: Vec<SockFilter> = Vec::with_capacity(count + 1);
    for step in steps {
        // A distance counts from the next instruction; the program is far shorter than 256.
        let to = |target: usize, from: usize| (target - from - 1) as u8;
        let at = program.len();
        match step {
            Step::Do(code, value) => program.push(SockFilter::new(*code as u16, 0, 0, *value)),
            Step::PassIf(condition, value) => program.push(branch(*condition, *value, to(count, at), 0)),
            Step::GoIf(value, place) => program.push(branch(libc::BPF_JEQ, *value, to(position(*place), at), 0)),
            Step::Drop => program.push(give(0)),
            Step::Here(_) => {}
        }
    }
    program.push(give(WHOLE));
    program
}
