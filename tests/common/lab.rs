//! A practice line with an addressed laptop, and checks run on it.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use std::net::{IpAddr, Ipv4Addr};
use std::time::Duration;

use doorstep::check::{Check, Context, Finished, Known};
use doorstep::net::build::Site;
use doorstep::practice::topology::{GATEWAY_LAN_V4, LAPTOP_PORT};
use doorstep::practice::{LineConfig, Node, PracticeLine, Services};
use doorstep::unit::Depth;

use crate::context::context_at;

/// Hardware address of the laptop's port: the first cable's first end.
const LAPTOP_MAC: [u8; 6] = [2, 0, 0x5e, 0, 1, 1];
/// The address that the tests give the laptop where no DHCP client runs.
pub(crate) const LAPTOP_V4: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 50);

/// A line without services.
pub(crate) fn bare() -> LineConfig {
    LineConfig { services: Services::NONE, ..LineConfig::default() }
}

/// Builds a line and gives the laptop an IPv4 address and route, as a lease would.
pub(crate) fn build(config: LineConfig) -> PracticeLine {
    let line = PracticeLine::build(config).expect("this test needs root and a kernel with veth, tbf and nf_tables");
    let mut laptop = Site::open(line.namespace(Node::Laptop)).expect("netlink");
    let index = laptop.index(LAPTOP_PORT).expect("the laptop's port");
    laptop.address(index, IpAddr::V4(LAPTOP_V4), 24).expect("address");
    laptop.default_route(IpAddr::V4(GATEWAY_LAN_V4), index).expect("route");
    line
}

/// Runs a future in a runtime inside the laptop.
pub(crate) fn on_laptop<F, T>(line: &PracticeLine, make: impl FnOnce() -> F + Send + 'static) -> T
where
    F: Future<Output = T>,
    T: Send + 'static,
{
    line.namespace(Node::Laptop).run(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
        runtime.block_on(async move { tokio::time::timeout(Duration::from_secs(60), make()).await.expect("within a minute") })
    })
}

/// What a check on the laptop of a practice line is given; the sold rates are those of vdsl-100-40.
pub(crate) fn context(line: &PracticeLine, known: Known, depth: Depth) -> Context {
    let laptop = Site::open(line.namespace(Node::Laptop)).expect("netlink");
    let index = laptop.index(LAPTOP_PORT).expect("the laptop's port");
    let known = Known { ipv4: Some((LAPTOP_V4, 24)), gateway4: Some(GATEWAY_LAN_V4), ..known };
    let mut context = context_at(index, LAPTOP_MAC, known, depth);
    (context.effort.sold_down_mbit, context.effort.sold_up_mbit) = (100.0, 40.0);
    context
}

/// Runs a check from the laptop.
pub(crate) fn check(line: &PracticeLine, check: impl Check + 'static, context: Context) -> Finished {
    on_laptop(line, move || check.run(context))
}
