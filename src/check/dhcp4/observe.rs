//! Looks at an address that the port has already, without disturbing whoever manages it.

use std::net::{IpAddr, Ipv4Addr};
use std::ops::ControlFlow;
use std::time::Instant;

use serde_json::json;

use super::report::{Asked, makers};
use super::{as_resolvers, settings};
use crate::check::{Context, Finished, Learned};
use crate::net::drive::Driver;
use crate::net::facts::{self, Address};
use crate::net::packet::{Filter, PacketSocket};
use crate::proto::dhcp4::{Client, Event, Purpose};
use crate::reading::{Outcome, Status};
use crate::unit::Family;
use crate::wire::dhcp4::option::code;
use crate::wire::dhcp4::{CLIENT_PORT, MessageType};

pub(super) async fn run(context: &Context, address: Ipv4Addr, held: &Address) -> Finished {
    let mut told = inform(context, address).await;
    let outcome = &mut told.outcome;
    outcome.fact("mode", "observed");
    let lifetime = held.valid_for.map(|time| time.as_secs());
    outcome.fact("address", json!({ "address": address, "prefix": held.prefix, "valid_for_s": lifetime }));
    let mut learned = vec![Learned::Ipv4(address, held.prefix)];

    let routes = facts::default_routes(context.interface.index, Family::Ipv4).await.unwrap_or_default();
    let gateway = routes.iter().find_map(|route| match route.next_hop {
        Some(IpAddr::V4(hop)) => Some(hop),
        _ => None,
    });
    match gateway {
        Some(gateway) => {
            outcome.fact("gateway", gateway.to_string());
            learned.push(Learned::Gateway4(gateway));
        }
        None => outcome.flaw("dhcp4-no-default-route", format!("no IPv4 default route over {}", context.interface.name), None),
    }

    let (resolvers, source) = match as_resolvers(&told.resolvers) {
        handed_out if !handed_out.is_empty() => (handed_out, "dhcp"),
        _ => (facts::system_resolvers().unwrap_or_default(), "system"),
    };
    if !resolvers.is_empty() {
        let list: Vec<String> = resolvers.iter().map(IpAddr::to_string).collect();
        outcome.fact("resolvers", json!({ "from": source, "addresses": list }));
        learned.push(Learned::Resolvers(resolvers));
    }
    Finished { outcome: told.outcome, learned, holdings: Vec::new() }
}

/// What servers say to an INFORM.
struct Told {
    outcome: Outcome,
    resolvers: Vec<Ipv4Addr>,
}

/// Asks by INFORM (RFC 2131 section 3.4), which changes no lease; see [`Purpose::Inform`]. Silence is no failure: the
/// address may be set by hand on a line without a server.
async fn inform(context: &Context, address: Ipv4Addr) -> Told {
    let filter = Filter::Udp { port: CLIENT_PORT, with_arp: true };
    let mut driver = match PacketSocket::open(context.interface.index, filter, false) {
        Ok(socket) => Driver::new(socket),
        Err(error) => {
            let mut outcome = Outcome::new(Status::Done);
            outcome.fact("servers_not_asked", format!("opening a packet socket: {error}"));
            return Told { outcome, resolvers: Vec::new() };
        }
    };
    let start = Instant::now();
    let mut client = Client::new(settings(context, Purpose::Inform(address)).await, start);
    let run = driver.run(&mut client, |_, event| match event {
        Event::Over(_) => ControlFlow::Break(()),
        _ => ControlFlow::Continue(()),
    });
    tokio::select! {
        _ = run => {}
        () = context.cancel.cancelled() => {}
    }
    let (took, makers) = (start.elapsed(), makers(&client).await);
    let asked = Asked { client: &client, took, position: context.position, drops: driver.port().drops(), makers: &makers };
    let outcome = asked.describe(Status::Done);
    let acks = client.answers().iter().filter(|a| a.kind == Some(MessageType::Ack));
    let resolvers = acks.map(|a| a.message.addresses(code::NAME_SERVERS)).find(|list| !list.is_empty()).unwrap_or_default();
    Told { outcome, resolvers }
}
