//! What `capacity` makes of a bare cable, against plain loops of cut and joined datagrams over the same cable in the same run.
//!
//! `cargo bench --bench capacity` (as root). About two minutes. The two take turns; the ratio is that of the medians. All traffic stays in two
//! namespaces made here; every load ends by itself.

#[path = "../common/context.rs"]
mod context;
#[path = "scene.rs"]
mod scene;

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use doorstep::check::capacity::CapacityCheck;
use doorstep::check::{Check, Known};
use doorstep::farend::client::{FarEndTarget, Session};
use doorstep::net::datagrams::{Batch, Bulk, BulkSocket, Train};
use doorstep::net::netns::Namespace;
use doorstep::unit::{Depth, Direction};

use scene::{FAR, NEAR, PORT, cable, far_end, median, say};

/// Turns of each.
const TURNS: usize = 3;
/// What is said to be sold: more than any rate that was seen, so that nothing is held back.
const SOLD_MBIT: f64 = 60_000.0;
/// IP octets per octet of UDP payload, of packets of 1500 octets.
const IP_SHARE: f64 = 1500.0 / 1472.0;

fn open(place: &Namespace, at: Ipv4Addr, port: u16) -> BulkSocket {
    place.run(move || {
        let local = SocketAddr::new(at.into(), port);
        BulkSocket::open(&Bulk { local, device: None, dscp: 0, buffer: 256 << 20, joins: true }).expect("a socket")
    })
}

/// Mbit/s at the IP layer that arrive, of loops that do nothing but send and receive; and what the queue dropped.
fn bare(places: &[Namespace]) -> (f64, u32) {
    let (sender, receiver) = (open(&places[1], FAR, 0), open(&places[0], NEAR, 5005));
    sender.connect(SocketAddr::new(NEAR.into(), 5005)).expect("connect");
    let begin = Instant::now();
    let time = Duration::from_secs(3);
    let sending = std::thread::spawn(move || {
        let octets = vec![0x5a; 1472 * 44];
        while begin.elapsed() < time {
            if sender.send(&[Train { octets: &octets, size: 1472 }]).is_err() {
                sender.wait(true, Duration::from_millis(10)).expect("poll");
            }
        }
    });
    let (mut batch, mut octets, mut dropped) = (Batch::default(), 0, 0);
    while begin.elapsed() < time {
        receiver.wait(false, Duration::from_millis(10)).expect("poll");
        while receiver.receive(&mut batch).is_ok() {
            for arrived in batch.arrived() {
                octets += arrived.octets.len();
                dropped = arrived.dropped;
            }
        }
    }
    sending.join().expect("no panic");
    (octets as f64 * 8.0 / 1e6 / time.as_secs_f64() * IP_SHARE, dropped)
}

fn by_check(runtime: &tokio::runtime::Runtime, index: u32, target: &FarEndTarget) -> [(f64, String); 2] {
    let target = target.clone();
    let work = async move {
        let session = Arc::new(Session::open(&target, FAR.into(), PORT).await.expect("the far end is there"));
        let known = Known { ipv4: Some((NEAR, 24)), far_end: Some(Arc::clone(&session)), ..Known::default() };
        let mut context = context::context_at(index, [2, 0, 0x5e, 0, 3, 1], known, Depth::Soak);
        (context.effort.sold_down_mbit, context.effort.sold_up_mbit) = (SOLD_MBIT, SOLD_MBIT);
        let outcome = CapacityCheck::default().run(context).await.outcome;
        session.close().await.expect("the far end is there");
        outcome
    };
    let outcome = runtime.block_on(runtime.spawn(work)).expect("no panic");
    [Direction::Down, Direction::Up].map(|direction| {
        let rate = outcome.readings.iter().find(|r| r.name == "capacity.ip_rate" && r.direction == Some(direction));
        let rate = rate.unwrap_or_else(|| panic!("{outcome:#?}"));
        let facts = &outcome.facts[&format!("test_{direction}")];
        let queue = if direction == Direction::Down { &facts["receive_queue"]["dropped"] } else { &facts["far_end"]["dropped"] };
        let lost: u64 = facts["sub_intervals"].as_array().expect("a list").iter().filter_map(|one| one["lost"].as_u64()).sum();
        (
            rate.value,
            format!("queue dropped {queue}, lost {lost}, {:?}", rate.limited_by.iter().map(|l| &l.what).collect::<Vec<_>>()),
        )
    })
}

fn main() {
    let (places, index) = cable();
    let (there, here) = (places[1].runtime(1).expect("runtime"), places[0].runtime(1).expect("runtime"));
    let (_server, target) = far_end(&there, None, Some(doorstep::wire::capacity::PORT));
    let (mut plain, mut down, mut up) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..TURNS {
        let (rate, dropped) = bare(&places);
        say(&format!("bare loops {:.1} Gbit/s, queue dropped {dropped}", rate / 1e3));
        plain.push(rate);
        let [(d, about_down), (u, about_up)] = by_check(&here, index, &target);
        say(&format!("capacity down {:.1} Gbit/s ({about_down})", d / 1e3));
        say(&format!("capacity up {:.1} Gbit/s ({about_up})", u / 1e3));
        down.push(d);
        up.push(u);
    }
    let (p, d, u) = (median(plain), median(down), median(up));
    say(&format!(
        "medians: bare {:.1}, down {:.1} (ratio {:.2}), up {:.1} (ratio {:.2}) Gbit/s",
        p / 1e3,
        d / 1e3,
        d / p,
        u / 1e3,
        u / p
    ));
}
