//! What the practice line can carry and how punctual its delay is, on this machine: figures, no verdicts.
//!
//! `cargo bench --bench delay_line` (as root). About 45 s. All traffic stays in namespaces made here.

use std::io::{Read, Write};
use std::net::{IpAddr, TcpListener, TcpStream, UdpSocket};
use std::time::{Duration, Instant};

use doorstep::practice::topology::{FAR_END_V6, LAPTOP_V6};
use doorstep::practice::{Impairment, Impairments, LineConfig, Node, PracticeLine, Services, Shape, Shaper};

const FAR_END: IpAddr = IpAddr::V6(FAR_END_V6);
const LAPTOP: IpAddr = IpAddr::V6(LAPTOP_V6);

fn build(config: LineConfig) -> PracticeLine {
    PracticeLine::build(LineConfig { services: Services::NONE, ..config }).expect("root, veth, tbf, nf_tables")
}

fn delayed(delay_ms: u64) -> LineConfig {
    let both = Impairments::both(Impairment::delayed(Duration::from_millis(delay_ms)));
    LineConfig { access: both, ..LineConfig::default() }
}

fn say(text: String) {
    writeln!(std::io::stdout(), "{text}").expect("stdout");
}

/// TCP payload received at the laptop in Mbit/s, over the third and fourth second.
fn download(line: &PracticeLine, streams: usize) -> f64 {
    let listener = line.namespace(Node::FarEnd).run(|| TcpListener::bind((FAR_END, 5005))).expect("bind");
    let senders: Vec<_> = (0..streams)
        .map(|_| {
            let near = line.namespace(Node::Laptop).run(|| TcpStream::connect((FAR_END, 5005))).expect("connect");
            let (mut far, _) = listener.accept().expect("accept");
            let sending = std::thread::spawn(move || {
                let block = vec![0; 128 << 10];
                while far.write_all(&block).is_ok() {}
            });
            (near, sending)
        })
        .collect();
    let begin = Instant::now();
    let readers: Vec<_> = senders
        .into_iter()
        .map(|(mut near, sending)| {
            std::thread::spawn(move || {
                let (mut block, mut octets) = (vec![0; 256 << 10], 0);
                while begin.elapsed() < Duration::from_secs(4) {
                    let len = near.read(&mut block).expect("the sender goes on");
                    if begin.elapsed() >= Duration::from_secs(2) {
                        octets += len;
                    }
                }
                drop(near);
                sending.join().expect("no panic");
                octets
            })
        })
        .collect();
    let octets: usize = readers.into_iter().map(|r| r.join().expect("no panic")).sum();
    octets as f64 * 8.0 / 2.0 / 1e6
}

/// One-way delays up, in ms, sorted: 1000 datagrams, one per ms.
fn delays(line: &PracticeLine) -> Vec<f64> {
    let receiver = line.namespace(Node::FarEnd).run(|| UdpSocket::bind((FAR_END, 7007))).expect("bind");
    receiver.set_read_timeout(Some(Duration::from_millis(500))).expect("timeout");
    let sender = line.namespace(Node::Laptop).run(|| UdpSocket::bind((LAPTOP, 0))).expect("bind");
    let sending = std::thread::spawn(move || {
        (0..1000u32)
            .map(|n| {
                std::thread::sleep(Duration::from_millis(1));
                let at = Instant::now();
                sender.send_to(&n.to_be_bytes(), (FAR_END, 7007)).expect("send");
                at
            })
            .collect::<Vec<_>>()
    });
    let mut arrived = Vec::new();
    let mut payload = [0; 4];
    while receiver.recv(&mut payload).is_ok() {
        arrived.push((u32::from_be_bytes(payload) as usize, Instant::now()));
    }
    let sent = sending.join().expect("no panic");
    let mut delays: Vec<f64> = arrived.iter().map(|(n, at)| at.duration_since(sent[*n]).as_secs_f64() * 1e3).collect();
    delays.sort_by(f64::total_cmp);
    delays
}

fn say_delays(name: &str, line: &PracticeLine) {
    let _ = delays(line); // addresses resolved, pages touched
    let delays = delays(line);
    let at = |q: f64| delays[((delays.len() - 1) as f64 * q) as usize];
    say(format!(
        "{name}: {} of 1000 arrived, min {:.3} p50 {:.3} p95 {:.3} p99 {:.3} max {:.3} ms",
        delays.len(),
        at(0.0),
        at(0.5),
        at(0.95),
        at(0.99),
        at(1.0)
    ));
}

fn main() {
    let start = Instant::now();
    drop(build(delayed(1)));
    say(format!("line with one delay line built and taken down: {:.0} ms", start.elapsed().as_secs_f64() * 1e3));
    say_delays("one way without a delay line", &build(LineConfig::default()));
    say_delays("one way, 10 ms set", &build(delayed(10)));
    for (name, config, streams) in [
        ("no delay line, 1 stream", LineConfig::default(), 1),
        (
            "delay line 0.1 ms, 1 stream",
            LineConfig { access: Impairments::both(Impairment::delayed(Duration::from_micros(100))), ..LineConfig::default() },
            1,
        ),
        ("delay line 5 ms each way, 1 stream", delayed(5), 1),
        ("delay line 5 ms each way, 4 streams", delayed(5), 4),
        ("delay line's own bucket at 940 Mbit/s, 1 stream", own_bucket(940.0), 1),
    ] {
        let line = build(config);
        let rate = download(&line, streams);
        say(format!("{name}: {rate:.0} Mbit/s of TCP payload, {} frames lost by the line itself", line.own_drops()));
    }
    for mbit in [16.0, 100.0, 500.0, 940.0, 2500.0] {
        let line = build(LineConfig { down: Shape::ethernet_mbit(mbit), shaper: Shaper::Kernel, ..LineConfig::default() });
        // 1428 octets of TCP payload over IPv6 with time stamps in a frame of 1514.
        let (rate, ideal) = (download(&line, 1), mbit * 1428.0 / 1514.0);
        say(format!(
            "kernel's bucket at {mbit} Mbit/s: {rate:.2} of {ideal:.2} Mbit/s of TCP payload ({:+.2} %)",
            (rate / ideal - 1.0) * 100.0
        ));
    }
}

fn own_bucket(mbit: f64) -> LineConfig {
    LineConfig { down: Shape::ethernet_mbit(mbit), shaper: Shaper::DelayLine, ..LineConfig::default() }
}
