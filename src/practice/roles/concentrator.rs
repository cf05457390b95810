//! The access concentrator at the provider's edge: offers PPPoE sessions, checks the account, gives addresses, carries IP.
//!
//! Discovery as RFC 2516 has it; the session's other side is [`Serving`]. One subscriber address, so one session at a time: a
//! new one ends the old. The session's IP goes through a port of the role's own, so that the edge routes it like any other.

use std::collections::BTreeSet;
use std::io;
use std::net::{Ipv4Addr, Ipv6Addr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use tokio_util::sync::CancellationToken;

use super::Service as Thread;
use super::dhcp::hardware_address;
use super::router::{RouterRole, RouterRoleConfig};
use crate::net::carry::{Carrier, Envelope};
use crate::net::configure::{self, Route};
use crate::net::drive::{Port, PortEvent};
use crate::net::netns::Namespace;
use crate::net::packet::{Filter, PacketSocket};
use crate::net::tagged::TaggedPort;
use crate::net::tun::{Kind, Tun};
use crate::proto::ppp::Login;
use crate::proto::ppp::serving::{Service, Serving};
use crate::proto::ppp::terms::{Given, Proof};
use crate::wire::ethernet::{self, Mac};
use crate::wire::pppoe::{self, Code, DISCOVERY, Repr, SESSION, Tag, tag};
use crate::wire::vlan::TagStack;

/// What a concentrator is.
#[derive(Debug, Clone)]
pub struct ConcentratorConfig {
    /// Its name.
    pub name: String,
    /// Tags that it is reached with.
    pub vlan: TagStack,
    /// The account that it knows.
    pub account: Login,
    /// How subscribers prove themselves.
    pub proof: Proof,
    /// Largest PPP information; above 1492 it offers RFC 4638.
    pub mru: u16,
    /// Its address.
    pub own: Ipv4Addr,
    /// The subscriber's.
    pub subscriber: Ipv4Addr,
    /// The subscriber's resolvers.
    pub dns: [Ipv4Addr; 2],
    /// Its router side in sessions, and the network there; `None` does no IPv6.
    pub ipv6: Option<(RouterRoleConfig, Ipv6Addr)>,
    /// Whether it ends each session as soon as it has an address.
    pub drops: bool,
}

impl Default for ConcentratorConfig {
    fn default() -> Self {
        Self {
            name: "edge-1.example.net".to_owned(),
            vlan: TagStack::NONE,
            account: Login::new("", ""),
            proof: Proof::ChapMd5,
            mru: 1492,
            own: Ipv4Addr::new(198, 51, 100, 1),
            subscriber: Ipv4Addr::new(198, 51, 100, 50),
            dns: [Ipv4Addr::UNSPECIFIED; 2],
            ipv6: None,
            drops: false,
        }
    }
}

/// What a concentrator did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct ConcentratorCounts {
    /// PADI.
    pub initiations: u32,
    /// Sessions that were opened.
    pub opened: u32,
    /// Sessions that got as far as an address.
    pub up: u32,
    /// Sessions that the subscriber ended by PADT.
    pub terminated: u32,
}

/// A running concentrator. Dropping it ends its thread and waits for it.
#[derive(Debug)]
pub struct ConcentratorRole {
    counts: Arc<Mutex<ConcentratorCounts>>,
    _thread: Thread,
}

impl ConcentratorRole {
    /// Starts a concentrator on a port of a namespace; it answers from when this returns.
    ///
    /// # Errors
    /// When the port does not exist or no packet socket can be opened.
    pub fn start(namespace: &Namespace, interface: &'static str, config: ConcentratorConfig) -> io::Result<Self> {
        let counts = Arc::new(Mutex::new(ConcentratorCounts::default()));
        let (ledger, place) = (Arc::clone(&counts), namespace.clone());
        let open = move || {
            let index = nix::net::if_::if_nametoindex(interface)?;
            let mac = hardware_address(interface)?;
            let socket = PacketSocket::open(index, Filter::PppoeControl(config.vlan), false)?;
            let port = TaggedPort::new(socket, config.vlan);
            Ok(Role {
                place,
                port,
                mac,
                interface,
                config,
                counts: ledger,
                session: None,
                next_number: 1,
                terminated: BTreeSet::new(),
            })
        };
        let thread = Thread::start(namespace, "concentrator", open, async move |mut role: Role, until: CancellationToken| {
            role.serve(&until).await
        })?;
        Ok(Self { counts, _thread: thread })
    }

    /// What it did so far.
    pub fn counts(&self) -> ConcentratorCounts {
        *self.counts.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

struct Session {
    subscriber: Mac,
    number: u16,
    serving: Serving,
    // The router before the port that it speaks on.
    router: Option<RouterRole>,
    carrier: Option<Carrier>,
}

struct Role {
    place: Namespace,
    port: TaggedPort,
    mac: Mac,
    interface: &'static str,
    config: ConcentratorConfig,
    counts: Arc<Mutex<ConcentratorCounts>>,
    session: Option<Session>,
    next_number: u16,
    terminated: BTreeSet<u16>,
}

impl Role {
    async fn serve(&mut self, until: &CancellationToken) {
        let mut buffer = [0; 2048];
        loop {
            self.flush();
            if let Err(error) = self.raise().await {
                tracing::warn!(%error, "a session's port can't be made");
                self.session = None;
            }
            let wake = self.session.as_ref().and_then(|session| session.serving.next_wake());
            let alarm = async {
                match wake {
                    Some(at) => tokio::time::sleep_until(at.into()).await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                event = self.port.receive(&mut buffer) => match event {
                    Ok(PortEvent::Received(len, _)) => self.on_frame(&buffer[..len]),
                    Ok(PortEvent::Sent(..)) => {}
                    Err(_) => return,
                },
                () = alarm => if let Some(session) = &mut self.session {
                    session.serving.on_wake(Instant::now());
                },
                () = until.cancelled() => return,
            }
        }
    }

    fn on_frame(&mut self, frame: &[u8]) {
        let Ok(frame) = ethernet::parse(frame) else { return };
        let from = frame.repr.source;
        match frame.repr.ethertype {
            DISCOVERY => {
                if let Ok(parsed) = pppoe::parse(frame.payload) {
                    self.on_discovery(from, &parsed.repr);
                }
            }
            SESSION => {
                let Ok((number, inside)) = pppoe::session(frame.payload) else { return };
                if let Some(session) = self.session.as_mut().filter(|s| s.subscriber == from && s.number == number) {
                    session.serving.on_frame(inside, Instant::now());
                }
            }
            _ => {}
        }
    }

    fn count(&self, change: impl FnOnce(&mut ConcentratorCounts)) {
        change(&mut self.counts.lock().unwrap_or_else(PoisonError::into_inner));
    }

    fn on_discovery(&mut self, from: Mac, asked: &Repr<'_>) {
        match asked.code {
            Code::Initiation => {
                self.count(|counts| counts.initiations += 1);
                let mut tags = vec![Tag::new(tag::AC_NAME, self.config.name.clone().into_bytes())];
                tags.extend(self.echoed(asked));
                self.send(from, Code::Offer, 0, tags);
            }
            Code::Request => {
                let number = self.next_number;
                self.next_number = self.next_number.checked_add(1).filter(|n| *n != pppoe::RESERVED_SESSION).unwrap_or(1);
                let serving = Serving::new(self.service(), Instant::now());
                self.session = Some(Session { subscriber: from, number, serving, router: None, carrier: None });
                self.count(|counts| counts.opened += 1);
                self.send(from, Code::Confirmation, number, self.echoed(asked));
            }
            Code::Terminate => {
                if self.session.as_ref().is_some_and(|s| s.subscriber == from && s.number == asked.session) {
                    self.session = None;
                }
                // Also for one that LCP has ended before; a second PADT says nothing new.
                if asked.session < self.next_number && self.terminated.insert(asked.session) {
                    self.count(|counts| counts.terminated += 1);
                }
            }
            _ => {}
        }
    }

    /// What goes back as it came (RFC 2516 section 5), and the larger payload where both can (RFC 4638 section 3).
    fn echoed(&self, asked: &Repr<'_>) -> Vec<Tag<'static>> {
        let one = |number| asked.tag(number).map(|value| Tag::new(number, value.to_vec()));
        let mut tags: Vec<Tag<'static>> = [tag::SERVICE_NAME, tag::HOST_UNIQ].into_iter().filter_map(one).collect();
        if self.config.mru > 1492 {
            tags.extend(one(tag::MAX_PAYLOAD));
        }
        tags
    }

    fn service(&self) -> Service {
        Service {
            mru: self.config.mru,
            magic: rand::random(),
            proof: self.config.proof,
            account: self.config.account.clone(),
            challenge: rand::random::<[u8; 16]>().to_vec(),
            name: self.config.name.clone(),
            own: self.config.own,
            given: Given { address: self.config.subscriber, dns: self.config.dns },
            // That of the link-local address that its router side advertises from.
            interface_identifier: self.config.ipv6.as_ref().map(|(router, _)| {
                let mut identifier = [0; 8];
                identifier.copy_from_slice(&router.mac.link_local().octets()[8..]);
                identifier
            }),
        }
    }

    fn send(&self, to: Mac, code: Code, session: u16, tags: Vec<Tag<'static>>) {
        if let Some(packet) = (Repr { code, session, tags }).emit() {
            self.emit(to, DISCOVERY, &packet);
        }
    }

    /// A port that is down loses it, as a cable would.
    fn emit(&self, to: Mac, ethertype: u16, packet: &[u8]) {
        let header = ethernet::Repr { destination: to, source: self.mac, tags: Vec::new(), ethertype };
        let _ = self.port.send(&header.emit(packet));
    }

    /// Sends what the session wants sent, and forgets one that is over.
    fn flush(&mut self) {
        let Some(session) = &mut self.session else { return };
        let (to, number) = (session.subscriber, session.number);
        let frames: Vec<Vec<u8>> = std::iter::from_fn(|| session.serving.poll()).collect();
        let is_over = session.serving.is_over();
        for frame in frames {
            let header = pppoe::session_header(number, u16::try_from(frame.len()).unwrap_or(u16::MAX));
            self.emit(to, SESSION, &[&header[..], &frame].concat());
        }
        if is_over {
            self.send(to, Code::Terminate, number, Vec::new());
            self.session = None;
        }
    }

    /// Once the subscriber has its address, IP may pass.
    async fn raise(&mut self) -> io::Result<()> {
        let Some(session) = self.session.as_mut().filter(|s| s.carrier.is_none() && s.serving.is_up()) else { return Ok(()) };
        let tun = Tun::open(Kind::Ip)?;
        let (index, name) = (tun.index(), tun.name().to_owned());
        configure::without_own_link_local(tun.name())?;
        let mtu = session.serving.subscriber_mru().min(self.config.mru);
        configure::raise(index, u32::from(mtu), None).await?;
        let envelope =
            Envelope::Session { stack: self.config.vlan, own: self.mac, peer: session.subscriber, number: session.number };
        session.carrier = Some(Carrier::start(self.interface, tun, envelope)?);
        configure::set_peer_address(index, self.config.own, self.config.subscriber).await?;
        if let Some((own, _)) = session.serving.ipv6() {
            configure::set_link_local(index, own).await?;
            if let Some((router, network)) = self.config.ipv6.clone() {
                configure::set_route(index, Route::on_link(network, 64)).await?;
                session.router = Some(RouterRole::start(&self.place, &name, router)?);
            }
        }
        if self.config.drops {
            session.serving.close(Instant::now());
        }
        self.count(|counts| counts.up += 1);
        Ok(())
    }
}
