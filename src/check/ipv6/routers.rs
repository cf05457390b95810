//! Routers: found by asking, told as facts and flaws, and tried one by one.

use std::collections::BTreeSet;
use std::net::Ipv6Addr;
use std::ops::ControlFlow;
use std::time::Instant;

use serde_json::{Value, json};

use super::Patience;
use crate::check::Context;
use crate::net::drive::Driver;
use crate::net::packet::{Filter, PacketSocket};
use crate::proto::round_trip::Settled;
use crate::proto::router_discovery::{Heard, Over, RouterDiscovery, Settings};
use crate::proto::router_probe::{self, Probed, RouterProbe};
use crate::reading::{Outcome, Reading, Status};
use crate::unit::Family;
use crate::unit::digest::hexadecimal;
use crate::wire::ethernet::Mac;
use crate::wire::ipv6::ETHERTYPE;
use crate::wire::ra::{FOREVER, Item, Preference};

/// Least MTU of a link (RFC 8200 section 5).
const LEAST_MTU: u32 = 1280;

/// A router that wants to be the default one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Router {
    pub(super) address: Ipv6Addr,
    pub(super) mac: Mac,
    preference: Preference,
}

impl Router {
    fn who(&self) -> String {
        format!("router {} ({})", self.address, self.mac)
    }
}

/// Asks for routers; the reason where that was not possible.
pub(super) async fn discover(
    context: &Context,
    source: Option<Ipv6Addr>,
    patience: &Patience,
) -> Result<RouterDiscovery, String> {
    // Without IPv6 of its own the port has not joined the group of all hosts.
    let socket = PacketSocket::open(context.interface.index, Filter::RouterAdvertisement, source.is_none())
        .map_err(|error| format!("opening a packet socket: {error}"))?;
    let mut driver = Driver::new(socket);
    let settings = Settings {
        mac: Mac(context.interface.mac),
        source: source.unwrap_or(Ipv6Addr::UNSPECIFIED),
        patience: patience.routers,
        window: patience.window,
    };
    let mut discovery = RouterDiscovery::new(settings, Instant::now());
    let ran = tokio::select! {
        ran = driver.run(&mut discovery, |_, Over| ControlFlow::Break(())) => ran,
        () = context.cancel.cancelled() => Ok(()),
    };
    ran.map_err(|error| format!("the port can't be read: {error}"))?;
    if discovery.solicitations_sent() == 0 {
        return Err(driver.last_failure().map_or_else(|| "ended early".to_owned(), |error| format!("sending: {error}")));
    }
    Ok(discovery)
}

/// The routers that want to be the default one, the one that a host takes first (RFC 4191 section 3.2).
pub(super) fn default_routers(heard: &[Heard]) -> Vec<Router> {
    let mut routers: Vec<Router> = Vec::new();
    for one in heard.iter().filter(|one| one.is_valid() && one.advertisement.router_lifetime_s > 0) {
        let router = Router { address: one.from, mac: one.mac, preference: one.advertisement.preference };
        if !routers.iter().any(|known| known.address == router.address) {
            routers.push(router);
        }
    }
    routers.sort_by_key(|router| match router.preference {
        Preference::High => 0,
        Preference::Medium => 1,
        Preference::Low => 2,
    });
    routers
}

/// What was heard, as readings, facts and flaws.
pub(super) fn describe(discovery: &RouterDiscovery) -> Outcome {
    let mut outcome = Outcome::new(Status::Done);
    let heard = discovery.heard();
    let default = default_routers(heard).len();
    outcome.readings.push(Reading::exact("ipv6.routers", default as f64).over(Family::Ipv6));
    if let Some(Settled::RoundTrip(time, source)) = discovery.first_time() {
        let reading = Reading::exact("ipv6.advertisement_time", time.as_secs_f64() * 1e3);
        outcome.readings.push(reading.over(Family::Ipv6).stamped_by(source));
    }
    outcome.fact("advertisements", heard.iter().map(heard_fact).collect::<Vec<_>>());
    outcome.fact("solicitations_sent", discovery.solicitations_sent());
    outcome.fact("unreadable", discovery.unreadable());
    flaws(&mut outcome, heard, default);
    outcome
}

/// Tries each router; `None` when that was not possible.
pub(super) async fn probe(context: &Context, settings: router_probe::Settings) -> Option<Vec<Probed>> {
    let socket = PacketSocket::open(context.interface.index, Filter::EtherType(ETHERTYPE), false).ok()?;
    let mut driver = Driver::new(socket);
    let mut probe = RouterProbe::new(settings, Instant::now());
    tokio::select! {
        ran = driver.run(&mut probe, |_, router_probe::Over| ControlFlow::Break(())) => ran.ok()?,
        () = context.cancel.cancelled() => return None,
    }
    Some(probe.found())
}

/// What trying them showed. The first of the routers is the one that a host takes.
pub(super) fn describe_probes(outcome: &mut Outcome, routers: &[Router], found: &[Probed], toward: &[Ipv6Addr]) {
    outcome.fact("routers_tried", found.iter().map(|one| probed_fact(one, toward)).collect::<Vec<_>>());
    let Some(first) = found.first() else { return };
    if let Some(took) = first.answered_in {
        let reading = Reading::exact("ipv6.router_answer_time", took.longest.as_secs_f64() * 1e3);
        outcome.readings.push(reading.over(Family::Ipv6).stamped_by(took.stamped_by));
    }
    let tried = found.iter().any(|one| one.leads_out.is_some());
    if tried {
        let leads = f64::from(u8::from(first.leads_out == Some(true)));
        outcome.readings.push(Reading::exact("ipv6.leads_out", leads).over(Family::Ipv6));
    }
    let some_lead = found.iter().any(|one| one.leads_out == Some(true));
    let mut is_told = false;
    for (router, one) in routers.iter().zip(found) {
        let who = router.who();
        let to = toward.iter().map(ToString::to_string).collect::<Vec<_>>().join(" or ");
        if some_lead && one.leads_out != Some(true) {
            let does = if one.mac.is_some() { format!("leads nowhere ({to})") } else { "does not answer".to_owned() };
            let what = format!("{who} wants to be the default one beside a router that leads out, and {does}: a rogue");
            outcome.flaw("ipv6-rogue-router", what, None);
            is_told = true;
        } else if one.mac.is_none() {
            let what = format!(
                "{who} wants to be the default one and does not answer neighbour solicitations: the default route leads nowhere"
            );
            outcome.flaw("ipv6-router-dead", what, None);
        } else if one.leads_out == Some(false) {
            outcome.flaw("ipv6-leads-nowhere", format!("{who} is there, but nothing sent through it to {to} is answered"), None);
        }
    }
    if routers.len() > 1 && !is_told {
        let all: Vec<String> = routers.iter().map(Router::who).collect();
        let what =
            format!("{} routers want to be the default one, hosts may take any of them: {}", routers.len(), all.join(", "));
        outcome.flaw("ipv6-several-routers", what, None);
    }
}

fn probed_fact(one: &Probed, toward: &[Ipv6Addr]) -> Value {
    json!({
        "router": one.address,
        "mac": one.mac.map(|mac| mac.to_string()),
        "says_router": one.says_router,
        "answer_ms": one.answered_in.map(|took| took.longest.as_secs_f64() * 1e3),
        "leads_out": one.leads_out,
        "toward": toward,
    })
}

fn flaws(outcome: &mut Outcome, heard: &[Heard], default_routers: usize) {
    if default_routers == 0 && heard.iter().any(Heard::is_valid) {
        let what = "routers advertise themselves, and none wants to be the default one (router lifetime 0)";
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
pub(super) fn lifetime(seconds: u32) -> Value {
    if seconds == FOREVER { "forever".into() } else { seconds.into() }
}

fn item_fact(item: &Item) -> Value {
    match item {
        Item::SourceMac(mac) => json!({ "source_mac": mac.to_string() }),
        Item::TargetMac(mac) => json!({ "target_mac": mac.to_string() }),
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
        Item::Nat64(octets) => json!({ "nat64": hexadecimal(octets) }),
        Item::Other(kind, octets) => json!({ "option": kind, "octets": hexadecimal(octets) }),
    }
}
