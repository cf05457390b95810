//! The address in depth, against servers that others wrote and stations that don't belong there: what the provider demands
//! is said, routes go on the port and come off, a renewal is tried, relays and second servers are named, and an address that
//! another station has is found out before and while it is used.
//!
//! Needs root and the Debian packages kea-dhcp4-server, dnsmasq-base, iproute2, tcpdump, tshark: fails loudly without. All traffic
//! stays in namespaces that the tests make.

#[path = "common/cable.rs"]
mod cable;
#[path = "common/capture.rs"]
mod capture;
#[path = "common/context.rs"]
mod context;
#[path = "address/demands.rs"]
mod demands;
#[path = "address/faults.rs"]
mod faults;
#[path = "address/kea.rs"]
mod kea;
#[path = "address/neighbours.rs"]
mod neighbours;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "address/renewal.rs"]
mod renewal;
#[path = "address/routes.rs"]
mod routes;
#[path = "common/run.rs"]
mod run;
#[path = "address/seconds.rs"]
mod seconds;
#[path = "common/server.rs"]
mod server;
