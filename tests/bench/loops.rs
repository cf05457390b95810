//! Plain loops of TCP that the benches measure against: streams that do nothing but write and read.

use std::io::{Read, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::time::{Duration, Instant};

use doorstep::net::netns::Namespace;

/// Loss-based as the check's streams are; every kernel has reno.
fn loss_based(stream: &TcpStream) {
    let socket = socket2::SockRef::from(stream);
    socket.set_tcp_congestion(b"cubic").or_else(|_| socket.set_tcp_congestion(b"reno")).expect("reno is built in");
}

/// Octets in Mbit/s that arrive near after a start-up, of streams that do nothing but write and read.
pub(crate) fn bare(near: &Namespace, far: &Namespace, at: Ipv4Addr, start_up: Duration, time: Duration, streams: usize) -> f64 {
    let listener = far.run(move || TcpListener::bind((at, 5005))).expect("a port");
    let pairs: Vec<(TcpStream, TcpStream)> = (0..streams)
        .map(|_| (near.run(move || TcpStream::connect((at, 5005))).expect("a cable"), listener.accept().expect("a connection").0))
        .collect();
    let begin = Instant::now();
    let threads = pairs.into_iter().map(|(mut sink, mut source)| {
        std::thread::spawn(move || {
            loss_based(&source);
            let sending = std::thread::spawn(move || {
                let block = vec![0x5a; 512 << 10];
                while source.write_all(&block).is_ok() {}
            });
            let (mut block, mut octets) = (vec![0; 512 << 10], 0_usize);
            while begin.elapsed() < start_up + time {
                let len = sink.read(&mut block).expect("the sender goes on");
                octets += if begin.elapsed() >= start_up { len } else { 0 };
            }
            drop(sink);
            sending.join().expect("no panic");
            octets
        })
    });
    let threads: Vec<_> = threads.collect();
    threads.into_iter().map(|thread| thread.join().expect("no panic")).sum::<usize>() as f64 * 8.0 / time.as_secs_f64() / 1e6
}
