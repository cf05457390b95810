//! Laptop and far end, and between them a bridge whose ports shape: the kernel's own, or a User Mode Linux.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use std::time::Duration;

use doorstep::check::shaping::ShapingCheck;
use doorstep::check::{Check, Known};
use doorstep::farend::admission::Limits;
use doorstep::farend::client::{FarEndTarget, Session};
use doorstep::farend::server::{ServeOptions, Server as FarEnd};
use doorstep::net::build::{End, Site};
use doorstep::net::netns::Namespace;
use doorstep::reading::Outcome;
use doorstep::unit::{Depth, Direction};
use tokio::runtime::Runtime;

use crate::context::context_at;
use crate::far_end;
use crate::machine::Machine;

const LAPTOP: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
const FAR_END: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 2);
const LAPTOP_MAC: [u8; 6] = [2, 0, 0x5e, 0, 5, 1];

/// Whose bridge stands in the middle.
pub(crate) enum Middle {
    /// This kernel's.
    Bridge,
    /// That of a User Mode Linux.
    Machine,
}

/// What the machine's kernel needs to shape and to police.
const MODULES: &str = "sch_tbf sch_codel sch_fq_codel sch_ingress cls_matchall act_police";

pub(crate) struct Line {
    middle: Namespace,
    machine: Option<Machine>,
    index: u32,
    near: Runtime,
    _far: Runtime,
    _far_end: FarEnd,
    target: FarEndTarget,
    _sites: [Site; 2],
}

impl Line {
    pub(crate) fn build(middle: Middle) -> Self {
        let places = ["laptop", "middle", "far-end"].map(|label| Namespace::new(label).expect("this test needs root"));
        let [mut laptop, mut between, mut far_end] = places.each_ref().map(|place| Site::open(place).expect("netlink"));
        let end = |site, name, mac| End { site, name, mac };
        let mac = |n| [2, 0, 0x5e, 0, 5, n];
        laptop.cable(&end(&places[0], "lan0", LAPTOP_MAC), &end(&places[1], "u0", mac(2))).expect("veth");
        far_end.cable(&end(&places[2], "wan", mac(3)), &end(&places[1], "u1", mac(4))).expect("veth");
        for (site, name, address) in [(&mut laptop, "lan0", LAPTOP), (&mut far_end, "wan", FAR_END)] {
            let index = site.index(name).expect("made");
            site.raise(name, index).expect("up");
            site.address(index, IpAddr::V4(address), 24).expect("an address");
        }
        let index = laptop.index("lan0").expect("made");
        for name in ["u0", "u1"] {
            let index = between.index(name).expect("made");
            between.raise(name, index).expect("up");
        }
        let machine = match middle {
            Middle::Machine => {
                Some(Machine::start(&places[1], &["u0", "u1"], include_str!("../common/bridge.sh"), &[("modules", MODULES)]))
            }
            Middle::Bridge => {
                for words in [
                    "link add br0 type bridge mcast_snooping 0",
                    "link set u0 master br0",
                    "link set u1 master br0",
                    "link set br0 up",
                ] {
                    call(&places[1], "ip", words);
                }
                None
            }
        };
        let (near, far) = (places[0].runtime(1).expect("runtime"), places[2].runtime(2).expect("runtime"));
        let (server, target) = far.block_on(far.spawn(far_end_at())).expect("no panic");
        let [_, middle, _] = places;
        Self { middle, machine, index, near, _far: far, _far_end: server, target, _sites: [laptop, far_end] }
    }

    /// Toward the laptop frames leave by `u0`, toward the far end by `u1`.
    fn port(direction: Direction) -> &'static str {
        if direction == Direction::Down { "u0" } else { "u1" }
    }

    /// A queueing discipline of the kernel (tc(8)).
    pub(crate) fn put(&mut self, direction: Direction, words: &str) {
        call(&self.middle, "tc", &format!("qdisc replace dev {} {words}", Self::port(direction)));
    }

    pub(crate) fn class(&mut self, direction: Direction, words: &str) {
        call(&self.middle, "tc", &format!("class replace dev {} {words}", Self::port(direction)));
    }

    /// A limit of nftables both ways, where frames come in; octets a second, and octets.
    pub(crate) fn police(&mut self, rate: u64, burst: u64) {
        let chain = |port: &str| {
            format!(
                "chain {port} {{\n type filter hook ingress device \"{port}\" priority 0;\n ip protocol udp limit rate over {rate} bytes/second \
                 burst {burst} bytes drop\n}}\n"
            )
        };
        let text = format!("table netdev police {{\n{}{}}}\n", chain("u0"), chain("u1"));
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("rules");
        std::fs::write(&path, text).expect("a file");
        call(&self.middle, "nft", &format!("-f {}", path.display()));
    }

    /// Runs a command inside the virtual machine.
    pub(crate) fn run(&mut self, text: &str) {
        self.machine.as_mut().expect("a line with a machine").command(text);
    }

    /// A filter in front of classes (tc-u32(8)).
    pub(crate) fn filter(&mut self, direction: Direction, words: &str) {
        call(&self.middle, "tc", &format!("filter add dev {} {words}", Self::port(direction)));
    }

    pub(crate) fn examine(&self, sold: (f64, f64)) -> Outcome {
        self.examine_by(ShapingCheck, sold, Depth::Soak)
    }

    /// Runs another check at the laptop.
    pub(crate) fn examine_by(&self, check: impl Check + 'static, sold: (f64, f64), depth: Depth) -> Outcome {
        let target = self.target.clone();
        let mut context = context_at(self.index, LAPTOP_MAC, Known::default(), depth);
        (context.effort.sold_down_mbit, context.effort.sold_up_mbit) = sold;
        let work = async move {
            let session = Session::open(&target, FAR_END.into(), "lan0").await.expect("the far end is invited");
            context.known = Arc::new(Known { far_end: Some(Arc::new(session)), ..Known::default() });
            check.run(context).await.outcome
        };
        let bounded = async move { tokio::time::timeout(Duration::from_secs(90), work).await };
        self.near.block_on(self.near.spawn(bounded)).expect("no panic").expect("within 90 s")
    }
}

async fn far_end_at() -> (FarEnd, FarEndTarget) {
    let (options, target) = far_end::options(vec![FAR_END.into()]);
    let options = ServeOptions {
        control_port: 8620,
        data_port: 8621,
        stamp_port: Some(862),
        limits: Limits { capacity_mbit: 5000.0, ..Limits::default() },
        ..options
    };
    let server = FarEnd::start(options).await.expect("ports");
    (server, FarEndTarget { port: 8620, ..target })
}

fn call(place: &Namespace, program: &str, words: &str) {
    let status = place.command(program).args(words.split_whitespace()).status().expect("iproute2 and nftables are installed");
    assert!(status.success(), "{program} {words}");
}
