//! A lease on the port: its address and its routes, and how they are taken off again.

use std::io;
use std::net::{IpAddr, Ipv4Addr};
use std::time::Instant;

use crate::net::configure::{self, Route};
use crate::proto::dhcp4::Lease;

/// Puts a lease on the port: address with what is left of the lease for its lifetime, then its routes; takes off the routes
/// of the lease before that the new one doesn't have.
pub(super) async fn put_on(index: u32, lease: &Lease, before: Option<&Lease>) -> io::Result<()> {
    let left = lease.times.map(|times| times.expires_at.saturating_duration_since(Instant::now()));
    configure::set_address(index, lease.address, lease.prefix, left).await?;
    let wanted = routes(lease);
    for gone in before.map(routes).unwrap_or_default().into_iter().filter(|route| !wanted.contains(route)) {
        let _ = configure::remove_route(index, gone).await;
    }
    for route in wanted {
        configure::set_route(index, route).await?;
    }
    Ok(())
}

/// Takes a lease off the port. What can't be removed dies with its lifetime.
pub(super) async fn take_off(index: u32, lease: &Lease) {
    for route in routes(lease) {
        let _ = configure::remove_route(index, route).await;
    }
    let _ = configure::remove_address(index, lease.address, lease.prefix).await;
}

/// The routes that a lease wants, but that to its own network, which comes with the address.
fn routes(lease: &Lease) -> Vec<Route> {
    let mask = u32::MAX.checked_shl(32 - u32::from(lease.prefix)).unwrap_or(0);
    let own = (IpAddr::V4(Ipv4Addr::from(u32::from(lease.address) & mask)), lease.prefix);
    let mut routes: Vec<Route> = Vec::new();
    for route in &lease.routes {
        // RFC 3442: a router of 0.0.0.0 means that the network is on the link.
        let next_hop = (!route.router.is_unspecified()).then_some(IpAddr::V4(route.router));
        let wanted = Route { network: route.network.into(), prefix: route.width, next_hop };
        // The first of several to one network stands.
        let is_new = !routes.iter().any(|r| (r.network, r.prefix) == (wanted.network, wanted.prefix));
        if is_new && (wanted.network, wanted.prefix) != own {
            routes.push(wanted);
        }
    }
    routes
}
