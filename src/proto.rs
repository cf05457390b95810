//! Protocol cores: state machines without I/O.
//!
//! They take bytes and a time, and return what to send and when to wake: `on_packet`, `on_wake`, `transmit`,
//! `next_wake`, `poll_event`. They read no clock and draw no random number; identifiers come in through constructors.

pub mod capacity;
pub mod channel_watch;
pub mod dhcp4;
pub mod dhcp6;
pub mod dns_probe;
pub mod echo;
pub mod known;
pub mod machine;
pub mod membership;
pub mod mtu_search;
pub mod path;
pub mod path_flows;
pub mod path_mtu;
pub mod path_pace;
pub mod ppp;
pub mod pppoe;
pub mod round_trip;
pub mod router_discovery;
pub mod router_probe;
pub mod sip;
pub mod slaac;
pub mod stamp;
pub mod train;
pub mod translation;
pub mod tv_source;
pub mod view;
pub mod vlan_scan;
pub mod voice;
pub mod way_back;
pub mod web;
