//! What runs on the line: started once cables lie and ports have their addresses.

use std::io;
use std::net::{IpAddr, SocketAddr, TcpListener, UdpSocket};

use super::error::{PracticeError, system};
use super::{PracticeLine, mac, routers};
use crate::net::carry::Carrier;
use crate::practice::config::{DnsService, Handoff, Ipv6Service};
use crate::practice::roles::concentrator::ConcentratorRole;
use crate::practice::roles::cross_traffic::CrossTraffic;
use crate::practice::roles::dhcp::{DhcpRole, DhcpRoleConfig};
use crate::practice::roles::dns::{DnsRole, Manner};
use crate::practice::roles::far_end::{self, FarEndRole};
use crate::practice::roles::igd::{IgdRole, IgdRoleConfig};
use crate::practice::roles::middle::MiddleRole;
use crate::practice::roles::registrar::RegistrarRole;
use crate::practice::roles::router::RouterRole;
use crate::practice::roles::sip_middle::SipMiddleRole;
use crate::practice::roles::tv::TvRole;
use crate::practice::strangers::Guests;
use crate::practice::topology::{
    ACCESS_PORT, EDGE_V4, FAR_END_V4, FAR_END_V6, GATEWAY_LAN_V4, GATEWAY_WAN_V4, Node, RESOLVERS_V4, RESOLVERS_V6, WAN_PORT,
};
use crate::practice::tv;
use crate::unit::Direction;
use crate::wire::ethernet::Mac;

const NEIGHBOUR_MOST_MBIT: f64 = 100.0;
/// Rate of a line without shape, for that share.
const UNSHAPED_MBIT: f64 = 100.0;
/// Port of the service that it uses.
const NEIGHBOUR_SERVICE: u16 = 8700;

/// What runs on the line until it is dropped.
#[derive(Debug, Default)]
pub(super) struct RunningServices {
    pub(super) dhcp: Option<DhcpRole>,
    pub(super) concentrator: Option<ConcentratorRole>,
    /// The gateway's port inside the VLAN.
    pub(super) lan: Option<Carrier>,
    pub(super) guests: Guests,
    pub(super) routers: Vec<RouterRole>,
    pub(super) dns: Option<DnsRole>,
    pub(super) silent_dns: Option<SilentServers>,
    pub(super) far_end: Option<FarEndRole>,
    pub(super) igd: Option<IgdRole>,
    pub(super) cross_traffic: Option<CrossTraffic>,
    pub(super) middle: Option<MiddleRole>,
    pub(super) registrar: Option<RegistrarRole>,
    pub(super) sip_middle: Option<SipMiddleRole>,
    pub(super) tv: Vec<TvRole>,
}

impl PracticeLine {
    pub(super) fn start_services(&mut self) -> Result<(), PracticeError> {
        let wanted = self.config.services;
        if wanted.dhcp && self.config.handoff == Handoff::Gateway {
            let config = DhcpRoleConfig { resolvers: RESOLVERS_V4.to_vec(), ..DhcpRoleConfig::for_network(GATEWAY_LAN_V4) };
            let role = DhcpRole::start(self.namespace(Node::Gateway), &self.lan(), config);
            self.services.dhcp = Some(role.map_err(system("starting the gateway's DHCP server"))?);
        }
        let guests = Guests::let_in(self.config.strangers, self.namespace(Node::Gateway), &self.lan());
        self.services.guests = guests.map_err(system("letting strangers into the home"))?;
        if let Some(ipv6) = wanted.ipv6.filter(|_| self.config.handoff == Handoff::Gateway) {
            self.start_routers(ipv6)?;
        }
        let (talking, silent) = match wanted.dns {
            Some(DnsService::Truthful) => (Some(Manner::Truthful), 2..),
            Some(DnsService::Lying) => (Some(Manner::Lying), 2..),
            Some(DnsService::Failing) => (Some(Manner::Failing), 2..),
            Some(DnsService::SecondSilent) => (Some(Manner::Truthful), 1..),
            Some(DnsService::Silent) => (None, 0..),
            None => (None, 2..),
        };
        let place = self.namespace(Node::Resolvers).clone();
        let both = |range: std::ops::Range<usize>| -> Vec<IpAddr> {
            let v4 = RESOLVERS_V4[range.clone()].iter().copied().map(IpAddr::V4);
            v4.chain(RESOLVERS_V6[range].iter().copied().map(IpAddr::V6)).collect()
        };
        if let Some(manner) = talking {
            let authority = SocketAddr::new(FAR_END_V4.into(), far_end::DNS_PORT);
            let role = DnsRole::start(&place, both(0..silent.start), far_end::ZONE, authority, manner);
            self.services.dns = Some(role.map_err(system("starting the name servers"))?);
        }
        let mute = both(silent.start..2);
        if !mute.is_empty() {
            let silence = place.run(move || SilentServers::start(&mute));
            self.services.silent_dns = Some(silence.map_err(system("starting silent name servers"))?);
        }
        if wanted.far_end {
            let addresses = vec![IpAddr::V4(FAR_END_V4), IpAddr::V6(FAR_END_V6)];
            let role = FarEndRole::start(self.namespace(Node::FarEnd), addresses);
            self.services.far_end = Some(role.map_err(system("starting the far end"))?);
        }
        if wanted.igd && self.config.handoff == Handoff::Gateway {
            let bit_s = |direction| self.config.shape(direction).map_or(0, |shape| shape.rate().bits_per_second() as u64);
            let config = IgdRoleConfig {
                home: GATEWAY_LAN_V4,
                outer: GATEWAY_WAN_V4,
                line_port: WAN_PORT,
                rates: [Direction::Down, Direction::Up].map(bit_s),
            };
            let role = IgdRole::start(self.namespace(Node::Gateway), config);
            self.services.igd = Some(role.map_err(system("starting the gateway's UPnP services"))?);
        }
        self.start_tv()?;
        if let Some(manner) = wanted.meddler {
            let role = MiddleRole::start(self.namespace(Node::Edge), manner);
            self.services.middle = Some(role.map_err(system("putting somebody in the way of plain HTTP"))?);
        }
        if let Some(manner) = wanted.sip {
            let role = RegistrarRole::start(&place, manner);
            self.services.registrar = Some(role.map_err(system("starting the SIP registrar"))?);
        }
        if wanted.rewrites_sip && self.config.handoff == Handoff::Gateway {
            let role = SipMiddleRole::start(self.namespace(Node::Gateway), GATEWAY_WAN_V4, RESOLVERS_V4[0]);
            self.services.sip_middle = Some(role.map_err(system("having the gateway rewrite SIP"))?);
        }
        if let Some(share) = wanted.cross_traffic.filter(|_| self.config.handoff == Handoff::Gateway) {
            let mbit = |direction| {
                let rate = self.config.shape(direction).map_or(UNSHAPED_MBIT, |shape| shape.rate().mbit());
                (rate * share.value()).min(NEIGHBOUR_MOST_MBIT)
            };
            let (home, network) = (self.namespace(Node::Neighbour), self.namespace(Node::FarEnd));
            let far = SocketAddr::new(FAR_END_V4.into(), NEIGHBOUR_SERVICE);
            let role = CrossTraffic::start(home, network, far, mbit(Direction::Down), mbit(Direction::Up));
            self.services.cross_traffic = Some(role.map_err(system("starting another host's traffic"))?);
        }
        Ok(())
    }

    /// The edge with its channels, and the gateway between it and the home; in the gateway's place the laptop hears the edge itself.
    fn start_tv(&mut self) -> Result<(), PracticeError> {
        let mut edge = tv::port(ACCESS_PORT, mac(1, 2), EDGE_V4);
        let gateway = if self.config.handoff == Handoff::Gateway {
            let (home, line) = (tv::port(&self.lan(), mac(0, 2), GATEWAY_LAN_V4), tv::port(WAN_PORT, mac(1, 1), GATEWAY_WAN_V4));
            self.config.tv.gateway(home, line)
        } else {
            edge.stack = self.config.vlan;
            None
        };
        let roles = [(Node::Edge, self.config.tv.edge(edge)), (Node::Gateway, gateway)];
        for (node, config) in roles {
            let Some(config) = config else { continue };
            let role = TvRole::start(self.namespace(node), config);
            self.services.tv.push(role.map_err(system("starting TV"))?);
        }
        Ok(())
    }

    /// What advertises itself in the home.
    fn start_routers(&mut self, service: Ipv6Service) -> Result<(), PracticeError> {
        let (place, lan) = (self.namespace(Node::Gateway).clone(), self.lan());
        for config in routers::of(service, Mac(mac(0, 2))) {
            let role = RouterRole::start(&place, &lan, config);
            self.services.routers.push(role.map_err(system("starting the gateway's IPv6 router"))?);
        }
        Ok(())
    }
}

/// Name servers that take queries and connections and never answer: bound sockets that nobody reads.
#[derive(Debug)]
pub(super) struct SilentServers {
    _datagrams: Vec<UdpSocket>,
    _streams: Vec<TcpListener>,
}

impl SilentServers {
    fn start(addresses: &[IpAddr]) -> io::Result<Self> {
        let datagrams = addresses.iter().map(|a| UdpSocket::bind((*a, 53))).collect::<io::Result<_>>()?;
        let streams = addresses.iter().map(|a| TcpListener::bind((*a, 53))).collect::<io::Result<_>>()?;
        Ok(Self { _datagrams: datagrams, _streams: streams })
    }
}
