//! The IPv6 routers of the practice line's home: what each is like, by what becomes of IPv6.

use crate::practice::config::Ipv6Service;
use crate::practice::roles::router::{Dhcp6Config, RouterRoleConfig};
use crate::practice::topology::{DELEGATED_V6, HOME_V6, LENT_V6, RESOLVERS_V6, ROGUE_V6};
use crate::wire::ethernet::Mac;
use crate::wire::ra::{Advertisement, Item, Preference};

/// Seconds that a router wants to be the default one, and that its prefix is valid.
const LIFETIME_S: u16 = 1800;
/// Locally administered; invented.
const ROGUE_MAC: Mac = Mac([0x02, 0, 0x5e, 0, 0xba, 0xd0]);

/// The routers, the gateway first.
pub(super) fn of(service: Ipv6Service, gateway: Mac) -> Vec<RouterRoleConfig> {
    let whole = || home(gateway, true);
    match service {
        Ipv6Service::Silent => Vec::new(),
        Ipv6Service::Whole | Ipv6Service::DeadBehindGateway => vec![whole()],
        Ipv6Service::NoPrefix => vec![home(gateway, false)],
        Ipv6Service::RogueBeside => vec![whole(), rogue()],
    }
}

/// The gateway: without a prefix of the provider it is no default router (RFC 7084 section 4.1, rule G-4; from memory).
fn home(mac: Mac, has_prefix: bool) -> RouterRoleConfig {
    let mut items = vec![Item::SourceMac(mac), Item::Mtu(1500)];
    if has_prefix {
        items.push(prefix(HOME_V6));
        items.push(Item::Resolvers { lifetime_s: LIFETIME_S.into(), addresses: RESOLVERS_V6.to_vec() });
        items.push(Item::Search { lifetime_s: LIFETIME_S.into(), domains: vec!["example.net".to_owned()] });
    }
    RouterRoleConfig {
        mac,
        advertisement: Advertisement {
            hop_limit: 64,
            managed: true,
            other: true,
            preference: Preference::Medium,
            router_lifetime_s: if has_prefix { LIFETIME_S } else { 0 },
            reachable_ms: 0,
            retransmit_ms: 0,
            items,
        },
        is_own_device: false,
        server: Some(Dhcp6Config {
            addresses: has_prefix.then_some(LENT_V6),
            prefixes: has_prefix.then_some((DELEGATED_V6, 56)),
            resolvers: if has_prefix { RESOLVERS_V6.to_vec() } else { Vec::new() },
            is_rapid: true,
        }),
    }
}

/// The provider's edge inside a session, whose packets are smaller.
pub(in crate::practice) fn in_session(mac: Mac) -> RouterRoleConfig {
    let mut router = home(mac, true);
    for item in &mut router.advertisement.items {
        if let Item::Mtu(mtu) = item {
            *mtu = 1492;
        }
    }
    router
}

/// A laptop that shares a connection that it does not have.
fn rogue() -> RouterRoleConfig {
    RouterRoleConfig {
        mac: ROGUE_MAC,
        advertisement: Advertisement {
            hop_limit: 64,
            managed: false,
            other: false,
            preference: Preference::High,
            router_lifetime_s: LIFETIME_S,
            reachable_ms: 0,
            retransmit_ms: 0,
            items: vec![Item::SourceMac(ROGUE_MAC), prefix(ROGUE_V6)],
        },
        is_own_device: true,
        server: None,
    }
}

fn prefix(prefix: std::net::Ipv6Addr) -> Item {
    let valid_s = LIFETIME_S.into();
    Item::Prefix { prefix, len: 64, on_link: true, autonomous: true, valid_s, preferred_s: valid_s }
}
