//! The access line carries the rate set, to within 1 %.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::time::{Duration, Instant};

use doorstep::practice::topology::FAR_END_V6;
use doorstep::practice::{LineConfig, Node, PracticeLine, Shape, Shaper};
use doorstep::unit::Direction;

use crate::support::{bare, build};

/// TCP payload per Ethernet octet of a full frame: 1514 less 14 Ethernet, 40 IPv6, 20 TCP and 12 of time stamps (RFC 7323).
const PAYLOAD_SHARE: f64 = 1428.0 / 1514.0;
/// Start-up that doesn't count: slow start fills the queue, and the bucket starts full.
const START_UP: Duration = Duration::from_secs(1);
/// One measurement.
const WINDOW: Duration = Duration::from_secs(2);
/// A busy machine may starve the sender for a while: it has this long to show one undisturbed window.
const PATIENCE: Duration = Duration::from_secs(10);

/// Payload rates in Mbit/s of successive windows of one TCP stream, until one satisfies `enough` or patience ends.
fn windows(line: &PracticeLine, direction: Direction, enough: impl Fn(f64) -> bool) -> Vec<f64> {
    let listener = line.namespace(Node::FarEnd).run(|| TcpListener::bind((FAR_END_V6, 5005))).expect("bind");
    let near = line.namespace(Node::Laptop).run(|| TcpStream::connect((FAR_END_V6, 5005))).expect("connect");
    let (far, _) = listener.accept().expect("accept");
    let (mut source, mut sink) = match direction {
        Direction::Down => (far, near),
        Direction::Up => (near, far),
    };
    // A loss-driven sender keeps the queue filled; one that paces itself may stay just below the rate.
    socket2::SockRef::from(&source).set_tcp_congestion(b"reno").expect("reno is built into every kernel");
    let sending = std::thread::spawn(move || {
        let block = vec![0; 128 << 10];
        while source.write_all(&block).is_ok() {}
    });
    let mut block = vec![0; 256 << 10];
    let begin = Instant::now();
    let (mut start, mut octets, mut rates) = (None, 0u64, Vec::new());
    while begin.elapsed() < START_UP + PATIENCE {
        octets += sink.read(&mut block).expect("the sender goes on") as u64;
        let now = Instant::now();
        match start {
            None if begin.elapsed() >= START_UP => (start, octets) = (Some(now), 0),
            Some(since) if now - since >= WINDOW => {
                let rate = octets as f64 * 8.0 / (now - since).as_secs_f64() / 1e6;
                rates.push(rate);
                if enough(rate) {
                    break;
                }
                (start, octets) = (Some(now), 0);
            }
            _ => {}
        }
    }
    drop(sink);
    sending.join().expect("no panic");
    rates
}

fn assert_rate(mbit: f64, direction: Direction, shaper: Shaper) {
    let shape = Shape::ethernet_mbit(mbit);
    let (down, up) = match direction {
        Direction::Down => (shape, None),
        Direction::Up => (None, shape),
    };
    let line = build(LineConfig { down, up, shaper, ..bare() });
    let ideal = mbit * PAYLOAD_SHARE;
    let seen = windows(&line, direction, |rate| (rate / ideal - 1.0).abs() < 0.01);
    assert!(seen.iter().all(|r| *r < ideal * 1.01), "{mbit} Mbit/s {direction} by {shaper:?}: never above {ideal:.2}: {seen:?}");
    assert!(seen.iter().any(|r| *r > ideal * 0.99), "{mbit} Mbit/s {direction} by {shaper:?}: {ideal:.2} is reached: {seen:?}");
}

#[test]
fn the_kernel_keeps_16_mbit_down_to_1_percent() {
    assert_rate(16.0, Direction::Down, Shaper::Kernel);
}

#[test]
fn the_kernel_keeps_100_mbit_up_to_1_percent() {
    assert_rate(100.0, Direction::Up, Shaper::Kernel);
}

#[test]
fn the_kernel_keeps_500_mbit_down_to_1_percent() {
    assert_rate(500.0, Direction::Down, Shaper::Kernel);
}

#[test]
fn the_kernel_keeps_940_mbit_down_to_1_percent() {
    assert_rate(940.0, Direction::Down, Shaper::Kernel);
}

#[test]
fn the_delay_line_keeps_100_mbit_down_to_1_percent() {
    assert_rate(100.0, Direction::Down, Shaper::DelayLine);
}
