//! Neighbours: which hardware address answers for an IP address.

use std::io;
use std::net::IpAddr;

use futures_util::TryStreamExt;
use netlink_packet_route::neighbour::{NeighbourAddress, NeighbourAttribute, NeighbourMessage, NeighbourState};

use super::super::route_socket::with_handle;

/// A neighbour entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Neighbour {
    /// The IP address.
    pub address: IpAddr,
    /// Who answers for it; `None` while unresolved or when nobody does.
    pub mac: Option<[u8; 6]>,
    /// Resolution was tried and nobody answered.
    pub has_failed: bool,
    /// The neighbour says that it is a router (RFC 4861 section 4.4, R flag); IPv6 only.
    pub is_router: bool,
}

/// The neighbours on the port with this index, both families.
///
/// # Errors
/// When netlink can't be opened or doesn't answer.
pub async fn neighbours(index: u32) -> io::Result<Vec<Neighbour>> {
    let messages: Vec<NeighbourMessage> =
        with_handle(format!("listing the neighbours on interface {index}"), |handle| async move {
            handle.neighbours().get().execute().try_collect().await
        })
        .await?;
    Ok(messages.iter().filter(|m| m.header.ifindex == index).filter_map(read).collect())
}

fn read(message: &NeighbourMessage) -> Option<Neighbour> {
    let (mut address, mut mac) = (None, None);
    for attribute in &message.attributes {
        match attribute {
            NeighbourAttribute::Destination(NeighbourAddress::Inet(v4)) => address = Some(IpAddr::V4(*v4)),
            NeighbourAttribute::Destination(NeighbourAddress::Inet6(v6)) => address = Some(IpAddr::V6(*v6)),
            NeighbourAttribute::LinkLayerAddress(octets) => mac = octets.as_slice().try_into().ok(),
            _ => {}
        }
    }
    Some(Neighbour {
        address: address?,
        mac,
        has_failed: message.header.state == NeighbourState::Failed,
        is_router: message.header.flags.contains(netlink_packet_route::neighbour::NeighbourFlags::Router),
    })
}
