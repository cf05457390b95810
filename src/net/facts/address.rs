//! Addresses of a port.

use std::io;
use std::net::IpAddr;
use std::time::Duration;

use futures_util::TryStreamExt;
use netlink_packet_route::address::{AddressAttribute, AddressFlags, AddressMessage, AddressScope};

use super::super::route_socket::with_handle;

/// An address that the kernel holds on a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address {
    /// The address.
    pub address: IpAddr,
    /// Prefix length of its network.
    pub prefix: u8,
    /// Valid beyond its link; link-local and host addresses are not.
    pub is_global: bool,
    /// Usable now: not tentative, not a duplicate (RFC 4862 section 5.4).
    pub is_usable: bool,
    /// Somebody else on the link has it (RFC 4862 section 5.4.5).
    pub is_duplicate: bool,
    /// Preferred for new connections: not deprecated (RFC 4862 section 5.5.4).
    pub is_preferred: bool,
    /// Time until the kernel removes it; `None` is forever.
    pub valid_for: Option<Duration>,
}

/// The addresses of the port with this index, both families, in the kernel's order (which is its order of preference).
///
/// # Errors
/// When netlink can't be opened or doesn't answer.
pub async fn addresses(index: u32) -> io::Result<Vec<Address>> {
    let messages: Vec<AddressMessage> = with_handle(format!("listing the addresses of interface {index}"), |handle| async move {
        handle.address().get().set_link_index_filter(index).execute().try_collect().await
    })
    .await?;
    Ok(messages.into_iter().filter(|m| m.header.index == index).filter_map(read).collect())
}

fn read(message: AddressMessage) -> Option<Address> {
    let (mut local, mut peer, mut flags, mut valid_for) = (None, None, None, None);
    for attribute in &message.attributes {
        match attribute {
            // On a point-to-point link `Address` is the other end's and `Local` ours; elsewhere they are the same.
            AddressAttribute::Local(address) => local = Some(*address),
            AddressAttribute::Address(address) => peer = Some(*address),
            AddressAttribute::Flags(all) => flags = Some(*all),
            AddressAttribute::CacheInfo(times) if times.ifa_valid != u32::MAX => {
                valid_for = Some(Duration::from_secs(u64::from(times.ifa_valid)));
            }
            _ => {}
        }
    }
    let flags = flags.unwrap_or_else(|| AddressFlags::from_bits_retain(u32::from(message.header.flags.bits())));
    Some(Address {
        address: local.or(peer)?,
        prefix: message.header.prefix_len,
        is_global: message.header.scope == AddressScope::Universe,
        is_usable: !flags.intersects(AddressFlags::Tentative | AddressFlags::Dadfailed),
        is_duplicate: flags.contains(AddressFlags::Dadfailed),
        is_preferred: !flags.contains(AddressFlags::Deprecated),
        valid_for,
    })
}
