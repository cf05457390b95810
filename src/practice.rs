//! The practice line: a line from laptop to far end built in network namespaces, shared by `demo` and the tests.
//!
//! [`PracticeLine::build`] makes what a [`LineConfig`] asks for within a fraction of a second; a [`Fault`] changes the
//! config and says in which stretch it truly lies. All traffic stays on the machine, no name or file appears outside
//! the process, and everything ends with it. The room must not know checks, judge or reports: to the agent it is a line
//! like any other.

mod config;
mod extent;
mod fault;
mod handoff;
mod impair;
mod line;
pub mod roles;
mod strangers;
pub mod topology;
mod tv;

pub use config::{
    Concentrator, DnsService, Handoff, Impairments, Ipv6Service, LineConfig, Meddler, Services, Shape, Shaper, SipService,
    Strangers,
};
pub use extent::{Extent, UnknownFault};
pub use fault::Fault;
pub use handoff::account;
pub use impair::Impairment;
pub use line::{PracticeError, PracticeLine, StretchCounters};
pub use roles::registrar::sip_account;
pub use topology::Node;
pub use tv::{Tv, TvService};

pub use crate::net::userns::acquire as acquire_rights;
