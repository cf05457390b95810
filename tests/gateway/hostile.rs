//! Gateways that mean harm: they lead to another host, redirect, never end, never begin, or talk nonsense.

use std::io::{Read, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use doorstep::practice::Node;
use doorstep::practice::topology::{EDGE_V4, GATEWAY_LAN_V4};
use doorstep::wire::igd::{Description, Kind, Service, ServiceType};
use doorstep::wire::ssdp::{Found, GATEWAY, Search};

use crate::scene::Scene;

const PORT: u16 = 5001;

/// What it does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Hostile {
    /// Its answer to the search names another host's description.
    LeadsElsewhere,
    /// Its description starts from another host's URL.
    BaseElsewhere,
    /// Its services are on another host.
    ControlElsewhere,
    /// Its description is moved to another host.
    Redirects,
    /// Its description has no end.
    Endless,
    /// It takes the connection and says nothing.
    Silent,
    /// Its description is none.
    Garbage,
}

/// It, running, with a host elsewhere that counts who comes.
pub(crate) struct Running {
    stop: Arc<AtomicBool>,
    elsewhere: Arc<AtomicUsize>,
    threads: Vec<JoinHandle<()>>,
}

impl Running {
    /// Connections that the other host was asked for.
    pub(crate) fn asked_elsewhere(self) -> usize {
        self.elsewhere.load(Ordering::Relaxed)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        self.threads.drain(..).for_each(|thread| drop(thread.join()));
    }
}

impl Hostile {
    pub(crate) fn start(self, scene: &Scene) -> Running {
        let stop = Arc::new(AtomicBool::new(false));
        let elsewhere = Arc::new(AtomicUsize::new(0));
        let other = scene.line.namespace(Node::Edge).run(|| TcpListener::bind((EDGE_V4, PORT)).expect("a port"));
        let (searches, pages) = scene.gateway().run(|| {
            let searches = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 1900)).expect("a port");
            (searches, TcpListener::bind((GATEWAY_LAN_V4, PORT)).expect("a port"))
        });
        searches.set_read_timeout(Some(Duration::from_millis(50))).expect("a time");
        let told = || Arc::clone(&stop);
        let (one, two, three, counted) = (told(), told(), told(), Arc::clone(&elsewhere));
        let threads = vec![
            std::thread::spawn(move || {
                serve(&other, &one, |_| {
                    counted.fetch_add(1, Ordering::Relaxed);
                })
            }),
            std::thread::spawn(move || serve(&pages, &two, |stream| self.answer(stream, &two))),
            std::thread::spawn(move || {
                let mut buffer = [0; 2048];
                while !three.load(Ordering::Relaxed) {
                    let Ok((len, from)) = searches.recv_from(&mut buffer) else { continue };
                    if Search::parse(&buffer[..len]).is_ok() {
                        let _ = searches.send_to(&self.found(), from);
                    }
                }
            }),
        ];
        Running { stop, elsewhere, threads }
    }

    fn found(self) -> Vec<u8> {
        let host = if self == Self::LeadsElsewhere { EDGE_V4 } else { GATEWAY_LAN_V4 };
        let location = format!("http://{host}:{PORT}/d.xml");
        let found = Found { location, target: GATEWAY.to_owned(), name: String::new(), server: String::new() };
        found.emit().expect("writable")
    }

    fn answer(self, mut stream: TcpStream, stop: &AtomicBool) {
        let _ = stream.set_read_timeout(Some(Duration::from_millis(200)));
        let _ = stream.read(&mut [0; 2048]);
        let there = format!("http://{EDGE_V4}:{PORT}/");
        let of = ServiceType { kind: Kind::CommonInterface, version: 1 };
        let mut described = Description { device: GATEWAY.to_owned(), ..Description::default() };
        let page = |text: &str| format!("HTTP/1.1 200 OK\r\nContent-Length: {}\r\n\r\n{text}", text.len());
        let text = match self {
            Self::LeadsElsewhere | Self::Garbage => page("<html><p>Welcome</html>"),
            Self::BaseElsewhere => {
                described.base = Some(there);
                described.services.push(Service { of, control: "/ctl".to_owned() });
                page(&described.emit())
            }
            Self::ControlElsewhere => {
                described.services.push(Service { of, control: format!("{there}ctl") });
                page(&described.emit())
            }
            Self::Redirects => format!("HTTP/1.1 302 Found\r\nLocation: {there}\r\nContent-Length: 0\r\n\r\n"),
            Self::Endless => {
                let _ = stream.write_all(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n");
                let chunk = format!("1000\r\n{}\r\n", "a".repeat(0x1000));
                while !stop.load(Ordering::Relaxed) && stream.write_all(chunk.as_bytes()).is_ok() {}
                return;
            }
            Self::Silent => {
                while !stop.load(Ordering::Relaxed) {
                    std::thread::sleep(Duration::from_millis(20));
                }
                return;
            }
        };
        let _ = stream.write_all(text.as_bytes());
    }
}

/// Takes connections, each in turn, until told to stop.
fn serve(listener: &TcpListener, stop: &AtomicBool, answer: impl Fn(TcpStream)) {
    listener.set_nonblocking(true).expect("a socket");
    while !stop.load(Ordering::Relaxed) {
        match listener.accept() {
            Ok((stream, _)) => {
                let _ = stream.set_nonblocking(false);
                answer(stream);
            }
            Err(_) => std::thread::sleep(Duration::from_millis(5)),
        }
    }
}
