//! Default routes over a port.

use std::collections::BTreeSet;
use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use futures_util::TryStreamExt;
use netlink_packet_route::route::{RouteAddress, RouteAttribute, RouteHeader, RouteMessage, RouteType, RouteVia};
use rtnetlink::RouteMessageBuilder;

use super::super::route_socket::with_handle;
use crate::unit::Family;

/// A default route over one port.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DefaultRoute {
    /// Whose destinations it covers.
    pub family: Family,
    /// The next hop; `None` when everything is taken to be on the link.
    pub next_hop: Option<IpAddr>,
    /// The kernel prefers the smallest.
    pub metric: u32,
}

/// The default routes of the main table that go over the port with this index, most preferred first.
///
/// # Errors
/// When netlink can't be opened or doesn't answer.
pub async fn default_routes(index: u32, family: Family) -> io::Result<Vec<DefaultRoute>> {
    let all = all_default_routes(family).await?;
    Ok(all.into_iter().filter(|(port, _)| *port == index).map(|(_, route)| route).collect())
}

/// Why answers from beyond the port's network may be thrown away on arrival: the reverse path filter of the port is
/// strict (RFC 3704 section 2.2) and the machine prefers another port's default route. `None` when they aren't.
///
/// # Errors
/// As [`default_routes`].
pub async fn reverse_path_obstacle(index: u32, name: &str) -> io::Result<Option<String>> {
    // The larger of the two holds (Documentation/networking/ip-sysctl.rst); 1 is strict.
    let value = |conf: &str| {
        let text = std::fs::read_to_string(format!("/proc/sys/net/ipv4/conf/{conf}/rp_filter"));
        text.ok().and_then(|t| t.trim().parse::<u8>().ok()).unwrap_or(0)
    };
    if value("all").max(value(name)) != 1 {
        return Ok(None);
    }
    let all = all_default_routes(Family::Ipv4).await?;
    let preferred = all.first().is_some_and(|(port, _)| *port == index);
    Ok((!preferred && !all.is_empty()).then(|| {
        format!(
            "the reverse path filter of {name} is strict and another port has the preferred default route, so answers \
             from beyond the next hop are thrown away: sudo sysctl -w net.ipv4.conf.all.rp_filter=2"
        )
    }))
}

/// Ports that this machine's programs reach half of all addresses or more by, of any table: tunnels often take two halves and leave the default
/// route as it is.
///
/// # Errors
/// As [`default_routes`].
pub async fn ports_to_the_world() -> io::Result<BTreeSet<u32>> {
    let mut ports = BTreeSet::new();
    for family in [Family::Ipv4, Family::Ipv6] {
        for message in all_routes(family).await? {
            if message.header.destination_prefix_length <= 1 && message.header.kind == RouteType::Unicast {
                ports.extend(hops(&message).map(|(port, _)| port));
            }
        }
    }
    Ok(ports)
}

/// Port and route of every default route of the main table, most preferred first.
async fn all_default_routes(family: Family) -> io::Result<Vec<(u32, DefaultRoute)>> {
    let messages = all_routes(family).await?;
    let mut routes: Vec<(u32, DefaultRoute)> = messages.iter().flat_map(|message| read(message, family)).collect();
    routes.sort_by_key(|(_, route)| route.metric);
    Ok(routes)
}

async fn all_routes(family: Family) -> io::Result<Vec<RouteMessage>> {
    let question = match family {
        Family::Ipv4 => RouteMessageBuilder::<Ipv4Addr>::new().build(),
        Family::Ipv6 => RouteMessageBuilder::<Ipv6Addr>::new().build(),
    };
    with_handle(
        "listing the routes".to_owned(),
        |handle| async move { handle.route().get(question).execute().try_collect().await },
    )
    .await
}

/// The default route of a message by port: none, one, or for a route of several next hops one for each.
fn read(message: &RouteMessage, family: Family) -> Vec<(u32, DefaultRoute)> {
    let header = &message.header;
    let table = message.attributes.iter().find_map(|a| match a {
        RouteAttribute::Table(table) => Some(*table),
        _ => None,
    });
    let is_main = table.unwrap_or_else(|| u32::from(header.table)) == u32::from(RouteHeader::RT_TABLE_MAIN);
    if header.destination_prefix_length != 0 || header.kind != RouteType::Unicast || !is_main {
        return Vec::new();
    }
    let metric = message.attributes.iter().find_map(|attribute| match attribute {
        RouteAttribute::Priority(priority) => Some(*priority),
        _ => None,
    });
    let route = |next_hop| DefaultRoute { family, next_hop, metric: metric.unwrap_or(0) };
    hops(message).map(|(port, next_hop)| (port, route(next_hop))).collect()
}

/// Ports and next hops of a route.
fn hops(message: &RouteMessage) -> impl Iterator<Item = (u32, Option<IpAddr>)> {
    message.attributes.iter().flat_map(|attribute| match attribute {
        RouteAttribute::Oif(port) => vec![(*port, hop_of(&message.attributes))],
        RouteAttribute::MultiPath(hops) => hops.iter().map(|h| (h.interface_index, hop_of(&h.attributes))).collect(),
        _ => Vec::new(),
    })
}

fn hop_of(attributes: &[RouteAttribute]) -> Option<IpAddr> {
    attributes.iter().find_map(|attribute| match attribute {
        RouteAttribute::Gateway(RouteAddress::Inet(address)) => Some(IpAddr::V4(*address)),
        RouteAttribute::Gateway(RouteAddress::Inet6(address)) | RouteAttribute::Via(RouteVia::Inet6(address)) => {
            Some(IpAddr::V6(*address))
        }
        RouteAttribute::Via(RouteVia::Inet(address)) => Some(IpAddr::V4(*address)),
        _ => None,
    })
}
