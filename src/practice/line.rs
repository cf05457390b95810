//! Builds the practice line and owns it: namespaces, cables, shapers, delay lines, and the services in them.
//!
//! It must not know the agent: the agent meets the line only through the laptop's port. The hard thing is to leave
//! nothing behind, however the process ends: nothing has a name outside the process, every thread is joined on drop, and
//! what the kernel holds goes with the last descriptor.

mod error;
pub(super) mod routers;
mod services;

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::time::Duration;

pub use self::error::PracticeError;
pub(super) use self::error::system;
use self::services::RunningServices;
use crate::farend::client::FarEndTarget;
use crate::net::build::{End, Site};
use crate::net::carry::Carrier;
use crate::net::delayline::{Counters, DelayLine, Way};
use crate::net::netns::Namespace;
use crate::net::nft;
use crate::net::tc::TokenBucket;
use crate::unit::{Direction, Segment};

use super::config::{Handoff, Ipv6Service, LineConfig, Shape, Shaper};
use super::impair::{Impairer, Impairment};
use super::roles::concentrator::ConcentratorRole;
use super::roles::dhcp::DhcpRole;
use super::roles::far_end;
use super::roles::router::RouterRole;
use super::topology::{
    self, ACCESS_PORT, ADDRESSES, CABLES, CORE_PORT, Cable, FAR_END_V4, LAN_PORT, NEIGHBOUR_ADDRESSES, NEIGHBOUR_CABLES,
    NEIGHBOUR_ROUTES, Node, ROUTES, WAN_PORT,
};

/// A standing practice line. Dropping it ends its services and threads, and the kernel takes the rest.
#[derive(Debug)]
pub struct PracticeLine {
    // Fields drop in this order: services before the wires, wires before the places.
    services: RunningServices,
    delay_lines: Vec<(Segment, DelayLine)>,
    sites: BTreeMap<Node, Site>,
    config: LineConfig,
    kernel_shapes: bool,
}

/// What a stretch's delay line did, up and down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StretchCounters {
    /// The stretch.
    pub segment: Segment,
    /// Toward the far end.
    pub up: Counters,
    /// Toward the laptop.
    pub down: Counters,
}

/// Locally administered (IEEE 802, bit 1 of the first octet); the last octets say cable and end.
pub(super) fn mac(cable: u8, end: u8) -> [u8; 6] {
    [0x02, 0, 0x5e, 0, cable + 1, end]
}

impl PracticeLine {
    /// Builds a line and starts its services. Takes some tens of milliseconds; blocks.
    ///
    /// # Errors
    /// Says which right or kernel feature is missing.
    pub fn build(config: LineConfig) -> Result<Self, PracticeError> {
        let (services, sites) = (RunningServices::default(), BTreeMap::new());
        let mut line = Self { services, delay_lines: Vec::new(), sites, config, kernel_shapes: false };
        for node in Node::ALL {
            line.sites.insert(node, make_site(node.label())?);
        }
        line.kernel_shapes = line.choose_shaper()?;
        line.furnish(&Node::ALL, &CABLES, &ADDRESSES, &ROUTES)?;
        line.narrow()?;
        line.introduce()?;
        if line.config.services.cross_traffic.is_some() {
            line.sites.insert(Node::Neighbour, make_site(Node::Neighbour.label())?);
            line.furnish(&[Node::Neighbour], &NEIGHBOUR_CABLES, &NEIGHBOUR_ADDRESSES, &NEIGHBOUR_ROUTES)?;
        }
        if line.config.services.ipv6 == Some(Ipv6Service::DeadBehindGateway) {
            // Its neighbours know it, so what they send gets there, and nothing answers.
            line.site(Node::Edge).sysctls(&[("net/ipv6/conf/access/disable_ipv6", "1")]).map_err(system("silencing the edge"))?;
        }
        if line.config.handoff == Handoff::Gateway {
            line.translate(Node::Gateway, WAN_PORT)?;
        }
        if line.config.carrier_translation {
            line.translate(Node::Edge, CORE_PORT)?;
        }
        if line.kernel_shapes {
            line.shape(Node::Gateway, WAN_PORT, line.config.up)?;
            line.shape(Node::Edge, ACCESS_PORT, line.config.down)?;
        }
        line.start_services()?;
        Ok(line)
    }

    /// The gateway's port toward the home, as its services see it.
    fn lan(&self) -> String {
        self.services.lan.as_ref().map_or(LAN_PORT, |lan| lan.port().0).to_owned()
    }

    /// Keeps the gateway's port inside its VLAN.
    pub(super) fn keep_lan(&mut self, lan: Carrier) {
        self.services.lan = Some(lan);
    }

    /// Keeps the concentrator at the edge.
    pub(super) fn keep_concentrator(&mut self, role: ConcentratorRole) {
        self.services.concentrator = Some(role);
    }

    /// The concentrator at the edge; `None` where the line has none.
    pub fn concentrator(&self) -> Option<&ConcentratorRole> {
        self.services.concentrator.as_ref()
    }

    /// Makes places routers or hosts, lays their cables, gives them addresses and routes.
    fn furnish(
        &mut self,
        nodes: &[Node],
        cables: &[Cable],
        addresses: &[(Node, &'static str, IpAddr, u8)],
        routes: &[(Node, &'static str, IpAddr, u8, IpAddr)],
    ) -> Result<(), PracticeError> {
        for node in nodes {
            self.settle(*node)?;
        }
        for cable in cables {
            self.lay(cable)?;
        }
        if nodes.contains(&Node::Laptop) {
            self.hand_over()?;
        }
        for (node, port, address, prefix) in addresses {
            if self.config.is_fixed(*node, port) {
                let index = self.index(*node, port)?;
                let address = self.numbered(*address);
                self.site(*node).address(index, address, *prefix)?;
            }
        }
        for (node, port, destination, prefix, hop) in routes {
            if self.config.is_fixed(*node, port) {
                let index = self.index(*node, port)?;
                let (destination, hop) = (self.numbered(*destination), self.numbered(*hop));
                self.site(*node).route(destination, *prefix, hop, index)?;
            }
        }
        Ok(())
    }

    /// The namespace of a place.
    ///
    /// # Panics
    /// For the neighbour of a line that has none.
    pub fn namespace(&self, node: Node) -> &Namespace {
        self.sites[&node].namespace()
    }

    /// What the line was asked to be.
    pub fn config(&self) -> &LineConfig {
        &self.config
    }

    /// True when the kernel's token buckets keep the rates, false when the delay line does or nobody has to.
    pub fn is_shaped_by_kernel(&self) -> bool {
        self.kernel_shapes && (self.config.up.is_some() || self.config.down.is_some())
    }

    /// What the delay lines did so far; empty for stretches without one.
    pub fn counters(&self) -> Vec<StretchCounters> {
        let read = |(segment, line): &(Segment, DelayLine)| {
            let [up, down] = line.counters();
            StretchCounters { segment: *segment, up, down }
        };
        self.delay_lines.iter().map(read).collect()
    }

    /// Frames that the line itself lost though it was not told to, all stretches and directions; zero on a machine that
    /// keeps up. A loss figure measured while this grew is not the line's.
    pub fn own_drops(&self) -> u64 {
        self.counters().iter().map(|c| c.up.own_drops + c.down.own_drops).sum()
    }

    /// The gateway's DHCP server, with what it was asked; `None` where the line has none.
    pub fn dhcp(&self) -> Option<&DhcpRole> {
        self.services.dhcp.as_ref()
    }

    /// The IPv6 routers of the home, the gateway first, with what they were asked.
    pub fn routers(&self) -> &[RouterRole] {
        &self.services.routers
    }

    /// What an agent needs to use the line's far end. Without its service it names a far end that nobody answers for.
    pub fn far_end_target(&self) -> FarEndTarget {
        let gone = || {
            let host = FAR_END_V4.to_string();
            FarEndTarget {
                host,
                port: far_end::CONTROL_PORT,
                token: "practice".to_owned(),
                fingerprint: [0; 32],
                zone: Some(far_end::ZONE.to_owned()),
            }
        };
        self.services.far_end.as_ref().map_or_else(gone, |role| role.target().clone())
    }

    /// The DS record of the far end's zone, as a line of a zone file: a resolver that is given it can validate the zone.
    pub fn far_end_zone_ds(&self) -> Option<&str> {
        self.services.far_end.as_ref().map(|role| role.zone_ds())
    }

    /// Ends the far end's service while the line stands, as when its process is killed.
    pub fn end_far_end(&mut self) {
        if let Some(role) = &mut self.services.far_end {
            role.end();
        }
    }

    /// Ends services and threads and waits for them; the same as dropping it.
    pub fn shutdown(self) {}

    pub(super) fn site(&mut self, node: Node) -> &mut Site {
        self.sites.get_mut(&node).unwrap_or_else(|| unreachable!("build makes a site for each node"))
    }

    pub(super) fn index(&self, node: Node, port: &str) -> Result<u32, PracticeError> {
        self.sites[&node].index(port).map_err(system(format!("finding {port} at {}", node.label())))
    }

    /// Makes a place a router or a host, whatever the machine itself is: a new namespace inherits its IPv4 settings.
    fn settle(&mut self, node: Node) -> Result<(), PracticeError> {
        let forwards = if node.forwards() { "1" } else { "0" };
        let settings = [
            // First: changing it resets the others.
            ("net/ipv4/ip_forward", forwards),
            ("net/ipv4/conf/all/rp_filter", "0"),
            ("net/ipv4/conf/default/rp_filter", "0"),
            ("net/ipv6/conf/all/forwarding", forwards),
        ];
        self.site(node).sysctls(&settings).map_err(system(format!("setting up {}", node.label())))
    }

    /// An address as this line has it: where the provider translates, access line and network change their blocks, so that the
    /// shared addresses stand on the access line.
    fn numbered(&self, address: IpAddr) -> IpAddr {
        if self.config.carrier_translation { topology::exchanged(address) } else { address }
    }

    /// Gives both ends of the access line its MTU.
    fn narrow(&mut self) -> Result<(), PracticeError> {
        let Some(mtu) = self.config.access_mtu else { return Ok(()) };
        for (node, port) in [(Node::Gateway, WAN_PORT), (Node::Edge, ACCESS_PORT)] {
            let index = self.index(node, port)?;
            self.site(node).mtu(index, u32::from(mtu))?;
        }
        Ok(())
    }

    /// Gives all IPv4 that leaves a place by a port that port's address.
    fn translate(&self, node: Node, port: &str) -> Result<(), PracticeError> {
        nft::masquerade(self.namespace(node), port)
            .map_err(|refusal| if refusal.is_unsupported() { PracticeError::NoTranslation(refusal) } else { refusal.into() })
    }

    fn choose_shaper(&mut self) -> Result<bool, PracticeError> {
        let wanted = self.config.shaper;
        if wanted == Shaper::DelayLine {
            return Ok(false);
        }
        let can = self.site(Node::Edge).can_shape()?;
        if !can && wanted == Shaper::Kernel { Err(PracticeError::NoTokenBucket) } else { Ok(can) }
    }

    fn shape(&mut self, node: Node, port: &str, shape: Option<Shape>) -> Result<(), PracticeError> {
        let Some(shape) = shape else { return Ok(()) };
        let index = self.index(node, port)?;
        Ok(self.site(node).shape(port, index, shape.bucket())?)
    }

    /// Routers know each other before a customer's visit begins: a first packet that waits for a neighbour's answer, which
    /// a lossy stretch may swallow for a second, is no fault of any line. The laptop has to ask, as in any home.
    fn introduce(&mut self) -> Result<(), PracticeError> {
        for (number, cable) in CABLES.iter().enumerate().filter(|(_, cable)| cable.segment != Some(Segment::Home)) {
            for (this, other, end) in [(cable.near, cable.far, 1), (cable.far, cable.near, 2)] {
                for (.., address, _) in ADDRESSES.iter().filter(|(node, port, ..)| (*node, *port) == this) {
                    let index = self.index(other.0, other.1)?;
                    let address = self.numbered(*address);
                    self.site(other.0).neighbour(index, address, mac(number as u8, end))?;
                }
            }
        }
        Ok(())
    }

    /// The bucket that the delay line has to keep on this stretch.
    fn own_bucket(&self, segment: Segment, direction: Direction) -> Option<Shape> {
        if segment == Segment::Access && !self.kernel_shapes { self.config.shape(direction) } else { None }
    }

    /// Lays one cable, with a delay line in its middle where the stretch is impaired.
    fn lay(&mut self, cable: &Cable) -> Result<(), PracticeError> {
        let number = CABLES.iter().position(|c| c.near == cable.near).unwrap_or(CABLES.len()) as u8;
        let ends = [cable.near, cable.far];
        let places = ends.map(|(node, _)| self.namespace(node).clone());
        let [near, far] = [0, 1].map(|n| End { site: &places[n], name: ends[n].1, mac: mac(number, n as u8 + 1) });
        let impaired = cable.segment.filter(|s| {
            let bucket = [Direction::Down, Direction::Up].iter().any(|d| self.own_bucket(*s, *d).is_some());
            bucket || !self.config.impairments(*s).is_none()
        });
        match impaired {
            None => self.site(cable.near.0).cable(&near, &far)?,
            Some(segment) => {
                let mut middle = make_site(&format!("{segment}-wire"))?;
                let quiet = [("net/ipv6/conf/default/disable_ipv6", "1")];
                middle.sysctls(&quiet).map_err(system("silencing a delay line's place"))?;
                let place = middle.namespace().clone();
                middle.cable(&End { site: &place, name: "near", mac: mac(number, 3) }, &near)?;
                middle.cable(&End { site: &place, name: "far", mac: mac(number, 4) }, &far)?;
                for (node, port) in ends {
                    let index = self.index(node, port)?;
                    self.site(node).single_frames(port, index)?;
                }
                for port in ["near", "far"] {
                    let index = middle.index(port).map_err(system("finding a delay line's port"))?;
                    middle.single_frames(port, index)?;
                    middle.raise(port, index)?;
                }
                // First the ends, then the line: a frame sent into a port that is down would count as lost by us.
                self.raise(ends)?;
                let line = self.start_delay_line(segment, &place)?;
                self.delay_lines.push((segment, line));
                return Ok(());
            }
        }
        self.raise(ends)
    }

    fn raise(&mut self, ends: [(Node, &'static str); 2]) -> Result<(), PracticeError> {
        for (node, port) in ends {
            let index = self.index(node, port)?;
            self.site(node).raise(port, index)?;
        }
        Ok(())
    }

    fn start_delay_line(&self, segment: Segment, place: &Namespace) -> Result<DelayLine, PracticeError> {
        let set = self.config.impairments(segment);
        let way = |from: &str, direction, impairment: Impairment| {
            let shape = self.own_bucket(segment, direction);
            let bucket = shape.map(|s| s.bucket());
            // Each direction of each stretch draws its own numbers.
            let seed = self.config.seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ ((segment as u64) << 8 | direction as u64);
            let capacity = capacity(impairment.longest_hold(), bucket);
            Way { from: from.to_owned(), policy: Impairer::new(impairment, bucket, seed), capacity }
        };
        let (up, down) = (way("near", Direction::Up, set.up), way("far", Direction::Down, set.down));
        DelayLine::start(place, up, down).map_err(system(format!("starting the delay line of the {segment} stretch")))
    }
}

fn make_site(label: &str) -> Result<Site, PracticeError> {
    let namespace = Namespace::new(label).map_err(|source| PracticeError::Namespace { source })?;
    Site::open(&namespace).map_err(system(format!("preparing the place {label}")))
}

/// Octets that a delay line must be able to hold: what comes at 2.5 Gbit/s while a frame is held and the thread may be
/// late by 20 ms, and the modelled queue. Memory is touched only as far as it fills.
fn capacity(hold: Duration, bucket: Option<TokenBucket>) -> usize {
    let held = (hold + Duration::from_millis(20)).as_secs_f64() * 2.5e9 / 8.0;
    (held as usize).max(8 << 20) + bucket.map_or(0, |b| 2 * b.queue as usize)
}
