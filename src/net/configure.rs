//! Gives a port an address and routes, and takes them away again.
//!
//! Every call can be repeated: adding what is there refreshes it, removing what is gone succeeds. The hard thing is to
//! disturb nobody: an address is given a lifetime so that the kernel removes it when this program can't any more, and
//! its routes get a metric that leaves every other port's routes in charge; sockets that are bound to the port still
//! take them.

use std::fmt;
use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::time::Duration;

use netlink_packet_route::address::{AddressAttribute, AddressHeaderFlags, CacheInfo};
use netlink_packet_route::route::{RouteMessage, RouteProtocol, RouteScope};
use rtnetlink::{AddressMessageBuilder, LinkUnspec, RouteMessageBuilder};

use super::route_socket::{is_code, with_handle};

/// Least metric of the routes that this program sets: behind what network managers use (below 1100 in common practice),
/// so that an existing default route keeps carrying the machine's own traffic.
pub const ROUTE_METRIC: u32 = 32_000;

/// The metric of a port's routes: of its own, since the kernel takes two default routes of one metric for the same one.
pub fn route_metric(index: u32) -> u32 {
    ROUTE_METRIC.saturating_add(index)
}

/// Puts an address on a port, or renews it.
///
/// `valid_for`: the kernel removes the address after this time; `None` is forever, and so is what exceeds 136 years.
/// The route to its network gets [`route_metric`]. Of IPv6 the kernel makes sure first that nobody has it (RFC 4862 section 5.4): until
/// then it is not usable, and a duplicate vanishes again or is marked.
///
/// # Errors
/// `PermissionDenied` without CAP_NET_ADMIN; `ENODEV` when the port is gone.
pub async fn set_address(index: u32, address: impl Into<IpAddr>, prefix: u8, valid_for: Option<Duration>) -> io::Result<()> {
    let address = address.into();
    with_handle(format!("giving interface {index} the address {address}/{prefix}"), |handle| async move {
        let mut request = handle.address().add(index, address, prefix).replace();
        let attributes = &mut request.message_mut().attributes;
        attributes.push(AddressAttribute::RoutePriority(route_metric(index)));
        if let Some(seconds) = valid_for.and_then(|time| u32::try_from(time.as_secs()).ok()) {
            let mut times = CacheInfo::default();
            times.ifa_valid = seconds.max(1);
            times.ifa_preferred = seconds.max(1);
            attributes.push(AddressAttribute::CacheInfo(times));
        }
        request.execute().await
    })
    .await
}

/// Takes an address off a port; its routes go with it.
///
/// # Errors
/// `PermissionDenied` without CAP_NET_ADMIN.
pub async fn remove_address(index: u32, address: impl Into<IpAddr>, prefix: u8) -> io::Result<()> {
    let address = address.into();
    with_handle(format!("taking the address {address}/{prefix} off interface {index}"), |handle| async move {
        let message = match address {
            IpAddr::V4(v4) => AddressMessageBuilder::<Ipv4Addr>::new().index(index).address(v4, prefix).build(),
            IpAddr::V6(v6) => AddressMessageBuilder::<Ipv6Addr>::new().index(index).address(v6, prefix).build(),
        };
        match handle.address().del(message).execute().await {
            Err(error) if is_code(&error, libc::EADDRNOTAVAIL) || is_code(&error, libc::ENODEV) => Ok(()),
            other => other,
        }
    })
    .await
}

/// Switches a port on, with its largest IP packet and, for one that speaks Ethernet, its hardware address.
///
/// # Errors
/// `PermissionDenied` without CAP_NET_ADMIN; `ENODEV` when the port is gone; `EINVAL` for an MTU that it can't have.
pub async fn raise(index: u32, mtu: u32, mac: Option<[u8; 6]>) -> io::Result<()> {
    with_handle(format!("switching interface {index} on"), |handle| async move {
        let mut port = LinkUnspec::new_with_index(index).mtu(mtu).up();
        if let Some(mac) = mac {
            port = port.address(mac.to_vec());
        }
        handle.link().set(port.build()).execute().await
    })
    .await
}

/// Keeps the kernel from giving a port an IPv6 link-local address of its own choice; before [`raise`].
///
/// # Errors
/// `PermissionDenied` without CAP_NET_ADMIN. A kernel without IPv6 gives none: no error.
pub fn without_own_link_local(name: &str) -> io::Result<()> {
    match std::fs::write(format!("/proc/sys/net/ipv6/conf/{name}/addr_gen_mode"), "1") {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        other => other,
    }
}

/// Gives a port that leads to a single peer its address, and the route to the peer.
///
/// # Errors
/// As [`raise`].
pub async fn set_peer_address(index: u32, own: Ipv4Addr, peer: Ipv4Addr) -> io::Result<()> {
    with_handle(format!("giving interface {index} the address {own} toward {peer}"), |handle| async move {
        let mut request = handle.address().add(index, own.into(), 32).replace();
        for attribute in &mut request.message_mut().attributes {
            if let AddressAttribute::Address(address) = attribute {
                *address = peer.into();
            }
        }
        request.execute().await
    })
    .await
}

/// Gives a port the link-local address with this interface identifier (RFC 4291 section 2.5.6), without asking neighbours.
///
/// # Errors
/// As [`raise`].
pub async fn set_link_local(index: u32, identifier: [u8; 8]) -> io::Result<()> {
    let mut octets = [0; 16];
    octets[..2].copy_from_slice(&[0xfe, 0x80]);
    octets[8..].copy_from_slice(&identifier);
    let address = Ipv6Addr::from(octets);
    with_handle(format!("giving interface {index} the address {address}"), |handle| async move {
        let mut request = handle.address().add(index, address.into(), 64).replace();
        request.message_mut().header.flags = AddressHeaderFlags::Nodad;
        request.execute().await
    })
    .await
}

/// A route to be set over a port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Route {
    /// Destination network; unspecified with prefix 0 is the default route.
    pub network: IpAddr,
    /// Prefix length, 0 to 32, or to 128 for IPv6.
    pub prefix: u8,
    /// Who passes it on; `None` when the network is on the link itself.
    pub next_hop: Option<IpAddr>,
}

impl Route {
    /// The way to everything else.
    pub fn default_via(next_hop: impl Into<IpAddr>) -> Self {
        let next_hop = next_hop.into();
        let network = match next_hop {
            IpAddr::V4(_) => Ipv4Addr::UNSPECIFIED.into(),
            IpAddr::V6(_) => Ipv6Addr::UNSPECIFIED.into(),
        };
        Self { network, prefix: 0, next_hop: Some(next_hop) }
    }

    /// A network on the link itself.
    pub fn on_link(network: impl Into<IpAddr>, prefix: u8) -> Self {
        Self { network: network.into(), prefix, next_hop: None }
    }
}

impl fmt::Display for Route {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.next_hop {
            Some(hop) => write!(f, "{}/{} via {hop}", self.network, self.prefix),
            None => write!(f, "{}/{} on the link", self.network, self.prefix),
        }
    }
}

/// Sets a route over a port, with [`route_metric`].
///
/// The next hop may lie outside the address's network, as providers with /32 leases have it: it is taken to be on the
/// link.
///
/// # Errors
/// `PermissionDenied` without CAP_NET_ADMIN; `ENETUNREACH` or `ENETDOWN` when the port is down or has no address; `EINVAL` for
/// a network with host bits, or a next hop of the other IP version.
pub async fn set_route(index: u32, route: Route) -> io::Result<()> {
    let message = message(index, route)?;
    with_handle(format!("setting the route {route} over interface {index}"), |handle| async move {
        handle.route().add(message).replace().execute().await
    })
    .await
}

/// Removes what [`set_route`] set.
///
/// # Errors
/// `PermissionDenied` without CAP_NET_ADMIN.
pub async fn remove_route(index: u32, route: Route) -> io::Result<()> {
    let message = message(index, route)?;
    with_handle(format!("removing the route {route} over interface {index}"), |handle| async move {
        match handle.route().del(message).execute().await {
            Err(error) if is_code(&error, libc::ESRCH) || is_code(&error, libc::ENODEV) => Ok(()),
            other => other,
        }
    })
    .await
}

/// Whether this thread may change addresses and routes: CAP_NET_ADMIN among its effective capabilities (capabilities(7)).
/// `true` when that can't be found out; the kernel then says no by itself.
pub fn is_allowed() -> bool {
    const NET_ADMIN: u32 = 12;
    let Ok(status) = std::fs::read_to_string("/proc/thread-self/status") else { return true };
    let effective = status.lines().find_map(|line| u64::from_str_radix(line.strip_prefix("CapEff:")?.trim(), 16).ok());
    effective.is_none_or(|set| set >> NET_ADMIN & 1 == 1)
}

fn message(index: u32, route: Route) -> io::Result<RouteMessage> {
    let (port, metric) = (index, route_metric(index));
    match (route.network, route.next_hop) {
        (IpAddr::V4(network), hop @ (None | Some(IpAddr::V4(_)))) => {
            let builder = RouteMessageBuilder::<Ipv4Addr>::new()
                .destination_prefix(network, route.prefix)
                .output_interface(port)
                .priority(metric)
                .protocol(RouteProtocol::Dhcp);
            Ok(match hop {
                Some(IpAddr::V4(hop)) => builder.gateway(hop).onlink().build(),
                _ => builder.scope(RouteScope::Link).build(),
            })
        }
        (IpAddr::V6(network), hop @ (None | Some(IpAddr::V6(_)))) => {
            let builder = RouteMessageBuilder::<Ipv6Addr>::new()
                .destination_prefix(network, route.prefix)
                .output_interface(port)
                .priority(metric)
                .protocol(RouteProtocol::Ra);
            Ok(match hop {
                Some(IpAddr::V6(hop)) => builder.gateway(hop).onlink().build(),
                _ => builder.build(),
            })
        }
        _ => Err(io::Error::new(io::ErrorKind::InvalidInput, format!("the route {route} mixes IPv4 and IPv6"))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::net::build::{End, Site};
    use crate::net::facts::{addresses, default_routes};
    use crate::net::netns::Namespace;
    use crate::unit::Family;

    /// Two ports of one namespace, each with a cable to the other side, and a runtime inside.
    fn two_ports() -> (Site, Site, [u32; 2]) {
        let (near, far) = (Namespace::new("near").expect("root"), Namespace::new("far").expect("root"));
        let (mut here, mut there) = (Site::open(&near).expect("site"), Site::open(&far).expect("site"));
        let mut indexes = [0; 2];
        for (n, (name, peer)) in [("p0", "q0"), ("p1", "q1")].into_iter().enumerate() {
            let mac = |end| [2, 0, 0, n as u8, 0, end];
            let ends = (End { site: &near, name, mac: mac(1) }, End { site: &far, name: peer, mac: mac(2) });
            here.cable(&ends.0, &ends.1).expect("veth");
            indexes[n] = here.index(name).expect("made");
            here.raise(name, indexes[n]).expect("up");
            let index = there.index(peer).expect("made");
            there.raise(peer, index).expect("up");
        }
        (here, there, indexes)
    }

    fn inside<T: Send + 'static>(site: &Site, work: impl Future<Output = T> + Send + 'static) -> T {
        let runtime = site.namespace().runtime(1).expect("runtime");
        let task = runtime.spawn(work);
        runtime.block_on(task).expect("no panic")
    }

    const HERE: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 50);
    const HOP: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);

    #[test]
    fn an_address_is_set_renewed_and_removed_any_number_of_times() {
        let (site, _there, [index, _]) = two_ports();
        inside(&site, async move {
            for seconds in [600, 3600] {
                set_address(index, HERE, 24, Some(Duration::from_secs(seconds))).await.expect("set");
                let held = addresses(index).await.expect("list");
                let held: Vec<_> = held.iter().filter(|a| a.address.is_ipv4()).collect();
                assert_eq!((held.len(), held[0].prefix, held[0].is_global), (1, 24, true));
                let left = held[0].valid_for.expect("a lifetime").as_secs();
                assert!(left <= seconds && left + 5 > seconds, "{left} of {seconds}");
            }
            for _ in 0..2 {
                remove_address(index, HERE, 24).await.expect("gone is gone");
            }
            assert!(addresses(index).await.expect("list").iter().all(|a| a.address.is_ipv6()));
        });
    }

    #[test]
    fn default_routes_of_two_ports_stand_side_by_side_and_behind_a_route_that_was_there() {
        let (mut site, _there, [first, second]) = two_ports();
        site.address(first, "198.51.100.9".parse().unwrap(), 24).expect("address");
        site.default_route("198.51.100.1".parse().unwrap(), first).expect("the machine's own route");
        inside(&site, async move {
            set_address(second, HERE, 24, None).await.expect("address");
            for _ in 0..2 {
                set_route(second, Route::default_via(HOP)).await.expect("set");
            }
            // Also where the next hop is outside of the address's network.
            set_route(first, Route::default_via(HOP)).await.expect("on link");
            let over = async |index| default_routes(index, Family::Ipv4).await.expect("list");
            let metrics: Vec<u32> = over(first).await.iter().map(|r| r.metric).collect();
            assert_eq!(metrics, [0, route_metric(first)]);
            let routes = over(second).await;
            assert_eq!((routes.len(), routes[0].next_hop, routes[0].metric), (1, Some(HOP.into()), route_metric(second)));
            for _ in 0..2 {
                remove_route(second, Route::default_via(HOP)).await.expect("gone is gone");
            }
            assert_eq!((over(second).await.len(), over(first).await.len()), (0, 2));
        });
    }

    /// What `ip` tells of a port's routes that this program set, without the metric, which must be the port's own.
    fn told(site: &Site, index: u32) -> Vec<String> {
        let mut command = site.namespace().command("ip");
        let out = command.args(["-4", "route", "show", "proto", "dhcp"]).output().expect("iproute2 is installed");
        let text = String::from_utf8(out.stdout).expect("text");
        let metric = format!(" metric {}", route_metric(index));
        let mut lines: Vec<String> = text.lines().map(|line| line.replace(&metric, "").trim().to_owned()).collect();
        lines.sort();
        lines
    }

    #[test]
    fn routes_of_any_width_are_set_and_removed_and_one_without_a_next_hop_is_on_the_link() {
        let (site, _there, [index, _]) = two_ports();
        let all = [
            (8, [10, 0, 0, 0], Some(HOP)),
            (25, [198, 51, 100, 128], None),
            (32, [203, 0, 113, 7], Some(HOP)),
            (0, [0; 4], Some(HOP)),
        ];
        let all =
            all.map(|(prefix, network, next_hop)| Route { network: network.into(), prefix, next_hop: next_hop.map(Into::into) });
        inside(&site, async move {
            set_address(index, HERE, 24, None).await.expect("address");
            for route in [all, all].concat() {
                set_route(index, route).await.expect("set, and set again");
            }
            let spoilt = Route { network: Ipv4Addr::new(10, 0, 0, 1).into(), prefix: 8, next_hop: Some(HOP.into()) };
            assert_eq!(set_route(index, spoilt).await.expect_err("host bits").kind(), io::ErrorKind::InvalidInput);
        });
        let via = "via 192.0.2.1 dev p0 onlink";
        let expected = [
            format!("10.0.0.0/8 {via}"),
            "198.51.100.128/25 dev p0 scope link".to_owned(),
            format!("203.0.113.7 {via}"),
            format!("default {via}"),
        ];
        assert_eq!(told(&site, index), expected);
        inside(&site, async move {
            for route in [all, all].concat() {
                remove_route(index, route).await.expect("gone is gone");
            }
        });
        assert_eq!(told(&site, index), Vec::<String>::new());
    }

    #[test]
    fn ipv6_addresses_and_routes_come_and_go_like_those_of_ipv4() {
        let (site, _there, [index, _]) = two_ports();
        inside(&site, async move {
            let (here, hop): (IpAddr, IpAddr) = ("2001:db8::50".parse().unwrap(), "fe80::1".parse().unwrap());
            for _ in 0..2 {
                set_address(index, here, 64, Some(Duration::from_secs(600))).await.expect("set");
                set_route(index, Route::default_via(hop)).await.expect("set");
            }
            let held = loop {
                let all = addresses(index).await.expect("list");
                let held = all.into_iter().find(|a| a.address == here).expect("there");
                // Even where nothing is to be made sure of, the kernel needs a moment.
                if held.is_usable {
                    break held;
                }
                tokio::time::sleep(Duration::from_millis(5)).await;
            };
            assert!(held.is_global && !held.is_duplicate && held.valid_for.is_some(), "{held:?}");
            let routes = default_routes(index, Family::Ipv6).await.expect("list");
            assert_eq!((routes.len(), routes[0].next_hop, routes[0].metric), (1, Some(hop), route_metric(index)));
            for _ in 0..2 {
                remove_route(index, Route::default_via(hop)).await.expect("gone is gone");
                remove_address(index, here, 64).await.expect("gone is gone");
            }
            assert!(addresses(index).await.expect("list").iter().all(|a| a.address != here));
            assert_eq!(default_routes(index, Family::Ipv6).await.expect("list"), []);
        });
    }

    #[test]
    fn a_refusal_says_what_was_being_done() {
        let (site, _there, _) = two_ports();
        let refusal = inside(&site, set_address(9999, HERE, 24, None)).expect_err("no such port");
        assert_eq!(refusal.to_string().split(": ").next(), Some("giving interface 9999 the address 192.0.2.50/24"));
    }
}
