//! The checks: each picks a machine, drives it over a port and turns its events into readings.
//!
//! A check receives a [`Context`] and returns a [`Finished`]. It never judges, prints or stores, and it must not know
//! the judge, the record or the reports. What it learns for later checks it returns; only the visit merges it.

mod asking;
mod beside;
pub mod between;
pub mod capacity;
mod carried;
pub mod dhcp4;
pub mod dns;
pub mod echo;
pub mod farend;
pub mod gateway;
pub mod ipv6;
pub mod link;
mod maker;
pub mod mtu;
pub mod multicast;
mod own_thread;
pub mod path;
pub mod pppoe;
mod probing;
mod registry;
pub mod responsiveness;
pub mod selftest;
mod settling;
pub mod shaping;
pub mod sip;
pub mod stream;
pub mod throughput;
mod turn;
pub mod twoway;
pub mod vlan;
pub mod voice;
pub mod web;

use std::fmt;
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use std::time::Duration;

use futures_util::future::BoxFuture;
use tokio_util::sync::CancellationToken;

use crate::farend::client::{FarEndTarget, Session};
use crate::plan::{Depth, Need, Sizes, Spec, Volume};
use crate::proto::capacity::Terms;
use crate::proto::membership;
use crate::proto::ppp::Login;
use crate::reading::Outcome;
use crate::unit::{AccessKind, CallTerms, Direction, Family, Position, ServiceClass};
use crate::wire::dhcp4::Introduction;
use crate::wire::vlan::TagStack;

pub use registry::{Asked, Services, on_request, registry};
pub use settling::{Question, Settling};

/// One examination.
pub trait Check: Send + Sync {
    /// Name, needs, class and cost.
    fn spec(&self) -> Spec;

    /// Samples behind a figure of this name on a healthy line at a depth; `None` where it rests on no count, or on one that is not known
    /// before.
    fn samples(&self, _reading: &str, _depth: Depth) -> Option<u64> {
        None
    }

    /// By how much its sample can be enlarged at most; 1 where its size is fixed.
    fn most(&self, _volume: &Volume) -> f64 {
        1.0
    }

    /// Whether it can end once what rests on its figures is certain ([`Context::settling`]), instead of after a number of samples that is fixed.
    fn may_settle(&self) -> bool {
        false
    }

    /// Runs it. Must end within a few seconds of `context.cancel` firing, with what it has so far; dropping the future
    /// must leave nothing behind but what a timeout would clear.
    fn run(&self, context: Context) -> BoxFuture<'static, Finished>;
}

/// All that a check may know.
#[derive(Clone)]
pub struct Context {
    /// The port under test.
    pub port: Interface,
    /// The tags that the line is handed over with.
    pub vlan: TagStack,
    /// How the line gives its service.
    pub access: Access,
    /// Where the visit's IP packets go: the port, or one of the agent's own that leads through it.
    pub interface: Interface,
    /// What earlier checks learned.
    pub known: Arc<Known>,
    /// How hard to test and what was sold.
    pub effort: Effort,
    /// What the provider wants a DHCPv4 client to say of itself.
    pub dhcp4: Introduction,
    /// Pages of public hosts to fetch.
    pub pages: web::PublicPages,
    /// The SIP service to look at, and whom to register there.
    pub sip: sip::Wanted,
    /// TV channels to listen to.
    pub tv: membership::Terms,
    /// Where the agent is plugged in.
    pub position: Position,
    /// The far end to measure against, if one was given.
    pub far_end: Option<FarEndTarget>,
    /// Tells when enough is known, where that decides how many samples are taken; `None` takes as many as planned.
    pub settling: Option<Settling>,
    /// Fires when the visit is to end early.
    pub cancel: CancellationToken,
    /// Receives the current figure for whoever watches; may be called often, must not block.
    pub live: LiveSink,
}

impl Context {
    /// Whether stations on the visit's port have hardware addresses: in a session or another tunnel they have none.
    pub fn has_hardware_addresses(&self) -> bool {
        !matches!(self.access, Access::Pppoe(_)) && self.interface.mac != [0; 6]
    }
}

/// Receives live figures.
pub type LiveSink = Arc<dyn Fn(LiveFigure) + Send + Sync>;

/// The current figure of a running check.
#[derive(Debug, Clone)]
pub struct LiveFigure {
    /// Name of the check.
    pub check: &'static str,
    /// Short words with the figure and unit: "down 412 Mbit/s".
    pub text: String,
    /// The figure as a number, where its course is worth a look.
    pub point: Option<Point>,
}

/// One point of a figure's course over the time that its check runs.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// What the course is of: a direction, a target. Another word begins another course.
    pub of: String,
    /// At or above 0, in the unit that the words say.
    pub value: f64,
}

impl LiveFigure {
    /// A figure without a course.
    pub fn new(check: &'static str, text: String) -> Self {
        Self { check, text, point: None }
    }

    /// With the next point of the course of this.
    #[must_use]
    pub fn point(self, of: impl fmt::Display, value: f64) -> Self {
        Self { point: Some(Point { of: of.to_string(), value }), ..self }
    }
}

/// How a line gives its service.
#[derive(Debug, Clone, Default)]
pub enum Access {
    /// On the Ethernet itself: addresses by DHCP and router advertisements.
    #[default]
    Ethernet,
    /// In a PPPoE session, opened with this account.
    Pppoe(Login),
}

impl Access {
    /// Without the account.
    pub fn kind(&self) -> AccessKind {
        match self {
            Self::Ethernet => AccessKind::Ethernet,
            Self::Pppoe(_) => AccessKind::Pppoe,
        }
    }
}

/// A port.
#[derive(Debug, Clone)]
pub struct Interface {
    /// Kernel name.
    pub name: String,
    /// Kernel index.
    pub index: u32,
    /// Hardware address.
    pub mac: [u8; 6],
}

/// How hard to test, and what was sold.
#[derive(Debug, Clone)]
pub struct Effort {
    /// Depth of the visit.
    pub depth: Depth,
    /// Sold rates as Mbit/s, for sizing; zero when nothing was said.
    pub sold_down_mbit: f64,
    /// Sold upstream rate.
    pub sold_up_mbit: f64,
    /// Parallel TCP streams of a load phase.
    pub streams: u16,
    /// Length of one load phase after start-up.
    pub load_time: Duration,
    /// Octets that the visit may still move; `None` is unbounded.
    pub max_octets: Option<u64>,
    /// Confidence of all intervals.
    pub confidence: f64,
    /// DSCP of the twoway stream, 0 to 63.
    pub dscp: u8,
    /// Parameters of capacity tests.
    pub capacity: Terms,
    /// Classes of service that run beside the twoway stream; `None` leaves the usual ones.
    pub classes: Option<Vec<ServiceClass>>,
    /// The calls of check voice.
    pub voice: CallTerms,
    /// By how much more than usual checks sample.
    pub sizes: Sizes,
}

impl Effort {
    /// Sold rate in Mbit/s, `None` when zero.
    pub fn sold(&self, direction: Direction) -> Option<f64> {
        let mbit = match direction {
            Direction::Down => self.sold_down_mbit,
            Direction::Up => self.sold_up_mbit,
        };
        (mbit > 0.0).then_some(mbit)
    }

    /// Rate that a load this way may reach, Mbit/s; zero where nothing was sold, which takes all of a far end.
    fn expected_mbit(&self, direction: Direction) -> f64 {
        self.sold(direction).unwrap_or(0.0) * Volume::MARGIN
    }
}

/// Domains that hosts complete names by.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Completion {
    /// The host's own (DHCP option 15).
    pub domain: Option<String>,
    /// Those that are tried in turn (DHCP option 119, RFC 3397).
    pub search: Vec<String>,
}

impl Completion {
    /// The domains, each once, the host's own first; without a final dot.
    pub fn domains(&self) -> Vec<&str> {
        let mut domains: Vec<&str> = Vec::new();
        for domain in self.domain.iter().chain(&self.search).map(|domain| domain.trim_end_matches('.')) {
            if !domain.is_empty() && !domains.iter().any(|one| one.eq_ignore_ascii_case(domain)) {
                domains.push(domain);
            }
        }
        domains
    }
}

/// What is known about the connection; grows as checks finish.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// The port that leads through a session; `None` while there is none.
    pub interface: Option<Interface>,
    /// IPv4 address and prefix length of the interface, held by the kernel.
    pub ipv4: Option<(Ipv4Addr, u8)>,
    /// Global IPv6 address of the interface.
    pub ipv6: Option<std::net::Ipv6Addr>,
    /// Next hop of the IPv4 default route over the interface.
    pub gateway4: Option<Ipv4Addr>,
    /// Next hop of the IPv6 default route over the interface.
    pub gateway6: Option<std::net::Ipv6Addr>,
    /// Resolvers handed out, in order, those of IPv4 first.
    pub resolvers: Vec<IpAddr>,
    /// Domains that hosts complete names by, as the lease has them.
    pub completion: Completion,
    /// The open session with the far end.
    pub far_end: Option<Arc<Session>>,
    /// Where the gateway tells what it counted on its line, if it does.
    pub gateway_counters: Option<Arc<gateway::Counters>>,
    /// A session with the same far end over the other IP version.
    pub far_end_beside: Option<Arc<Session>>,
    /// Largest IP packet that both directions carry to the far end, where that was measured.
    pub path_mtu: Option<u32>,
    /// What the test set itself can do, where it was measured.
    pub test_set: Option<selftest::TestSet>,
}

/// One thing learned by a check.
#[derive(Debug, Clone)]
pub enum Learned {
    /// A port of the agent's own that later checks have to use.
    Interface(Interface),
    /// The interface's IPv4 address and prefix length.
    Ipv4(Ipv4Addr, u8),
    /// The interface's global IPv6 address.
    Ipv6(std::net::Ipv6Addr),
    /// IPv4 next hop.
    Gateway4(Ipv4Addr),
    /// IPv6 next hop.
    Gateway6(std::net::Ipv6Addr),
    /// Resolvers in order; take the place of earlier ones of the same IP version.
    Resolvers(Vec<IpAddr>),
    /// Domains that hosts complete names by.
    Completion(Completion),
    /// The far end's session.
    FarEnd(Arc<Session>),
    /// Where the gateway tells what it counted.
    GatewayCounters(Arc<gateway::Counters>),
    /// The far end's session over the other IP version.
    FarEndBeside(Arc<Session>),
    /// Largest IP packet that both directions carry to the far end.
    PathMtu(u32),
    /// What the test set itself can do.
    TestSet(selftest::TestSet),
}

impl Learned {
    /// The need of later checks that this fulfils.
    pub fn gives(&self) -> Option<Need> {
        match self {
            Self::Ipv4(..) | Self::Ipv6(_) => Some(Need::Address),
            Self::Interface(_) => Some(Need::Session),
            Self::FarEnd(_) => Some(Need::FarEnd),
            Self::Gateway4(_)
            | Self::Gateway6(_)
            | Self::Completion(_)
            | Self::Resolvers(_)
            | Self::FarEndBeside(_)
            | Self::GatewayCounters(_)
            | Self::PathMtu(_)
            | Self::TestSet(_) => None,
        }
    }
}

impl Known {
    /// Whether the port has an address of this IP version beyond its link.
    pub fn has(&self, family: Family) -> bool {
        match family {
            Family::Ipv4 => self.ipv4.is_some(),
            Family::Ipv6 => self.ipv6.is_some(),
        }
    }

    /// Merges one learned thing.
    pub fn learn(&mut self, learned: Learned) {
        match learned {
            Learned::Interface(interface) => self.interface = Some(interface),
            Learned::Ipv4(address, prefix) => self.ipv4 = Some((address, prefix)),
            Learned::Ipv6(address) => self.ipv6 = Some(address),
            Learned::Gateway4(address) => self.gateway4 = Some(address),
            Learned::Gateway6(address) => self.gateway6 = Some(address),
            Learned::Resolvers(list) => {
                self.resolvers.retain(|known| list.iter().all(|new| new.is_ipv4() != known.is_ipv4()));
                self.resolvers.extend(list);
                self.resolvers.sort_by_key(IpAddr::is_ipv6);
            }
            Learned::Completion(completion) => self.completion = completion,
            Learned::FarEnd(session) => self.far_end = Some(session),
            Learned::GatewayCounters(counters) => self.gateway_counters = Some(counters),
            Learned::PathMtu(octets) => self.path_mtu = Some(octets),
            Learned::TestSet(test_set) => self.test_set = Some(test_set),
            Learned::FarEndBeside(session) => self.far_end_beside = Some(session),
        }
    }
}

/// What the agent holds on the interface or at a peer for the time of the visit: a lease, an address, a session.
pub trait Holding: Send {
    /// What is held, for messages: "lease of 192.0.2.50".
    fn what(&self) -> String;

    /// Gives it back; called once at the end of the visit, bounded to 2 s by the caller.
    fn release(self: Box<Self>) -> BoxFuture<'static, ()>;

    /// Runs just before the record is closed, for figures that span the visit (error counters of the port); most have none.
    fn closing_outcome(&mut self) -> BoxFuture<'_, Option<Outcome>> {
        Box::pin(std::future::ready(None))
    }
}

/// What a check returns.
pub struct Finished {
    /// Its result.
    pub outcome: Outcome,
    /// What later checks may use.
    pub learned: Vec<Learned>,
    /// What must be given back at the end.
    pub holdings: Vec<Box<dyn Holding>>,
}

impl From<Outcome> for Finished {
    fn from(outcome: Outcome) -> Self {
        Self { outcome, learned: Vec::new(), holdings: Vec::new() }
    }
}

impl fmt::Debug for Finished {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Finished").field("outcome", &self.outcome).field("learned", &self.learned).finish_non_exhaustive()
    }
}

impl fmt::Debug for Context {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Context").field("interface", &self.interface).field("known", &self.known).finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn resolvers_of_one_version_do_not_push_out_the_other_s_whichever_comes_first() {
        let at = |text: &str| text.parse::<IpAddr>().unwrap();
        let (four, six) = (vec![at("192.0.2.53"), at("192.0.2.54")], vec![at("2001:db8::53")]);
        for order in [[&six, &four, &four], [&four, &six, &six]] {
            let mut known = Known::default();
            order.iter().for_each(|list| known.learn(Learned::Resolvers((*list).clone())));
            assert_eq!(known.resolvers, [four.clone(), six.clone()].concat());
        }
    }
}
