//! A cable between a laptop and a server's place, and checks run on it.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use std::net::{IpAddr, Ipv4Addr};

use doorstep::check::{Check, Context, Finished, Known};
use doorstep::net::build::{End, Site};
use doorstep::net::facts::{self, Address, DefaultRoute};
use doorstep::net::netns::Namespace;
use doorstep::reading::Outcome;
use doorstep::unit::{Depth, Family};
use tokio::runtime::Runtime;

use crate::context::context_at;
use crate::server::{LIMIT, wait_for};

pub(crate) const LAPTOP_MAC: [u8; 6] = [2, 0, 0x5e, 0, 1, 1];
pub(crate) const SERVER_MAC: [u8; 6] = [2, 0, 0x5e, 0, 1, 2];
/// The server's address on the cable, and the router that it names.
pub(crate) const SERVER: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);

pub(crate) struct Line {
    pub(crate) laptop: Site,
    pub(crate) server: Site,
    pub(crate) laptop_index: u32,
    pub(crate) server_index: u32,
    runtime: Runtime,
}

impl Line {
    /// Both ends up, the server's with [`SERVER`]/24.
    pub(crate) fn new() -> Self {
        let line = Self::with_server_end_down();
        line.plug_in()
    }

    /// The laptop's end up, without carrier.
    pub(crate) fn with_server_end_down() -> Self {
        let places = ["laptop", "server"].map(|label| Namespace::new(label).expect("these tests need root"));
        let mut laptop = Site::open(&places[0]).expect("netlink");
        let server = Site::open(&places[1]).expect("netlink");
        let near = End { site: &places[0], name: "lan0", mac: LAPTOP_MAC };
        laptop.cable(&near, &End { site: &places[1], name: "lan", mac: SERVER_MAC }).expect("veth");
        let (laptop_index, server_index) = (laptop.index("lan0").expect("made"), server.index("lan").expect("made"));
        laptop.raise("lan0", laptop_index).expect("up");
        let runtime = places[0].runtime(2).expect("runtime");
        Self { laptop, server, laptop_index, server_index, runtime }
    }

    /// Raises the server's end, and waits until the laptop's kernel sends.
    pub(crate) fn plug_in(mut self) -> Self {
        self.server.raise("lan", self.server_index).expect("up");
        self.server.address(self.server_index, IpAddr::V4(SERVER), 24).expect("address");
        let index = self.laptop_index;
        wait_for("the laptop's port to be up", || {
            let link = self.block_on(facts::link(index)).expect("netlink").expect("exists");
            (link.operational == "up").then_some(())
        });
        // A server that opens its port before that gives up on it.
        wait_for("the server's port to be up", || {
            let told = self.server.namespace().command("ip").args(["-o", "link", "show", "lan"]).output().expect("iproute2");
            String::from_utf8_lossy(&told.stdout).contains("state UP").then_some(())
        });
        self
    }

    /// Runs a future on threads in the laptop's place.
    pub(crate) fn block_on<T: Send + 'static>(&self, work: impl Future<Output = T> + Send + 'static) -> T {
        let limited = async { tokio::time::timeout(LIMIT, work).await.expect("done within a minute") };
        let task = self.runtime.spawn(limited);
        self.runtime.block_on(task).unwrap_or_else(|error| std::panic::resume_unwind(error.into_panic()))
    }

    pub(crate) fn context(&self, depth: Depth) -> Context {
        context(self.laptop_index, depth)
    }

    pub(crate) fn check(&self, check: &dyn Check, depth: Depth) -> Finished {
        self.block_on(check.run(self.context(depth)))
    }

    /// Closing figures of all that is held.
    pub(crate) fn close(&self, mut finished: Finished) -> (Vec<Outcome>, Finished) {
        self.block_on(async move {
            let mut closing = Vec::new();
            for holding in &mut finished.holdings {
                closing.extend(holding.closing_outcome().await);
            }
            (closing, finished)
        })
    }

    /// Gives back all that is held.
    pub(crate) fn release(&self, finished: Finished) {
        self.block_on(async move {
            for holding in finished.holdings {
                holding.release().await;
            }
        });
    }

    /// IPv4 addresses and default routes of the laptop's port.
    pub(crate) fn configured(&self) -> (Vec<Address>, Vec<DefaultRoute>) {
        let index = self.laptop_index;
        self.block_on(async move {
            let mut addresses = facts::addresses(index).await.expect("netlink");
            addresses.retain(|a| a.address.is_ipv4());
            (addresses, facts::default_routes(index, Family::Ipv4).await.expect("netlink"))
        })
    }
}

pub(crate) fn context(index: u32, depth: Depth) -> Context {
    context_at(index, LAPTOP_MAC, Known::default(), depth)
}
