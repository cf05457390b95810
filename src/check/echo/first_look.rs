//! One coarse ping to each address, to see at once who is there. Not a figure: its times are taken in user space.

use std::net::IpAddr;
use std::num::NonZeroU32;
use std::time::Duration;

use surge_ping::{Client, Config, ICMP, IcmpPacket, PingIdentifier, PingSequence};

use super::super::probing::Device;

/// How long is waited for an answer.
const TIMEOUT: Duration = Duration::from_millis(500);

/// What one ping saw.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Look {
    /// An echo reply.
    Answers,
    /// Nothing within half a second.
    Silent,
    /// Another ICMP message than a reply.
    OtherMessage,
    /// The ping could not be sent.
    NotSent,
}

impl Look {
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Answers => "answers",
            Self::Silent => "no answer within 500 ms",
            Self::OtherMessage => "answered with an ICMP error",
            Self::NotSent => "not sent",
        }
    }
}

/// Pings all addresses at once. Never fails: what can't be sent is said.
pub(super) async fn look(addresses: &[IpAddr], device: &Device) -> Vec<(IpAddr, Look)> {
    let looks = addresses.iter().map(|address| async { (*address, one(*address, device).await) });
    futures_util::future::join_all(looks).await
}

async fn one(address: IpAddr, device: &Device) -> Look {
    let kind = if address.is_ipv4() { ICMP::V4 } else { ICMP::V6 };
    // Raw: datagram ICMP sockets are closed to all groups on many systems (net.ipv4.ping_group_range).
    let mut config = Config::builder().kind(kind).sock_type_hint(socket2::Type::RAW).interface(&device.name);
    if let Some(index) = NonZeroU32::new(device.index) {
        config = config.interface_index(index);
    }
    let Ok(client) = Client::new(&config.build()) else { return Look::NotSent };
    let mut pinger = client.pinger(address, PingIdentifier(rand::random())).await;
    pinger.timeout(TIMEOUT);
    if matches!(address, IpAddr::V6(v6) if v6.is_unicast_link_local()) {
        pinger.scope_id(device.index);
    }
    match pinger.ping(PingSequence(0), &[0; 16]).await {
        // The crate returns errors from the way as answers too: only the type tells. Types 0 and 129 are echo replies.
        Ok((IcmpPacket::V4(packet), _)) if packet.get_icmp_type().0 == 0 => Look::Answers,
        Ok((IcmpPacket::V6(packet), _)) if packet.get_icmpv6_type().0 == 129 => Look::Answers,
        Ok(_) => Look::OtherMessage,
        Err(surge_ping::SurgeError::Timeout { .. }) => Look::Silent,
        Err(_) => Look::NotSent,
    }
}
