//! Sockets and clocks for the echo and path machines: the loops that the two checks share.
//!
//! It must not know readings or what a probe is for. Each loop ends by itself: when the machine has nothing to wait for,
//! or when it is cancelled.

use std::collections::{BTreeMap, HashMap};
use std::io;
use std::net::{IpAddr, SocketAddr, SocketAddrV6};
use std::time::Instant;

use tokio_util::sync::CancellationToken;

use super::settling::Watch;
use crate::net::stamped::{SendKey, SendWith, StampedEvent, StampedSocket};
use crate::proto::echo::{EchoMachine, Event, ProbeId, TargetReport};
use crate::proto::path::{PathMachine, PathReport, PathSettings, ProbeKind};
use crate::proto::round_trip::Moment;
use crate::unit::Family;

/// Octets of the largest message that is read: an ICMPv6 error is at most 1280 with its header (RFC 4443 section 2.4).
const BUFFER: usize = 2048;
/// Sends whose transmit stamp may be outstanding; beyond, all are forgotten and keep their user stamps.
const MAX_KEYS: usize = 8192;
/// Events taken in a row before the machine is asked again whether something is due.
const EVENTS_PER_TURN: usize = 64;

/// What the test set itself did wrong during a run.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct OwnFaults {
    /// Packets dropped because a socket's buffer was full.
    pub(super) receive_drops: u64,
    /// What failed sends were told, with how often.
    pub(super) send_errors: BTreeMap<String, u64>,
}

/// Sockets of one run by family.
struct Channels {
    v4: Option<Channel>,
    v6: Option<Channel>,
}

struct Channel {
    socket: StampedSocket,
    buffer: Vec<u8>,
    drops: u32,
}

impl Channel {
    fn icmp(family: Family, device: &str) -> io::Result<Self> {
        Ok(Self { socket: StampedSocket::icmp(family, Some(device))?, buffer: vec![0; BUFFER], drops: 0 })
    }

    async fn next(channel: &mut Option<Self>) -> io::Result<StampedEvent> {
        match channel {
            Some(channel) => channel.socket.next_event(&mut channel.buffer).await,
            None => std::future::pending().await,
        }
    }
}

impl Channels {
    fn of(&mut self, family: Family) -> Option<&mut Channel> {
        match family {
            Family::Ipv4 => self.v4.as_mut(),
            Family::Ipv6 => self.v6.as_mut(),
        }
    }

    fn drops(&self) -> u64 {
        [&self.v4, &self.v6].into_iter().flatten().map(|c| u64::from(c.drops)).sum()
    }
}

/// The port through which probes go.
#[derive(Debug, Clone)]
pub(super) struct Device {
    pub(super) name: String,
    pub(super) index: u32,
}

impl Device {
    /// The socket address for a probe; link-local addresses need the interface.
    pub(super) fn address(&self, ip: IpAddr, port: u16) -> SocketAddr {
        match ip {
            IpAddr::V6(v6) if v6.is_unicast_link_local() => SocketAddrV6::new(v6, port, 0, self.index).into(),
            _ => SocketAddr::new(ip, port),
        }
    }
}

/// Drives an echo machine to its end, or until cancelled; `watch` looks on and may stop it.
///
/// # Errors
/// When the sockets can't be opened or read.
pub(super) async fn run_echo(
    mut machine: EchoMachine,
    families: &[Family],
    device: &Device,
    cancel: &CancellationToken,
    mut on_event: impl FnMut(Event),
    mut watch: Option<Watch<Vec<TargetReport>>>,
) -> io::Result<(EchoMachine, OwnFaults)> {
    let enough = watch.as_ref().map_or_else(CancellationToken::new, Watch::enough);
    let open = |family| families.contains(&family).then(|| Channel::icmp(family, &device.name)).transpose();
    let mut channels = Channels { v4: open(Family::Ipv4)?, v6: open(Family::Ipv6)? };
    let mut keys: HashMap<SendKey, ProbeId> = HashMap::new();
    let mut faults = OwnFaults::default();
    loop {
        machine.on_wake(Instant::now());
        while let Some(probe) = machine.transmit(Instant::now()) {
            let Some(channel) = channels.of(Family::of(probe.to)) else {
                machine.on_send_failed(probe.id);
                continue;
            };
            let at = Instant::now();
            match channel.socket.try_send_to(&probe.bytes, device.address(probe.to, 0), SendWith::default()) {
                Ok(key) => {
                    remember(&mut keys, key, probe.id);
                    machine.on_sent(probe.id, Moment { stamp: key.user_stamp(), at });
                }
                Err(error) => {
                    machine.on_send_failed(probe.id);
                    *faults.send_errors.entry(error.to_string()).or_default() += 1;
                }
            }
        }
        while let Some(event) = machine.poll_event() {
            on_event(event);
        }
        let decided = machine.decided();
        if let Some(watch) = watch.as_mut().filter(|watch| watch.is_due(decided)) {
            let reports = machine.reports_so_far();
            watch.look(decided, move || reports);
        }
        if enough.is_cancelled() {
            machine.stop();
        }
        let Some(wake) = machine.next_wake() else { break };
        let Channels { v4, v6 } = &mut channels;
        let (family, event) = tokio::select! {
            biased;
            () = cancel.cancelled() => break,
            event = Channel::next(v4) => (Family::Ipv4, event?),
            event = Channel::next(v6) => (Family::Ipv6, event?),
            () = tokio::time::sleep_until(wake.into()) => continue,
        };
        let Some(channel) = channels.of(family) else { continue };
        let mut next = Some(event);
        for turn in 1..=EVENTS_PER_TURN {
            match next {
                Some(StampedEvent::Received { len, from, stamp, at, ttl, receive_drops, .. }) => {
                    channel.drops = receive_drops.max(channel.drops);
                    machine.on_packet(Moment { stamp, at }, from.ip(), ttl, &channel.buffer[..len]);
                }
                Some(StampedEvent::Sent { key, stamp, at }) => {
                    if let Some(id) = keys.remove(&key) {
                        machine.on_departure(id, Moment { stamp, at });
                    }
                }
                Some(StampedEvent::IcmpError { .. }) => {}
                None => break,
            }
            next = if turn < EVENTS_PER_TURN { channel.socket.try_event(&mut channel.buffer)? } else { None };
        }
    }
    faults.receive_drops = channels.drops();
    Ok((machine, faults))
}

fn remember<T>(keys: &mut HashMap<SendKey, T>, key: SendKey, id: T) {
    if keys.len() >= MAX_KEYS {
        keys.clear();
    }
    keys.insert(key, id);
}

/// From where to where UDP probes go.
#[derive(Debug, Clone, Copy)]
pub(super) struct PathEnds {
    pub(super) source: IpAddr,
    pub(super) destination: IpAddr,
    pub(super) destination_port: u16,
}

/// A look along a path: its machine, and the socket whose port is its UDP flow's.
pub(super) struct PathLook {
    machine: PathMachine,
    device: Device,
    destination: (IpAddr, u16),
    udp: Channel,
    faults: OwnFaults,
}

impl PathLook {
    /// Opens that socket; `settings.source_port` is taken from it.
    ///
    /// # Errors
    /// When it can't be opened.
    pub(super) fn open(mut settings: PathSettings, device: &Device) -> io::Result<Self> {
        let socket = StampedSocket::udp(device.address(settings.source, 0), Some(&device.name))?;
        settings.source_port = socket.local_addr()?.port();
        let udp = Channel { socket, buffer: vec![0; BUFFER], drops: 0 };
        let destination = (settings.destination, settings.destination_port);
        let machine = PathMachine::new(settings, Instant::now());
        Ok(Self { machine, device: device.clone(), destination, udp, faults: OwnFaults::default() })
    }

    /// What was found so far.
    pub(super) fn found(&self) -> (PathReport, OwnFaults) {
        (self.machine.report(), self.faults.clone())
    }

    /// Looks a second time by the same flows ([`PathMachine::look_again`]), and returns the machine.
    ///
    /// # Errors
    /// When a socket can't be opened or read.
    pub(super) async fn again(&mut self) -> io::Result<&PathMachine> {
        self.machine.look_again(Instant::now());
        self.run(&CancellationToken::new(), |_| {}).await?;
        Ok(&self.machine)
    }

    /// Drives the machine to its end, or until cancelled. The raw socket, which hears all of the machine's ICMP, is open only meanwhile.
    ///
    /// # Errors
    /// When a socket can't be opened or read.
    pub(super) async fn run(&mut self, cancel: &CancellationToken, mut on_progress: impl FnMut(&PathMachine)) -> io::Result<()> {
        let Self { machine, device, destination, udp, faults } = self;
        let mut icmp = Channel::icmp(Family::of(destination.0), &device.name)?;
        let mut keys: [HashMap<SendKey, usize>; 2] = Default::default();
        loop {
            machine.on_wake(Instant::now());
            while let Some(probe) = machine.transmit(Instant::now()) {
                let (channel, keys) = match probe.kind {
                    ProbeKind::Icmp => (&icmp, &mut keys[0]),
                    ProbeKind::Udp => (&*udp, &mut keys[1]),
                };
                let with =
                    SendWith { ttl: Some(probe.hop_limit), dscp: Some(probe.traffic_class >> 2), ecn: probe.traffic_class & 3 };
                let at = Instant::now();
                match channel.socket.try_send_to(&probe.bytes, device.address(destination.0, destination.1), with) {
                    Ok(key) => {
                        remember(keys, key, probe.id);
                        machine.on_sent(probe.id, Moment { stamp: key.user_stamp(), at });
                    }
                    Err(error) => {
                        machine.on_send_failed(probe.id);
                        *faults.send_errors.entry(error.to_string()).or_default() += 1;
                    }
                }
            }
            let Some(wake) = machine.next_wake() else { break };
            let (kind, event) = tokio::select! {
                biased;
                () = cancel.cancelled() => break,
                event = icmp.socket.next_event(&mut icmp.buffer) => (ProbeKind::Icmp, event?),
                event = udp.socket.next_event(&mut udp.buffer) => (ProbeKind::Udp, event?),
                () = tokio::time::sleep_until(wake.into()) => continue,
            };
            match (kind, event) {
                (ProbeKind::Icmp, StampedEvent::Received { len, from, stamp, at, ttl, receive_drops, .. }) => {
                    icmp.drops = receive_drops.max(icmp.drops);
                    machine.on_packet(Moment { stamp, at }, from.ip(), ttl, &icmp.buffer[..len]);
                    on_progress(machine);
                }
                (ProbeKind::Udp, StampedEvent::Received { len, from, stamp, at, receive_drops, .. }) => {
                    udp.drops = receive_drops.max(udp.drops);
                    machine.on_datagram(Moment { stamp, at }, from.ip(), &udp.buffer[..len]);
                }
                (kind, StampedEvent::Sent { key, stamp, at }) => {
                    if let Some(id) = keys[usize::from(kind == ProbeKind::Udp)].remove(&key) {
                        machine.on_departure(id, Moment { stamp, at });
                    }
                }
                // The raw socket has the same error with the whole message, extensions included.
                (_, StampedEvent::IcmpError { .. }) => {}
            }
        }
        // Stamps that follow their answers at the very end.
        while let Some(event) = icmp.socket.try_event(&mut icmp.buffer)? {
            if let StampedEvent::Sent { key, stamp, at } = event
                && let Some(id) = keys[0].remove(&key)
            {
                machine.on_departure(id, Moment { stamp, at });
            }
        }
        faults.receive_drops += u64::from(icmp.drops) + u64::from(std::mem::take(&mut udp.drops));
        Ok(())
    }
}
