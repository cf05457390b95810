//! Wire formats: bytes in, typed values out, and back.
//!
//! No sockets, no clock, no panic on any input. Each format has a `Packet` or parse function that proves all lengths
//! once, a `Repr` that is the meaning, and a list of flaws for what is odd but readable. Must not import any other room.

pub mod address;
pub mod arp;
pub mod call;
pub mod capacity;
pub mod checksum;
pub mod dhcp4;
pub mod dhcp6;
pub mod dns;
pub mod ethernet;
pub mod icmp;
pub mod igd;
pub mod igmp;
pub mod ipv4;
pub mod ipv6;
pub mod mask;
pub mod membership;
pub mod mld;
pub mod names;
pub mod nd;
pub mod oui;
pub mod pcapng;
pub mod ppp;
pub mod pppoe;
pub mod ra;
pub mod rtp;
pub mod sip;
pub mod ssdp;
pub mod stamp;
pub mod stun;
pub mod syn;
pub mod train;
pub mod ts;
pub mod udp;
pub mod vlan;
