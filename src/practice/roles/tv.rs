//! TV on the practice line: who keeps the memberships of a port (a gateway that passes them on as a proxy, RFC 4605, or the provider's
//! edge), and the channels that come of them.
//!
//! Frames go through packet sockets, so that no kernel's multicast routing is needed. A channel is sent only while somebody listens, so that a
//! line that nobody watches TV on is idle. It must not know who asks, or that anybody measures.

use std::collections::BTreeSet;
use std::io;
use std::net::{IpAddr, Ipv4Addr};
use std::time::{Duration, Instant};

use tokio_util::sync::CancellationToken;

use super::Service;
use crate::net::netns::Namespace;
use crate::net::packet::{PacketEvent, PacketSocket};
use crate::proto::machine::{Arrival, Machine, Moment};
use crate::proto::membership::member::{self, Member};
use crate::proto::membership::router::{self, Router};
use crate::proto::membership::{Carriage, Channel, group_mac};
use crate::proto::tv_source::{Envelope, Settings as StreamSettings, TvSource};
use crate::unit::Family;
use crate::wire::ethernet::{self, Mac};
use crate::wire::membership::Message;
use crate::wire::vlan::TagStack;
use crate::wire::{igmp, ipv4, ipv6, mld, udp};

/// Hops that a channel's packets have left at the edge.
const HOPS: u8 = 16;
/// UDP port that channels are sent from.
const SOURCE_PORT: u16 = 5004;
/// Nothing is waited for longer, so that what was missed is noticed.
const LONGEST_WAIT: Duration = Duration::from_millis(500);
/// Datagrams that a held-up thread makes up for at most.
const BURST: usize = 64;

/// A port whose memberships are kept.
#[derive(Debug, Clone)]
pub struct TvPort {
    /// Its kernel name.
    pub name: String,
    /// Hardware address that frames come from.
    pub mac: Mac,
    /// Address that IGMP comes from; MLD comes from the link-local address that is made of `mac`.
    pub ipv4: Ipv4Addr,
    /// Tags of its frames.
    pub stack: TagStack,
}

/// Where channels come from.
#[derive(Debug, Clone)]
pub enum Feed {
    /// They are made here: each, and of how many datagrams one is lost (0: none).
    Made(Vec<Channel>, u64),
    /// From another port, on which what is wanted is joined.
    Upstream(TvPort),
}

/// What it is like.
#[derive(Debug, Clone)]
pub struct TvRoleConfig {
    /// The port toward those who watch.
    pub port: TvPort,
    /// How it asks, over IPv4 and over IPv6.
    pub asks: [router::Settings; 2],
    /// False: it takes no report.
    pub takes_reports: bool,
    /// Where channels come from.
    pub feed: Feed,
    /// Groups, each with its source or any, that another set watches all along: wanted without a report.
    pub standing: Vec<(IpAddr, Option<IpAddr>)>,
}

/// The running role; dropping it ends it.
#[derive(Debug)]
pub struct TvRole {
    _service: Service,
}

impl TvRole {
    /// Starts it in a place.
    ///
    /// # Errors
    /// When a port does not exist, or no packet socket can be opened.
    pub fn start(namespace: &Namespace, config: TvRoleConfig) -> io::Result<Self> {
        let serve = async move |mut box_: TvBox, until: CancellationToken| box_.serve(&until).await;
        Ok(Self { _service: Service::start(namespace, "tv", move || TvBox::open(config), serve)? })
    }
}

/// One channel that is made.
struct Made {
    channel: Channel,
    stream: TvSource,
    count: u64,
}

struct TvBox {
    config: TvRoleConfig,
    socket: PacketSocket,
    upstream: Option<(PacketSocket, Member)>,
    joined: BTreeSet<(IpAddr, Option<IpAddr>)>,
    routers: [Router; 2],
    made: Vec<Made>,
    began: Instant,
}

fn of(address: IpAddr) -> usize {
    usize::from(address.is_ipv6())
}

impl TvBox {
    fn open(config: TvRoleConfig) -> io::Result<Self> {
        let open = |port: &TvPort| PacketSocket::open_to_groups(nix::net::if_::if_nametoindex(port.name.as_str())?);
        let socket = open(&config.port)?;
        let (mut upstream, mut made) = (None, Vec::new());
        match &config.feed {
            Feed::Made(channels, _) => {
                for channel in channels {
                    made.push(Made { stream: stream(channel)?, channel: channel.clone(), count: 0 });
                }
            }
            Feed::Upstream(port) => {
                let ipv6 = port.mac.link_local();
                let settings = member::Settings { stack: port.stack, ipv4: port.ipv4, ipv6, version: None };
                upstream = Some((open(port)?, Member::new(port.mac, vec![settings], rand::random())));
            }
        }
        let now = Instant::now();
        let routers = config.asks.map(|settings| Router::new(settings, now));
        Ok(Self { config, socket, upstream, joined: BTreeSet::new(), routers, made, began: now })
    }

    async fn serve(&mut self, until: &CancellationToken) {
        let (mut first, mut second) = ([0; 2048], [0; 2048]);
        loop {
            let now = Instant::now();
            self.ask(now);
            self.pass_on_memberships(now);
            self.make(now);
            let wake = self.next_wake(now);
            let above = async {
                match &self.upstream {
                    Some((socket, _)) => socket.next_event(&mut second).await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                event = self.socket.next_event(&mut first) => match event {
                    Ok(PacketEvent::Received { len, tag, has_checksum, .. }) => {
                        if let Some(frame) = self.config.port.stack.strip(tag, &first[..len]) {
                            self.on_report(Instant::now(), &frame.concat(), has_checksum);
                        }
                    }
                    Ok(PacketEvent::Sent { .. }) => {}
                    Err(_) => return,
                },
                event = above => match event {
                    Ok(PacketEvent::Received { len, stamp, at, tag, has_checksum, .. }) => {
                        let arrival = Arrival { moment: Moment { stamp, at }, tag, has_checksum };
                        self.on_upstream(&arrival, &second[..len]);
                    }
                    Ok(PacketEvent::Sent { .. }) => {}
                    Err(_) => return,
                },
                () = tokio::time::sleep_until(wake.into()) => {}
                () = until.cancelled() => return,
            }
        }
    }

    fn next_wake(&self, now: Instant) -> Instant {
        let routers = self.routers.iter().map(Router::next_wake);
        let member = self.upstream.iter().filter_map(|(_, member)| member.next_wake());
        let made = self.made.iter().map(|made| self.began + made.stream.next_due());
        routers.chain(member).chain(made).min().unwrap_or(now).min(now + LONGEST_WAIT)
    }

    /// Sends the queries that are due.
    fn ask(&mut self, now: Instant) {
        for at in 0..self.routers.len() {
            while let Some(query) = self.routers[at].transmit(now) {
                let port = &self.config.port;
                let packet = match at {
                    0 => igmp::packet(port.ipv4, &query).map(|packet| (packet, IpAddr::V4(igmp::destination(&query)))),
                    _ => mld::packet(port.mac.link_local(), &query).map(|packet| (packet, IpAddr::V6(mld::destination(&query)))),
                };
                if let Some((packet, group)) = packet {
                    self.send(group, &packet);
                }
            }
        }
    }

    /// A port that is down loses it, as a cable would.
    fn send(&self, group: IpAddr, packet: &[u8]) {
        let port = &self.config.port;
        let ethertype = if group.is_ipv4() { ethernet::IPV4 } else { ipv6::ETHERTYPE };
        let tags = port.stack.tags().to_vec();
        let _ = self
            .socket
            .try_send(&ethernet::Repr { destination: group_mac(group), source: port.mac, tags, ethertype }.emit(packet));
    }

    fn on_report(&mut self, now: Instant, frame: &[u8], has_checksum: bool) {
        let Ok(frame) = ethernet::parse(frame) else { return };
        let heard = match frame.repr.ethertype {
            ethernet::IPV4 => igmp::read(frame.payload),
            ipv6::ETHERTYPE => mld::read(frame.payload, has_checksum),
            _ => return,
        };
        if let Ok(heard) = heard
            && !heard.is_dropped()
            && self.config.takes_reports
            && !matches!(heard.message, Message::Query(_))
        {
            self.routers[of(heard.source)].on_message(now, &heard.message);
        }
    }

    /// Is a member upstream of what is wanted downstream.
    fn pass_on_memberships(&mut self, now: Instant) {
        let Some((socket, member)) = &mut self.upstream else { return };
        let reported = self.routers.iter().flat_map(|router| router.wanted(now));
        let wanted: BTreeSet<(IpAddr, Option<IpAddr>)> = reported.chain(self.config.standing.iter().copied()).collect();
        for (group, source) in wanted.difference(&self.joined) {
            member.join(now, 0, *group, *source);
        }
        for (group, source) in self.joined.difference(&wanted) {
            member.leave(now, 0, *group, *source);
        }
        self.joined = wanted;
        while let Some(outgoing) = member.transmit(now) {
            let _ = socket.try_send(&outgoing.bytes);
            // Nobody here wants to know when it left.
            member.on_send_failed(outgoing.ticket);
        }
    }

    /// A frame from above: a query, or a channel's packet that goes on while it is wanted.
    fn on_upstream(&mut self, arrival: &Arrival, frame: &[u8]) {
        let Some((_, member)) = &mut self.upstream else { return };
        member.on_frame(arrival, frame);
        let mut datagrams = Vec::new();
        while let Some(event) = member.poll_event() {
            if let member::Event::Datagram(datagram) = event {
                datagrams.push(datagram);
            }
        }
        for datagram in datagrams {
            let mut standing = self.config.standing.iter();
            let stands = standing.any(|(group, source)| *group == datagram.group && source.is_none_or(|s| s == datagram.source));
            if stands || self.routers[of(datagram.group)].wants(arrival.moment.at, datagram.group, datagram.source) {
                let packet = packet(datagram.source, datagram.group, datagram.port, &datagram.payload, HOPS - 1);
                self.send(datagram.group, &packet);
            }
        }
    }

    /// Makes the datagrams that are due, and sends those of channels that somebody watches.
    fn make(&mut self, now: Instant) {
        let Feed::Made(_, one_lost_in) = self.config.feed else { return };
        let since = now.saturating_duration_since(self.began);
        let mut due = Vec::new();
        let mut payload = Vec::new();
        for made in &mut self.made {
            let Channel { group, source, port, .. } = made.channel;
            let source = source.unwrap_or_else(|| own_source(group));
            for _ in 0..BURST {
                if made.stream.next_due() > since {
                    break;
                }
                payload.clear();
                made.stream.datagram(&mut payload);
                made.count += 1;
                let is_lost = one_lost_in > 0 && made.count.is_multiple_of(one_lost_in);
                if !is_lost && self.routers[of(group)].wants(now, group, source) {
                    due.push((group, packet(source, group, port, &payload, HOPS)));
                }
            }
        }
        for (group, packet) in due {
            self.send(group, &packet);
        }
    }
}

/// Where a channel comes from whose profile leaves it open; documentation addresses (RFC 5737, RFC 3849).
fn own_source(group: IpAddr) -> IpAddr {
    match Family::of(group) {
        Family::Ipv4 => Ipv4Addr::new(203, 0, 113, 80).into(),
        Family::Ipv6 => std::net::Ipv6Addr::new(0x2001, 0xdb8, 0x203, 0, 0, 0, 0, 0x80).into(),
    }
}

fn packet(source: IpAddr, group: IpAddr, port: u16, payload: &[u8], hops: u8) -> Vec<u8> {
    let datagram = udp::Repr { source_port: SOURCE_PORT, destination_port: port }.emit(payload, source, group);
    match (source, group) {
        (IpAddr::V4(source), IpAddr::V4(group)) => {
            ipv4::Repr { ttl: hops, ..ipv4::Repr::plain(source, group, ipv4::UDP) }.emit(&datagram)
        }
        (IpAddr::V6(source), IpAddr::V6(destination)) => {
            let header =
                ipv6::Repr { source, destination, next_header: ipv4::UDP, hop_limit: hops, traffic_class: 0, flow_label: 0 };
            header.emit(&datagram).unwrap_or_default()
        }
        // The profile holds both to one family.
        _ => Vec::new(),
    }
}

/// A channel's stream; its rate is that of IP, and a datagram of seven packets has 1316 octets.
fn stream(channel: &Channel) -> io::Result<TvSource> {
    let rtp = match channel.carriage {
        Carriage::Rtp => 12.0,
        Carriage::Udp => 0.0,
    };
    let headers = f64::from(udp::headers(channel.family())) + rtp;
    let rate = (channel.rate_mbit * 1e6 * 1316.0 / (1316.0 + headers)) as u64;
    let usual = StreamSettings::default();
    let rate = rate.clamp(*crate::proto::tv_source::RATES.start(), *crate::proto::tv_source::RATES.end());
    let envelope = match channel.carriage {
        Carriage::Rtp => usual.envelope,
        Carriage::Udp => Envelope::Udp,
    };
    TvSource::new(StreamSettings { rate, envelope, ..usual }).map_err(|error| io::Error::other(error.to_string()))
}
