//! One bulk TCP stream on an OS thread: the sender and the receiver that agent and far end share.
//!
//! Large writes and reads on a blocking socket, nothing else in the loop but a look at the clock: a stream has to keep up
//! with the kernel. The socket's timeouts let it notice the end and a peer that is gone. It must not know who asked for it.

use std::io::{self, Read, Write};
use std::net::TcpStream;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::time::{Duration, Instant};

use super::api::{BUCKET_MS, StreamReceived, StreamSent};
use crate::net::tcp_info::{choose_congestion_control, tcp_info};

/// Octets per write and read: beyond this the kernel's own limit does not rise.
const CHUNK: usize = 512 * 1024;
/// Octets that a sender may have queued and not sent. Without a bound a single stream over the fastest path lost up to a
/// half in some turns (docs/performance.md); why was not looked into.
const QUEUED: u32 = 512 * 1024;
/// How long a write or read may block before the end is looked at.
const PATIENCE: Duration = Duration::from_millis(200);
/// Congestion controls that are asked for, in order: loss-based ones, so that the line's queue is filled and seen as its
/// users see it (cubic is the most used, RFC 9438).
const CONGESTION_CONTROLS: [&str; 2] = ["cubic", "reno"];

/// When a stream is to end.
#[derive(Debug)]
pub struct Until<'a> {
    /// At this time.
    pub time: Instant,
    /// Or when this is set.
    pub stop: &'a AtomicBool,
    /// Or when a sender has used these up: octets, shared by the streams of a load. Receivers count it down and go on.
    pub octets_left: &'a AtomicI64,
}

impl Until<'_> {
    fn is_over(&self) -> bool {
        self.stop.load(Ordering::Relaxed) || Instant::now() >= self.time
    }

    /// Takes from the shared budget; false when it is used up.
    fn spend(&self, octets: usize) -> bool {
        let octets = octets as i64;
        self.octets_left.fetch_sub(octets, Ordering::Relaxed) > octets
    }
}

/// Sends until the end, samples the kernel's figures, then closes the sending side.
pub fn send_bulk(mut stream: TcpStream, until: &Until<'_>) -> StreamSent {
    let congestion_control = choose_congestion_control(&stream, &CONGESTION_CONTROLS).unwrap_or_else(|_| "unknown".to_owned());
    let mut sent = StreamSent { congestion_control, ..StreamSent::default() };
    // A kernel that can't bound it queues more.
    let _ = socket2::SockRef::from(&stream).set_tcp_notsent_lowat(QUEUED);
    let prepared = stream.set_write_timeout(Some(PATIENCE));
    // Octets that do not compress: a device on the way that compresses must not pass for a fast line.
    let chunk = noise(CHUNK);
    let mut result = prepared;
    while result.is_ok() && !until.is_over() {
        match stream.write(&chunk) {
            Ok(0) => result = Err(io::ErrorKind::WriteZero.into()),
            Ok(n) => {
                sent.octets += n as u64;
                if !until.spend(n) {
                    break;
                }
            }
            Err(error) if is_pause(&error) => {}
            Err(error) => result = Err(error),
        }
    }
    if let Ok(info) = tcp_info(&stream) {
        sent.octets_sent = info.octets_sent;
        sent.octets_retransmitted = info.octets_retransmitted;
        sent.min_round_trip_ms = info.min_round_trip_us.map(|us| f64::from(us) / 1e3);
        let of_busy = |limited: Option<u64>| {
            limited.zip(info.busy_us).filter(|(_, busy)| *busy > 0).map(|(limited, busy)| limited as f64 / busy as f64)
        };
        sent.receive_window_limited = of_busy(info.receive_window_limited_us);
        sent.send_buffer_limited = of_busy(info.send_buffer_limited_us);
    }
    sent.broken_off = result.err().map(|error| error.to_string());
    // Octets still queued go on; the reader sees the end behind them.
    let _ = stream.shutdown(std::net::Shutdown::Write);
    if sent.broken_off.is_none() {
        wait_for_close(&mut stream, until);
    }
    sent
}

/// Keeps the socket until the reader has closed: dropping it with octets queued could reset the connection.
fn wait_for_close(stream: &mut TcpStream, until: &Until<'_>) {
    let deadline = until.time.max(Instant::now()) + Duration::from_secs(3);
    let _ = stream.set_read_timeout(Some(PATIENCE));
    while Instant::now() < deadline && !until.stop.load(Ordering::Relaxed) {
        match stream.read(&mut [0; 64]) {
            Err(error) if is_pause(&error) => {}
            Ok(0) | Err(_) => return,
            Ok(_) => {}
        }
    }
}

/// Receives until the sender closes or the end; counts octets per bucket since `start`.
pub fn receive_bulk(mut stream: TcpStream, start: Instant, until: &Until<'_>) -> StreamReceived {
    let mut received = StreamReceived::default();
    let mut buffer = vec![0; CHUNK];
    let mut result = stream.set_read_timeout(Some(PATIENCE));
    while result.is_ok() {
        match stream.read(&mut buffer) {
            Ok(0) => break,
            Ok(n) => {
                let bucket = (start.elapsed().as_millis() as u64 / BUCKET_MS) as usize;
                if received.buckets.len() <= bucket {
                    received.buckets.resize(bucket + 1, 0);
                }
                received.buckets[bucket] += n as u64;
                received.octets += n as u64;
                until.spend(n);
            }
            Err(error) if is_pause(&error) => {
                if until.is_over() {
                    received.unclosed = true;
                    break;
                }
            }
            Err(error) => result = Err(error),
        }
        if until.stop.load(Ordering::Relaxed) {
            break;
        }
    }
    received.broken_off = result.err().map(|error| error.to_string());
    received
}

/// A timeout of the socket, or a signal: nothing has happened to the stream.
fn is_pause(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut | io::ErrorKind::Interrupted)
}

/// Octets of a xorshift generator (Marsaglia 2003, 64 bits): the same each time, and nothing a compressor finds.
fn noise(len: usize) -> Vec<u8> {
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let mut octets = Vec::with_capacity(len + 8);
    while octets.len() < len {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        octets.extend(state.to_le_bytes());
    }
    octets.truncate(len);
    octets
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::net::TcpListener;

    fn pair() -> (TcpStream, TcpStream) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let near = TcpStream::connect(listener.local_addr().unwrap()).unwrap();
        (near, listener.accept().unwrap().0)
    }

    #[test]
    fn every_octet_that_is_sent_is_counted_on_both_sides_and_the_budget_ends_it() {
        let (near, far) = pair();
        let (stop, left, none) = (AtomicBool::new(false), AtomicI64::new(20_000_000), AtomicI64::new(i64::MAX));
        let time = Instant::now() + Duration::from_secs(20);
        let (sent, received) = std::thread::scope(|scope| {
            let start = Instant::now();
            let until = Until { time, stop: &stop, octets_left: &none };
            let receiver = scope.spawn(move || receive_bulk(far, start, &until));
            let sent = send_bulk(near, &Until { time, stop: &stop, octets_left: &left });
            (sent, receiver.join().unwrap())
        });
        assert_eq!(sent.octets, received.octets);
        assert!((20_000_000..20_000_000 + CHUNK as u64 + 1).contains(&sent.octets), "{}", sent.octets);
        assert_eq!(received.buckets.iter().sum::<u64>(), received.octets);
        assert_eq!((sent.broken_off, received.broken_off), (None, None));
    }

    #[test]
    fn a_peer_that_is_gone_ends_the_sender_with_the_reason() {
        let (near, far) = pair();
        drop(far);
        let (stop, left) = (AtomicBool::new(false), AtomicI64::new(i64::MAX));
        let sent = send_bulk(near, &Until { time: Instant::now() + Duration::from_secs(20), stop: &stop, octets_left: &left });
        assert!(sent.broken_off.is_some());
    }

    #[test]
    fn a_silent_sender_ends_the_receiver_at_its_time_and_is_told() {
        let (_near, far) = pair();
        let (stop, left) = (AtomicBool::new(false), AtomicI64::new(i64::MAX));
        let until = Until { time: Instant::now() + Duration::from_millis(50), stop: &stop, octets_left: &left };
        assert!(receive_bulk(far, Instant::now(), &until).unclosed);
    }
}
