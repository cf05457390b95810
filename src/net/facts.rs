//! What the kernel knows about ports, addresses, routes and neighbours, asked over netlink.
//!
//! Reads only. By netlink and not from `/sys`, which shows the namespace of whoever mounted it. The hard thing: a port
//! without a cable and a port that is switched off look alike in most fields; [`Link::carrier`] tells them apart.

mod address;
mod neighbour;
mod resolvers;
mod route;
mod udp_errors;

use std::io;

use futures_util::TryStreamExt;
use netlink_packet_route::link::{LinkAttribute, LinkFlags, LinkInfo, LinkLayerType, LinkMessage, Stats64};

pub use self::address::{Address, addresses};
pub use self::neighbour::{Neighbour, neighbours};
pub use self::resolvers::{parse_resolver_configuration, system_resolvers};
pub use self::route::{DefaultRoute, default_routes, ports_to_the_world, reverse_path_obstacle};
pub use self::udp_errors::udp_checksum_errors;
use super::route_socket::{is_code, with_handle};

/// A port as the kernel sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Link {
    /// Kernel index.
    pub index: u32,
    /// Kernel name.
    pub name: String,
    /// Hardware address of 48 bits, where it has one.
    pub mac: Option<[u8; 6]>,
    /// Speaks Ethernet (wired, or wireless that looks like it) and isn't the loopback.
    pub is_ethernet: bool,
    /// Switched on by the administrator (IFF_UP).
    pub is_up: bool,
    /// Switched on and with carrier.
    pub has_carrier: bool,
    /// Kind of a virtual port ("veth", "bridge", "vlan"); `None` for hardware.
    pub virtual_kind: Option<String>,
    /// Largest IP packet in octets.
    pub mtu: u32,
    /// Operational state in the words of RFC 2863 ("up", "lower-layer-down", ...); "unknown" where the driver doesn't say.
    pub operational: &'static str,
    /// How often carrier came or went since the port exists; `None` where the kernel doesn't say.
    pub carrier_changes: Option<u32>,
    /// The counters; zero where the driver counts nothing.
    pub counters: Counters,
}

impl Link {
    /// Whether it is the end of a tunnel, by its kind (`ip-link(8)`).
    pub fn is_tunnel(&self) -> bool {
        const TUNNELS: [&str; 10] = ["tun", "wireguard", "ppp", "ipip", "ip6tnl", "gre", "ip6gre", "sit", "vti", "xfrm"];
        self.virtual_kind.as_deref().is_some_and(|kind| TUNNELS.contains(&kind))
    }

    /// Whether there is carrier; `None` when the port is switched off, where nobody can know.
    pub fn carrier(&self) -> Option<bool> {
        self.is_up.then_some(self.has_carrier)
    }
}

/// A port's 64-bit counters (`struct rtnl_link_stats64`, named after RFC 2863 and the kernel's statistics page).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counters {
    /// Frames received, broadcast and multicast included.
    pub received_frames: u64,
    /// Octets received.
    pub received_octets: u64,
    /// Frames sent.
    pub sent_frames: u64,
    /// Octets sent.
    pub sent_octets: u64,
    /// Frames received with an error, all kinds.
    pub receive_errors: u64,
    /// Of these, with a wrong frame check sequence.
    pub receive_crc_errors: u64,
    /// Of these, of an impossible length.
    pub receive_length_errors: u64,
    /// Frames that could not be sent, all kinds.
    pub transmit_errors: u64,
    /// Of these, for loss of carrier.
    pub transmit_carrier_errors: u64,
    /// Frames that arrived and were thrown away for want of room or of somebody who wants them.
    pub receive_drops: u64,
    /// Frames that the adapter missed for want of buffers.
    pub receive_missed: u64,
    /// Frames that a queue threw away before they were sent.
    pub transmit_drops: u64,
    /// Collisions: only half duplex has them (IEEE 802.3 clause 4).
    pub collisions: u64,
}

impl Counters {
    /// What was added since `earlier`. A counter that ran backwards (the driver was reset) counts from zero.
    #[must_use]
    pub fn since(&self, earlier: &Self) -> Self {
        let grown = |now: u64, then: u64| now.checked_sub(then).unwrap_or(now);
        Self {
            received_frames: grown(self.received_frames, earlier.received_frames),
            received_octets: grown(self.received_octets, earlier.received_octets),
            sent_frames: grown(self.sent_frames, earlier.sent_frames),
            sent_octets: grown(self.sent_octets, earlier.sent_octets),
            receive_errors: grown(self.receive_errors, earlier.receive_errors),
            receive_crc_errors: grown(self.receive_crc_errors, earlier.receive_crc_errors),
            receive_length_errors: grown(self.receive_length_errors, earlier.receive_length_errors),
            transmit_errors: grown(self.transmit_errors, earlier.transmit_errors),
            transmit_carrier_errors: grown(self.transmit_carrier_errors, earlier.transmit_carrier_errors),
            receive_drops: grown(self.receive_drops, earlier.receive_drops),
            receive_missed: grown(self.receive_missed, earlier.receive_missed),
            transmit_drops: grown(self.transmit_drops, earlier.transmit_drops),
            collisions: grown(self.collisions, earlier.collisions),
        }
    }
}

/// All ports of the calling thread's namespace, by index.
///
/// # Errors
/// When netlink can't be opened or doesn't answer.
pub async fn links() -> io::Result<Vec<Link>> {
    let messages: Vec<LinkMessage> =
        with_handle(
            "listing the interfaces".to_owned(),
            |handle| async move { handle.link().get().execute().try_collect().await },
        )
        .await?;
    let mut links: Vec<Link> = messages.into_iter().filter_map(read).collect();
    links.sort_by_key(|link| link.index);
    Ok(links)
}

/// One port by its index; `None` when there is none (any more).
///
/// # Errors
/// As [`links`].
pub async fn link(index: u32) -> io::Result<Option<Link>> {
    let message = with_handle(format!("asking about interface {index}"), |handle| async move {
        let mut answers = Box::pin(handle.link().get().match_index(index).execute());
        match answers.try_next().await {
            Err(error) if is_code(&error, libc::ENODEV) => Ok(None),
            other => other,
        }
    })
    .await?;
    Ok(message.and_then(read))
}

fn read(message: LinkMessage) -> Option<Link> {
    let flags = message.header.flags;
    let is_up = flags.contains(LinkFlags::Up);
    let ethernet = message.header.link_layer_type == LinkLayerType::Ether && !flags.contains(LinkFlags::Loopback);
    let mut link = Link {
        index: message.header.index,
        name: String::new(),
        mac: None,
        is_ethernet: ethernet,
        is_up,
        has_carrier: is_up && flags.contains(LinkFlags::LowerUp),
        virtual_kind: None,
        mtu: 0,
        operational: "unknown",
        carrier_changes: None,
        counters: Counters::default(),
    };
    for attribute in message.attributes {
        match attribute {
            LinkAttribute::IfName(name) => link.name = name,
            LinkAttribute::Address(octets) => link.mac = octets.try_into().ok(),
            LinkAttribute::Mtu(mtu) => link.mtu = mtu,
            LinkAttribute::OperState(state) => link.operational = operational(state),
            LinkAttribute::CarrierChanges(count) => link.carrier_changes = Some(count),
            LinkAttribute::Stats64(stats) => link.counters = counters(&stats),
            LinkAttribute::LinkInfo(infos) => {
                link.virtual_kind = infos.iter().find_map(|info| match info {
                    LinkInfo::Kind(kind) => Some(kind.to_string()),
                    _ => None,
                });
            }
            _ => {}
        }
    }
    (!link.name.is_empty()).then_some(link)
}

fn operational(state: netlink_packet_route::link::State) -> &'static str {
    use netlink_packet_route::link::State;
    match state {
        State::NotPresent => "not-present",
        State::Down => "down",
        State::LowerLayerDown => "lower-layer-down",
        State::Testing => "testing",
        State::Dormant => "dormant",
        State::Up => "up",
        _ => "unknown",
    }
}

fn counters(stats: &Stats64) -> Counters {
    Counters {
        received_frames: stats.rx_packets,
        received_octets: stats.rx_bytes,
        sent_frames: stats.tx_packets,
        sent_octets: stats.tx_bytes,
        receive_errors: stats.rx_errors,
        receive_crc_errors: stats.rx_crc_errors,
        receive_length_errors: stats.rx_length_errors,
        transmit_errors: stats.tx_errors,
        transmit_carrier_errors: stats.tx_carrier_errors,
        receive_drops: stats.rx_dropped,
        receive_missed: stats.rx_missed_errors,
        transmit_drops: stats.tx_dropped,
        collisions: stats.collisions,
    }
}

#[cfg(test)]
mod tests;
