//! Laptop and far end, and a User Mode Linux as the bridge between them.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::os::unix::fs::PermissionsExt;
use std::sync::Arc;
use std::time::Duration;

use doorstep::check::twoway::{Form, StreamPlan, measure, stream_config};
use doorstep::farend::client::StampOffer;
use doorstep::farend::reflector::{ReflectorService, SessionTable};
use doorstep::net::build::{End, Site};
use doorstep::net::netns::Namespace;
use doorstep::proto::stamp::reflector::Config;
use doorstep::reading::Outcome;
use doorstep::wire::stamp::Key;
use tokio::runtime::Runtime;
use tokio_util::sync::CancellationToken;

use crate::capture::Capture;
use crate::server::Server;
use crate::truth::{self, Captured};

pub(crate) const LAPTOP: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
pub(crate) const FAR_END: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 2);
const PORT: u16 = 862;

pub(crate) struct Line {
    laptop: Site,
    far_end: Site,
    _middle: Site,
    bridge: Bridge,
    near: Runtime,
    cancel: CancellationToken,
    _reflector: Runtime,
    offer: StampOffer,
}

/// The virtual machine; it is told to end, and ended by its number if it does not.
struct Bridge {
    folder: tempfile::TempDir,
    machine: Option<Server>,
    commands: usize,
}

impl Line {
    pub(crate) fn build() -> Self {
        let places = ["laptop", "middle", "far-end"].map(|label| Namespace::new(label).expect("this test needs root"));
        let [mut laptop, mut middle, mut far_end] = places.each_ref().map(|place| Site::open(place).expect("netlink"));
        let mac = |n| [2, 0, 0x5e, 0, 4, n];
        let end = |site, name, n| End { site, name, mac: mac(n) };
        laptop.cable(&end(&places[0], "lan0", 1), &end(&places[1], "u0", 2)).expect("veth");
        far_end.cable(&end(&places[2], "wan", 3), &end(&places[1], "u1", 4)).expect("veth");
        for (site, name, address) in [(&mut laptop, "lan0", LAPTOP), (&mut far_end, "wan", FAR_END)] {
            let index = site.index(name).expect("made");
            site.raise(name, index).expect("up");
            site.address(index, IpAddr::V4(address), 24).expect("an address");
        }
        for name in ["u0", "u1"] {
            let index = middle.index(name).expect("made");
            middle.raise(name, index).expect("up");
        }
        let bridge = Bridge::start(&places[1]);

        let key = Key::new(b"key-of-the-netem-test-32-octets!");
        let table = SessionTable::default();
        let ssid = table.admit(LAPTOP.into(), key.clone()).expect("room");
        let offer = StampOffer { port: PORT, ssid, key: Some(key) };
        let (near, far) = (places[0].runtime(1).expect("runtime"), places[2].runtime(1).expect("runtime"));
        let cancel = CancellationToken::new();
        let stop = cancel.clone();
        far.block_on(far.spawn(async move {
            let at = SocketAddr::new(FAR_END.into(), PORT);
            let service = ReflectorService::bind(at, None, table, Config::default()).expect("port 862");
            tokio::spawn(service.run(stop));
        }))
        .expect("no panic");
        Self { laptop, far_end, _middle: middle, bridge, near, cancel, _reflector: far, offer }
    }

    /// Sets what netem does to frames up, and down; nothing for an empty text (tc-netem(8)).
    pub(crate) fn impair(&mut self, up: &str, down: &str) {
        // What leaves a port is delayed there: vec1 is toward the far end, vec0 toward the laptop.
        let discipline = |port: &str, what: &str| match what {
            "" => format!("tc qdisc del dev {port} root 2>/dev/null; true\n"),
            _ => format!("tc qdisc replace dev {port} root netem {what} limit 20000\n"),
        };
        self.bridge.command(&format!("{}{}", discipline("vec1", up), discipline("vec0", down)));
    }

    /// Measures while captures run at both ends.
    pub(crate) fn measure(&self, count: u64, interval: Duration) -> (Outcome, [Captured; 2]) {
        self.stream(20, Duration::from_millis(5));
        let filter = format!("udp port {PORT}");
        let captures =
            [(&self.laptop, "lan0"), (&self.far_end, "wan")].map(|(site, port)| Capture::start(site.namespace(), port, &filter));
        let outcome = self.stream(count, interval);
        let rows = captures.map(|capture| capture.end(["frame.time_epoch", "ip.src", "udp.payload", "udp.port"]));
        (outcome, truth::captured(&rows))
    }

    fn stream(&self, count: u64, interval: Duration) -> Outcome {
        let plan = StreamPlan { device: Some("lan0".to_owned()), dscp: 0, count: Some(count), interval };
        let config = stream_config(FAR_END.into(), &self.offer, Form::Offered, plan);
        let work = measure(config, CancellationToken::new(), Arc::new(|_| {}), 0.95);
        self.near.block_on(self.near.spawn(work)).expect("no panic")
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        self.cancel.cancel();
    }
}

impl Bridge {
    fn start(middle: &Namespace) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let run = |arguments: &str| {
            let status = middle.command("ip").args(arguments.split(' ')).status().expect("iproute2 is installed");
            assert!(status.success(), "ip {arguments}: is /dev/net/tun there?");
        };
        for n in 0..2 {
            run(&format!("tuntap add dev tap{n} mode tap"));
            run(&format!("link add br{n} type bridge mcast_snooping 0"));
            // Up before the machine starts: its transmit queue sticks on a tap that is down.
            for port in ["tap", "u"] {
                run(&format!("link set {port}{n} master br{n} up"));
            }
            run(&format!("link set br{n} up"));
        }
        let init = folder.path().join("init.sh");
        std::fs::write(&init, include_str!("init.sh")).expect("a file");
        std::fs::set_permissions(&init, std::fs::Permissions::from_mode(0o755)).expect("a mode");
        let mut command = middle.command("linux.uml");
        command
            .args(["mem=128M", "root=/dev/root", "rootfstype=hostfs", "rootflags=/", "ro", "con0=null,fd:1", "con=null", "quiet"])
            .args([0, 1].map(|n| format!("vec{n}:transport=tap,ifname=tap{n},depth=128,gro=1")))
            .arg(format!("init={}", init.display()))
            .arg(format!("SHARED={}", folder.path().display()))
            .env("TMPDIR", folder.path());
        let machine = Some(Server::start(command, "READY"));
        Self { folder, machine, commands: 0 }
    }

    /// Runs shell commands inside, and waits until they are done.
    fn command(&mut self, text: &str) {
        let n = self.commands;
        self.commands += 1;
        let (written, name) = (self.folder.path().join("next"), self.folder.path().join(format!("command.{n}")));
        std::fs::write(&written, text).and_then(|()| std::fs::rename(&written, &name)).expect("a file");
        let machine = self.machine.as_mut().expect("it runs");
        machine.wait_for_line(&format!("DONE {n}"));
    }
}

impl Drop for Bridge {
    fn drop(&mut self) {
        let told = std::fs::write(self.folder.path().join("stop"), "");
        if let (Ok(()), Some(machine)) = (told, self.machine.take()) {
            machine.wait_for_end(Duration::from_secs(10));
        }
    }
}
