//! What was put on the port and lent by a server, for the time of the visit.

use std::net::Ipv6Addr;
use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use crate::check::Holding;
use crate::net::configure::{self, Route};
use crate::net::drive::Driver;
use crate::net::packet::PacketSocket;
use crate::proto::dhcp6::{Client, Event};

/// For the server's answer to the RELEASE: with one repeat after 1 s, within the visit's grace of 2 s.
const RELEASE_WAIT: Duration = Duration::from_millis(1500);

/// Addresses and routes of ours on a port, and a lease.
#[derive(Debug)]
pub(super) struct Ipv6Holding {
    index: u32,
    pub(super) addresses: Vec<(Ipv6Addr, u8)>,
    pub(super) on_link: Vec<(Ipv6Addr, u8)>,
    pub(super) default_route: Option<Ipv6Addr>,
    pub(super) lease: Option<(Driver<PacketSocket>, Client)>,
}

impl Ipv6Holding {
    /// Nothing yet.
    pub(super) fn new(index: u32) -> Self {
        Self { index, addresses: Vec::new(), on_link: Vec::new(), default_route: None, lease: None }
    }

    /// Whether there is nothing to give back.
    pub(super) fn is_empty(&self) -> bool {
        self.addresses.is_empty() && self.on_link.is_empty() && self.default_route.is_none() && self.lease.is_none()
    }
}

impl Holding for Ipv6Holding {
    fn what(&self) -> String {
        let mut parts: Vec<String> = self.addresses.iter().map(|(address, _)| address.to_string()).collect();
        parts.extend(self.lease.as_ref().map(|_| "the DHCPv6 lease".to_owned()));
        if parts.is_empty() { "IPv6 routes".to_owned() } else { parts.join(", ") }
    }

    fn release(self: Box<Self>) -> BoxFuture<'static, ()> {
        async move {
            let Self { index, addresses, on_link, default_route, lease } = *self;
            // What can't be removed dies with its lifetime. First the addresses: none is in use while it is given back
            // (RFC 8415 section 18.2.7).
            if let Some(router) = default_route {
                let _ = configure::remove_route(index, Route::default_via(router)).await;
            }
            for (prefix, len) in on_link {
                let _ = configure::remove_route(index, Route::on_link(prefix, len)).await;
            }
            for (address, prefix) in addresses {
                let _ = configure::remove_address(index, address, prefix).await;
            }
            if let Some((mut driver, mut client)) = lease {
                client.release(Instant::now());
                let run = driver.run(&mut client, |_, event| match event {
                    Event::Over(_) => ControlFlow::Break(()),
                    _ => ControlFlow::Continue(()),
                });
                let _ = tokio::time::timeout(RELEASE_WAIT, run).await;
            }
        }
        .boxed()
    }
}
