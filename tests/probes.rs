//! Echo, path and throughput against what a line was told to do, and against captures that tshark reads.
//!
//! Needs root, `nft` and the packages tcpdump and tshark; fails loudly without. All traffic stays in namespaces that the
//! tests make, and each run is bounded in count and time by the check's own plan.

#![allow(clippy::print_stdout, reason = "figures that a test saw are shown with --no-capture")]

#[path = "common/capture.rs"]
mod capture;
#[path = "common/context.rs"]
mod context;
#[path = "probes/echo.rs"]
mod echo;
#[path = "common/lab.rs"]
mod lab;
#[path = "common/outcome.rs"]
mod outcome;
#[path = "probes/path.rs"]
mod path;
#[path = "common/server.rs"]
mod server;
#[path = "probes/throughput.rs"]
mod throughput;
