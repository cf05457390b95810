//! One function per parser: it reads the octets, walks everything that was read, and writes it again where it can be
//! written.
//!
//! Two users share it: the fuzz targets beside it, and `tests/hostile_bytes.rs`, which includes this very file, so that
//! the ordinary test run feeds the same functions. A function must not panic and must take time in proportion to its
//! input; what it asserts are laws of the parser, never a particular result. It must not know who draws the octets.

mod call;
mod capacity;
mod channel;
mod home;
mod link;
mod membership;
mod packets;
mod path;
mod seeds;
mod seeds6;
mod sip;
mod stamp;
mod text;
mod train;
mod web;

pub use call::call;
pub use capacity::capacity;
pub use channel::{rtp, transport};
pub use home::{igd, ssdp};
pub use link::link;
pub use membership::membership;
pub use packets::{dhcp4, dhcp6, dns, icmp, mask, ppp, pppoe, ra, stun, syn, vlan};
pub use sip::sip;
pub use stamp::stamp;
pub use text::{api, invitation, line_facts, oui, profile, record};
pub use train::train;
pub use web::web;

/// A parser under attack.
#[derive(Debug, Clone, Copy)]
pub struct Parser {
    /// Name of its fuzz target.
    pub name: &'static str,
    /// Its body.
    pub feed: fn(&[u8]),
    /// Valid input to start from.
    pub seeds: fn() -> Vec<Vec<u8>>,
    /// Large input that is made to be slow or deep.
    pub worst: fn() -> Vec<Vec<u8>>,
}

/// All of them.
pub const PARSERS: [Parser; 29] = [
    Parser { name: "call", feed: call, seeds: call::seeds, worst: call::worst },
    Parser { name: "capacity", feed: capacity, seeds: capacity::seeds, worst: capacity::worst },
    Parser { name: "dhcp4", feed: dhcp4, seeds: seeds::dhcp4, worst: seeds::worst_dhcp4 },
    Parser { name: "dhcp6", feed: dhcp6, seeds: seeds6::dhcp6, worst: seeds6::worst_dhcp6 },
    Parser { name: "dns", feed: dns, seeds: seeds::dns, worst: seeds::worst_dns },
    Parser { name: "icmp", feed: icmp, seeds: seeds::icmp, worst: seeds::worst_icmp },
    Parser { name: "oui", feed: oui, seeds: seeds::oui, worst: seeds::worst_oui },
    Parser { name: "ppp", feed: ppp, seeds: seeds::ppp, worst: seeds::worst_ppp },
    Parser { name: "vlan", feed: vlan, seeds: seeds::vlan, worst: seeds::worst_vlan },
    Parser { name: "pppoe", feed: pppoe, seeds: seeds::pppoe, worst: seeds::worst_pppoe },
    Parser { name: "ra", feed: ra, seeds: seeds::ra, worst: seeds::worst_ra },
    Parser { name: "ssdp", feed: ssdp, seeds: home::ssdp_seeds, worst: home::worst_ssdp },
    Parser { name: "igd", feed: igd, seeds: home::igd_seeds, worst: home::worst_igd },
    Parser { name: "membership", feed: membership, seeds: membership::seeds, worst: membership::worst },
    Parser { name: "mask", feed: mask, seeds: seeds::mask, worst: seeds::worst_mask },
    Parser { name: "rtp", feed: rtp, seeds: channel::rtp_seeds, worst: channel::worst_rtp },
    Parser { name: "transport", feed: transport, seeds: channel::transport_seeds, worst: channel::worst_transport },
    Parser { name: "sip", feed: sip, seeds: sip::seeds, worst: sip::worst },
    Parser { name: "stamp", feed: stamp, seeds: seeds::stamp, worst: seeds::worst_stamp },
    Parser { name: "stun", feed: stun, seeds: seeds::stun, worst: seeds::worst_stun },
    Parser { name: "syn", feed: syn, seeds: seeds::syn, worst: seeds::worst_syn },
    Parser { name: "train", feed: train, seeds: train::seeds, worst: train::worst },
    Parser { name: "link", feed: link, seeds: seeds::link, worst: seeds::worst_link },
    Parser { name: "invitation", feed: invitation, seeds: seeds::invitation, worst: seeds::worst_toml },
    Parser { name: "api", feed: api, seeds: seeds::api, worst: seeds::worst_json },
    Parser { name: "profile", feed: profile, seeds: seeds::profile, worst: seeds::worst_toml },
    Parser { name: "line_facts", feed: line_facts, seeds: seeds::line_facts, worst: seeds::worst_toml },
    Parser { name: "web", feed: web, seeds: web::seeds, worst: web::worst },
    Parser { name: "record", feed: record, seeds: seeds::record, worst: seeds::worst_json },
];

/// Writes a value in both of its forms, as a report or a log would.
fn show(value: &(impl std::fmt::Debug + std::fmt::Display)) {
    std::hint::black_box((format!("{value}"), format!("{value:?}")));
}

/// Takes the first `N` octets off; zeroes where there are fewer. For parameters that a caller of a parser chooses.
fn take<const N: usize>(data: &mut &[u8]) -> [u8; N] {
    let (head, rest) = data.split_at(data.len().min(N));
    *data = rest;
    let mut taken = [0; N];
    taken[..head.len()].copy_from_slice(head);
    taken
}
