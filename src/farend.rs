//! The far end: the self-hosted counterpart that the agent measures against, and the agent's client of it.
//!
//! `api` holds the types of both sides and is versioned like the record, since agent and far end will be of different
//! ages. It must not know checks, judge or reports.

pub mod admission;
pub mod api;
pub mod call;
pub mod capacity;
pub mod certificate;
pub mod client;
pub mod invitation;
mod objects;
mod opening;
pub mod reflector;
pub mod server;
mod source_sink;
pub mod stream;
pub mod token;
pub mod train;
pub mod view;
pub mod way_back;
pub mod zone;
