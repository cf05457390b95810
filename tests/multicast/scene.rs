//! A home with a snooping bridge: the laptop on one port, a source of channels on another.

use std::net::{IpAddr, SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use doorstep::check::multicast::MulticastCheck;
use doorstep::check::{Check, Known};
use doorstep::net::build::{End, Site};
use doorstep::net::netns::Namespace;
use doorstep::net::packet::{Filter, PacketSocket};
use doorstep::proto::membership::{Carriage, Channel, Terms};
use doorstep::proto::tv_source::{Envelope, Settings, TvSource};
use doorstep::reading::Outcome;
use doorstep::unit::Depth;
use doorstep::wire::ethernet::{self, Mac};
use doorstep::wire::vlan::TagStack;
use doorstep::wire::{ipv4, udp};

use crate::context::context_at;

pub(crate) const PORT: u16 = 5000;
/// Bits per second of a channel's stream: datagrams of 1316 octets, 142.5 a second.
pub(crate) const RATE: u64 = 1_500_000;
pub(crate) const LAPTOP_MAC: [u8; 6] = [2, 0, 0x5e, 0, 1, 1];
pub(crate) const SOURCE_V4: &str = "192.0.2.80";
pub(crate) const SOURCE_V6: &str = "2001:db8::80";

/// A channel of a group; source-specific ones come from the scene's source.
pub(crate) fn channel(group: &str) -> Channel {
    let group: IpAddr = group.parse().expect("an address");
    let source = doorstep::proto::membership::is_source_specific(group);
    let from = if group.is_ipv4() { SOURCE_V4 } else { SOURCE_V6 };
    Channel {
        name: group.to_string(),
        group,
        source: source.then(|| from.parse().expect("an address")),
        port: PORT,
        carriage: Carriage::Udp,
        rate_mbit: 1.6,
        vlan: None,
    }
}

pub(crate) struct Scene {
    pub(crate) laptop: Site,
    pub(crate) middle: Site,
    pub(crate) source: Site,
    pub(crate) index: u32,
    senders: Vec<Sender>,
}

impl Scene {
    /// Cables to the middle, which is nothing yet: its ports are `home` and `up`.
    pub(crate) fn bare() -> Self {
        let [laptop, middle, source] = ["laptop", "middle", "source"]
            .map(|label| Site::open(&Namespace::new(label).expect("these tests need root")).expect("netlink"));
        let mut scene = Self { laptop, middle, source, index: 0, senders: Vec::new() };
        let [laptop, middle, source] = [&scene.laptop, &scene.middle, &scene.source].map(|site| site.namespace().clone());
        let end = |site, name, mac| End { site, name, mac };
        scene.middle.cable(&end(&middle, "home", [2, 0, 0x5e, 0, 1, 2]), &end(&laptop, "lan0", LAPTOP_MAC)).expect("veth");
        scene
            .middle
            .cable(&end(&middle, "up", [2, 0, 0x5e, 0, 2, 1]), &end(&source, "net0", [2, 0, 0x5e, 0, 2, 2]))
            .expect("veth");
        for (site, name) in [(0, "lan0"), (1, "home"), (1, "up"), (2, "net0")] {
            let site = [&mut scene.laptop, &mut scene.middle, &mut scene.source].into_iter().nth(site).expect("a site");
            let index = site.index(name).expect("made");
            site.single_frames(name, index).expect("offloads off");
            site.raise(name, index).expect("up");
        }
        scene.index = scene.laptop.index("lan0").expect("made");
        scene.laptop.address(scene.index, "192.0.2.50".parse().expect("an address"), 24).expect("address");
        scene
    }

    /// A bridge in the middle, with these settings of `ip link`.
    pub(crate) fn bridge(settings: &str, asks: bool) -> Self {
        let scene = Self::bare();
        scene.ip(&format!("link add br0 type bridge {settings}"));
        for port in ["home", "up"] {
            scene.ip(&format!("link set dev {port} master br0"));
        }
        scene.ip("link set dev br0 up");
        // Only now: its first wait is as long as the response interval is at this moment.
        if asks {
            scene.ip("link set dev br0 type bridge mcast_querier 1");
        }
        let mut scene = scene;
        scene.give_source_addresses("192.0.2.80");
        // Addresses of IPv6 are usable at once: duplicate detection is off.
        scene
    }

    pub(crate) fn give_source_addresses(&mut self, four: &str) {
        let index = self.source.index("net0").expect("made");
        self.source.address(index, four.parse().expect("an address"), 24).expect("address");
        self.source.address(index, SOURCE_V6.parse().expect("an address"), 64).expect("address");
    }

    /// Puts frames on to the laptop's cable in another VLAN until the scene ends: packets of a channel.
    pub(crate) fn send_tagged(&mut self, group: &str, vlan: u16) {
        let group: std::net::Ipv4Addr = group.parse().expect("an address");
        let place = self.middle.namespace().clone();
        self.senders.push(Sender::run(&place, move || {
            let index = nix::net::if_::if_nametoindex("home").expect("the port");
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
            let inside = runtime.enter();
            let socket = PacketSocket::open(index, Filter::Group, false).expect("root");
            let source: std::net::Ipv4Addr = SOURCE_V4.parse().expect("an address");
            let header = ethernet::Repr {
                destination: doorstep::proto::membership::group_mac(group.into()),
                source: Mac([2, 0, 0x5e, 0, 9, 9]),
                tags: TagStack::single(vlan).tags().to_vec(),
                ethertype: ethernet::IPV4,
            };
            drop(inside);
            move |payload: &[u8]| {
                let datagram = udp::Repr { source_port: 1, destination_port: PORT }.emit(payload, source, group);
                let packet = ipv4::Repr::plain(source, group, ipv4::UDP).emit(&datagram);
                drop(socket.try_send(&header.emit(&packet)));
            }
        }));
    }

    /// Runs `ip` in the middle.
    pub(crate) fn ip(&self, arguments: &str) {
        let status = self.middle.namespace().command("ip").args(arguments.split(' ')).status().expect("iproute2 is installed");
        assert!(status.success(), "ip {arguments}");
    }

    /// Sends a channel from the source until the scene ends: a stream of our own.
    pub(crate) fn send(&mut self, group: &str) {
        let place = self.source.namespace().clone();
        self.senders.push(Sender::start(&place, "net0", group.parse().expect("an address")));
    }

    /// Runs the check on the laptop.
    pub(crate) fn check(&self, terms: Terms, depth: Depth) -> Outcome {
        self.check_in(terms, depth, TagStack::NONE)
    }

    pub(crate) fn check_in(&self, terms: Terms, depth: Depth, vlan: TagStack) -> Outcome {
        let known = Known { ipv4: Some(("192.0.2.50".parse().expect("an address"), 24)), ..Known::default() };
        let mut context = context_at(self.index, LAPTOP_MAC, known, depth);
        (context.tv, context.vlan) = (terms, vlan);
        let minutes = if depth == Depth::Soak { 10 } else { 1 };
        self.laptop.namespace().run(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
            runtime.block_on(async move {
                let done = tokio::time::timeout(Duration::from_secs(60 * minutes), MulticastCheck.run(context)).await;
                done.expect("in time").outcome
            })
        })
    }
}

/// A thread that sends a channel.
pub(crate) struct Sender {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Sender {
    /// A channel by the kernel.
    pub(crate) fn start(place: &Namespace, port: &'static str, group: IpAddr) -> Self {
        Self::run(place, move || {
            let index = nix::net::if_::if_nametoindex(port).expect("the port");
            let any = if group.is_ipv4() { "0.0.0.0:0" } else { "[::]:0" };
            let socket = UdpSocket::bind(any).expect("a socket");
            let raw = socket2::SockRef::from(&socket);
            raw.bind_device(Some(port.as_bytes())).expect("root");
            if group.is_ipv4() {
                raw.set_multicast_ttl_v4(8).expect("TTL");
            } else {
                raw.set_multicast_if_v6(index).expect("the port");
                raw.set_multicast_hops_v6(8).expect("hop limit");
            }
            // Before the port is up there is no way.
            move |payload: &[u8]| drop(socket.send_to(payload, SocketAddr::new(group, PORT)))
        })
    }

    /// Makes what sends, in the place, and gives it the datagrams of a stream when they are due.
    fn run<S: FnMut(&[u8])>(place: &Namespace, make: impl FnOnce() -> S + Send + 'static) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let until = Arc::clone(&stop);
        let thread = place.spawn("channel", move || {
            let mut send = make();
            let mut stream =
                TvSource::new(Settings { rate: RATE, envelope: Envelope::Udp, ..Settings::default() }).expect("a stream");
            let (began, mut payload) = (Instant::now(), Vec::new());
            while !until.load(Ordering::Relaxed) {
                std::thread::sleep((began + stream.next_due()).saturating_duration_since(Instant::now()));
                payload.clear();
                stream.datagram(&mut payload);
                send(&payload);
            }
        });
        Self { stop, thread: Some(thread) }
    }
}

impl Drop for Sender {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
