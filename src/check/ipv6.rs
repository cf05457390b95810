//! IPv6: which routers there are and whether they lead out, an address of their prefixes or of DHCPv6, a delegated prefix.
//!
//! It must not know packets or states ([`crate::proto::router_discovery`], [`crate::proto::dhcp6`], [`crate::proto::slaac`],
//! [`crate::proto::router_probe`]). Silence is no failure: many lines have IPv4 only, and a tier that is sold with IPv6 says
//! so by limits. What the kernel or somebody else has put on the port is used and left alone; what is put there by this check
//! has the lifetime that it was given for, and is taken away at the end of the visit.

mod assign;
mod hold;
mod lease;
mod routers;

use std::net::{IpAddr, Ipv6Addr};
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use serde_json::json;

use self::assign::{Assigned, Fate};
use self::hold::Ipv6Holding;
use self::lease::Asked;
use self::routers::Router;
use super::echo::targets::far_end_addresses;
use super::{Check, Context, Finished, Learned};
use crate::net::configure::Route;
use crate::net::{configure, facts};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::dhcp6::Purpose;
use crate::proto::router_discovery::Heard;
use crate::proto::router_probe::{Candidate, Settings};
use crate::proto::slaac::{MOST_ADDRESSES, covers};
use crate::reading::{Outcome, Reading};
use crate::unit::{Depth, Family};
use crate::wire::ethernet::Mac;
use crate::wire::ra::{FOREVER, Item};

/// Name of the check.
const NAME: &str = "ipv6";

/// Resolvers that are taken from all servers and routers together; hosts use three at most (common practice).
const MOST_RESOLVERS: usize = 8;

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct Ipv6Check {
    /// The line is a PPPoE session: there is no port to ask on before it is open.
    pub in_session: bool,
}

/// How long things are waited for.
struct Patience {
    /// For the first advertisement. A router waits up to 0.5 s before it answers (RFC 4861 section 10, `MAX_RA_DELAY_TIME`), and
    /// 3 s after its last advertisement to all (`MIN_DELAY_BETWEEN_RAS`).
    routers: Duration,
    /// For other routers behind the first, and for other servers.
    window: Duration,
    /// For a DHCPv6 server.
    servers: Duration,
}

fn patience(depth: Depth) -> Patience {
    let of = |[routers, window, servers]: [u64; 3]| Patience {
        routers: Duration::from_millis(routers),
        window: Duration::from_millis(window),
        servers: Duration::from_millis(servers),
    };
    match depth {
        // Solicitations at 0 and 1 s, and 0.5 s for the answer to the second.
        Depth::Quick => of([1700, 600, 3000]),
        Depth::Handoff => of([5000, 1500, 7500]),
        Depth::Soak => of([12_000, 4000, 20_000]),
    }
}

impl Check for Ipv6Check {
    fn spec(&self) -> Spec {
        let (needs, gives): (&[Need], &[Need]) =
            if self.in_session { (&[Need::Session], &[Need::Address]) } else { (&[Need::Carrier], &[Need::Address]) };
        Spec { name: NAME, needs, gives, class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        examine(context).boxed()
    }
}

fn cost(volume: &Volume) -> Cost {
    let window = patience(volume.depth).window;
    // Solicitations and advertisements, four messages of DHCPv6, neighbours and echoes. Servers are collected for at least 1.1 s
    // (RFC 8415 section 18.2.1), beside which the kernel makes sure of its addresses.
    Cost { time: window + window.max(Duration::from_millis(1100)) + Duration::from_millis(400), octets: 6000 }
}

async fn examine(context: Context) -> Finished {
    let began_at = Instant::now();
    let index = context.interface.index;
    let patience = patience(context.effort.depth);
    let link_local = link_local(index).await;
    let discovery = match routers::discover(&context, link_local, &patience).await {
        Ok(discovery) => discovery,
        Err(why) => return Outcome::not_tested(why).into(),
    };
    let mut finished = Finished::from(routers::describe(&discovery));
    let heard = discovery.heard();
    if link_local.is_none() {
        finished.outcome.fact("no_ipv6_on_port", "the port has no link-local address: IPv6 is switched off on the test set");
    }
    let mut visit = Asking { context: &context, patience, began_at, heard, holding: Ipv6Holding::new(index) };
    visit.run(link_local, &mut finished).await;
    if !visit.holding.is_empty() {
        finished.holdings.push(Box::new(visit.holding));
    }
    finished
}

/// The port's own link-local address, once it is sure.
async fn link_local(index: u32) -> Option<Ipv6Addr> {
    let began_at = Instant::now();
    loop {
        let addresses = facts::addresses(index).await.unwrap_or_default();
        let of_link = addresses.iter().filter_map(|held| Some((assign::as_v6(held.address)?, held)));
        let held: Vec<_> = of_link.filter(|(address, _)| address.is_unicast_link_local()).collect();
        if let Some((address, _)) = held.iter().find(|(_, held)| held.is_usable) {
            return Some(*address);
        }
        // A port that has just come up makes sure first that nobody has it.
        let is_hopeful = held.iter().any(|(_, held)| !held.is_duplicate) && began_at.elapsed() < assign::DUPLICATE_WAIT;
        if !is_hopeful {
            return None;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// What follows from the advertisements.
struct Asking<'a> {
    context: &'a Context,
    patience: Patience,
    began_at: Instant,
    heard: &'a [Heard],
    holding: Ipv6Holding,
}

impl Asking<'_> {
    async fn run(&mut self, link_local: Option<Ipv6Addr>, finished: &mut Finished) {
        let routers = routers::default_routers(self.heard);
        let may_change = configure::is_allowed();
        let mac = Mac(self.context.interface.mac);
        let wanted = self.wanted().filter(|_| may_change && link_local.is_some());
        let (mut assigned, asked, far_end) = tokio::join!(
            assign::form(self.context, self.heard, may_change, &mut self.holding),
            ask(self.context, link_local, wanted, &self.patience),
            async {
                // A look-up takes time that a line without routers need not give.
                if routers.is_empty() { Vec::new() } else { far_end_addresses(self.context).await }
            },
        );
        let (lease, information) = asked;
        let outcome = &mut finished.outcome;
        if lease.is_some() || information.is_some() {
            lease::describe(outcome, lease.as_ref(), information.as_ref());
        }
        let resolvers = self.resolvers(lease.as_ref(), information.as_ref());
        if let Some(mut lease) = lease {
            assigned.extend(self.put_lease(&mut lease).await);
            let has_nothing = routers.is_empty() && !assigned.iter().any(|one| one.fate == Fate::Usable);
            lease::delegated(outcome, Some(&lease), !self.context.position.is_behind_gateway(), has_nothing);
            if lease.client.lease().is_some() {
                self.holding.lease = Some((lease.driver, lease.client));
            }
        }
        self.describe_addresses(outcome, &assigned, may_change, wanted);
        let usable: Vec<Ipv6Addr> = assigned.iter().filter(|one| one.fate == Fate::Usable).map(|one| one.address).collect();
        let hop = self.default_route(routers.first(), may_change && !usable.is_empty()).await;
        let destination = far_end.iter().find_map(|address| assign::as_v6(*address));
        let resolver = resolvers.iter().copied().find(|resolver| !self.is_on_link(*resolver));
        // A resolver answers echoes more often than not: where there is no far end it gets both.
        let destination = destination.or(resolver);
        if let Some(link_local) = link_local.filter(|_| !routers.is_empty()) {
            let settings = Settings {
                mac,
                link_local,
                routers: routers.iter().map(|router| self.candidate(router, &usable)).collect(),
                destination,
                resolver,
                identifier: rand::random(),
            };
            if let Some(found) = routers::probe(self.context, settings).await {
                let mut toward: Vec<Ipv6Addr> = destination.into_iter().chain(resolver).collect();
                toward.dedup();
                routers::describe_probes(outcome, &routers, &found, &toward);
            }
        }
        if let Some(address) = hop.and_then(|hop| self.own_of(hop, &usable)).or_else(|| usable.first().copied()) {
            finished.learned.push(Learned::Ipv6(address));
            finished.learned.extend(hop.map(Learned::Gateway6));
            if !resolvers.is_empty() {
                finished.learned.push(Learned::Resolvers(resolvers.into_iter().map(IpAddr::V6).collect()));
            }
        }
    }

    /// What to ask DHCPv6 for: what the flags say, and always for a prefix too, as a gateway would (RFC 7084 section 4.2);
    /// nothing in a home where nobody speaks of DHCPv6.
    fn wanted(&self) -> Option<Wanted> {
        let valid = || self.heard.iter().filter(|one| one.is_valid());
        let address = valid().any(|one| one.advertisement.managed);
        let information = !address && valid().any(|one| one.advertisement.other);
        let is_terminal = !self.context.position.is_behind_gateway();
        (address || information || (is_terminal && valid().next().is_some())).then_some(Wanted { address, information })
    }

    /// Puts lent addresses on the port; one that somebody else has is declined.
    async fn put_lease(&mut self, asked: &mut Asked) -> Vec<Assigned> {
        let index = self.context.interface.index;
        let Some(lease) = asked.client.lease() else { return Vec::new() };
        let (mut wanted, mut refused) = (Vec::new(), Vec::new());
        for lent in lease.addresses.iter().take(MOST_ADDRESSES) {
            let valid = (lent.valid_s != FOREVER).then(|| Duration::from_secs(lent.valid_s.into()));
            // Alone: the routers say what is on the link (RFC 8415 section 18.2.10.1).
            match configure::set_address(index, lent.address, 128, valid).await {
                Ok(()) => {
                    self.holding.addresses.push((lent.address, 128));
                    wanted.push((lent.address, "dhcp"));
                }
                Err(_) => {
                    refused.push(Assigned { address: lent.address, fate: Fate::Refused, by: "dhcp", usable_at: None });
                }
            }
        }
        let mut settled = assign::settle(self.context, &wanted).await;
        for duplicate in settled.iter().filter(|one| one.fate == Fate::Duplicate) {
            asked.client.decline(duplicate.address);
        }
        asked.driver.flush(&mut asked.client);
        settled.extend(refused);
        settled
    }

    fn describe_addresses(&self, outcome: &mut Outcome, assigned: &[Assigned], may_change: bool, wanted: Option<Wanted>) {
        let told = assigned.iter().map(|one| {
            let fate = match one.fate {
                Fate::Usable => "usable",
                Fate::Duplicate => "in use by somebody else",
                Fate::Undecided => "not sure yet that nobody has it",
                Fate::Refused => "not taken by the kernel",
            };
            json!({ "address": one.address, "by": one.by, "fate": fate })
        });
        outcome.fact("addresses", told.collect::<Vec<_>>());
        for one in assigned.iter().filter(|one| one.fate == Fate::Duplicate) {
            let what = format!("{} is in use by somebody else on the link (RFC 4862 section 5.4)", one.address);
            outcome.flaw("ipv6-address-in-use", what, None);
        }
        let first = assigned.iter().filter(|one| one.fate == Fate::Usable).filter_map(|one| one.usable_at).min();
        let is_advertised = self.heard.iter().any(Heard::is_valid);
        if !is_advertised || (!may_change && first.is_none()) {
            return;
        }
        let held = f64::from(u8::from(first.is_some()));
        outcome.readings.push(Reading::exact("ipv6.address_held", held).over(Family::Ipv6));
        match first {
            // Found there already it took no time that could be told.
            Some(at) if assigned.iter().all(|one| one.by != "kernel") => {
                let time = at.saturating_duration_since(self.began_at);
                outcome.readings.push(Reading::exact("ipv6.address_time", time.as_secs_f64() * 1e3).over(Family::Ipv6));
            }
            Some(_) => {}
            None => {
                let managed = wanted.is_some_and(|wanted| wanted.address);
                let why = if managed { "routers point at DHCPv6, and it gives none" } else { "no prefix is advertised for one" };
                outcome.flaw(
                    "ipv6-no-address",
                    format!("routers advertise themselves, but the port gets no IPv6 address: {why}"),
                    None,
                );
            }
        }
    }

    /// The next hop: the kernel's own, else that of the router which a host takes, through a route of ours.
    async fn default_route(&mut self, router: Option<&Router>, may_set: bool) -> Option<Ipv6Addr> {
        let index = self.context.interface.index;
        let routes = facts::default_routes(index, Family::Ipv6).await.unwrap_or_default();
        let hops: Vec<Ipv6Addr> = routes.iter().filter_map(|route| assign::as_v6(route.next_hop?)).collect();
        let wanted = router.map(|router| router.address);
        if let Some(first) = hops.first() {
            return wanted.filter(|wanted| hops.contains(wanted)).or(Some(*first));
        }
        let wanted = wanted.filter(|_| may_set)?;
        configure::set_route(index, Route::default_via(wanted)).await.ok()?;
        self.holding.default_route = Some(wanted);
        Some(wanted)
    }

    /// Resolvers as servers gave them, then as routers did; those of the link need a zone that no other check knows of.
    fn resolvers(&self, lease: Option<&Asked>, information: Option<&Asked>) -> Vec<Ipv6Addr> {
        let given = lease.into_iter().chain(information).flat_map(|asked| asked.client.answers());
        let by_servers = given.filter(|answer| answer.unusable.is_empty()).flat_map(|answer| answer.message.resolvers());
        let items = self.heard.iter().filter(|one| one.is_valid()).flat_map(|one| &one.advertisement.items);
        let by_routers = items.flat_map(|item| match item {
            Item::Resolvers { lifetime_s: 1.., addresses } => addresses.as_slice(),
            _ => &[],
        });
        let mut all: Vec<Ipv6Addr> = Vec::new();
        for address in by_servers.chain(by_routers.copied()) {
            if all.len() < MOST_RESOLVERS && !address.is_unicast_link_local() && !all.contains(&address) {
                all.push(address);
            }
        }
        all
    }

    fn is_on_link(&self, address: Ipv6Addr) -> bool {
        self.prefixes(None).any(|(prefix, len)| covers(prefix, len, address))
    }

    /// Advertised prefixes, of one router or of all.
    fn prefixes(&self, router: Option<Ipv6Addr>) -> impl Iterator<Item = (Ipv6Addr, u8)> {
        let of = self.heard.iter().filter(move |one| one.is_valid() && router.is_none_or(|router| one.from == router));
        of.flat_map(|one| &one.advertisement.items).filter_map(|item| match *item {
            Item::Prefix { prefix, len, .. } => Some((prefix, len)),
            _ => None,
        })
    }

    /// Our address of a prefix that this router advertises (RFC 6724 section 5, rule 5.5).
    fn own_of(&self, router: Ipv6Addr, usable: &[Ipv6Addr]) -> Option<Ipv6Addr> {
        let is_of = |address: &&Ipv6Addr| self.prefixes(Some(router)).any(|(prefix, len)| covers(prefix, len, **address));
        usable.iter().find(is_of).copied()
    }

    /// A router with our address to send through it from.
    fn candidate(&self, router: &Router, usable: &[Ipv6Addr]) -> Candidate {
        let source = self.own_of(router.address, usable).or_else(|| usable.first().copied());
        let mac = (!self.context.has_hardware_addresses()).then_some(router.mac);
        Candidate { address: router.address, mac, source }
    }
}

/// What DHCPv6 is asked for beside a prefix.
#[derive(Debug, Clone, Copy)]
struct Wanted {
    address: bool,
    information: bool,
}

/// Asks for a lease, and beside it for settings where only those are announced.
async fn ask(
    context: &Context,
    link_local: Option<Ipv6Addr>,
    wanted: Option<Wanted>,
    patience: &Patience,
) -> (Option<Asked>, Option<Asked>) {
    let (Some(source), Some(Wanted { address, information })) = (link_local, wanted) else { return (None, None) };
    let lease = lease::ask(context, source, Purpose::Lease { address, prefix: true }, patience);
    let information = async {
        match information {
            true => lease::ask(context, source, Purpose::Information, patience).await,
            false => None,
        }
    };
    tokio::join!(lease, information)
}
