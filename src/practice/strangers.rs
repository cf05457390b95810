//! Stations in the home that don't belong there: on the gateway's port toward the home, as behind one switch with it, each with
//! a hardware address of its own.

use std::io;
use std::net::Ipv4Addr;
use std::time::Duration;

use super::config::Strangers;
use super::line::mac;
use super::roles::dhcp::{DhcpRole, DhcpRoleConfig};
use super::roles::neighbour::NeighbourRole;
use super::topology::{GATEWAY_LAN_V4, STRANGER_V4};
use crate::net::netns::Namespace;

/// Where the hardware addresses of strangers count from, far behind the cables.
const STRANGERS: u8 = 0x70;
/// The second server answers this much later than the gateway's: a client that takes the first offer is spared.
const DELAY: Duration = Duration::from_millis(30);

/// The strangers that are there; dropping it sends them away.
#[derive(Debug, Default)]
pub(super) struct Guests {
    servers: Vec<DhcpRole>,
    neighbours: Vec<NeighbourRole>,
}

impl Guests {
    /// Lets them in on the gateway's port with this name.
    ///
    /// # Errors
    /// What opening their ports says.
    pub(super) fn let_in(strangers: Strangers, home: &Namespace, lan: &str) -> io::Result<Self> {
        let mut guests = Self::default();
        if strangers.dhcp_server {
            let mac = mac(STRANGERS, 1);
            let [a, b, c, _] = STRANGER_V4.octets();
            let config = DhcpRoleConfig {
                range: Ipv4Addr::new(a, b, c, 200)..=Ipv4Addr::new(a, b, c, 219),
                resolvers: vec![STRANGER_V4],
                delay: DELAY,
                mac: Some(mac),
                ..DhcpRoleConfig::for_network(STRANGER_V4)
            };
            guests.servers.push(DhcpRole::start(home, lan, config)?);
            guests.neighbours.push(NeighbourRole::start(home, lan, mac, vec![STRANGER_V4])?);
        }
        if strangers.address_holder {
            let first = *DhcpRoleConfig::for_network(GATEWAY_LAN_V4).range.start();
            guests.neighbours.push(NeighbourRole::start(home, lan, mac(STRANGERS, 2), vec![first])?);
        }
        Ok(guests)
    }
}
