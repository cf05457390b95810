//! Gives a port an address and a default route, and takes them away again.
//!
//! Every call can be repeated: adding what is there refreshes it, removing what is gone succeeds. The hard thing is to
//! disturb nobody: an address is given a lifetime so that the kernel removes it when this program can't any more, and
//! its routes get a metric that leaves every other port's routes in charge; sockets that are bound to the port still
//! take them.

use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::time::Duration;

use netlink_packet_route::address::{AddressAttribute, CacheInfo};
use netlink_packet_route::route::{RouteMessage, RouteProtocol};
use rtnetlink::{AddressMessageBuilder, RouteMessageBuilder};

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

/// Sets the default route over a port, with [`route_metric`].
///
/// The next hop may lie outside the address's network, as providers with /32 leases have it: it is taken to be on the
/// link.
///
/// # Errors
/// `PermissionDenied` without CAP_NET_ADMIN; `ENETUNREACH` or `ENETDOWN` when the port is down or has no address.
pub async fn set_default_route(index: u32, next_hop: impl Into<IpAddr>) -> io::Result<()> {
    let next_hop = next_hop.into();
    with_handle(format!("setting the default route via {next_hop} over interface {index}"), |handle| async move {
        handle.route().add(default_route(index, next_hop)).replace().execute().await
    })
    .await
}

/// Removes what [`set_default_route`] set.
///
/// # Errors
/// `PermissionDenied` without CAP_NET_ADMIN.
pub async fn remove_default_route(index: u32, next_hop: impl Into<IpAddr>) -> io::Result<()> {
    let next_hop = next_hop.into();
    with_handle(format!("removing the default route via {next_hop} over interface {index}"), |handle| async move {
        match handle.route().del(default_route(index, next_hop)).execute().await {
            Err(error) if is_code(&error, libc::ESRCH) || is_code(&error, libc::ENODEV) => Ok(()),
            other => other,
        }
    })
    .await
}

/// Says that an IPv6 prefix is on the link of a port: its addresses are neighbours.
///
/// # Errors
/// `PermissionDenied` without CAP_NET_ADMIN; `ENETDOWN` when the port is down.
pub async fn set_on_link(index: u32, prefix: Ipv6Addr, len: u8) -> io::Result<()> {
    with_handle(format!("setting the route to {prefix}/{len} on interface {index}"), |handle| async move {
        handle.route().add(on_link_route(index, prefix, len)).replace().execute().await
    })
    .await
}

/// Removes what [`set_on_link`] set.
///
/// # Errors
/// `PermissionDenied` without CAP_NET_ADMIN.
pub async fn remove_on_link(index: u32, prefix: Ipv6Addr, len: u8) -> io::Result<()> {
    with_handle(format!("removing the route to {prefix}/{len} on interface {index}"), |handle| async move {
        match handle.route().del(on_link_route(index, prefix, len)).execute().await {
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

fn on_link_route(index: u32, prefix: Ipv6Addr, len: u8) -> RouteMessage {
    RouteMessageBuilder::<Ipv6Addr>::new()
        .destination_prefix(prefix, len)
        .output_interface(index)
        .priority(route_metric(index))
        .protocol(RouteProtocol::Ra)
        .build()
}

fn default_route(index: u32, next_hop: IpAddr) -> RouteMessage {
    let metric = route_metric(index);
    match next_hop {
        IpAddr::V4(hop) => RouteMessageBuilder::<Ipv4Addr>::new()
            .gateway(hop)
            .output_interface(index)
            .priority(metric)
            .protocol(RouteProtocol::Dhcp)
            .onlink()
            .build(),
        IpAddr::V6(hop) => RouteMessageBuilder::<Ipv6Addr>::new()
            .gateway(hop)
            .output_interface(index)
            .priority(metric)
            .protocol(RouteProtocol::Ra)
            .onlink()
            .build(),
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
                set_default_route(second, HOP).await.expect("set");
            }
            // Also where the next hop is outside of the address's network.
            set_default_route(first, HOP).await.expect("on link");
            let over = async |index| default_routes(index, Family::Ipv4).await.expect("list");
            let metrics: Vec<u32> = over(first).await.iter().map(|r| r.metric).collect();
            assert_eq!(metrics, [0, route_metric(first)]);
            let routes = over(second).await;
            assert_eq!((routes.len(), routes[0].next_hop, routes[0].metric), (1, Some(HOP.into()), route_metric(second)));
            for _ in 0..2 {
                remove_default_route(second, HOP).await.expect("gone is gone");
            }
            assert_eq!((over(second).await.len(), over(first).await.len()), (0, 2));
        });
    }

    #[test]
    fn ipv6_addresses_and_routes_come_and_go_like_those_of_ipv4() {
        let (site, _there, [index, _]) = two_ports();
        inside(&site, async move {
            let (here, hop): (IpAddr, IpAddr) = ("2001:db8::50".parse().unwrap(), "fe80::1".parse().unwrap());
            for _ in 0..2 {
                set_address(index, here, 64, Some(Duration::from_secs(600))).await.expect("set");
                set_default_route(index, hop).await.expect("set");
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
                remove_default_route(index, hop).await.expect("gone is gone");
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
