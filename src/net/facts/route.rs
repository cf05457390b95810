//! Default routes over a port.

use std::io;
use std::net::{IpAddr, Ipv4Addr};

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
    let question = match family {
        Family::Ipv4 => RouteMessageBuilder::<Ipv4Addr>::new().build(),
        Family::Ipv6 => RouteMessageBuilder::<std::net::Ipv6Addr>::new().build(),
    };
    let messages: Vec<RouteMessage> = with_handle(format!("listing the routes of interface {index}"), |handle| async move {
        handle.route().get(question).execute().try_collect().await
    })
    .await?;
    let mut routes: Vec<DefaultRoute> = messages.iter().filter_map(|message| read(message, index, family)).collect();
    routes.sort_by_key(|route| route.metric);
    Ok(routes)
}

fn read(message: &RouteMessage, index: u32, family: Family) -> Option<DefaultRoute> {
    let header = &message.header;
    let table = message.attributes.iter().find_map(|a| match a {
        RouteAttribute::Table(table) => Some(*table),
        _ => None,
    });
    let is_main = table.unwrap_or_else(|| u32::from(header.table)) == u32::from(RouteHeader::RT_TABLE_MAIN);
    if header.destination_prefix_length != 0 || header.kind != RouteType::Unicast || !is_main {
        return None;
    }
    let (mut port, mut next_hop, mut metric) = (None, None, 0);
    for attribute in &message.attributes {
        match attribute {
            RouteAttribute::Oif(oif) => port = Some(*oif),
            RouteAttribute::Priority(priority) => metric = *priority,
            RouteAttribute::MultiPath(hops) => {
                if let Some(hop) = hops.iter().find(|hop| hop.interface_index == index) {
                    port = Some(index);
                    next_hop = hop_of(&hop.attributes);
                }
            }
            _ => {}
        }
    }
    let next_hop = next_hop.or_else(|| hop_of(&message.attributes));
    (port == Some(index)).then_some(DefaultRoute { family, next_hop, metric })
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
