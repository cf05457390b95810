//! Laptop and far end, and a User Mode Linux as the bridge between them.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
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
use crate::machine::Machine;
use crate::truth::{self, Captured};

pub(crate) const LAPTOP: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
pub(crate) const FAR_END: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 2);
const PORT: u16 = 862;

pub(crate) struct Line {
    laptop: Site,
    far_end: Site,
    _middle: Site,
    bridge: Machine,
    near: Runtime,
    cancel: CancellationToken,
    _reflector: Runtime,
    offer: StampOffer,
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
        let bridge = Machine::start(&places[1], &["u0", "u1"], include_str!("../common/bridge.sh"), &[("modules", "sch_netem")]);

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
