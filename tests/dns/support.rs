//! The check on a practice line, with the resolvers that a lease would have named.

use std::net::IpAddr;

use doorstep::check::dns::Dns;
use doorstep::check::{Completion, Known};
use doorstep::practice::topology::RESOLVERS_V4;
use doorstep::practice::{DnsService, LineConfig, PracticeLine, Services};
use doorstep::reading::{Outcome, Reading, Target};
use doorstep::unit::Depth;

use crate::lab::{bare, build, check, context};

/// A line with a far end, whose zone is asked for, and name servers of a manner.
pub(crate) fn line(dns: Option<DnsService>) -> PracticeLine {
    build(LineConfig { services: Services { dhcp: false, dns, far_end: true, ..Services::NONE }, ..bare() })
}

/// Runs the check on the first `resolvers` of the line.
pub(crate) fn examine(line: &PracticeLine, resolvers: usize) -> Outcome {
    examine_at(line, resolvers, Depth::Quick)
}

/// The same at a depth: from handoff on with the closer look.
pub(crate) fn examine_at(line: &PracticeLine, resolvers: usize, depth: Depth) -> Outcome {
    examine_with(line, resolvers, depth, Completion::default())
}

/// The same with domains that a lease would have named.
pub(crate) fn examine_with(line: &PracticeLine, resolvers: usize, depth: Depth, completion: Completion) -> Outcome {
    let resolvers = RESOLVERS_V4.iter().take(resolvers).map(|address| IpAddr::V4(*address)).collect();
    let mut context = context(line, Known { resolvers, completion, ..Known::default() }, depth);
    context.far_end = Some(line.far_end_target());
    check(line, Dns, context).outcome
}

/// The reading of a resolver, counted from 1.
pub(crate) fn of<'a>(outcome: &'a Outcome, name: &str, resolver: u16) -> &'a Reading {
    let found = outcome.readings.iter().find(|r| r.name == name && r.target == Some(Target::Resolver(resolver)));
    found.unwrap_or_else(|| panic!("{name} of resolver {resolver} in {:?}", outcome.readings))
}
