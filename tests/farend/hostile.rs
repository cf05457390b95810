//! Peers that mean harm, or know no better: they get nothing, and others are served beside them.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream, UdpSocket};
use std::time::Duration;

use crate::support::{Host, LOOPBACK, open};

/// What a peer gets back for octets, until the close or 2 s.
fn answer(to: SocketAddr, octets: &[u8]) -> Vec<u8> {
    let mut stream = TcpStream::connect_timeout(&to, Duration::from_secs(2)).expect("it listens");
    stream.set_read_timeout(Some(Duration::from_secs(2))).expect("a socket");
    let _ = stream.write_all(octets);
    let mut got = Vec::new();
    let _ = stream.take(1 << 20).read_to_end(&mut got);
    got
}

#[tokio::test]
async fn garbage_on_every_port_gets_nothing_and_the_service_goes_on() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let mut service = host.serve();
    let samples: [&[u8]; 5] =
        [b"", b"GET / HTTP/1.1\r\nHost: far.example.net\r\n\r\n", &[0; 32], &[0xff; 4096], &[0x16, 3, 1, 0xff, 0xff]];
    for sample in samples {
        assert!(answer(host.data(), sample).is_empty(), "the data port gave octets to a stranger");
        let told = answer(host.control(), sample);
        // TLS may answer with an alert (RFC 8446 section 6): content type 21, two octets. Nothing else.
        assert!(told.is_empty() || told[0] == 21 && told.len() <= 7, "{told:02x?}");
        let udp = UdpSocket::bind((LOOPBACK, 0)).expect("loopback");
        udp.set_read_timeout(Some(Duration::from_millis(200))).expect("a socket");
        udp.send_to(sample, host.stamp()).expect("sent");
        let mut buffer = [0; 8192];
        // Never more octets than came in: a reflector must not amplify.
        if let Ok(n) = udp.recv(&mut buffer) {
            assert!(n <= sample.len(), "{} octets in, {n} out", sample.len());
        }
    }
    open(&invited).await.expect("it goes on");
    service.wait_for("fingerprint");
}

#[tokio::test]
async fn connections_that_say_nothing_hold_up_nobody() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let _service = host.serve();
    let silent: Vec<TcpStream> = (0..150)
        .flat_map(|_| [host.control(), host.data()])
        .map(|at| TcpStream::connect_timeout(&at, Duration::from_secs(2)).expect("it listens"))
        .collect();
    open(&invited).await.expect("served beside the silent ones");
    drop(silent);
}

#[tokio::test]
async fn more_silent_connections_than_there_are_places_are_put_out_in_time() {
    let host = Host::new();
    let invited = host.invite("van-7");
    let _service = host.serve();
    let silent: Vec<TcpStream> = (0..300)
        .map(|_| TcpStream::connect_timeout(&host.control(), Duration::from_secs(2)).expect("the queue takes it"))
        .collect();
    // A handshake has 5 s; then all places are free at once. The agent itself waits 8 s for an answer.
    open(&invited).await.expect("served when the silent ones are put out");
    drop(silent);
}
