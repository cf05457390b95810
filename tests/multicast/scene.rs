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
use doorstep::proto::membership::{Carriage, Channel, Terms};
use doorstep::reading::Outcome;
use doorstep::unit::Depth;
use doorstep::wire::vlan::TagStack;

use crate::context::context_at;

pub(crate) const PORT: u16 = 5000;
/// Between two packets of a channel.
pub(crate) const GAP: Duration = Duration::from_millis(5);
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
        rate_mbit: 0.3,
        vlan: None,
    }
}

pub(crate) struct Scene {
    pub(crate) laptop: Site,
    pub(crate) middle: Site,
    pub(crate) source: Site,
    index: u32,
    senders: Vec<Sender>,
}

impl Scene {
    /// Cables to the middle, which is nothing yet: its ports are `home` and `up`.
    pub(crate) fn bare() -> Self {
        let [laptop, middle, source] = ["laptop", "middle", "source"].map(|label| {
            Site::open(&Namespace::new(label).expect("these tests need root")).expect("netlink")
        });
        let mut scene = Self { laptop, middle, source, index: 0, senders: Vec::new() };
        let [laptop, middle, source] = [&scene.laptop, &scene.middle, &scene.source].map(|site| site.namespace().clone());
        let end = |site, name, mac| End { site, name, mac };
        scene.middle.cable(&end(&middle, "home", [2, 0, 0x5e, 0, 1, 2]), &end(&laptop, "lan0", LAPTOP_MAC)).expect("veth");
        scene.middle.cable(&end(&middle, "up", [2, 0, 0x5e, 0, 2, 1]), &end(&source, "net0", [2, 0, 0x5e, 0, 2, 2])).expect("veth");
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
    pub(crate) fn bridge(settings: &str) -> Self {
        let scene = Self::bare();
        scene.ip(&format!("link add br0 type bridge {settings}"));
        for port in ["home", "up"] {
            scene.ip(&format!("link set dev {port} master br0"));
        }
        scene.ip("link set dev br0 up");
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

    /// Runs `ip` in the middle.
    pub(crate) fn ip(&self, arguments: &str) {
        let status = self.middle.namespace().command("ip").args(arguments.split(' ')).status().expect("iproute2 is installed");
        assert!(status.success(), "ip {arguments}");
    }

    /// Sends a channel from the source until the scene ends: numbered packets of 160 octets.
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
        self.laptop.namespace().run(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
            runtime.block_on(async move {
                let done = tokio::time::timeout(Duration::from_secs(60), MulticastCheck.run(context)).await;
                done.expect("within a minute").outcome
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
    pub(crate) fn start(place: &Namespace, port: &str, group: IpAddr) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let (until, port) = (Arc::clone(&stop), port.to_owned());
        let thread = place.spawn("channel", move || {
            let index = nix::net::if_::if_nametoindex(port.as_str()).expect("the port");
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
            let mut next = Instant::now();
            for number in 0_u64.. {
                if until.load(Ordering::Relaxed) {
                    return;
                }
                let mut payload = [0; 160];
                payload[..8].copy_from_slice(&number.to_be_bytes());
                // Before the port is up there is no way; later ones are the test's.
                let _ = socket.send_to(&payload, SocketAddr::new(group, PORT));
                next += GAP;
                std::thread::sleep(next.saturating_duration_since(Instant::now()));
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
