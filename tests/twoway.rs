//! Two-way measurement on the practice line: our sender, our reflector, real sockets, an independent reader beside them.
//!
//! Needs root (or CAP_SYS_ADMIN, CAP_NET_ADMIN, CAP_NET_RAW) and python3 for the reader: fails loudly without. All traffic
//! stays in namespaces that the tests make.

#[path = "twoway/classes.rs"]
mod classes;
#[path = "common/context.rs"]
mod context;
#[path = "twoway/figures.rs"]
mod figures;
#[path = "twoway/hostile.rs"]
mod hostile;
#[path = "common/lab.rs"]
mod lab;
#[path = "twoway/packets.rs"]
mod packets;
#[path = "twoway/standard.rs"]
mod standard;
#[path = "twoway/support.rs"]
mod support;
