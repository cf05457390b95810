//! What benches of the far end share: a bare cable between two namespaces, a far end at its other end, and how figures are shown.
#![allow(dead_code, reason = "each bench uses a part of it")]

#[path = "../common/far_end.rs"]
mod far_end;

use std::io::Write;
use std::net::{IpAddr, Ipv4Addr};

use doorstep::farend::admission::Limits;
use doorstep::farend::client::FarEndTarget;
use doorstep::farend::server::{ServeOptions, Server};
use doorstep::net::build::{End, Site};
use doorstep::net::netns::Namespace;

pub(crate) const NEAR: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
pub(crate) const FAR: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 2);
/// The near end's port.
pub(crate) const PORT: &str = "lan0";

pub(crate) fn say(text: &str) {
    writeln!(std::io::stdout(), "{text}").expect("stdout");
}

/// Near and far place with a cable and addresses, and the kernel's index of the near port.
pub(crate) fn cable() -> ([Namespace; 2], u32) {
    let places = ["near", "far"].map(|label| Namespace::new(label).expect("this bench needs root"));
    let [mut near, mut far] = places.each_ref().map(|place| Site::open(place).expect("netlink"));
    let ends = [(PORT, 1), ("wan", 2)];
    let [here, there] = [0, 1].map(|n| End { site: &places[n], name: ends[n].0, mac: [2, 0, 0x5e, 0, 3, ends[n].1] });
    near.cable(&here, &there).expect("veth");
    for (site, name, address) in [(&mut near, PORT, NEAR), (&mut far, "wan", FAR)] {
        let index = site.index(name).expect("made");
        site.raise(name, index).expect("up");
        site.address(index, IpAddr::V4(address), 24).expect("an address");
    }
    let index = near.index(PORT).expect("made");
    (places, index)
}

/// A far end that admits any load, in the far place's runtime; the two ports are of the services that a bench wants.
pub(crate) fn far_end(
    runtime: &tokio::runtime::Runtime,
    stamp_port: Option<u16>,
    capacity_port: Option<u16>,
) -> (Server, FarEndTarget) {
    let (options, target) = far_end::options(vec![FAR.into()]);
    let options = ServeOptions {
        control_port: 8620,
        data_port: 8621,
        stamp_port,
        capacity_port,
        limits: Limits { capacity_mbit: 1e6, ..Limits::default() },
        ..options
    };
    let server = runtime.block_on(runtime.spawn(Server::start(options))).expect("no panic").expect("ports");
    (server, FarEndTarget { port: 8620, ..target })
}

/// The middle one.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
