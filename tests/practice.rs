//! The practice line against the kernel: it answers, it keeps its rates, delays and losses, and it leaves nothing behind.
//!
//! Needs root (or CAP_SYS_ADMIN, CAP_NET_ADMIN, CAP_NET_RAW): fails loudly without. All traffic stays in namespaces that
//! the tests make.

#[path = "practice/accuracy.rs"]
mod accuracy;
#[path = "common/context.rs"]
mod context;
#[path = "common/lab.rs"]
mod lab;
#[path = "practice/rate.rs"]
mod rate;
#[path = "practice/reach.rs"]
mod reach;
#[path = "practice/services.rs"]
mod services;
#[path = "practice/support.rs"]
mod support;
