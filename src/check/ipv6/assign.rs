//! Addresses of advertised prefixes: those that the kernel has made already, else own ones, each only once nobody else has it.

use std::net::{IpAddr, Ipv6Addr};
use std::time::{Duration, Instant};

use super::hold::Ipv6Holding;
use crate::check::Context;
use crate::net::configure::{self, Route};
use crate::net::facts;
use crate::proto::router_discovery::Heard;
use crate::proto::slaac::{self, Formed};
use crate::wire::ethernet::Mac;
use crate::wire::ra::{FOREVER, Item};

/// How often the kernel is asked whether it is sure yet that nobody has an address.
const LOOK: Duration = Duration::from_millis(20);
/// The kernel waits up to 1 s before it asks and 1 s for an answer (RFC 4862 section 5.4.2, RFC 4861 section 10).
pub(super) const DUPLICATE_WAIT: Duration = Duration::from_millis(3500);

/// What came of an address.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fate {
    Usable,
    /// Somebody else has it.
    Duplicate,
    /// The kernel was not sure within [`DUPLICATE_WAIT`].
    Undecided,
    /// The kernel did not take it.
    Refused,
}

/// An address of the port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Assigned {
    pub(super) address: Ipv6Addr,
    pub(super) fate: Fate,
    /// Who put it there: "kernel", "slaac", "dhcp".
    pub(super) by: &'static str,
    pub(super) usable_at: Option<Instant>,
}

/// The kernel's answer to a prefix, or ours where it has none. Our own go to the holding.
pub(super) async fn form(context: &Context, heard: &[Heard], may_change: bool, holding: &mut Ipv6Holding) -> Vec<Assigned> {
    let (index, mac) = (context.interface.index, Mac(context.interface.mac));
    let held = facts::addresses(index).await.unwrap_or_default();
    let global = |address: &&facts::Address| address.is_global && address.is_preferred && address.address.is_ipv6();
    let mut wanted: Vec<(Ipv6Addr, &'static str)> =
        held.iter().filter(global).filter_map(|held| as_v6(held.address)).map(|address| (address, "kernel")).collect();
    // Whoever manages the port has chosen its addresses: nothing is put beside them.
    if wanted.is_empty() && may_change {
        for formed in slaac::form(heard, mac) {
            if put(index, &formed).await {
                let prefix = prefix_on_port(&formed);
                holding.addresses.push((formed.address, prefix));
                wanted.push((formed.address, "slaac"));
            }
        }
        for (prefix, len) in bare_prefixes(heard) {
            if configure::set_route(index, Route::on_link(prefix, len)).await.is_ok() {
                holding.on_link.push((prefix, len));
            }
        }
    }
    settle(context, &wanted).await
}

/// A prefix that is not on the link has no neighbours: the address stands alone (RFC 5942 section 4).
fn prefix_on_port(formed: &Formed) -> u8 {
    if formed.is_on_link { formed.prefix } else { 128 }
}

async fn put(index: u32, formed: &Formed) -> bool {
    let valid = (formed.valid_s != FOREVER).then(|| Duration::from_secs(formed.valid_s.into()));
    configure::set_address(index, formed.address, prefix_on_port(formed), valid).await.is_ok()
}

/// Prefixes that are on the link, and of which no address is made.
fn bare_prefixes(heard: &[Heard]) -> Vec<(Ipv6Addr, u8)> {
    let items = heard.iter().filter(|one| one.is_valid()).flat_map(|one| &one.advertisement.items);
    let mut all: Vec<(Ipv6Addr, u8)> = items
        .filter_map(|item| match *item {
            Item::Prefix { prefix, len, on_link: true, autonomous: false, valid_s: 1.., .. } if len > 0 => Some((prefix, len)),
            _ => None,
        })
        .collect();
    all.dedup();
    all.truncate(slaac::MOST_ADDRESSES);
    all
}

/// Waits until the kernel is sure of each, or the visit is to end.
pub(super) async fn settle(context: &Context, wanted: &[(Ipv6Addr, &'static str)]) -> Vec<Assigned> {
    let began_at = Instant::now();
    let mut found: Vec<Assigned> =
        wanted.iter().map(|(address, by)| Assigned { address: *address, fate: Fate::Undecided, by, usable_at: None }).collect();
    loop {
        let held = facts::addresses(context.interface.index).await.unwrap_or_default();
        for one in found.iter_mut().filter(|one| one.fate == Fate::Undecided) {
            match held.iter().find(|held| held.address == IpAddr::V6(one.address)) {
                Some(held) if held.is_usable => (one.fate, one.usable_at) = (Fate::Usable, Some(Instant::now())),
                // With a lifetime the kernel takes a duplicate away, without one it marks it.
                Some(held) if held.is_duplicate => one.fate = Fate::Duplicate,
                None => one.fate = Fate::Duplicate,
                Some(_) => {}
            }
        }
        if found.iter().all(|one| one.fate != Fate::Undecided) || began_at.elapsed() >= DUPLICATE_WAIT {
            return found;
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK) => {}
            () = context.cancel.cancelled() => return found,
        }
    }
}

pub(super) fn as_v6(address: IpAddr) -> Option<Ipv6Addr> {
    match address {
        IpAddr::V6(address) => Some(address),
        IpAddr::V4(_) => None,
    }
}
