//! What it costs to watch channels of television: eight at 20 Mbit/s at once, on one thread, against a plain loop that receives the same and looks at nothing.
//!
//! `cargo bench --bench channels` (as root). About a minute. Two namespaces with a cable; the two take turns, medians. All traffic stays in them and ends by itself.

#[path = "scene.rs"]
mod scene;

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use doorstep::check::stream::receive::Listener;
use doorstep::net::datagrams::{Batch, Bulk, BulkSocket, MOST_AT_ONCE, Marked, wait_for_any};
use doorstep::net::netns::Namespace;
use doorstep::proto::tv_source::{Settings, TvSource};
use nix::time::{ClockId, clock_gettime};

use scene::{FAR, NEAR, cable, median, say};

const CHANNELS: usize = 8;
const RATE: u64 = 20_000_000;
const TURNS: usize = 5;
const TIME: Duration = Duration::from_secs(4);

fn address(channel: usize) -> SocketAddr {
    SocketAddr::new(NEAR.into(), 5000 + 10 * channel as u16)
}

/// Sends all channels until told to stop; returns how many datagrams went.
fn send(far: &Namespace, stop: &AtomicBool) -> u64 {
    let local = SocketAddr::new(FAR.into(), 0);
    let socket = far
        .run(move || BulkSocket::open(&Bulk { local, device: None, dscp: 0, buffer: 8 << 20, joins: false }))
        .expect("a socket");
    let mut sources: Vec<TvSource> =
        (0..CHANNELS).map(|_| TvSource::new(Settings { rate: RATE, ..Settings::default() }).expect("can be made")).collect();
    let mut datagrams = vec![Vec::new(); CHANNELS];
    let (begin, mut sent) = (Instant::now(), 0);
    while !stop.load(Ordering::Relaxed) {
        std::thread::sleep(sources[0].next_due().saturating_sub(begin.elapsed()));
        for (source, datagram) in sources.iter_mut().zip(&mut datagrams) {
            datagram.clear();
            source.datagram(datagram);
        }
        let marked: Vec<Marked<'_>> = datagrams
            .iter()
            .enumerate()
            .map(|(channel, octets)| Marked { octets, to: address(channel), dscp: None, stamped: false })
            .collect();
        let mut at = 0;
        while at < marked.len() {
            at += socket.send_each(&marked[at..]).unwrap_or(0);
        }
        sent += CHANNELS as u64;
    }
    sent
}

fn spent() -> Duration {
    clock_gettime(ClockId::CLOCK_THREAD_CPUTIME_ID).expect("the thread has a clock").into()
}

/// Share of a core, datagrams and drops of the watcher.
fn watching(near: &Namespace) -> (f64, u64, u64) {
    let addresses: Vec<SocketAddr> = (0..CHANNELS).map(address).collect();
    let mut listener = near.run(move || Listener::open(&addresses, None)).expect("sockets");
    let (begin, before) = (Instant::now(), spent());
    listener.run(TIME, &AtomicBool::new(false)).expect("poll");
    let share = (spent() - before).as_secs_f64() / begin.elapsed().as_secs_f64();
    let (watched, now_ns) = listener.finish();
    let (mut datagrams, mut dropped) = (0, 0);
    for one in &watched {
        let report = one.watch.report(now_ns);
        datagrams += report.datagrams;
        dropped += u64::from(one.dropped);
        let lost = report.flow.map_or(0, |flow| flow.lost);
        assert!(lost <= u64::from(one.dropped), "{lost} lost, {} dropped here", one.dropped);
    }
    (share, datagrams, dropped)
}

/// The same of a loop that only receives.
fn bare(near: &Namespace) -> (f64, u64, u64) {
    let open = |channel: usize| {
        near.run(move || {
            let socket =
                BulkSocket::open(&Bulk { local: address(channel), device: None, dscp: 0, buffer: 4 << 20, joins: false })?;
            socket.stamp_arrivals()?;
            std::io::Result::Ok(socket)
        })
        .expect("a socket")
    };
    let sockets: Vec<BulkSocket> = (0..CHANNELS).map(open).collect();
    let all: Vec<&BulkSocket> = sockets.iter().collect();
    let (mut batch, mut datagrams) = (Batch::of(MOST_AT_ONCE), 0);
    let (begin, before) = (Instant::now(), spent());
    while begin.elapsed() < TIME {
        let ready = wait_for_any(&all, Duration::from_millis(50)).expect("poll");
        std::thread::sleep(Duration::from_millis(4));
        for (socket, _) in sockets.iter().zip(ready).filter(|(_, ready)| *ready) {
            while let Ok(got) = socket.receive(&mut batch) {
                datagrams += got as u64;
                if got < MOST_AT_ONCE {
                    break;
                }
            }
        }
    }
    ((spent() - before).as_secs_f64() / begin.elapsed().as_secs_f64(), datagrams, 0)
}

fn main() {
    let (places, _) = cable();
    let stop = Arc::new(AtomicBool::new(false));
    let [near, far] = places;
    let sending = {
        let stop = Arc::clone(&stop);
        std::thread::spawn(move || send(&far, &stop))
    };
    let (mut plain, mut ours) = (Vec::new(), Vec::new());
    for _ in 0..TURNS {
        let (share, datagrams, _) = bare(&near);
        say(&format!("plain loop: {:.1} % of a core, {datagrams} datagrams", share * 100.0));
        plain.push(share);
        let (share, datagrams, dropped) = watching(&near);
        say(&format!("watching: {:.1} % of a core, {datagrams} datagrams, {dropped} dropped here", share * 100.0));
        ours.push(share);
    }
    stop.store(true, Ordering::Relaxed);
    let sent = sending.join().expect("no panic");
    let (p, o) = (median(plain), median(ours));
    let mbit = CHANNELS as u64 * RATE / 1_000_000;
    say(&format!(
        "{CHANNELS} channels, {mbit} Mbit/s in all ({sent} datagrams sent): plain loop {:.1} %, watching {:.1} % of a core, ratio {:.2}",
        p * 100.0,
        o * 100.0,
        o / p
    ));
}
