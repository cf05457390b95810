//! What the tests share: a line with a laptop address, a reflector on the far end's host, streams to it.

use std::io::{BufRead, BufReader};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::process::{Child, Stdio};
use std::thread::JoinHandle;
use std::time::Duration;

use doorstep::check::twoway::{Form, StreamConfig, StreamPlan, StreamResult, run_stream, stream_config};
use doorstep::farend::client::StampOffer;
use doorstep::farend::reflector::{ReflectorHandle, ReflectorReport, ReflectorService, SessionTable};
use doorstep::practice::topology::{LAPTOP_PORT, LAPTOP_V6};
use doorstep::practice::{Node, PracticeLine};
use doorstep::proto::stamp::reflector::Config;
use doorstep::wire::stamp::Key;
use serde_json::Value;
use tokio_util::sync::CancellationToken;

pub(crate) use crate::lab::{bare, build, on_laptop};

pub(crate) const FAR_END_V4: Ipv4Addr = Ipv4Addr::new(203, 0, 113, 10);
pub(crate) const FAR_END_V6: Ipv6Addr = Ipv6Addr::new(0x2001, 0xdb8, 0x203, 0, 0, 0, 0, 0x10);
/// What the gateway's address translation makes of the laptop.
pub(crate) const GATEWAY_WAN_V4: Ipv4Addr = Ipv4Addr::new(198, 51, 100, 2);
/// Key of the tests' session (invented).
pub(crate) const SECRET: &str = "key-of-the-twoway-tests-32-octet";
pub(crate) const PORT: u16 = 862;

/// A reflector on the far end's host, on a thread of its own inside the namespace.
pub(crate) struct FarEnd {
    pub(crate) handle: ReflectorHandle,
    pub(crate) offer: StampOffer,
    /// Kernel id of the thread that it runs on.
    pub(crate) thread: i32,
    cancel: CancellationToken,
    running: Option<JoinHandle<ReflectorReport>>,
}

impl FarEnd {
    /// Starts it at an address, with one session let in from where the laptop's packets come from.
    pub(crate) fn start(line: &PracticeLine, address: IpAddr) -> Self {
        let table = SessionTable::default();
        let source = match address {
            IpAddr::V4(_) => GATEWAY_WAN_V4.into(),
            IpAddr::V6(_) => LAPTOP_V6.into(),
        };
        let key = Key::new(SECRET.as_bytes());
        let ssid = table.admit(source, key.clone()).expect("room");
        let cancel = CancellationToken::new();
        let (tell, told) = std::sync::mpsc::channel();
        let stop = cancel.clone();
        let running = line.namespace(Node::FarEnd).spawn("reflector", move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
            runtime.block_on(async move {
                let service = ReflectorService::bind(SocketAddr::new(address, PORT), None, table, Config::default());
                let service = service.expect("port 862");
                tell.send((service.handle(), nix::unistd::gettid().as_raw())).expect("the test waits");
                service.run(stop).await
            })
        });
        let (handle, thread) = told.recv().expect("the reflector is up");
        let offer = StampOffer { port: PORT, ssid, key: Some(key) };
        Self { handle, offer, thread, cancel, running: Some(running) }
    }

    /// Ends it and waits.
    pub(crate) fn stop(&mut self) -> ReflectorReport {
        self.cancel.cancel();
        self.running.take().expect("still running").join().expect("no panic")
    }
}

impl Drop for FarEnd {
    fn drop(&mut self) {
        self.cancel.cancel();
        if let Some(running) = self.running.take() {
            let _ = running.join();
        }
    }
}

/// A stream of so many packets to a far end.
pub(crate) fn stream(far_end: &FarEnd, address: IpAddr, form: Form, count: u64, interval: Duration) -> StreamConfig {
    let plan = StreamPlan { device: Some(LAPTOP_PORT.to_owned()), dscp: 46, count: Some(count), interval };
    stream_config(address, &far_end.offer, form, plan)
}

/// Runs it from the laptop.
pub(crate) fn run(line: &PracticeLine, config: StreamConfig) -> StreamResult {
    on_laptop(line, move || async move {
        run_stream(config, CancellationToken::new(), |_| {}).await.expect("a socket on the laptop's port")
    })
}

/// Sends a few packets first, so that no address has to be resolved during the measurement.
pub(crate) fn warm_up(line: &PracticeLine, far_end: &FarEnd, address: IpAddr) {
    for _ in 0..10 {
        let config = stream(far_end, address, Form::Offered, 5, Duration::from_millis(5));
        if run(line, config).account.lost < 5 {
            return;
        }
    }
    panic!("{address} does not answer");
}

/// The independent reader on a port of a place. Dropping it ends its process.
pub(crate) struct Reader {
    child: Child,
    lines: Box<dyn Iterator<Item = String> + Send>,
}

impl Reader {
    pub(crate) fn start(line: &PracticeLine, node: Node, port: &str, count: u64) -> Self {
        let mut child = line
            .namespace(node)
            .command("python3")
            .args(["-c", include_str!("stamp_reader.py"), port, &PORT.to_string(), &count.to_string(), "30", SECRET])
            .stdout(Stdio::piped())
            .spawn()
            .expect("this test needs python3");
        let mut lines = BufReader::new(child.stdout.take().expect("piped")).lines().map_while(Result::ok);
        assert_eq!(lines.next().as_deref(), Some("ready"), "the reader listens");
        Self { child, lines: Box::new(lines) }
    }

    /// All packets that it saw; it ends by itself.
    pub(crate) fn packets(&mut self) -> Vec<Value> {
        self.lines.by_ref().map(|line| serde_json::from_str(&line).expect("JSON")).collect()
    }
}

impl Drop for Reader {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
