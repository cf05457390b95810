//! A far end of a folder of its own on loopback, and the agent's side of it.

use std::io::Write;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener, TcpStream, UdpSocket};
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicI64};
use std::time::{Duration, Instant};

use doorstep::farend::api::{LoadGrant, LoadRequest, Secret};
use doorstep::farend::client::{ClientError, FarEndTarget, Session};
use doorstep::farend::invitation;
use doorstep::farend::stream::Until;
use doorstep::unit::Direction;

use crate::run::{Ended, PROGRAM, Run};

pub(crate) const LOOPBACK: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);

/// Where a far end keeps its state, and its ports; the process comes and goes.
#[derive(Debug)]
pub(crate) struct Host {
    pub(crate) folder: tempfile::TempDir,
    ports: [u16; 3],
    capacity: &'static str,
}

impl Host {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a folder"), ports: free_ports(), capacity: "1000" }
    }

    fn command(&self) -> Command {
        let mut command = Command::new(PROGRAM);
        command
            .args(["serve", "--listen", "127.0.0.1", "--capacity", self.capacity, "--sip-port", "0", "--state"])
            .arg(self.folder.path().join("state"));
        for (option, port) in ["--control-port", "--data-port", "--stamp-port"].into_iter().zip(self.ports) {
            command.arg(option).arg(port.to_string());
        }
        command
    }

    /// Starts the service and waits until it answers.
    pub(crate) fn serve(&self) -> Run {
        let mut run = Run::start(&mut self.command());
        run.wait_for("fingerprint");
        run
    }

    /// Runs one of the actions of `serve`.
    pub(crate) fn act(&self, arguments: &[&str]) -> Ended {
        Run::start(self.command().args(arguments)).end()
    }

    /// Invites an agent, and reads its invitation.
    pub(crate) fn invite(&self, label: &str) -> FarEndTarget {
        let path = self.folder.path().join(format!("{label}.toml"));
        let out = path.to_str().expect("plain");
        let ended = self.act(&["invite", label, "--host", "127.0.0.1", "--out", out]);
        assert_eq!(ended.status, Some(0), "{ended:?}");
        invitation::read(&path).expect("an invitation")
    }

    pub(crate) fn control(&self) -> SocketAddr {
        SocketAddr::new(LOOPBACK, self.ports[0])
    }

    pub(crate) fn data(&self) -> SocketAddr {
        SocketAddr::new(LOOPBACK, self.ports[1])
    }

    pub(crate) fn stamp(&self) -> SocketAddr {
        SocketAddr::new(LOOPBACK, self.ports[2])
    }
}

/// Ports that nobody has now.
fn free_ports() -> [u16; 3] {
    let (first, second) = (TcpListener::bind((LOOPBACK, 0)), TcpListener::bind((LOOPBACK, 0)));
    let third = UdpSocket::bind((LOOPBACK, 0)).expect("loopback").local_addr();
    let of = |listener: std::io::Result<TcpListener>| listener.expect("loopback").local_addr().expect("bound").port();
    [of(first), of(second), third.expect("bound").port()]
}

pub(crate) async fn open(target: &FarEndTarget) -> Result<Session, ClientError> {
    Session::open(target, LOOPBACK, "lo").await
}

/// A load that ends soon whatever happens.
pub(crate) fn request(direction: Direction, streams: u16) -> LoadRequest {
    LoadRequest { direction, streams, time_ms: 1000, max_octets: 200_000_000, expected_mbit: 1000.0 }
}

/// Opens one stream with a secret.
pub(crate) fn stream(to: SocketAddr, secret: &Secret) -> TcpStream {
    let mut stream = TcpStream::connect_timeout(&to, Duration::from_secs(2)).expect("it listens");
    stream.write_all(&secret.octets().expect("a secret is octets")).expect("a few octets fit");
    stream
}

/// The agent's side of one stream of a load.
pub(crate) fn on_each<T: Send + 'static>(
    at: SocketAddr,
    grant: &LoadGrant,
    request: &LoadRequest,
    side: impl Fn(TcpStream, Instant, &Until<'_>) -> T + Copy + Send + 'static,
) -> Vec<T> {
    let time = Duration::from_millis(request.time_ms);
    let threads: Vec<_> = grant
        .secrets
        .iter()
        .map(|secret| {
            let stream = stream(at, secret);
            let budget = AtomicI64::new(request.max_octets as i64);
            std::thread::spawn(move || {
                let start = Instant::now();
                side(stream, start, &Until { time: start + time, stop: &AtomicBool::new(false), octets_left: &budget })
            })
        })
        .collect();
    threads.into_iter().map(|thread| thread.join().expect("a stream")).collect()
}
