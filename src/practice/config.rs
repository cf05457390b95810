//! What the practice line is to be like: rates, impairments, services. Pure data.

use std::time::Duration;

use crate::net::tc::TokenBucket;
use crate::unit::{Direction, Layer, Rate, Ratio, Segment};
use crate::wire::vlan::TagStack;

use super::impair::Impairment;
use super::topology::{ACCESS_PORT, LAN_PORT, Node};
use super::tv::Tv;

/// Share of a second of rate that the token bucket holds: below about 4 ms a kernel bucket falls short of its rate.
const BURST_SECONDS: f64 = 0.004;
/// A full Ethernet frame without FCS.
const FULL_FRAME: u32 = 1514;

/// What one direction of the access line is limited to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shape {
    rate: Rate,
    /// Longest time that a frame waits before the shaper drops what comes after it: the depth of the buffer.
    pub queue: Duration,
}

impl Shape {
    /// A rate, counted at the Ethernet layer (header, no FCS), with a buffer of 40 ms. Of full IPv4 frames with TCP time
    /// stamps, 1448 octets of 1514 are TCP payload. `None` below 10 kbit/s, where one frame takes more than a second.
    pub fn ethernet_mbit(mbit: f64) -> Option<Self> {
        let rate = Rate::from_bits_per_second(mbit * 1e6, Layer::Ethernet).filter(|r| r.bits_per_second() >= 10_000.0)?;
        Some(Self { rate, queue: Duration::from_millis(40) })
    }

    /// The same with another depth of the buffer.
    #[must_use]
    pub fn with_queue(mut self, queue: Duration) -> Self {
        self.queue = queue;
        self
    }

    /// The rate at the Ethernet layer.
    pub fn rate(&self) -> Rate {
        self.rate
    }

    /// The same shape at a share of the rate.
    #[must_use]
    pub fn scaled(self, share: f64) -> Self {
        Self::ethernet_mbit(self.rate.mbit() * share).map_or(self, |s| s.with_queue(self.queue))
    }

    /// As the token bucket counts it.
    pub(super) fn bucket(&self) -> TokenBucket {
        let octets_per_second = self.rate.bits_per_second() / 8.0;
        let burst = ((octets_per_second * BURST_SECONDS) as u32).max(2 * FULL_FRAME);
        let queue = ((octets_per_second * self.queue.as_secs_f64()) as u32).max(4 * FULL_FRAME).max(burst);
        TokenBucket { octets_per_second: octets_per_second as u64, burst, queue }
    }
}

/// Both directions of a stretch.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Impairments {
    /// Toward the laptop.
    pub down: Impairment,
    /// Toward the far end.
    pub up: Impairment,
}

impl Impairments {
    /// The same in both directions.
    pub fn both(impairment: Impairment) -> Self {
        Self { down: impairment, up: impairment }
    }

    /// True when frames pass both ways as if there were nothing.
    pub fn is_none(&self) -> bool {
        self.down.is_none() && self.up.is_none()
    }
}

/// Who keeps the rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Shaper {
    /// The kernel where it has the token bucket, else the delay line.
    #[default]
    Auto,
    /// The kernel's token bucket (tbf): exact up to 2.5 Gbit/s and costs nothing.
    Kernel,
    /// The delay line's own bucket: the same arithmetic, up to about 1 Gbit/s.
    DelayLine,
}

/// What the provider's name servers do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DnsService {
    /// Answer truthfully.
    #[default]
    Truthful,
    /// Take queries and never answer.
    Silent,
    /// The second of the two takes queries and never answers.
    SecondSilent,
    /// Give names that do not exist an address.
    Lying,
    /// Fail every lookup.
    Failing,
}

/// What becomes of IPv6 on the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ipv6Service {
    /// The gateway advertises itself, lends addresses and delegates prefixes; all is routed.
    Whole,
    /// Nobody advertises anything.
    Silent,
    /// The provider delegated no prefix: the gateway says that it has no way out, and lends nothing.
    NoPrefix,
    /// A second device in the home wants to be the default router, and leads nowhere.
    RogueBeside,
    /// As whole as can be seen from the home, but the provider's edge takes nothing.
    DeadBehindGateway,
}

/// Who stands in the way of plain HTTP.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Meddler {
    /// Answers in everybody's place and sends browsers to a page of its own.
    Portal,
    /// Passes requests on, with a line of its own and from an address of its own.
    Proxy,
}

/// What the provider's SIP registrar does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SipService {
    /// Answers, and registers the practice account.
    #[default]
    Serving,
    /// Takes packets and connections and never answers.
    Silent,
}

/// Which services run on the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Services {
    /// The gateway hands out addresses.
    pub dhcp: bool,
    /// The name servers; `None` leaves the host without one (for tests that bring their own).
    pub dns: Option<DnsService>,
    /// IPv6 at the gateway. Without it the laptop has a fixed address and route (for tests that need no visit).
    pub ipv6: Option<Ipv6Service>,
    /// The far end's service. Without it its host still answers pings, and refuses connections.
    pub far_end: bool,
    /// The gateway answers to UPnP and tells of its line.
    pub igd: bool,
    /// Another host in the home uses this share of the line the whole time.
    pub cross_traffic: Option<Ratio>,
    /// Who stands in the way of plain HTTP at the provider's edge.
    pub meddler: Option<Meddler>,
    /// The SIP registrar, on the resolvers' host.
    pub sip: Option<SipService>,
    /// The gateway writes its own address into SIP that passes.
    pub rewrites_sip: bool,
}

impl Services {
    /// A bare line: places, cables and routes only.
    pub const NONE: Self = Self {
        dhcp: false,
        dns: None,
        ipv6: None,
        far_end: false,
        igd: false,
        cross_traffic: None,
        meddler: None,
        sip: None,
        rewrites_sip: false,
    };
}

impl Default for Services {
    fn default() -> Self {
        let (dns, ipv6) = (Some(DnsService::Truthful), Some(Ipv6Service::Whole));
        Self { dhcp: true, dns, ipv6, far_end: true, igd: true, sip: Some(SipService::Serving), ..Self::NONE }
    }
}

/// How the line is handed over to the laptop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Handoff {
    /// By a gateway that routes and translates.
    #[default]
    Gateway,
    /// By a terminal that only passes frames on: the laptop is in the gateway's place and opens a PPPoE session.
    Pppoe(Concentrator),
}

/// What the concentrator at the edge does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Concentrator {
    /// Opens sessions for the practice account.
    #[default]
    Serving,
    /// Is not there.
    Absent,
    /// Opens sessions and refuses the practice account.
    Refusing,
    /// Knows the account, and ends each session as soon as it has an address.
    Dropping,
}

/// Stations in the home that don't belong there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Strangers {
    /// A second DHCP server, which names itself as router and name server.
    pub dhcp_server: bool,
    /// A device with a fixed address: the one that the gateway hands out first.
    pub address_holder: bool,
}

/// A practice line to be built. The default is unshaped and unimpaired, runs at the kernel's speed and has all services.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LineConfig {
    /// Downstream rate of the access line; `None` is unshaped.
    pub down: Option<Shape>,
    /// Upstream rate of the access line.
    pub up: Option<Shape>,
    /// Who keeps the rates.
    pub shaper: Shaper,
    /// Laptop to gateway.
    pub home: Impairments,
    /// Gateway to edge.
    pub access: Impairments,
    /// Largest packet that the access line's two ends send onto it, octets of IP; they say so to whoever sends larger ones.
    /// `None` is 1500.
    pub access_mtu: Option<u16>,
    /// The provider's edge translates IPv4 addresses too, and the access line has shared ones (RFC 6598).
    pub carrier_translation: bool,
    /// Edge to core.
    pub network: Impairments,
    /// Core to far end.
    pub far_end: Impairments,
    /// How it is handed over.
    pub handoff: Handoff,
    /// The tags that it is handed over with.
    pub vlan: TagStack,
    /// PPPoE sessions carry IP packets of 1500 octets (RFC 4638), for which ports take larger frames.
    pub full_size_sessions: bool,
    /// What runs on it.
    pub services: Services,
    /// TV channels on it.
    pub tv: Tv,
    /// Who else is in the home.
    pub strangers: Strangers,
    /// Seed of all random decisions.
    pub seed: u64,
}

impl LineConfig {
    /// An access line of these rates (Mbit/s at the Ethernet layer) with all services. `None` for a rate below 10 kbit/s.
    pub fn shaped(down_mbit: f64, up_mbit: f64) -> Option<Self> {
        let (down, up) = (Some(Shape::ethernet_mbit(down_mbit)?), Some(Shape::ethernet_mbit(up_mbit)?));
        Some(Self { down, up, ..Self::default() })
    }

    /// The same handed over in another way. The access line still carries the same rate of IP: a full frame of a session has
    /// 8 octets less of it (RFC 2516 section 7), and 4 octets more for each tag.
    #[must_use]
    pub fn handed_over(mut self, handoff: Handoff, vlan: TagStack) -> Self {
        (self.handoff, self.vlan) = (handoff, vlan);
        if let Handoff::Pppoe(_) = handoff {
            let share = f64::from(FULL_FRAME) + vlan.octets() as f64;
            let more = share / 1492.0 / (f64::from(FULL_FRAME) / 1500.0);
            for shape in [&mut self.down, &mut self.up].into_iter().flatten() {
                *shape = shape.scaled(more);
            }
        }
        self
    }

    /// As [`Self::shaped`], for rates that are sold at the IP layer: a full frame has 14 octets more (Ethernet header, RFC 6349
    /// section 4.1.1) than its packet of 1500.
    pub fn sold_at_ip(down_mbit: f64, up_mbit: f64) -> Option<Self> {
        let share = 1514.0 / 1500.0;
        Self::shaped(down_mbit * share, up_mbit * share)
    }

    /// False for a port that has none of the plan's addresses: where the laptop gets its own, where a port is inside a VLAN, or
    /// where the gateway is no router.
    pub(super) fn is_fixed(&self, node: Node, port: &str) -> bool {
        let by_handoff = match (self.handoff, self.vlan.is_none()) {
            (Handoff::Gateway, true) => true,
            (Handoff::Gateway, false) => !matches!((node, port), (Node::Laptop, _) | (Node::Gateway, LAN_PORT)),
            (Handoff::Pppoe(_), _) => !matches!((node, port), (Node::Laptop | Node::Gateway, _) | (Node::Edge, ACCESS_PORT)),
        };
        // A router of the line gives the laptop its own.
        by_handoff && (node != Node::Laptop || self.services.ipv6.is_none())
    }

    /// The impairments of a stretch; none inside the test set.
    pub fn impairments(&self, segment: Segment) -> Impairments {
        match segment {
            Segment::TestSet => Impairments::default(),
            Segment::Home => self.home,
            Segment::Access => self.access,
            Segment::Network => self.network,
            Segment::FarEnd => self.far_end,
        }
    }

    /// The shape of a direction.
    pub fn shape(&self, direction: Direction) -> Option<Shape> {
        match direction {
            Direction::Down => self.down,
            Direction::Up => self.up,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bucket_holds_four_milliseconds_and_the_queue_its_depth() {
        // 100 Mbit/s = 12.5 MB/s: 4 ms are 50,000 octets, 40 ms 500,000. Worked by hand.
        let bucket = Shape::ethernet_mbit(100.0).expect("a rate").bucket();
        assert_eq!(bucket, TokenBucket { octets_per_second: 12_500_000, burst: 50_000, queue: 500_000 });
        // At 1 Mbit/s both stand at their floor of a few frames.
        let slow = Shape::ethernet_mbit(1.0).expect("a rate").bucket();
        assert_eq!((slow.burst, slow.queue), (2 * 1514, 4 * 1514));
    }

    #[test]
    fn rates_that_no_frame_survives_are_refused() {
        for mbit in [0.0, -1.0, f64::NAN, f64::INFINITY, 0.005] {
            assert!(Shape::ethernet_mbit(mbit).is_none(), "{mbit}");
        }
    }

    #[test]
    fn half_a_rate_keeps_the_depth_of_the_buffer() {
        let shape = Shape::ethernet_mbit(100.0).expect("a rate").with_queue(Duration::from_millis(80)).scaled(0.5);
        assert_eq!((shape.rate().mbit(), shape.queue), (50.0, Duration::from_millis(80)));
    }
}
