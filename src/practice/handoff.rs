//! How the line is handed over: tags at the gateway's port, or a terminal that passes frames on to the edge's concentrator.
//!
//! It must not know addresses of other places than the two ends of the handoff.

use std::io;

use super::config::{Concentrator, Handoff};
use super::line::{PracticeError, PracticeLine, mac, routers, system};
use super::roles::concentrator::{ConcentratorConfig, ConcentratorRole};
use super::topology::{
    ACCESS_PORT, EDGE_V4, GATEWAY_LAN_V4, GATEWAY_LAN_V6, HOME_V6, LAN_PORT, LAPTOP_PORT, Node, RESOLVERS_V4, SUBSCRIBER_V4,
    WAN_PORT,
};
use crate::net::carry::{Carrier, Envelope};
use crate::net::configure;
use crate::net::netns::Namespace;
use crate::net::tun::{Kind, Tun};
use crate::proto::ppp::Login;
use crate::wire::ethernet::Mac;
use crate::wire::vlan::TagStack;

/// Largest IP packet of a session in ordinary frames (RFC 2516 section 7), and in larger ones (RFC 4638).
const SESSION_MTU: u16 = 1492;
const FULL_MTU: u16 = 1500;
/// What a port takes then: a full packet, PPP's protocol and PPPoE's header.
const LARGER_MTU: u32 = 1508;

/// The account that the practice line's concentrator knows. Invented.
pub fn account() -> Login {
    Login::new("line1@example.net", "not-for-records")
}

impl PracticeLine {
    /// Makes the handoff what the configuration says, once cables lie and ports are up.
    pub(super) fn hand_over(&mut self) -> Result<(), PracticeError> {
        let (handoff, vlan) = (self.config().handoff, self.config().vlan);
        match handoff {
            Handoff::Gateway if vlan.is_none() => Ok(()),
            Handoff::Gateway => self.tag_the_gateway(vlan),
            Handoff::Pppoe(manner) => {
                let ports = [self.index(Node::Gateway, LAN_PORT)?, self.index(Node::Gateway, WAN_PORT)?];
                self.site(Node::Gateway).bridge("terminal", &ports)?;
                if self.config().full_size_sessions {
                    let edge = self.index(Node::Edge, ACCESS_PORT)?;
                    let laptop = self.index(Node::Laptop, LAPTOP_PORT)?;
                    for (node, index) in
                        [(Node::Laptop, laptop), (Node::Gateway, ports[0]), (Node::Gateway, ports[1]), (Node::Edge, edge)]
                    {
                        self.site(node).mtu(index, LARGER_MTU)?;
                    }
                }
                self.start_concentrator(manner, vlan)
            }
        }
    }

    fn tag_the_gateway(&mut self, vlan: TagStack) -> Result<(), PracticeError> {
        let place = self.namespace(Node::Gateway).clone();
        let inside = enter(&place, LAN_PORT, vlan).map_err(system("putting the gateway's port into its VLAN"))?;
        let index = inside.port().1;
        self.site(Node::Gateway).address(index, GATEWAY_LAN_V4.into(), 24)?;
        self.site(Node::Gateway).address(index, GATEWAY_LAN_V6.into(), 64)?;
        self.keep_lan(inside);
        Ok(())
    }

    fn start_concentrator(&mut self, manner: Concentrator, vlan: TagStack) -> Result<(), PracticeError> {
        let account = match manner {
            Concentrator::Absent => return Ok(()),
            Concentrator::Serving | Concentrator::Dropping => account(),
            Concentrator::Refusing => Login::new("someone-else@example.net", "not-for-records"),
        };
        let config = ConcentratorConfig {
            vlan,
            account,
            own: EDGE_V4,
            subscriber: SUBSCRIBER_V4,
            dns: RESOLVERS_V4,
            ipv6: self.config().services.ipv6.map(|_| (routers::in_session(Mac(mac(1, 2))), HOME_V6)),
            mru: if self.config().full_size_sessions { FULL_MTU } else { SESSION_MTU },
            drops: manner == Concentrator::Dropping,
            ..ConcentratorConfig::default()
        };
        let place = self.namespace(Node::Edge).clone();
        let role = ConcentratorRole::start(&place, ACCESS_PORT, config).map_err(system("starting the concentrator"))?;
        self.keep_concentrator(role);
        Ok(())
    }
}

/// A port inside a VLAN of a place's port.
fn enter(place: &Namespace, port: &'static str, vlan: TagStack) -> io::Result<Carrier> {
    place.run(move || {
        let tun = Tun::open(Kind::Ethernet)?;
        let index = tun.index();
        let mtu = 1500 - vlan.octets_inside_mtu() as u32;
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        runtime.block_on(configure::raise(index, mtu, Some([0x02, 0, 0x5e, 0, 1, 2])))?;
        Carrier::start(port, tun, Envelope::Tags(vlan))
    })
}
