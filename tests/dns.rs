//! `dns` against resolvers of our own with set faults, real ones (unbound, dnsmasq), and ones that answer nonsense; its figures
//! against a capture that tshark reads.
//!
//! Needs root and the packages unbound, dnsmasq-base, tcpdump and tshark; fails loudly without. All traffic stays in namespaces that the
//! tests make.

#[path = "common/capture.rs"]
mod capture;
#[path = "dns/closer.rs"]
mod closer;
#[path = "common/context.rs"]
mod context;
#[path = "dns/forwarder.rs"]
mod forwarder;
#[path = "dns/hostile.rs"]
mod hostile;
#[path = "common/lab.rs"]
mod lab;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "dns/roles.rs"]
mod roles;
#[path = "common/server.rs"]
mod server;
#[path = "dns/signed.rs"]
mod signed;
#[path = "dns/support.rs"]
mod support;
#[path = "dns/unbound.rs"]
mod unbound;
