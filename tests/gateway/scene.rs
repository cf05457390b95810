//! A practice line, a real daemon on its gateway, and the program in its laptop's place.

use std::net::UdpSocket;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use doorstep::farend::invitation;
use doorstep::net::netns::Namespace;
use doorstep::practice::topology::GATEWAY_LAN_V4;
use doorstep::practice::{LineConfig, Node, PracticeLine};
use serde_json::Value;

use crate::run::{PROGRAM, Run};
use crate::server::Server;

pub(crate) struct Scene {
    pub(crate) line: PracticeLine,
    pub(crate) folder: tempfile::TempDir,
}

impl Scene {
    pub(crate) fn new(config: LineConfig) -> Self {
        let line = PracticeLine::build(config).expect("these tests need root and a kernel with veth, tbf and nf_tables");
        let folder = tempfile::tempdir().expect("a folder");
        invitation::write(&folder.path().join("far.toml"), &line.far_end_target()).expect("the far end's file");
        Self { line, folder }
    }

    pub(crate) fn gateway(&self) -> &Namespace {
        self.line.namespace(Node::Gateway)
    }

    /// A check with what it needs, at quick depth.
    pub(crate) fn check(&self, name: &str) -> Value {
        self.run(&["check", name])
    }

    /// A visit against the tier that the line is sold as.
    pub(crate) fn verify(&self) -> Value {
        self.run(&["verify", "--profile", "vdsl-100-40", "--yes"])
    }

    fn run(&self, arguments: &[&str]) -> Value {
        let mut command = self.line.namespace(Node::Laptop).command(PROGRAM);
        command.args(arguments).args(["--depth", "quick", "--json", "--far-end"]).arg(self.folder.path().join("far.toml"));
        command.arg("--record").arg(self.folder.path().join("visit.json"));
        Run::start(&mut command).end().record()
    }

    /// Broadcasts of the gateway into the home, so many a second.
    pub(crate) fn shout(&self, per_second: u32) -> Noise {
        let stop = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&stop);
        let thread = self.gateway().spawn("noise", move || {
            let socket = UdpSocket::bind((GATEWAY_LAN_V4, 0)).expect("a socket");
            socket.set_broadcast(true).expect("allowed");
            // By the clock, so that a busy machine catches up.
            let (began, mut sent) = (Instant::now(), 0);
            while !told.load(Ordering::Relaxed) {
                while began.elapsed() * per_second >= Duration::from_secs(1) * sent {
                    let _ = socket.send_to(b"noise", "192.0.2.255:9");
                    sent += 1;
                }
                std::thread::sleep(Duration::from_millis(2));
            }
        });
        Noise { stop, thread: Some(thread) }
    }
}

pub(crate) struct Noise {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Drop for Noise {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

/// The chains that the daemon expects to find.
const CHAINS: &str = "table inet miniupnpd {\n chain miniupnpd { }\n chain prerouting_miniupnpd { }\n chain postrouting_miniupnpd { }\n \
chain forward { type filter hook forward priority 0; policy accept; jump miniupnpd\n }\n \
chain prerouting { type nat hook prerouting priority -100; policy accept; jump prerouting_miniupnpd\n }\n \
chain postrouting { type nat hook postrouting priority 100; policy accept; jump postrouting_miniupnpd\n }\n}\n";

/// Starts miniupnpd on the gateway.
pub(crate) fn daemon(scene: &Scene) -> Server {
    let file = |name: &str, text: &str| {
        let path = scene.folder.path().join(name);
        std::fs::write(&path, text).expect("a file");
        path
    };
    let chains = file("chains.nft", CHAINS);
    let loaded = scene.gateway().command("nft").arg("-f").arg(chains).status().expect("the package nftables is needed");
    assert!(loaded.success());
    let config = file(
        "miniupnpd.conf",
        "ext_ifname=wan\nlistening_ip=lan\nport=5555\nenable_natpmp=no\nenable_upnp=yes\nsecure_mode=yes\nsystem_uptime=no\n\
         uuid=00000000-0000-0000-0000-000000000001\nupnp_table_name=miniupnpd\nupnp_nat_table_name=miniupnpd\n\
         deny 0-65535 0.0.0.0/0 0-65535\n",
    );
    let mut command = scene.gateway().command("miniupnpd");
    command.arg("-d").arg("-f").arg(config).arg("-P").arg(scene.folder.path().join("upnp.pid"));
    Server::start(command, "HTTP listening on port 5555")
}

fn check<'a>(record: &'a Value, name: &str) -> &'a Value {
    let checks = record["checks"].as_array().expect("checks");
    checks.iter().find(|c| c["check"] == name).unwrap_or_else(|| panic!("no {name} in {record:#}"))
}

pub(crate) fn facts<'a>(record: &'a Value, name: &str) -> &'a Value {
    &check(record, name)["facts"]
}

pub(crate) fn flaws<'a>(record: &'a Value, name: &str) -> Vec<&'a Value> {
    check(record, name)["flaws"].as_array().into_iter().flatten().collect()
}

pub(crate) fn readings<'a>(record: &'a Value, name: &str) -> Vec<&'a Value> {
    let checks = record["checks"].as_array().into_iter().flatten();
    checks.flat_map(|c| c["readings"].as_array().into_iter().flatten()).filter(|r| r["name"] == name).collect()
}

pub(crate) fn value(reading: &Value) -> f64 {
    reading["value"].as_f64().expect("a number")
}
