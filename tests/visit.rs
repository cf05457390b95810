//! The program as its user runs it: whole visits on practice lines, and every way in which one can end.
//!
//! Needs root (namespaces, raw sockets, a small file system for the full disk) and `ip`: fails loudly without. All
//! traffic stays in namespaces that the tests make; every run is bounded in time and is ended by its process number.

#[path = "visit/continued.rs"]
mod continued;
#[path = "visit/demo.rs"]
mod demo;
#[path = "common/disk.rs"]
mod disk;
#[path = "visit/ends.rs"]
mod ends;
#[path = "visit/guide.rs"]
mod guide;
#[path = "visit/ipv6.rs"]
mod ipv6;
#[path = "visit/refusals.rs"]
mod refusals;
#[path = "common/run.rs"]
mod run;
#[path = "visit/support.rs"]
mod support;
#[path = "visit/until_certain.rs"]
mod until_certain;
#[path = "visit/watch.rs"]
mod watch;
