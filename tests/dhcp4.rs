//! The link and dhcp4 checks in namespaces that the tests make: against the practice line's own server, against servers of
//! others (dnsmasq, Kea), against one that lies, and held against what tcpdump and tshark saw.
//!
//! Needs root and the Debian packages dnsmasq-base, kea-dhcp4-server, tcpdump, tshark, util-linux: fails loudly without.

#[path = "common/cable.rs"]
mod cable;
#[path = "dhcp4/capture.rs"]
mod capture;
#[path = "common/capture.rs"]
mod common_capture;
#[path = "common/context.rs"]
mod context;
#[path = "dhcp4/flawed.rs"]
mod flawed;
#[path = "dhcp4/lease.rs"]
mod lease;
#[path = "dhcp4/lifecycle.rs"]
mod lifecycle;
#[path = "dhcp4/link.rs"]
mod link;
#[path = "dhcp4/observe.rs"]
mod observe;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "common/server.rs"]
mod server;
#[path = "dhcp4/servers.rs"]
mod servers;
#[path = "dhcp4/support.rs"]
mod support;
