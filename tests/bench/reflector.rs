//! What the far end's reflector answers, against a plain loop that sends back what it receives, over the same cable in the same run; and against the
//! same loop when it has the kernel tell what the standard has a reflector know of each packet: arrival stamp, TTL, traffic class.
//!
//! `cargo bench --bench reflector` (as root). About three minutes. The three take turns; ratios are those of the medians. All traffic stays in two
//! namespaces made here; every load ends by itself.

#[path = "scene.rs"]
mod scene;

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use doorstep::farend::reflector::ReflectorService;
use doorstep::net::datagrams::{Batch, Bulk, BulkSocket, MOST_AT_ONCE, Marked};
use doorstep::net::netns::Namespace;
use doorstep::proto::stamp::reflector::{Admission, Config, Reflector};
use doorstep::wire::stamp::{ErrorEstimate, Key, Sender, Timestamp};
use tokio_util::sync::CancellationToken;

use scene::{FAR, NEAR, cable, median, say};

const TURNS: usize = 5;
const TIME: Duration = Duration::from_secs(2);
/// Requests under way at once: enough that neither side waits, few enough that no queue drops.
const UNDER_WAY: usize = 512;
const SECRET: &[u8] = b"the bench's key of thirty-two oc";

/// Everybody may come: who may is looked up as the far end's table does, one lock and one search a packet.
struct Everybody(std::sync::Mutex<Key>);

impl Admission for Everybody {
    fn key(&self, _: u16) -> Option<Key> {
        self.0.lock().ok().map(|key| key.clone())
    }

    fn allows(&self, _: SocketAddr) -> bool {
        self.0.lock().is_ok()
    }
}

fn open(place: &Namespace, at: Ipv4Addr, port: u16) -> BulkSocket {
    place.run(move || {
        let local = SocketAddr::new(at.into(), port);
        BulkSocket::open(&Bulk { local, device: None, dscp: 0, buffer: 64 << 20, joins: false }).expect("a socket")
    })
}

/// Requests of so many senders, told apart by their session identifier (RFC 8972 section 3).
fn requests(senders: u16, key: Option<&Key>) -> Vec<Vec<u8>> {
    let error_estimate = ErrorEstimate::of_seconds(1e-3, false);
    (1..=senders)
        .map(|ssid| {
            let mut packet = vec![0; if key.is_some() { 112 } else { 44 }];
            Sender { sequence: 1, timestamp: Timestamp::ntp_from_unix_ns(1), error_estimate, ssid }.emit(key, &mut packet);
            packet
        })
        .collect()
}

/// Answers per second that come back.
fn rate(near: &Namespace, to: SocketAddr, requests: &[Vec<u8>]) -> f64 {
    let socket = open(near, NEAR, 0);
    let (mut batch, mut next, mut under_way, mut answers) = (Batch::of(MOST_AT_ONCE), 0, 0_usize, 0_u64);
    let (begin, mut heard) = (Instant::now(), Instant::now());
    while begin.elapsed() < TIME {
        if under_way < UNDER_WAY {
            let marked: Vec<Marked<'_>> = (0..MOST_AT_ONCE)
                .map(|at| Marked { octets: &requests[(next + at) % requests.len()], to, dscp: None, stamped: false })
                .collect();
            let sent = socket.send_each(&marked).unwrap_or(0);
            next += sent;
            under_way += sent;
        }
        match socket.receive(&mut batch) {
            Ok(got) => {
                answers += got as u64;
                under_way = under_way.saturating_sub(got);
                heard = Instant::now();
            }
            Err(_) if under_way >= UNDER_WAY => {
                socket.wait(false, Duration::from_millis(2)).expect("poll");
                // What a queue dropped is not waited for.
                if heard.elapsed() > Duration::from_millis(20) {
                    under_way = 0;
                }
            }
            Err(_) => {}
        }
    }
    answers as f64 / TIME.as_secs_f64()
}

/// A loop that sends back what it receives, each by itself as recvmmsg and sendmmsg have it; `asks`: the kernel tells of each what RFC 8762
/// section 4.3 and RFC 8972 section 4.4 have a reflector know.
fn bare(far: &Namespace, stop: &Arc<AtomicBool>, asks: bool) -> (SocketAddr, std::thread::JoinHandle<()>) {
    let socket = open(far, FAR, 7);
    if asks {
        socket.stamp_arrivals().and_then(|()| socket.hear_markings()).expect("the kernel tells");
    }
    let stop = Arc::clone(stop);
    let thread = std::thread::spawn(move || {
        let mut batch = Batch::of(MOST_AT_ONCE);
        while !stop.load(Ordering::Relaxed) {
            socket.wait(false, Duration::from_millis(50)).expect("poll");
            while socket.receive(&mut batch).is_ok() {
                let replies: Vec<Marked<'_>> = batch
                    .arrived()
                    .filter_map(|one| Some(Marked { octets: one.octets, to: one.from?, dscp: None, stamped: false }))
                    .collect();
                let mut at = 0;
                while at < replies.len() {
                    at += socket.send_each(&replies[at..]).unwrap_or(1);
                }
            }
        }
    });
    (SocketAddr::new(FAR.into(), 7), thread)
}

fn main() {
    let (places, _) = cable();
    let key = Key::new(SECRET);
    for (form, key_of) in [("unauthenticated", None), ("authenticated", Some(&key))] {
        for senders in [1, 100, 10_000] {
            let requests = requests(senders, key_of);
            let (mut plain, mut asking, mut ours) = (Vec::new(), Vec::new(), Vec::new());
            for _ in 0..TURNS {
                for (rates, asks) in [(&mut plain, false), (&mut asking, true)] {
                    let stop = Arc::new(AtomicBool::new(false));
                    let (at, thread) = bare(&places[1], &stop, asks);
                    rates.push(rate(&places[0], at, &requests));
                    stop.store(true, Ordering::Relaxed);
                    thread.join().expect("no panic");
                }

                let runtime = places[1].runtime(1).expect("runtime");
                let cancel = CancellationToken::new();
                let until = cancel.clone();
                let config = Config { max_rate: u32::MAX, ..Config::default() };
                let everybody = Everybody(std::sync::Mutex::new(key.clone()));
                let (tell, told) = std::sync::mpsc::channel();
                let running = runtime.spawn(async move {
                    let service =
                        ReflectorService::bind(SocketAddr::new(FAR.into(), 0), None, everybody, config).expect("a port");
                    tell.send(service.local_addr().expect("bound")).expect("waited for");
                    service.run(until).await
                });
                ours.push(rate(&places[0], told.recv().expect("bound"), &requests));
                cancel.cancel();
                let report = runtime.block_on(running).expect("no panic");
                assert_eq!(report.senders, usize::from(senders), "{report:?}");
                assert_eq!((report.counters.forged, report.counters.not_admitted, report.send_failures), (0, 0, 0));
            }
            let (p, a, o) = (median(plain), median(asking), median(ours));
            say(&format!(
                "{form}, {senders} sender(s): plain loop {:.0} k/s, the same asking {:.0} k/s, reflector {:.0} k/s, ratios {:.2} and {:.2}",
                p / 1e3,
                a / 1e3,
                o / 1e3,
                o / p,
                o / a
            ));
        }
    }
    say(&format!("memory per sender: {} octets at most", Reflector::MEMORY_PER_SENDER));
}
