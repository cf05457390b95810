//! The stamps that figures are made of, against captures at both ends of a cable, on an idle machine and on one whose cores are all
//! busy. Needs root, tcpdump and tshark.
//!
//! One machine, one clock: what tcpdump saw of a packet at either end says what the cable did to it, and our round trip less the reflector's
//! own time must be that. A capture's stamp of a packet that leaves is taken before the driver's, so where the machine was held up in between the
//! captures' figure is the larger one. That no figure is below the truth is therefore held against a line that holds packets back for a set time
//! (`twoway/figures.rs`).

#[path = "common/capture.rs"]
mod capture;
#[path = "common/server.rs"]
mod server;

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use doorstep::check::twoway::{Form, StreamPlan, StreamResult, run_stream, stream_config};
use doorstep::farend::client::StampOffer;
use doorstep::farend::reflector::{ReflectorService, SessionTable};
use doorstep::net::build::{End, Site};
use doorstep::net::netns::Namespace;
use doorstep::proto::stamp::reflector::Config;
use doorstep::unit::StampSource;
use doorstep::wire::stamp::Key;
use tokio_util::sync::CancellationToken;

use crate::capture::Capture;

const NEAR: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
const FAR: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 2);
const PACKETS: u64 = 2000;
const INTERVAL: Duration = Duration::from_millis(3);
/// What the 99th percentile of the error may be.
const MOST_NS: i64 = 20_000;
/// A machine that is held up by others may miss it once; not three times.
const TRIES: usize = 3;

struct Cable {
    places: [Namespace; 2],
}

impl Cable {
    fn new() -> Self {
        let places = ["near", "far"].map(|label| Namespace::new(label).expect("this test needs root"));
        let [mut near, mut far] = places.each_ref().map(|place| Site::open(place).expect("netlink"));
        let [here, there] = [0, 1].map(|n| End { site: &places[n], name: "lan0", mac: [2, 0, 0x5e, 0, 3, n as u8 + 1] });
        near.cable(&here, &there).expect("veth");
        for (site, address) in [(&mut near, NEAR), (&mut far, FAR)] {
            let index = site.index("lan0").expect("made");
            site.raise("lan0", index).expect("up");
            site.address(index, IpAddr::V4(address), 24).expect("an address");
        }
        Self { places }
    }

    /// A stream over the cable, with what captures at both ends saw of it.
    fn stream(&self) -> (StreamResult, [Vec<[String; 4]>; 2]) {
        let captures = self.places.each_ref().map(|place| Capture::start(place, "lan0", "udp port 8862"));
        let (key, table) = (Key::new(b"a key of this test's own"), SessionTable::default());
        let ssid = table.admit(NEAR.into(), key.clone()).expect("room");
        let cancel = CancellationToken::new();
        let (stop, (tell, told)) = (cancel.clone(), std::sync::mpsc::channel());
        let reflector = self.places[1].spawn("reflector", move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
            runtime.block_on(async move {
                let at = SocketAddr::new(FAR.into(), 8862);
                let service = ReflectorService::bind(at, None, table, Config::default()).expect("a port");
                tell.send(()).expect("waited for");
                service.run(stop).await
            })
        });
        told.recv().expect("the reflector is up");
        let offer = StampOffer { port: 8862, ssid, key: Some(key) };
        let result = self.places[0].run(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime");
            let plan = |count, interval| StreamPlan { device: Some("lan0".into()), dscp: 0, count: Some(count), interval };
            let config = |plan| stream_config(FAR.into(), &offer, Form::Offered, plan);
            runtime.block_on(async {
                run_stream(config(plan(PACKETS, INTERVAL)), CancellationToken::new(), |_| {}).await.expect("a socket")
            })
        });
        cancel.cancel();
        reflector.join().expect("no panic");
        let fields = ["frame.time_epoch", "ip.src", "udp.payload", "udp.srcport"];
        (result, captures.map(|capture| capture.end(fields)))
    }
}

/// When packets from an address, by their first four octets (RFC 8762: the sequence number), passed a capture, in nanoseconds.
fn passed(rows: &[[String; 4]], from: Ipv4Addr) -> BTreeMap<u32, i64> {
    let number = |hex: &str| u32::from_str_radix(&hex.replace(':', "")[..8], 16).expect("hex");
    let nanos = |text: &str| {
        let (seconds, fraction) = text.split_once('.').expect("a time with a fraction");
        let fraction = format!("{fraction:0<9}");
        seconds.parse::<i64>().expect("seconds") * 1_000_000_000 + fraction[..9].parse::<i64>().expect("nanoseconds")
    };
    rows.iter().filter(|row| row[1] == from.to_string()).map(|row| (number(&row[2]), nanos(&row[0]))).collect()
}

/// Our round trip less the cable's by both captures, per packet, its size in nanoseconds, ascending.
fn errors(result: &StreamResult, [near, far]: &[Vec<[String; 4]>; 2]) -> Vec<i64> {
    let (left, came) = (passed(near, NEAR), passed(near, FAR));
    let (arrived, answered) = (passed(far, NEAR), passed(far, FAR));
    // Nothing is lost on a bare cable, so the reflector's number is the sender's.
    let error = |(number, ours): (u32, Option<i64>)| {
        let (there, back) = (arrived.get(&number)? - left.get(&number)?, came.get(&number)? - answered.get(&number)?);
        Some((ours? - there - back).abs())
    };
    let mut errors: Vec<i64> = (0..).zip(result.account.round_trip.iter().copied()).filter_map(error).collect();
    errors.sort_unstable();
    errors
}

fn assert_exact(what: &str, cable: &Cable) {
    let mut seen = Vec::new();
    for _ in 0..TRIES {
        let (result, captures) = cable.stream();
        assert_eq!(result.account.stamped_by, Some(StampSource::Kernel), "{what}");
        assert_eq!(result.account.lost, 0, "{what}: nothing is lost on a cable");
        let errors = errors(&result, &captures);
        assert!(errors.len() as u64 >= PACKETS * 99 / 100, "{what}: both captures have {} of {PACKETS}", errors.len());
        let at = |share: f64| errors[((errors.len() as f64 * share).ceil() as usize).max(1) - 1];
        let (median, tail, most) = (at(0.5), at(0.99), errors[errors.len() - 1]);
        println!("{what}: {} round trips, error p50 {median} ns, p99 {tail} ns, most {most} ns", errors.len());
        seen.push(tail);
        if tail < MOST_NS {
            return;
        }
    }
    panic!("{what}: the 99th percentile of the error is never below {MOST_NS} ns: {seen:?}");
}

#[test]
fn round_trips_are_those_of_the_cable_on_an_idle_and_on_a_busy_machine() {
    let cable = Cable::new();
    // Addresses are resolved beforehand.
    cable.stream();
    assert_exact("idle", &cable);
    // A thread for each core that does nothing but run, for at most two minutes.
    let (stop, until) = (Arc::new(AtomicBool::new(false)), Instant::now() + Duration::from_secs(120));
    let cores = std::thread::available_parallelism().map_or(2, usize::from);
    let busy: Vec<_> = (0..cores)
        .map(|_| {
            let stop = Arc::clone(&stop);
            std::thread::spawn(move || {
                while !stop.load(Ordering::Relaxed) && Instant::now() < until {
                    std::hint::spin_loop();
                }
            })
        })
        .collect();
    let loaded = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| assert_exact("all cores busy", &cable)));
    stop.store(true, Ordering::Relaxed);
    busy.into_iter().for_each(|thread| thread.join().expect("no panic"));
    if let Err(panic) = loaded {
        std::panic::resume_unwind(panic);
    }
}
