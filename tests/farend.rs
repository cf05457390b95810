//! The far end as its host runs it: who is let in, what a load moves and counts, and how it ends.
//!
//! The program runs as `serve` on loopback, with ports of the test's own; the client is the agent's. Every load is bounded
//! in octets and time, and every process is ended by its number.

#[path = "farend/admittance.rs"]
mod admittance;
#[path = "farend/ends.rs"]
mod ends;
#[path = "farend/hostile.rs"]
mod hostile;
#[path = "farend/loads.rs"]
mod loads;
#[path = "common/run.rs"]
mod run;
#[path = "farend/support.rs"]
mod support;
