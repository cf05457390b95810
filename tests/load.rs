//! One TCP stream against several, over lines on which a single one is held back for a reason that the test made. Needs root and nft.

#![allow(clippy::print_stdout, reason = "figures that the test saw are shown with --no-capture")]

#[path = "common/context.rs"]
mod context;
#[path = "common/lab.rs"]
mod lab;
#[path = "common/outcome.rs"]
mod outcome;

use std::io::Write;
use std::process::Stdio;
use std::sync::Arc;
use std::time::Duration;

use doorstep::check::throughput::Throughput;
use doorstep::check::{Check, Known};
use doorstep::farend::client::Session;
use doorstep::practice::topology::{FAR_END_V4, LAPTOP_PORT};
use doorstep::practice::{Impairment, Impairments, LineConfig, Node, PracticeLine, Services, Shape};
use doorstep::reading::{Outcome, Reading};
use doorstep::unit::{Depth, Direction, Load, Ratio};

use crate::lab::{bare, build, context, on_laptop};
use crate::outcome::codes;

/// A line of 80 Mbit/s each way with 10 ms each way, and loss on the way down.
fn line(loss: f64) -> PracticeLine {
    let up = Impairment::delayed(Duration::from_millis(10));
    let down = Impairment { loss: Ratio::new(loss).expect("a share"), ..up };
    let services = Services { far_end: true, ..Services::NONE };
    let shape = Shape::ethernet_mbit(80.0);
    build(LineConfig { down: shape, up: shape, access: Impairments { up, down }, services, seed: 3, ..bare() })
}

fn examine(line: &PracticeLine) -> Outcome {
    let mut context = context(line, Known::default(), Depth::Soak);
    let target = line.far_end_target();
    context.effort.load_time = Duration::from_secs(8);
    (context.effort.sold_down_mbit, context.effort.sold_up_mbit) = (80.0, 80.0);
    on_laptop(line, move || async move {
        let session = Session::open(&target, FAR_END_V4.into(), LAPTOP_PORT).await.expect("the far end is invited");
        context.known = Arc::new(Known { far_end: Some(Arc::new(session)), ..(*context.known).clone() });
        Throughput.run(context).await.outcome
    })
}

fn down<'a>(outcome: &'a Outcome, name: &str) -> &'a Reading {
    let found = outcome.readings.iter().find(|r| r.name == name && r.direction == Some(Direction::Down));
    found.unwrap_or_else(|| panic!("no {name}: {outcome:#?}"))
}

/// Both ways at once: each way's acknowledgements wait behind the other way's data, so the delay is at least that of one queue, and less than
/// both queues (40 ms each) with both ways' 10 ms.
#[test]
fn both_ways_at_once_have_a_rate_each_and_a_delay_of_their_own() {
    let outcome = examine(&line(0.0));
    let of =
        |name: &str, load: Load| outcome.readings.iter().filter(|r| r.name == name && r.load == Some(load)).collect::<Vec<_>>();
    for direction in [Direction::Down, Direction::Up] {
        let found = outcome.readings.iter().find(|r| r.name == "throughput.both_ways_rate" && r.direction == Some(direction));
        let rate = found.unwrap_or_else(|| panic!("no rate {direction}: {outcome:#?}")).value;
        assert!((40.0..77.0).contains(&rate), "{direction}: {rate}");
    }
    let (both, down) = (of("throughput.delay_under_load_p95", Load::Both), of("throughput.delay_under_load_p95", Load::Down));
    assert_eq!((both.len(), down.len(), both[0].direction), (1, 1, None), "{outcome:#?}");
    println!("p95 down {:.1} ms, both ways {:.1} ms", down[0].value, both[0].value);
    assert!(both[0].value > 20.0 && both[0].value < 110.0, "{:?}", both[0]);
    let drawn = |name: &str| outcome.series.iter().filter(|s| s.name == name && s.load == Some(Load::Both)).count();
    assert_eq!((drawn("throughput.tcp_payload_rate"), drawn("throughput.delay_under_load")), (2, 1));
}

#[test]
fn a_stream_alone_on_a_clean_line_is_as_good_as_several() {
    let outcome = examine(&line(0.0));
    let (one, several) =
        (down(&outcome, "throughput.single_stream_rate").value, down(&outcome, "throughput.tcp_payload_rate").value);
    assert!(one > 0.9 * several, "{one} of {several}");
    assert!(!codes(&outcome).iter().any(|code| code.starts_with("single-stream")), "{:?}", outcome.flaws);
    // RFC 6349 section 4: little is sent again, the transfer takes about the time of the sold rate, and 40 ms of queue are twice the 20 ms of the path.
    assert!(down(&outcome, "throughput.efficiency_ratio").value > 0.95);
    let ratio = down(&outcome, "throughput.transfer_time_ratio").value;
    assert!((1.0..1.3).contains(&ratio), "{ratio}");
    let growth = down(&outcome, "throughput.buffer_delay_ratio").value;
    assert!((0.3..2.5).contains(&growth), "{growth}");
}

/// RFC 6349 section 3.3.1: a window of W octets carries W in a round trip, 20 ms here.
#[test]
fn a_small_window_is_named() {
    let line = line(0.0);
    line.namespace(Node::Laptop).run(|| {
        std::fs::write("/proc/sys/net/ipv4/tcp_rmem", "4096 65536 65536").expect("root may set the namespace's buffers");
    });
    let outcome = examine(&line);
    assert!(codes(&outcome).contains(&"single-stream-window"), "{:?}", outcome.flaws);
    let rate = down(&outcome, "throughput.single_stream_rate").value;
    // The kernel gives half of the buffer as window, or all of it: 13 to 26 Mbit/s; a queue makes the round trip longer, never shorter.
    assert!((6.0..=27.0).contains(&rate), "{rate}");
}

#[test]
fn loss_is_named() {
    let outcome = examine(&line(0.005));
    let one = down(&outcome, "throughput.single_stream_rate").value;
    assert!(one < 0.9 * down(&outcome, "throughput.tcp_payload_rate").value, "{one}");
    assert!(codes(&outcome).contains(&"single-stream-loss"), "{:?}", outcome.flaws);
}

#[test]
fn a_shaper_for_each_flow_is_named() {
    let line = line(0.0);
    // 1.25 MB/s for each connection that comes from the far end: 10 Mbit/s, four of them 40 of the line's 80.
    let rules = "table inet flows {\n chain c {\n  type filter hook forward priority 0;\n  ip saddr 203.0.113.10 meta l4proto tcp \
                 meter each { tcp dport limit rate over 1250 kbytes/second burst 64 kbytes } drop\n }\n}\n";
    let mut nft =
        line.namespace(Node::Core).command("nft").args(["-f", "-"]).stdin(Stdio::piped()).spawn().expect("nft is needed");
    nft.stdin.take().expect("piped").write_all(rules.as_bytes()).expect("written");
    assert!(nft.wait().expect("it ends").success(), "the rules are taken");
    let outcome = examine(&line);
    println!("{:?} {}", outcome.flaws, outcome.facts["streams_down_single"]);
    assert!(codes(&outcome).contains(&"single-stream-shaped"), "{:?}", outcome.flaws);
}
