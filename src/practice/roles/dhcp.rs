//! A DHCP server for IPv4 (RFC 2131 section 4.3): hands out addresses on one port of one place.
//!
//! Frames go through a packet socket, so that it answers clients without an address, and several servers can share a port.
//! It must not know who asks. The hard thing: its messages are read and written by an independent library, so that client
//! and server of the practice line don't share their mistakes.

mod leases;

use std::io;
use std::net::Ipv4Addr;
use std::ops::RangeInclusive;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use dhcproto::v4::Message;
use dhcproto::{Decodable, Decoder, Encodable};
use tokio_util::sync::CancellationToken;

use self::leases::Leases;
use super::Service;
use crate::net::netns::Namespace;
use crate::net::packet::{Filter, PacketEvent, PacketSocket};
use crate::wire::dhcp4::{CLIENT_PORT, SERVER_PORT};
use crate::wire::ethernet::{self, Mac};
use crate::wire::{ipv4, udp};

/// What a server hands out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DhcpRoleConfig {
    /// Its identifier (option 54), and the source of its answers.
    pub server: Ipv4Addr,
    /// Addresses to hand out.
    pub range: RangeInclusive<Ipv4Addr>,
    /// Prefix length of the network (option 1).
    pub prefix: u8,
    /// Next hop (option 3); `None` hands out none.
    pub router: Option<Ipv4Addr>,
    /// Name servers (option 6).
    pub resolvers: Vec<Ipv4Addr>,
    /// Domain (option 15).
    pub domain: Option<String>,
    /// Lease time (option 51); T1 and T2 are left to the client.
    pub lease: Duration,
    /// Other options: number and octets.
    pub more: Vec<(u8, Vec<u8>)>,
    /// Takes what is sent and never answers.
    pub is_silent: bool,
    /// Answers no REQUEST that comes without a server's name: none to renew a lease.
    pub is_deaf_to_renewals: bool,
    /// Refuses such a REQUEST with these words.
    pub refuses_renewals: Option<String>,
    /// How long it thinks before each answer.
    pub delay: Duration,
    /// A hardware address of its own, as of a station behind a switch; `None` is the port's.
    pub mac: Option<[u8; 6]>,
}

impl DhcpRoleConfig {
    /// A server of a /24 that gives addresses .50 to .99, an hour each, and names itself as router.
    pub fn for_network(server: Ipv4Addr) -> Self {
        let [a, b, c, _] = server.octets();
        Self {
            server,
            range: Ipv4Addr::new(a, b, c, 50)..=Ipv4Addr::new(a, b, c, 99),
            prefix: 24,
            router: Some(server),
            resolvers: Vec::new(),
            domain: None,
            lease: Duration::from_secs(3600),
            more: Vec::new(),
            is_silent: false,
            is_deaf_to_renewals: false,
            refuses_renewals: None,
            delay: Duration::ZERO,
            mac: None,
        }
    }
}

/// Messages that a server got.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct DhcpRoleCounts {
    /// DISCOVER.
    pub discovers: u32,
    /// REQUEST, for this server or another.
    pub requests: u32,
    /// RELEASE of an address that it had handed out.
    pub releases: u32,
    /// DECLINE.
    pub declines: u32,
    /// INFORM.
    pub informs: u32,
    /// What it could not read.
    pub unreadable: u32,
}

/// A running server. Dropping it ends its thread and waits for it.
#[derive(Debug)]
pub struct DhcpRole {
    leases: Arc<Mutex<Leases>>,
    _service: Service,
}

impl DhcpRole {
    /// Starts a server on a port of a namespace; it answers from when this returns.
    ///
    /// # Errors
    /// When the port does not exist or no packet socket can be opened.
    pub fn start(namespace: &Namespace, interface: &str, config: DhcpRoleConfig) -> io::Result<Self> {
        let name = interface.to_owned();
        let mac = config.mac.map(Mac);
        let leases = Arc::new(Mutex::new(Leases::new(config)));
        let ledger = Arc::clone(&leases);
        let open = move || Port::open(&name, mac);
        let serve = move |port: Port, until: CancellationToken| async move { port.serve(&ledger, &until).await };
        Ok(Self { leases, _service: Service::start(namespace, "dhcp-server", open, serve)? })
    }

    /// What it got so far.
    pub fn counts(&self) -> DhcpRoleCounts {
        self.leases.lock().unwrap_or_else(PoisonError::into_inner).counts()
    }

    /// Addresses that are handed out now.
    pub fn handed_out(&self) -> Vec<Ipv4Addr> {
        self.leases.lock().unwrap_or_else(PoisonError::into_inner).handed_out()
    }
}

/// The server's port.
struct Port {
    socket: PacketSocket,
    mac: Mac,
}

impl Port {
    fn open(name: &str, own: Option<Mac>) -> io::Result<Self> {
        let index = nix::net::if_::if_nametoindex(name)?;
        let mac = own.map_or_else(|| hardware_address(name), Ok)?;
        let socket = PacketSocket::open(index, Filter::Udp { port: SERVER_PORT, with_arp: false }, false)?;
        Ok(Self { socket, mac })
    }

    async fn serve(&self, leases: &Mutex<Leases>, until: &CancellationToken) {
        let mut buffer = [0; 2048];
        loop {
            let event = tokio::select! {
                event = self.socket.next_event(&mut buffer) => event,
                () = until.cancelled() => return,
            };
            match event {
                Ok(PacketEvent::Received { len, .. }) => {
                    if let Some((frame, delay)) = self.answer(&buffer[..len], leases) {
                        tokio::time::sleep(delay).await;
                        // A port that is down loses it, as a cable would.
                        let _ = self.socket.try_send(&frame);
                    }
                }
                Ok(PacketEvent::Sent { .. }) => {}
                Err(_) => return,
            }
        }
    }

    /// The answer to a frame, and how long it is thought about.
    fn answer(&self, frame: &[u8], leases: &Mutex<Leases>) -> Option<(Vec<u8>, Duration)> {
        let frame = ethernet::parse(frame).ok()?;
        let packet = ipv4::parse(frame.payload).ok()?;
        let datagram = udp::parse(packet.payload, packet.repr.source, packet.repr.destination).ok()?;
        let mut leases = leases.lock().unwrap_or_else(PoisonError::into_inner);
        let Ok(message) = Message::decode(&mut Decoder::new(datagram.payload)) else {
            leases.count_unreadable();
            return None;
        };
        let answer = leases.answer(&message)?;
        let (server, delay) = (leases.config().server, leases.config().delay);
        drop(leases);
        Some((self.seal(server, &message, &answer)?, delay))
    }

    /// Section 4.1: to `ciaddr` where there is one, by broadcast where asked for or for a NAK, else straight to `yiaddr`
    /// at the client's hardware address.
    fn seal(&self, server: Ipv4Addr, question: &Message, answer: &Message) -> Option<Vec<u8>> {
        let mac = Mac(question.chaddr().get(..6)?.try_into().ok()?);
        let is_nak = answer.opts().msg_type() == Some(dhcproto::v4::MessageType::Nak);
        let (to_mac, to) = if is_nak {
            (Mac::BROADCAST, Ipv4Addr::BROADCAST)
        } else if !question.ciaddr().is_unspecified() {
            (mac, question.ciaddr())
        } else if question.flags().broadcast() {
            (Mac::BROADCAST, Ipv4Addr::BROADCAST)
        } else {
            (mac, answer.yiaddr())
        };
        let ports = udp::Repr { source_port: SERVER_PORT, destination_port: CLIENT_PORT };
        let packet = ipv4::Repr::plain(server, to, ipv4::UDP).emit(&ports.emit(&answer.to_vec().ok()?, server, to));
        let header = ethernet::Repr { destination: to_mac, source: self.mac, tags: Vec::new(), ethertype: ethernet::IPV4 };
        Some(header.emit(&packet))
    }
}

/// Hardware address of a port of the calling thread's namespace.
pub(super) fn hardware_address(name: &str) -> io::Result<Mac> {
    let mut all = nix::ifaddrs::getifaddrs()?.filter(|i| i.interface_name == name);
    let octets = all.find_map(|i| i.address?.as_link_addr()?.addr());
    octets.map(Mac).ok_or_else(|| io::Error::new(io::ErrorKind::NotFound, format!("{name} has no hardware address")))
}
