//! The port on which channels are listened to: joins and leaves, and what comes of each channel, with its times.
//!
//! It must not know what the times are for. The hard thing: a channel that still comes from before must not be taken for what a join
//! brought, so a join begins only when the channel is quiet.

use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use tokio_util::sync::CancellationToken;

use crate::check::Context;
use crate::net::drive::Driver;
use crate::net::facts;
use crate::net::groups::Membership;
use crate::net::packet::{Filter, PacketSocket};
use crate::proto::channel_watch::ChannelWatch;
use crate::proto::membership::member::Settings;
use crate::proto::membership::{Channel, Datagram, Event, Member};
use crate::proto::round_trip::{Flight, Moment, Settled};
use crate::unit::StampSource;
use crate::wire::ethernet::Mac;
use crate::wire::vlan::TagStack;

/// A channel and what came of it.
#[derive(Debug)]
pub(super) struct Tuned {
    pub(super) channel: Channel,
    /// Its VLAN's place in the list.
    pub(super) plane: usize,
    /// True from join to leave.
    pub(super) is_joined: bool,
    /// Waits to hear that the latest join or leave was sent.
    awaits: bool,
    /// The latest join or leave, once it was sent.
    told: Option<Flight>,
    /// First packet since the latest join.
    pub(super) first: Option<Moment>,
    /// Latest packet.
    pub(super) last: Option<Moment>,
    /// Packets since the latest join.
    pub(super) packets: u64,
    /// Octets of them, IP.
    pub(super) octets: u64,
    /// What their stream shows.
    pub(super) watch: ChannelWatch,
    /// The packet since the latest join from which on pictures can be made.
    pub(super) picture: Option<Moment>,
    /// Packets that came before the channel was ever joined.
    pub(super) unasked: u64,
    was_joined: bool,
}

/// From a message to a packet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Took {
    pub(super) ms: f64,
    pub(super) stamped_by: StampSource,
}

/// The port.
pub(super) struct Tuner {
    driver: Driver<PacketSocket>,
    pub(super) member: Member,
    pub(super) channels: Vec<Tuned>,
    pub(super) planes: Vec<TagStack>,
    /// By channel, while the kernel is a member.
    kernel: Option<Vec<Option<Membership>>>,
    device: (String, u32),
    cancel: CancellationToken,
}

impl Tuner {
    /// Opens the port.
    ///
    /// # Errors
    /// Without the right to; when netlink does not answer.
    pub(super) async fn open(context: &Context) -> io::Result<Self> {
        let terms = &context.tv;
        let mut planes: Vec<TagStack> = Vec::new();
        let channels: Vec<Tuned> = terms
            .channels
            .iter()
            .map(|channel| {
                let stack = channel.vlan.unwrap_or(context.vlan);
                let plane = planes.iter().position(|known| *known == stack).unwrap_or_else(|| {
                    planes.push(stack);
                    planes.len() - 1
                });
                tuned(channel.clone(), plane)
            })
            .collect();
        // The visit's addresses are those of its own VLAN; in another this host has none.
        let link_local = link_local(context.interface.index).await?;
        let settings = |stack: &TagStack| {
            let is_own = *stack == context.vlan && context.has_hardware_addresses();
            Settings {
                stack: *stack,
                ipv4: context.known.ipv4.filter(|_| is_own).map_or(Ipv4Addr::UNSPECIFIED, |(address, _)| address),
                ipv6: if is_own { link_local } else { Ipv6Addr::UNSPECIFIED },
                version: terms.version,
            }
        };
        let member = Member::new(Mac(context.port.mac), planes.iter().map(settings).collect(), rand::random());
        let socket = match terms.by_kernel {
            true => PacketSocket::open_both_ways(context.port.index, Filter::WholeGroup)?,
            false => PacketSocket::open_to_groups(context.port.index)?,
        };
        Ok(Self {
            driver: Driver::new(socket),
            member,
            kernel: terms.by_kernel.then(|| channels.iter().map(|_| None).collect()),
            channels,
            planes,
            device: (context.interface.name.clone(), context.interface.index),
            cancel: context.cancel.clone(),
        })
    }

    /// Listens until then, or until `done` says so behind an event; tells whether it did.
    ///
    /// # Errors
    /// When the port can't be read, or the visit is ended early ([`io::ErrorKind::Interrupted`]).
    pub(super) async fn until(&mut self, at: Instant, mut done: impl FnMut(&[Tuned]) -> bool + Send) -> io::Result<bool> {
        let Self { driver, member, channels, cancel, .. } = self;
        let run = driver.run(member, |_, event| {
            match event {
                Event::Told { plane, groups, moment, is_stamped } => {
                    let told = |tuned: &&mut Tuned| tuned.plane == plane && groups.contains(&tuned.channel.group);
                    channels.iter_mut().filter(told).for_each(|tuned| tuned.on_told(moment, is_stamped));
                }
                Event::Datagram(datagram) => {
                    if let Some(tuned) = channels.iter_mut().find(|tuned| tuned.is(&datagram)) {
                        tuned.on_datagram(&datagram);
                    }
                }
            }
            if done(channels) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        });
        tokio::select! {
            ran = tokio::time::timeout_at(at.into(), run) => match ran {
                Ok(ran) => ran.map(|()| true),
                Err(_) => Ok(false),
            },
            () = cancel.cancelled() => Err(io::Error::new(io::ErrorKind::Interrupted, "the visit was ended early")),
        }
    }

    /// Listens for so long.
    pub(super) async fn listen(&mut self, time: Duration) -> io::Result<()> {
        self.until(Instant::now() + time, |_| false).await.map(|_| ())
    }

    /// Joins a channel.
    pub(super) fn join(&mut self, at: usize) -> io::Result<()> {
        let now = Instant::now();
        let tuned = &mut self.channels[at];
        let (group, source) = (tuned.channel.group, tuned.channel.source);
        tuned.begin(true);
        match &mut self.kernel {
            Some(kernel) => kernel[at] = Some(Membership::join(&self.device.0, self.device.1, group, source)?),
            None => self.member.join(now, tuned.plane, group, source),
        }
        Ok(())
    }

    /// Leaves it.
    pub(super) fn leave(&mut self, at: usize) {
        let now = Instant::now();
        let tuned = &mut self.channels[at];
        tuned.begin(false);
        match &mut self.kernel {
            Some(kernel) => kernel[at] = None,
            None => self.member.leave(now, tuned.plane, tuned.channel.group, tuned.channel.source),
        }
    }

    /// Waits until a channel was quiet for `quiet`; false when it was not within `limit` from now.
    pub(super) async fn wait_quiet(&mut self, at: usize, quiet: Duration, limit: Duration) -> io::Result<bool> {
        let began = Instant::now();
        loop {
            let since = self.channels[at].last.map_or(began, |last| last.at.max(began));
            let now = Instant::now();
            if now >= since + quiet {
                return Ok(true);
            }
            if now >= began + limit {
                return Ok(false);
            }
            self.until((since + quiet).min(began + limit), |_| false).await?;
        }
    }

    /// Waits until all of these came since their joins; tells whether they did.
    pub(super) async fn wait_for(&mut self, wanted: &[usize], limit: Duration) -> io::Result<bool> {
        let all = |channels: &[Tuned]| wanted.iter().all(|at| channels[*at].first.is_some());
        if all(&self.channels) {
            return Ok(true);
        }
        self.until(Instant::now() + limit, all).await
    }

    /// Waits until pictures can be made of a channel that came.
    pub(super) async fn wait_for_picture(&mut self, at: usize, limit: Duration) -> io::Result<()> {
        if self.channels[at].first.is_some() && self.channels[at].picture.is_none() {
            self.until(Instant::now() + limit, |channels| channels[at].picture.is_some()).await?;
        }
        Ok(())
    }

    /// Packets that this machine dropped.
    pub(super) fn drops(&self) -> u64 {
        self.driver.port().drops()
    }

    /// Why the last message that could not be sent wasn't.
    pub(super) fn last_failure(&self) -> Option<&io::Error> {
        self.driver.last_failure()
    }
}

fn tuned(channel: Channel, plane: usize) -> Tuned {
    Tuned {
        channel,
        plane,
        is_joined: false,
        awaits: false,
        told: None,
        first: None,
        last: None,
        packets: 0,
        octets: 0,
        watch: ChannelWatch::new(),
        picture: None,
        unasked: 0,
        was_joined: false,
    }
}

impl Tuned {
    /// The latest join or leave has still to be sent.
    fn begin(&mut self, is_joined: bool) {
        (self.is_joined, self.awaits, self.told) = (is_joined, true, None);
        if is_joined {
            (self.was_joined, self.first, self.packets, self.octets) = (true, None, 0, 0);
            (self.watch, self.picture) = (ChannelWatch::new(), None);
        }
    }

    fn is(&self, datagram: &Datagram) -> bool {
        let Channel { group, port, source, .. } = &self.channel;
        self.plane == datagram.plane
            && (*group, *port) == (datagram.group, datagram.port)
            && source.is_none_or(|source| source == datagram.source)
    }

    fn on_told(&mut self, moment: Moment, is_stamped: bool) {
        if self.awaits {
            self.awaits = false;
            self.told = Some(Flight::new(moment));
        }
        if let Some(flight) = self.told.as_mut().filter(|_| is_stamped) {
            flight.on_departure(moment);
        }
    }

    fn on_datagram(&mut self, datagram: &Datagram) {
        self.last = Some(datagram.moment);
        if !self.was_joined {
            self.unasked += 1;
        }
        if self.is_joined {
            self.first.get_or_insert(datagram.moment);
            self.watch.on_datagram(datagram.moment.stamp.unix_ns, &datagram.payload);
            if self.picture.is_none() && self.watch.first_random_access_ns().is_some() {
                self.picture = Some(datagram.moment);
            }
        }
        self.packets += 1;
        self.octets += datagram.octets as u64;
    }

    /// True once the latest join or leave was sent.
    pub(super) fn was_told(&self) -> bool {
        self.told.is_some()
    }

    /// From the report of the join to the first packet.
    pub(super) fn join_time(&self) -> Option<Took> {
        took(self.told?, self.first?)
    }

    /// From the report of the join to the packet from which on pictures can be made.
    pub(super) fn picture_time(&self) -> Option<Took> {
        took(self.told?, self.picture?)
    }

    /// From the leave to the last packet; zero when none came behind it.
    pub(super) fn leave_time(&self) -> Option<Took> {
        let told = self.told?;
        match self.last.filter(|last| last.at > told.began().at) {
            Some(last) => took(told, last),
            None => Some(Took { ms: 0.0, stamped_by: told.began().stamp.source }),
        }
    }
}

fn took(mut told: Flight, arrived: Moment) -> Option<Took> {
    told.on_arrival(arrived);
    match told.settle(true) {
        Settled::RoundTrip(span, stamped_by) => Some(Took { ms: span.as_secs_f64() * 1e3, stamped_by }),
        Settled::NotYet | Settled::ClocksDisagree => None,
    }
}

/// The port's link-local address; `::` where it has none (RFC 3590 section 4).
async fn link_local(index: u32) -> io::Result<Ipv6Addr> {
    let all = facts::addresses(index).await?;
    let own = all.iter().filter(|address| address.is_usable).find_map(|address| match address.address {
        IpAddr::V6(six) if six.is_unicast_link_local() => Some(six),
        _ => None,
    });
    Ok(own.unwrap_or(Ipv6Addr::UNSPECIFIED))
}
