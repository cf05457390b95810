//! A router's IPv6 side on one port of one place: advertises itself (RFC 4861 section 6.2) and serves DHCPv6 (RFC 8415 section 18.3).
//!
//! Packets go through packet sockets, so that it can be another device than the place itself: a rogue beside the gateway. It must not
//! know who asks. It keeps no leases: what an association gets follows from its number.

use std::io;
use std::net::Ipv6Addr;
use std::sync::{Arc, Mutex, PoisonError};

use tokio_util::sync::CancellationToken;

use super::Service;
use crate::net::netns::Namespace;
use crate::net::packet::{Filter, PacketEvent, PacketSocket};
use crate::wire::dhcp6::{self, Association, CLIENT_PORT, Duid, Item, Message, MessageType, SERVER_PORT, status};
use crate::wire::ethernet::{self, Mac};
use crate::wire::ra::{self, Advertisement};
use crate::wire::{ipv4, ipv6, nd, udp};

/// All hosts of the link (RFC 4291 section 2.7.1), and their hardware address (RFC 2464 section 7).
const ALL_HOSTS: (Ipv6Addr, Mac) = (Ipv6Addr::new(0xff02, 0, 0, 0, 0, 0, 0, 1), Mac([0x33, 0x33, 0, 0, 0, 1]));
/// Lifetimes that are handed out, in seconds.
const PREFERRED_S: u32 = 3600;
const VALID_S: u32 = 7200;

/// What a router is like.
#[derive(Debug, Clone)]
pub struct RouterRoleConfig {
    /// Its hardware address on the port.
    pub mac: Mac,
    /// What it advertises, from the link-local address that is made of `mac`.
    pub advertisement: Advertisement,
    /// Whether it has to answer for its link-local address by itself: no kernel does.
    pub is_own_device: bool,
    /// Its DHCPv6 service.
    pub server: Option<Dhcp6Config>,
}

/// What a DHCPv6 server hands out.
#[derive(Debug, Clone)]
pub struct Dhcp6Config {
    /// Where its addresses begin; `None` has none to hand out.
    pub addresses: Option<Ipv6Addr>,
    /// Where its prefixes begin and how long they are; `None` has none.
    pub prefixes: Option<(Ipv6Addr, u8)>,
    /// Resolvers in order.
    pub resolvers: Vec<Ipv6Addr>,
    /// Whether it takes rapid commit.
    pub is_rapid: bool,
}

/// Messages that it got.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct RouterRoleCounts {
    /// Router solicitations.
    pub solicitations: u32,
    /// SOLICIT.
    pub solicits: u32,
    /// REQUEST.
    pub requests: u32,
    /// RELEASE.
    pub releases: u32,
    /// INFORMATION-REQUEST.
    pub questions: u32,
}

/// A running router. Dropping it ends its thread and waits for it.
#[derive(Debug)]
pub struct RouterRole {
    counts: Arc<Mutex<RouterRoleCounts>>,
    _service: Service,
}

impl RouterRole {
    /// Starts it on a port of a namespace; it advertises itself once and answers from when this returns.
    ///
    /// # Errors
    /// When the port does not exist or no packet socket can be opened.
    pub fn start(namespace: &Namespace, interface: &str, config: RouterRoleConfig) -> io::Result<Self> {
        let counts = Arc::new(Mutex::new(RouterRoleCounts::default()));
        let (name, ledger) = (interface.to_owned(), Arc::clone(&counts));
        let open = move || Port::open(&name, config, ledger);
        let serve = async move |port: Port, until: CancellationToken| port.serve(&until).await;
        Ok(Self { counts, _service: Service::start(namespace, "ipv6-router", open, serve)? })
    }

    /// What it got so far.
    pub fn counts(&self) -> RouterRoleCounts {
        *self.counts.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The router's port.
struct Port {
    neighbours: PacketSocket,
    clients: PacketSocket,
    address: Ipv6Addr,
    config: RouterRoleConfig,
    counts: Arc<Mutex<RouterRoleCounts>>,
}

impl Port {
    fn open(name: &str, config: RouterRoleConfig, counts: Arc<Mutex<RouterRoleCounts>>) -> io::Result<Self> {
        let index = nix::net::if_::if_nametoindex(name)?;
        // For another hardware address than the port's, and for groups that no kernel here has joined.
        let neighbours = PacketSocket::open(index, Filter::Icmp6, true)?;
        let clients = PacketSocket::open(index, Filter::Udp6 { port: SERVER_PORT }, true)?;
        Ok(Self { neighbours, clients, address: config.mac.link_local(), config, counts })
    }

    async fn serve(&self, until: &CancellationToken) {
        self.advertise();
        let (mut first, mut second) = ([0; 2048], [0; 2048]);
        loop {
            let (socket, event, buffer) = tokio::select! {
                event = self.neighbours.next_event(&mut first) => (&self.neighbours, event, &first),
                event = self.clients.next_event(&mut second) => (&self.clients, event, &second),
                () = until.cancelled() => return,
            };
            match event {
                Ok(PacketEvent::Received { len, has_checksum, .. }) => {
                    if std::ptr::eq(socket, &self.neighbours) {
                        self.on_neighbour(&buffer[..len], has_checksum);
                    } else {
                        self.on_client(&buffer[..len]);
                    }
                }
                Ok(PacketEvent::Sent { .. }) => {}
                Err(_) => return,
            }
        }
    }

    fn count(&self, change: impl FnOnce(&mut RouterRoleCounts)) {
        change(&mut self.counts.lock().unwrap_or_else(PoisonError::into_inner));
    }

    /// A port that is down loses it, as a cable would.
    fn send(&self, socket: &PacketSocket, to: Mac, packet: &[u8]) {
        let header = ethernet::Repr { destination: to, source: self.config.mac, tags: Vec::new(), ethertype: ipv6::ETHERTYPE };
        let _ = socket.try_send(&header.emit(packet));
    }

    fn advertise(&self) {
        if let Some(packet) = self.config.advertisement.emit(self.address, ALL_HOSTS.0) {
            self.send(&self.neighbours, ALL_HOSTS.1, &packet);
        }
    }

    fn on_neighbour(&self, frame: &[u8], has_checksum: bool) {
        let Ok(frame) = ethernet::parse(frame) else { return };
        let Ok((header, payload)) = ipv6::parse(frame.payload) else { return };
        if ra::is_solicitation(&header, payload) {
            self.count(|counts| counts.solicitations += 1);
            return self.advertise();
        }
        let asked = nd::parse(&header, payload, has_checksum);
        if let Some(nd::Message::Solicitation { target, mac: Some(mac) }) = asked
            && self.config.is_own_device
            && target == self.address
        {
            let answer = nd::Message::Advertisement { target, mac: Some(self.config.mac), is_router: true, is_solicited: true };
            self.send(&self.neighbours, mac, &answer.emit(self.address, header.source));
        }
    }

    fn on_client(&self, frame: &[u8]) {
        let Some(server) = &self.config.server else { return };
        let Ok(frame) = ethernet::parse(frame) else { return };
        let Ok((header, payload)) = ipv6::parse(frame.payload) else { return };
        let Ok(datagram) = udp::parse(payload, header.source, header.destination) else { return };
        let Ok((question, _)) = dhcp6::parse(datagram.payload) else { return };
        self.count(|counts| match question.kind {
            MessageType::Solicit => counts.solicits += 1,
            MessageType::Request => counts.requests += 1,
            MessageType::Release => counts.releases += 1,
            MessageType::InformationRequest => counts.questions += 1,
            _ => {}
        });
        let Some(answer) = server.answer(&question, &Duid::of_mac(self.config.mac)) else { return };
        let ports = udp::Repr { source_port: SERVER_PORT, destination_port: CLIENT_PORT };
        let datagram = ports.emit(&answer.emit(), self.address, header.source);
        let header = ipv6::Repr {
            source: self.address,
            destination: header.source,
            next_header: ipv4::UDP,
            hop_limit: 64,
            traffic_class: 0,
            flow_label: 0,
        };
        if let Some(packet) = header.emit(&datagram) {
            self.send(&self.clients, frame.repr.source, &packet);
        }
    }
}

impl Dhcp6Config {
    /// `None` for what is not for this server or is no client's message.
    fn answer(&self, question: &Message, own: &Duid) -> Option<Message> {
        use MessageType::{Advertise, Decline, InformationRequest, Rebind, Release, Renew, Reply, Request, Solicit};
        let (kind, is_rapid) = match question.kind {
            Solicit if self.is_rapid && question.is_rapid() => (Reply, true),
            Solicit => (Advertise, false),
            Request | Renew | Rebind | Release | Decline | InformationRequest => (Reply, false),
            _ => return None,
        };
        if question.server().is_some_and(|server| server != own) {
            return None;
        }
        let answer = Message::new(kind, question.transaction()?)
            .with(Item::ClientId(question.client()?.clone()))
            .with(Item::ServerId(own.clone()));
        if matches!(question.kind, Release | Decline) {
            return Some(answer.with(Item::Status(status::SUCCESS, String::new())));
        }
        let answer = if is_rapid { answer.with(Item::RapidCommit) } else { answer };
        let answer = if self.resolvers.is_empty() { answer } else { answer.with(Item::Resolvers(self.resolvers.clone())) };
        let given = question.items.iter().filter_map(|item| match item {
            Item::Addresses(wish) => Some(Item::Addresses(filled(wish, self.address(wish.id), status::NO_ADDRESSES))),
            Item::Prefixes(wish) => Some(Item::Prefixes(filled(wish, self.prefix(wish.id), status::NO_PREFIX))),
            _ => None,
        });
        Some(given.fold(answer, Message::with))
    }

    fn address(&self, id: u32) -> Option<Item> {
        let address = Ipv6Addr::from(u128::from(self.addresses?) + u128::from(id & 0xfff));
        Some(Item::Address { address, preferred_s: PREFERRED_S, valid_s: VALID_S, items: Vec::new() })
    }

    fn prefix(&self, id: u32) -> Option<Item> {
        let (base, len) = self.prefixes?;
        let prefix = Ipv6Addr::from(u128::from(base) + (u128::from(id & 0xf) << (128 - u32::from(len))));
        Some(Item::Prefix { prefix, len, preferred_s: PREFERRED_S, valid_s: VALID_S, items: Vec::new() })
    }
}

/// The answer to one association: what there is for it, else why not.
fn filled(wish: &Association, what: Option<Item>, none: u16) -> Association {
    let has_any = what.is_some();
    let item = what.unwrap_or_else(|| Item::Status(none, "none provisioned".to_owned()));
    let (renew_s, rebind_s) = if has_any { (PREFERRED_S / 2, PREFERRED_S / 5 * 4) } else { (0, 0) };
    Association { id: wish.id, renew_s, rebind_s, items: vec![item] }
}
