//! What getting on to a line costs, and what a PPPoE session carries against a bare copy loop in the same run: figures, no
//! verdicts.
//!
//! `cargo bench --bench access` (as root). About two minutes. The session's carrier and the bare loop take turns; the ratio is
//! that of the medians. All traffic stays in namespaces made here; every load ends by itself.

#[path = "loops.rs"]
mod loops;
#[path = "../common/run.rs"]
mod run;
#[path = "scene.rs"]
mod scene;

use std::io::Write;
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use doorstep::net::build::{End, Site};
use doorstep::net::carry::{Carrier, Envelope};
use doorstep::net::configure;
use doorstep::net::delayline::PacketPort;
use doorstep::net::netns::Namespace;
use doorstep::net::tun::{Kind, Tun};
use doorstep::wire::ethernet::Mac;
use doorstep::wire::vlan::TagStack;
use serde_json::Value;

use loops::bare;
use run::program;
use scene::median;

const ADDRESSES: [Ipv4Addr; 2] = [Ipv4Addr::new(192, 0, 2, 1), Ipv4Addr::new(192, 0, 2, 2)];
const MACS: [Mac; 2] = [Mac([2, 0, 0x5e, 0, 7, 1]), Mac([2, 0, 0x5e, 0, 7, 2])];
const PORTS: [&str; 2] = ["lan0", "wan"];
const TURNS: usize = 5;
const TIME: Duration = Duration::from_secs(2);
const START_UP: Duration = Duration::from_secs(1);
/// How often each demo is started.
const DEMOS: usize = 5;

fn say(text: &str) {
    writeln!(std::io::stdout(), "{text}").expect("stdout");
}

/// Two places, a cable of single frames as a wire has them, and ports of the bench's own on both sides.
struct Cable {
    sites: [Site; 2],
}

impl Cable {
    fn lay() -> Self {
        let places = ["near", "far"].map(|label| Namespace::new(label).expect("this bench needs root"));
        let mut sites = places.each_ref().map(|place| Site::open(place).expect("netlink"));
        let ends = [0, 1].map(|n| End { site: &places[n], name: PORTS[n], mac: MACS[n].0 });
        sites[0].cable(&ends[0], &ends[1]).expect("veth");
        for n in 0..2 {
            let index = sites[n].index(PORTS[n]).expect("made");
            sites[n].single_frames(PORTS[n], index).expect("ethtool");
            sites[n].raise(PORTS[n], index).expect("up");
        }
        Self { sites }
    }

    /// A port of one's own on this side, with its address.
    fn port(&mut self, n: usize) -> Tun {
        let tun = self.sites[n].namespace().run(|| {
            let tun = Tun::open(Kind::Ip).expect("tun");
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
            runtime.block_on(configure::raise(tun.index(), 1492, None)).expect("up");
            tun
        });
        self.sites[n].address(tun.index(), IpAddr::V4(ADDRESSES[n]), 24).expect("an address");
        tun
    }

    /// Mbit/s of TCP payload through sessions that the carrier carries on both sides.
    fn by_carrier(&mut self, stack: TagStack, streams: usize) -> f64 {
        let carriers = [0, 1].map(|n| {
            let tun = self.port(n);
            let envelope = Envelope::Session { stack, own: MACS[n], peer: MACS[1 - n], number: 7 };
            self.sites[n].namespace().run(move || Carrier::start(PORTS[n], tun, envelope).expect("a carrier"))
        });
        let rate = self.rate(streams);
        let lost: u64 = carriers.iter().map(|carrier| carrier.carried().own_drops).sum();
        drop(carriers);
        if lost > 0 {
            say(&format!("  {lost} frames lost by the carriers"));
        }
        rate
    }

    /// The same with a bare copy loop: one frame a system call, an Ethernet header of 14 octets and nothing else around it.
    fn by_bare_loop(&mut self, streams: usize) -> f64 {
        let stop = Arc::new(AtomicBool::new(false));
        let mut threads = Vec::new();
        for n in 0..2 {
            let tun = Arc::new(self.port(n));
            let port = Arc::new(self.sites[n].namespace().run(move || PacketPort::open(PORTS[n]).expect("packet socket")));
            let header: Vec<u8> = [&MACS[1 - n].0[..], &MACS[n].0, &[8, 0]].concat();
            let (out, over, into, from) = (Arc::clone(&tun), Arc::clone(&stop), Arc::clone(&port), stop.clone());
            threads.push(std::thread::spawn(move || {
                let mut frame = header;
                frame.resize(2048, 0);
                while !over.load(Ordering::Relaxed) {
                    if let Ok(len) = out.receive_within(&mut frame[14..], Duration::from_millis(100)) {
                        let _ = into.send(&frame[..14 + len]);
                    }
                }
            }));
            threads.push(std::thread::spawn(move || {
                let mut frame = vec![0; 2048];
                while !from.load(Ordering::Relaxed) {
                    match port.receive_within(&mut frame, Duration::from_millis(100)) {
                        Ok(len) if len > 14 && frame[12..14] == [8, 0] => drop(tun.send(&frame[14..len])),
                        _ => {}
                    }
                }
            }));
        }
        let rate = self.rate(streams);
        stop.store(true, Ordering::Relaxed);
        threads.into_iter().for_each(|thread| thread.join().expect("no panic"));
        rate
    }

    fn rate(&self, streams: usize) -> f64 {
        bare(self.sites[0].namespace(), self.sites[1].namespace(), ADDRESSES[1], START_UP, TIME, streams)
    }
}

fn carry() {
    let mut cable = Cable::lay();
    for streams in [1, 4] {
        let mut seen: [Vec<f64>; 3] = Default::default();
        for _ in 0..TURNS {
            seen[0].push(cable.by_bare_loop(streams));
            seen[1].push(cable.by_carrier(TagStack::NONE, streams));
            seen[2].push(cable.by_carrier(TagStack::single(35), streams));
        }
        let range = |values: &[f64]| {
            let (low, high) = values.iter().fold((f64::MAX, 0.0_f64), |(low, high), v| (low.min(*v), high.max(*v)));
            format!("{:.0} Mbit/s ({low:.0} to {high:.0})", median(values.to_vec()))
        };
        let loops = median(seen[0].clone());
        say(&format!("{streams} stream(s): bare copy loop {}", range(&seen[0])));
        for (what, values) in [("session", &seen[1]), ("session in a VLAN", &seen[2])] {
            say(&format!("  {what} {}, ratio {:.2}", range(values), median(values.clone()) / loops));
        }
    }
}

/// A check in the record of a demo.
fn check<'a>(record: &'a Value, check: &str) -> &'a Value {
    let found = record["checks"].as_array().into_iter().flatten().find(|c| c["check"] == check);
    found.unwrap_or_else(|| panic!("no {check} in {record:#}"))
}

fn reading(check: &Value, name: &str) -> f64 {
    let found = check["readings"].as_array().into_iter().flatten().find(|r| r["name"] == name);
    found.unwrap_or_else(|| panic!("no {name} in {check:#}"))["value"].as_f64().expect("a number")
}

/// From the check's start until the address can be used, less what the servers took.
fn own_share() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("visit.json");
    let record = |arguments: &[&str]| {
        program(&[&["demo", "--json", "--record", path.to_str().expect("text")], arguments].concat()).record()
    };
    let mut sessions = Vec::new();
    let mut leases = Vec::new();
    for _ in 0..DEMOS {
        let visit = record(&["--access", "pppoe", "--vlan", "35"]);
        sessions.push(check(&visit, "pppoe")["facts"]["own_ms"].as_f64().expect("a number"));
        let visit = record(&[]);
        let lease = check(&visit, "dhcp4");
        let served = reading(lease, "dhcp4.offer_time") + reading(lease, "dhcp4.ack_time");
        leases.push(lease["took_ms"].as_f64().expect("a number") - served);
    }
    let text = |values: &[f64]| values.iter().map(|v| format!("{v:.1}")).collect::<Vec<_>>().join(", ");
    say(&format!("PPPoE in a VLAN, beyond the servers' times: {} ms", text(&sessions)));
    say(&format!("DHCP, the whole check beyond the servers' times: {} ms", text(&leases)));
}

fn main() {
    carry();
    own_share();
    say(&format!("check vlan over 21 places: {:.2} s by its schedule", doorstep::proto::vlan_scan::duration(21).as_secs_f64()));
}
