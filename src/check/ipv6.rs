//! IPv6 as routers advertise it: who they are, what they offer, and whether a host may believe them.
//!
//! It asks (RFC 4861) and listens; it configures nothing, so the IPv6 that other checks use is what the laptop has. It must
//! not know packets or states ([`crate::proto::router_discovery`]). Silence is no failure: many lines have IPv4 only, and a
//! tier that is sold with IPv6 says so by a limit on `ipv6.routers`.

use std::collections::BTreeSet;
use std::net::{IpAddr, Ipv6Addr};
use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use serde_json::{Value, json};

use super::{Check, Context, Finished};
use crate::net::drive::Driver;
use crate::net::facts;
use crate::net::packet::{Filter, PacketSocket};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::round_trip::Settled;
use crate::proto::router_discovery::{Heard, Over, RouterDiscovery, Settings};
use crate::reading::{Outcome, Reading, Status};
use crate::unit::{Depth, Family};
use crate::wire::ethernet::Mac;
use crate::wire::ra::{FOREVER, Item, Preference};

/// Least MTU of a link (RFC 8200 section 5).
const LEAST_MTU: u32 = 1280;

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct Ipv6Check;

/// How long the first advertisement is waited for, and other routers' behind it. A router waits up to 0.5 s before it
/// answers (RFC 4861 section 10, `MAX_RA_DELAY_TIME`), and 3 s after its last advertisement to all (`MIN_DELAY_BETWEEN_RAS`).
fn patience(depth: Depth) -> (Duration, Duration) {
    match depth {
        Depth::Quick => (Duration::from_millis(2000), Duration::from_millis(600)),
        Depth::Handoff => (Duration::from_millis(5000), Duration::from_millis(1500)),
        Depth::Soak => (Duration::from_secs(12), Duration::from_secs(4)),
    }
}

impl Check for Ipv6Check {
    fn spec(&self) -> Spec {
        Spec { name: "ipv6", needs: &[Need::Carrier], gives: &[], class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        async move { Finished::from(examine(context).await) }.boxed()
    }
}

fn cost(volume: &Volume) -> Cost {
    // Three solicitations and a few advertisements.
    Cost { time: patience(volume.depth).0, octets: 2000 }
}

async fn examine(context: Context) -> Outcome {
    let addresses = facts::addresses(context.interface.index).await.unwrap_or_default();
    let link_local = addresses.iter().filter(|held| held.is_usable).find_map(|held| match held.address {
        IpAddr::V6(address) if address.is_unicast_link_local() => Some(address),
        _ => None,
    });
    // Without IPv6 of its own the port has not joined the group of all hosts.
    let socket = match PacketSocket::open(context.interface.index, Filter::RouterAdvertisement, link_local.is_none()) {
        Ok(socket) => socket,
        Err(error) => return Outcome::not_tested(format!("opening a packet socket: {error}")),
    };
    let mut driver = Driver::new(socket);
    let (patience, window) = patience(context.effort.depth);
    let source = link_local.unwrap_or(Ipv6Addr::UNSPECIFIED);
    let settings = Settings { mac: Mac(context.interface.mac), source, patience, window };
    let mut discovery = RouterDiscovery::new(settings, Instant::now());
    let ran = tokio::select! {
        ran = driver.run(&mut discovery, |_, Over| ControlFlow::Break(())) => ran,
        () = context.cancel.cancelled() => Ok(()),
    };
    if let Err(error) = ran {
        return Outcome::not_tested(format!("the port can't be read: {error}"));
    }
    if discovery.solicitations_sent() == 0 {
        let why = driver.last_failure().map_or_else(|| "ended early".to_owned(), |error| format!("sending: {error}"));
        return Outcome::not_tested(why);
    }
    describe(&discovery)
}

fn describe(discovery: &RouterDiscovery) -> Outcome {
    let mut outcome = Outcome::new(Status::Done);
    let heard = discovery.heard();
    let default: BTreeSet<Ipv6Addr> =
        heard.iter().filter(|h| h.is_valid() && h.advertisement.router_lifetime_s > 0).map(|h| h.from).collect();
    outcome.readings.push(Reading::exact("ipv6.routers", default.len() as f64).over(Family::Ipv6));
    if let Some(Settled::RoundTrip(time, source)) = discovery.first_time() {
        let reading = Reading::exact("ipv6.advertisement_time", time.as_secs_f64() * 1e3);
        outcome.readings.push(reading.over(Family::Ipv6).stamped_by(source));
    }
    outcome.fact("advertisements", heard.iter().map(heard_fact).collect::<Vec<_>>());
    outcome.fact("solicitations_sent", discovery.solicitations_sent());
    outcome.fact("unreadable", discovery.unreadable());
    flaws(&mut outcome, heard, default.len());
    outcome
}

fn flaws(outcome: &mut Outcome, heard: &[Heard], default_routers: usize) {
    if default_routers > 1 {
        let what = format!("{default_routers} routers want to be the default one: hosts may take any of them");
        outcome.flaw("ipv6-several-routers", what, None);
    }
    if default_routers == 0 && heard.iter().any(Heard::is_valid) {
        let what = "routers advertise prefixes, and none wants to be the default one (router lifetime 0)";
        outcome.flaw("ipv6-no-default-router", what, None);
    }
    let mut told = BTreeSet::new();
    for one in heard.iter().filter(|one| told.insert(one.from)) {
        let who = format!("router {} ({})", one.from, one.mac);
        if let Some(vlan) = one.vlan {
            outcome.flaw("ipv6-answer-tagged", format!("{who} advertises in VLAN {vlan}"), None);
        }
        if !one.flaws.is_empty() {
            let why: Vec<String> = one.flaws.iter().map(ToString::to_string).collect();
            let (code, words) = match one.is_valid() {
                true => ("ipv6-advertisement-odd", "is odd"),
                false => ("ipv6-advertisement-invalid", "must be dropped by hosts (RFC 4861 section 6.1.2)"),
            };
            outcome.flaw(code, format!("the advertisement of {who} {words}: {}", why.join("; ")), None);
        }
        let small = one.advertisement.items.iter().find_map(|item| match item {
            Item::Mtu(octets) if *octets < LEAST_MTU => Some(octets),
            _ => None,
        });
        if let Some(octets) = small {
            let what = format!("{who} advertises an MTU of {octets}; IPv6 needs {LEAST_MTU} (RFC 8200 section 5)");
            outcome.flaw("ipv6-mtu-too-small", what, None);
        }
    }
}

fn heard_fact(heard: &Heard) -> Value {
    let said = &heard.advertisement;
    json!({
        "router": heard.from,
        "mac": heard.mac.to_string(),
        "valid": heard.is_valid(),
        "managed": said.managed,
        "other": said.other,
        "preference": preference(said.preference),
        "router_lifetime_s": said.router_lifetime_s,
        "hop_limit": said.hop_limit,
        "reachable_ms": said.reachable_ms,
        "retransmit_ms": said.retransmit_ms,
        "options": said.items.iter().map(item_fact).collect::<Vec<_>>(),
        "vlan": heard.vlan,
    })
}

fn preference(of: Preference) -> &'static str {
    match of {
        Preference::Low => "low",
        Preference::Medium => "medium",
        Preference::High => "high",
    }
}

/// Seconds, or that there is no end.
fn lifetime(seconds: u32) -> Value {
    if seconds == FOREVER { "forever".into() } else { seconds.into() }
}

fn item_fact(item: &Item) -> Value {
    match item {
        Item::SourceMac(mac) => json!({ "source_mac": mac.to_string() }),
        Item::Mtu(octets) => json!({ "mtu": octets }),
        Item::Prefix { prefix, len, on_link, autonomous, valid_s, preferred_s } => json!({
            "prefix": format!("{prefix}/{len}"),
            "on_link": on_link,
            "autonomous": autonomous,
            "valid_s": lifetime(*valid_s),
            "preferred_s": lifetime(*preferred_s),
        }),
        Item::Resolvers { lifetime_s, addresses } => json!({ "resolvers": addresses, "lifetime_s": lifetime(*lifetime_s) }),
        Item::Search { lifetime_s, domains } => json!({ "search": domains, "lifetime_s": lifetime(*lifetime_s) }),
        Item::Route { prefix, len, preference: of, lifetime_s } => {
            json!({ "route": format!("{prefix}/{len}"), "preference": preference(*of), "lifetime_s": lifetime(*lifetime_s) })
        }
        Item::Nat64(octets) => json!({ "nat64": hex(octets) }),
        Item::Other(kind, octets) => json!({ "option": kind, "octets": hex(octets) }),
    }
}

fn hex(octets: &[u8]) -> String {
    octets.iter().map(|octet| format!("{octet:02x}")).collect()
}
