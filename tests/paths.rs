//! The path in depth: real routers in namespaces, whose own routing is the truth that the check is held against.
//!
//! Needs root, `ip` and `nft`; fails loudly without. All traffic stays in namespaces that the tests make, and each run is
//! bounded in count and time by the check's own plan.

#![allow(clippy::print_stdout, reason = "figures that a test saw are shown with --no-capture")]

#[path = "common/context.rs"]
mod context;
#[path = "paths/depth.rs"]
mod depth;
#[path = "common/far_end.rs"]
mod far_end;
#[path = "paths/net.rs"]
mod net;
#[path = "paths/rewritten.rs"]
mod rewritten;
#[path = "common/server.rs"]
mod server;
#[path = "paths/several.rs"]
mod several;
#[path = "paths/way_back.rs"]
mod way_back;
#[path = "paths/ways_loss.rs"]
mod ways_loss;
