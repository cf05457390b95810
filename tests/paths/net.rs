//! Places joined by cables, with addresses of both IP versions, and routes as a test writes them.
#![allow(dead_code, reason = "each file of tests uses a part of it")]

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::sync::Arc;

use doorstep::check::{Check, Context, Known};
use doorstep::farend::client::{FarEndTarget, Session};
use doorstep::farend::server::{ServeOptions, Server};
use doorstep::net::build::{End, Site};
use doorstep::net::netns::Namespace;
use doorstep::practice::topology::LAPTOP_PORT;
use doorstep::reading::Outcome;
use doorstep::unit::Depth;
use tokio::runtime::Runtime;

use crate::far_end;
use crate::server::wait_for;

const LAPTOP_MAC: [u8; 6] = [2, 0, 0x5e, 2, 0, 1];

/// A cable from the place `near` to the place `far`; `number` is part of its addresses.
#[derive(Clone, Copy)]
pub(crate) struct Cable {
    pub(crate) number: u8,
    pub(crate) near: usize,
    pub(crate) far: usize,
}

impl Cable {
    /// Addresses of a place's end: of RFC 2544's range, and of RFC 3849's.
    pub(crate) fn v4(self, place: usize) -> Ipv4Addr {
        Ipv4Addr::new(198, 18, self.number, self.side(place))
    }

    pub(crate) fn v6(self, place: usize) -> Ipv6Addr {
        Ipv6Addr::new(0x2001, 0xdb8, 0, u16::from(self.number), 0, 0, 0, u16::from(self.side(place)))
    }

    fn side(self, place: usize) -> u8 {
        assert!(place == self.near || place == self.far);
        if place == self.near { 1 } else { 2 }
    }
}

/// Place 0 is the laptop, whose only cable is number 0; all others forward.
pub(crate) struct Net {
    sites: Vec<Site>,
    pub(crate) cables: Vec<Cable>,
}

impl Net {
    /// Places and cables; a port is called `to` and the place that it leads to, the laptop's as the check wants it.
    pub(crate) fn new(places: usize, pairs: &[(usize, usize)]) -> Self {
        let named: Vec<Namespace> =
            (0..places).map(|n| Namespace::new(&format!("p{n}")).expect("these tests need root")).collect();
        let mut sites: Vec<Site> = named.iter().map(|place| Site::open(place).expect("netlink")).collect();
        let numbered = |(number, (near, far)): (usize, &(usize, usize))| Cable { number: number as u8, near: *near, far: *far };
        let cables: Vec<Cable> = pairs.iter().enumerate().map(numbered).collect();
        for cable in &cables {
            let mac = |side| [2, 0, 0x5e, 2, cable.number, side];
            let (near, far) = (port(cable.near, cable.far), port(cable.far, cable.near));
            let here = End { site: &named[cable.near], name: &near, mac: mac(1) };
            let there = End { site: &named[cable.far], name: &far, mac: mac(2) };
            sites[cable.near].cable(&here, &there).expect("veth");
            for (place, other) in [(cable.near, cable.far), (cable.far, cable.near)] {
                let (name, site) = (port(place, other), &mut sites[place]);
                let index = site.index(&name).expect("made");
                site.raise(&name, index).expect("up");
                site.address(index, cable.v4(place).into(), 24).expect("IPv4");
                site.address(index, cable.v6(place).into(), 64).expect("IPv6");
            }
        }
        for site in &sites[1..] {
            let open = [
                ("net/ipv4/ip_forward", "1"),
                ("net/ipv6/conf/all/forwarding", "1"),
                ("net/ipv4/icmp_ratelimit", "0"),
                ("net/ipv6/icmp/ratelimit", "0"),
                ("net/ipv4/icmp_msgs_per_sec", "100000"),
                ("net/ipv4/icmp_msgs_burst", "10000"),
                ("net/ipv4/conf/all/rp_filter", "0"),
                ("net/ipv4/conf/default/rp_filter", "0"),
                ("net/ipv4/fib_multipath_hash_policy", "1"),
                ("net/ipv6/fib_multipath_hash_policy", "1"),
            ];
            for setting in open {
                // Some belong to the whole machine on older kernels.
                let _ = site.sysctls(&[setting]);
            }
        }
        Self { sites, cables }
    }

    /// Laptop, routers and destination in a row.
    pub(crate) fn chain(routers: usize) -> Self {
        let pairs: Vec<_> = (0..=routers).map(|n| (n, n + 1)).collect();
        let net = Self::new(routers + 2, &pairs);
        for n in 0..=routers {
            net.both(n, "default", &[(n, n + 1)]);
        }
        for n in 2..=routers + 1 {
            net.back(n, n - 1);
        }
        net
    }

    /// Laptop, a router, `k` routers side by side, a router where they meet again, destination: places 0, 1, 2 to k + 1,
    /// k + 2 and k + 3.
    pub(crate) fn diamond(k: usize) -> Self {
        let (join, end) = (k + 2, k + 3);
        let mut pairs = vec![(0, 1)];
        pairs.extend((2..join).flat_map(|mid| [(1, mid), (mid, join)]));
        pairs.push((join, end));
        let net = Self::new(k + 4, &pairs);
        net.both(0, "default", &[(0, 1)]);
        net.both(1, "default", &(2..join).map(|mid| (1, mid)).collect::<Vec<_>>());
        for mid in 2..join {
            net.both(mid, "default", &[(mid, join)]);
            net.back(mid, 1);
        }
        net.both(join, "default", &[(join, end)]);
        net.back(join, 2);
        net.back(end, join);
        net
    }

    pub(crate) fn site(&self, place: usize) -> &Site {
        &self.sites[place]
    }

    pub(crate) fn cable(&self, a: usize, b: usize) -> Cable {
        *self.cables.iter().find(|c| (c.near, c.far) == (a, b) || (c.near, c.far) == (b, a)).expect("a cable")
    }

    /// A route of both IP versions over the cables named.
    pub(crate) fn both(&self, place: usize, to: &str, over: &[(usize, usize)]) {
        let hop = |version: &str, (here, there): (usize, usize)| {
            let cable = self.cable(here, there);
            let via = if version == "-4" { IpAddr::from(cable.v4(there)) } else { cable.v6(there).into() };
            format!("nexthop via {via} dev {}", port(here, there))
        };
        for version in ["-4", "-6"] {
            let hops: Vec<String> = over.iter().map(|pair| hop(version, *pair)).collect();
            self.sh(place, &format!("ip {version} route replace {to} {}", hops.join(" ")));
        }
    }

    /// Sets the MTU of a place's port toward another.
    pub(crate) fn mtu(&mut self, place: usize, to: usize, mtu: u32) {
        let index = self.sites[place].index(&port(place, to)).expect("made");
        self.sites[place].mtu(index, mtu).expect("MTU");
    }

    /// The way back to the laptop.
    pub(crate) fn back(&self, place: usize, via: usize) {
        let cable = self.cable(place, via);
        self.sh(place, &format!("ip route replace 198.18.0.0/24 via {}", cable.v4(via)));
        self.sh(place, &format!("ip -6 route replace 2001:db8::/64 via {}", cable.v6(via)));
    }

    /// Runs a line of shell in a place.
    pub(crate) fn sh(&self, place: usize, line: &str) {
        let done = self.sites[place].namespace().command("sh").args(["-c", line]).output().expect("sh");
        assert!(done.status.success(), "{line}: {}", String::from_utf8_lossy(&done.stderr));
    }

    /// Rules of nft in a place.
    pub(crate) fn nft(&self, place: usize, rules: &str) {
        let rules = rules.replace('{', "{\n").replace('}', "\n}\n");
        let done = self.sites[place].namespace().command("nft").arg(&rules).output().expect("nftables is installed");
        assert!(done.status.success(), "{rules}: {}", String::from_utf8_lossy(&done.stderr));
    }

    /// The last place's addresses.
    pub(crate) fn end(&self) -> (Ipv4Addr, Ipv6Addr) {
        let place = self.sites.len() - 1;
        let cable = self.cables.last().expect("a cable");
        (cable.v4(place), cable.v6(place))
    }

    /// What a check at place 0 is given, with the destination as its far end.
    pub(crate) fn context(&self, depth: Depth, to: IpAddr) -> Context {
        let index = self.sites[0].index(LAPTOP_PORT).expect("made");
        let first = self.cables[0];
        let known = Known {
            ipv4: to.is_ipv4().then_some((first.v4(0), 24)),
            ipv6: to.is_ipv6().then_some(first.v6(0)),
            gateway4: Some(first.v4(1)),
            gateway6: Some(first.v6(1)),
            ..Known::default()
        };
        let mut context = crate::context::context_at(index, LAPTOP_MAC, known, depth);
        context.far_end =
            Some(FarEndTarget { host: to.to_string(), port: 9, token: String::new(), fingerprint: [0; 32], zone: None });
        context
    }

    /// Waits until packets get to and fro.
    pub(crate) fn settle(&self, to: IpAddr) {
        wait_for("the way to the end", || {
            let place = self.sites[0].namespace();
            let answered = place.command("ping").args(["-c", "1", "-W", "1", &to.to_string()]).output();
            // No ping on this machine: the check itself finds out.
            answered.map_or(Some(()), |out| out.status.success().then_some(()))
        });
    }

    /// A real far end at the last place, with its view.
    pub(crate) fn serve(&self) -> FarEnd {
        let place = self.sites.last().expect("places").namespace();
        let (v4, v6) = self.end();
        let (options, target) = far_end::options(vec![v4.into(), v6.into()]);
        let options = ServeOptions { control_port: 8620, data_port: 8621, view_port: Some(8622), ..options };
        let runtime = place.runtime(1).expect("runtime");
        let server = runtime.block_on(runtime.spawn(Server::start(options))).expect("no panic").expect("ports");
        let target = FarEndTarget { port: 8620, ..target };
        FarEnd { target, _running: (server, runtime) }
    }

    /// Runs the path check in a session with the far end.
    pub(crate) fn path_in_session(&self, check: impl Check, mut context: Context, far_end: &FarEnd, to: IpAddr) -> Outcome {
        self.settle(to);
        let runtime = self.sites[0].namespace().runtime(1).expect("runtime");
        let target = far_end.target.clone();
        let opened = runtime.spawn(async move { Session::open(&target, to, LAPTOP_PORT).await });
        let session = runtime.block_on(opened).expect("no panic").expect("the far end is there");
        context.known = Arc::new(Known { far_end: Some(Arc::new(session)), ..(*context.known).clone() });
        let running = runtime.spawn(check.run(context));
        runtime.block_on(running).expect("no panic").outcome
    }

    /// Runs the path check to a destination.
    pub(crate) fn path(&self, check: impl Check, context: Context, to: IpAddr) -> Outcome {
        self.settle(to);
        self.path_unsettled(check, context)
    }

    /// The same where the end does not answer.
    pub(crate) fn path_unsettled(&self, check: impl Check, context: Context) -> Outcome {
        let runtime = self.sites[0].namespace().runtime(1).expect("runtime");
        let running = runtime.spawn(check.run(context));
        runtime.block_on(running).expect("no panic").outcome
    }

    /// The check, then what happens to the net, then what the visit asks it for at its end.
    pub(crate) fn path_and_closing(&self, check: impl Check, context: Context, meanwhile: impl FnOnce()) -> (Outcome, Outcome) {
        let runtime = self.sites[0].namespace().runtime(1).expect("runtime");
        let running = runtime.spawn(check.run(context));
        let mut finished = runtime.block_on(running).expect("no panic");
        meanwhile();
        let closing = runtime.spawn(async move {
            let holding = finished.holdings.first_mut().expect("it looks again at the end");
            (holding.closing_outcome().await, finished.outcome)
        });
        let (closing, outcome) = runtime.block_on(closing).expect("no panic");
        (outcome, closing.expect("hops answered again"))
    }
}

/// A running far end.
pub(crate) struct FarEnd {
    pub(crate) target: FarEndTarget,
    _running: (Server, Runtime),
}

/// The port of a place that leads to another.
fn port(place: usize, to: usize) -> String {
    if place == 0 { LAPTOP_PORT.to_owned() } else { format!("to{to}") }
}

/// A reading's value.
pub(crate) fn value(outcome: &Outcome, name: &str) -> Option<f64> {
    outcome.readings.iter().find(|reading| reading.name == name).map(|reading| reading.value)
}
