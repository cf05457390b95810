//! The IPv4 address: takes a lease where the port has no address, and only looks where it has one.
//!
//! It must not know frames or states; those are the client's ([`crate::proto::dhcp4`]). The hard thing is to leave the
//! port as it was found: a lease that was taken is given back at the end of the visit, what is put on the port has the
//! lease's lifetime so that even a killed agent leaves nothing for good, and an address that somebody else manages is
//! not touched.

mod acquire;
mod flaws;
mod hold;
mod observe;
mod port;
mod report;
mod servers;

use std::net::{IpAddr, Ipv4Addr};
use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use super::{Check, Context, Finished};
use crate::net::facts;
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::dhcp4::{Purpose, Settings};
use crate::reading::{Outcome, Reading, Status};
use crate::unit::{Depth, Family, Segment};
use crate::wire::ethernet::Mac;

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct Dhcp4;

/// Name of the check.
const NAME: &str = "dhcp4";

/// How long things are waited for.
struct Patience {
    /// Without a lease. Two DISCOVERs are sent and waited for however short it is: at 0 and at 3 to 5 s.
    acquire: Duration,
    /// For other servers after the first OFFER.
    window: Duration,
    /// For an answer to INFORM; every check that needs the address waits for it.
    inform: Duration,
}

fn patience(depth: Depth) -> Patience {
    match depth {
        Depth::Quick => {
            // A second server that is slower than this is heard while the lease is held.
            Patience { acquire: Duration::from_secs(5), window: Duration::from_millis(80), inform: Duration::from_millis(1000) }
        }
        Depth::Handoff => Patience {
            acquire: Duration::from_secs(12),
            window: Duration::from_millis(1500),
            inform: Duration::from_millis(2000),
        },
        // DISCOVERs at about 0, 4, 12, 28 and 60 s (RFC 2131 section 4.1).
        Depth::Soak => {
            Patience { acquire: Duration::from_secs(64), window: Duration::from_secs(4), inform: Duration::from_secs(4) }
        }
    }
}

/// Probes for an address (RFC 5227 section 1.1: PROBE_NUM).
const PROBES: usize = 3;

/// The waits after each probe; `between` draws one of the standard's between two.
///
/// RFC 5227 section 1.1 takes 4 to 6 s: PROBE_MIN 1 s to PROBE_MAX 2 s between probes, ANNOUNCE_WAIT 2 s after the last; the
/// random wait before the first (PROBE_WAIT) is for many hosts that start at once. Only a soak has that time, since every
/// later check waits for the address. Neighbours on an Ethernet answer within milliseconds (common practice), and one that
/// is slower is heard while the address is in use. An address that is in use already is probed as on a quick visit.
fn probe_waits(depth: Depth, purpose: Purpose, between: impl Fn() -> Duration) -> Vec<Duration> {
    match (depth, purpose) {
        (Depth::Quick, _) | (_, Purpose::Inform(_)) => vec![Duration::from_millis(30); PROBES],
        (Depth::Handoff, Purpose::Acquire) => vec![Duration::from_millis(200); PROBES],
        (Depth::Soak, Purpose::Acquire) => vec![between(), between(), Duration::from_secs(2)],
    }
}

/// How long a renewal right after the lease is waited for; a quick visit tries none.
fn renewal_patience(depth: Depth) -> Option<Duration> {
    match depth {
        Depth::Quick => None,
        Depth::Handoff => Some(Duration::from_secs(4)),
        Depth::Soak => Some(Duration::from_secs(8)),
    }
}

fn cost(volume: &Volume) -> Cost {
    let window = patience(volume.depth).window;
    let probing: Duration = probe_waits(volume.depth, Purpose::Acquire, || Duration::from_millis(1500)).iter().sum();
    // DISCOVER, OFFER, REQUEST, ACK of at most 600 octets, a second server's, a renewal.
    Cost { time: window + probing + Duration::from_millis(100), octets: 6000 }
}

impl Check for Dhcp4 {
    fn spec(&self) -> Spec {
        Spec { name: NAME, needs: &[Need::Carrier], gives: &[Need::Address], class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        run(context).boxed()
    }
}

async fn run(context: Context) -> Finished {
    let addresses = match facts::addresses(context.interface.index).await {
        Ok(addresses) => addresses,
        Err(error) => return Outcome::not_tested(error.to_string()).into(),
    };
    let ours = addresses.iter().find_map(|a| match a.address {
        IpAddr::V4(v4) if a.is_global && a.is_usable => Some((v4, a)),
        _ => None,
    });
    let mut finished = match ours {
        Some((address, held)) => observe::run(&context, address, held).await,
        None => acquire::run(&context).await,
    };
    match finished.outcome.status {
        Status::Done => finished.outcome.readings.push(Reading::exact("dhcp4.address_held", 1.0).over(Family::Ipv4)),
        Status::Failed => finished.outcome.readings.push(Reading::exact("dhcp4.address_held", 0.0).over(Family::Ipv4)),
        Status::NotTested => {}
    }
    if let Ok(Some(what)) = facts::reverse_path_obstacle(context.interface.index, &context.interface.name).await
        && finished.outcome.status == Status::Done
    {
        finished.outcome.flaw("test-set-reverse-path-filter", what, Some(Segment::TestSet));
    }
    finished
}

/// The client's settings; identifiers and random parts are drawn here.
async fn settings(context: &Context, purpose: Purpose) -> Settings {
    let patience = patience(context.effort.depth);
    Settings {
        mac: Mac(context.interface.mac),
        purpose,
        patience: match purpose {
            Purpose::Acquire => patience.acquire,
            Purpose::Inform(_) => patience.inform,
        },
        window: match purpose {
            Purpose::Acquire => patience.window,
            Purpose::Inform(_) => patience.window.min(patience.inform / 2),
        },
        probe_waits: probe_waits(context.effort.depth, purpose, || Duration::from_millis(rand::random_range(1000..=2000))),
        own: own_ports().await,
        introduction: context.dhcp4.clone(),
        transaction: rand::random(),
        jitter_ms: (0..16).map(|_| rand::random_range(-1000..=1000)).collect(),
    }
}

/// Hardware addresses of all ports of this machine: one that hears a question for another's address may answer it.
async fn own_ports() -> Vec<Mac> {
    facts::links().await.unwrap_or_default().into_iter().filter_map(|link| link.mac.map(Mac)).collect()
}

/// What to type when a right is missing.
fn rights(doing: &str) -> String {
    let program = std::env::current_exe().map_or_else(|_| "PROGRAM".to_owned(), |path| path.display().to_string());
    format!("{doing} needs more rights: run it with sudo, or once: sudo setcap cap_net_raw,cap_net_admin+ep {program}")
}

/// The addresses of a hand-out as resolvers.
fn as_resolvers(list: &[Ipv4Addr]) -> Vec<IpAddr> {
    list.iter().copied().map(IpAddr::V4).collect()
}
