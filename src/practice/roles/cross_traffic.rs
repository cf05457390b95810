//! Another host in the home that uses the line: a steady stream of datagrams both ways, bounded in rate and time.
//!
//! It must not know that anybody measures. Datagrams do not give way to TCP, so that its share of the line is what it was
//! asked for.

use std::io;
use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::net::netns::Namespace;

/// Payload of a datagram: 1442 octets of Ethernet.
const PAYLOAD: usize = 1400;
/// Between two bursts.
const PACE: Duration = Duration::from_millis(2);
/// Datagrams of a burst at most; what a machine that was held up missed beyond that is not made up for.
const BURST: u32 = 64;
/// It ends by itself after this, whatever becomes of its owner.
const MOST_TIME: Duration = Duration::from_secs(600);

/// The running streams.
#[derive(Debug)]
pub struct CrossTraffic {
    stop: Arc<AtomicBool>,
    threads: Vec<JoinHandle<()>>,
}

impl CrossTraffic {
    /// Starts streams between a place in the home and `far` in a place of the network, at these Mbit/s of Ethernet.
    ///
    /// # Errors
    /// When a socket can't be had.
    pub fn start(home: &Namespace, network: &Namespace, far: SocketAddr, down_mbit: f64, up_mbit: f64) -> io::Result<Self> {
        let server = network.run(move || UdpSocket::bind(far))?;
        let host = home.run(move || UdpSocket::bind("0.0.0.0:0").and_then(|host| host.connect(far).map(|()| host)))?;
        server.set_read_timeout(Some(Duration::from_millis(100)))?;
        let stop = Arc::new(AtomicBool::new(false));
        let (up, down) = (Arc::clone(&stop), Arc::clone(&stop));
        let threads = vec![
            home.spawn("neighbour-up", move || stream(&host, up_mbit, &up)),
            network.spawn("neighbour-down", move || {
                // The translator's address is known once the first datagram is here.
                let from = loop {
                    match server.recv_from(&mut [0; PAYLOAD]) {
                        Ok((_, from)) => break from,
                        Err(_) if down.load(Ordering::Relaxed) => return,
                        Err(_) => {}
                    }
                };
                if server.connect(from).is_ok() {
                    stream(&server, down_mbit, &down);
                }
            }),
        ];
        Ok(Self { stop, threads })
    }
}

impl Drop for CrossTraffic {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        for thread in self.threads.drain(..) {
            let _ = thread.join();
        }
    }
}

/// Sends until told to stop.
fn stream(socket: &UdpSocket, mbit: f64, stop: &AtomicBool) {
    let gap = (PAYLOAD + 42) as f64 * 8.0 / (mbit.max(0.01) * 1e6);
    let started = Instant::now();
    let mut due = 0.0;
    while !stop.load(Ordering::Relaxed) && started.elapsed() < MOST_TIME {
        let now = started.elapsed().as_secs_f64();
        for _ in 0..BURST {
            if due > now {
                break;
            }
            // A full queue on the way is what it may meet; it goes on.
            let _ = socket.send(&[0; PAYLOAD]);
            due += gap;
        }
        due = due.max(now - PACE.as_secs_f64());
        std::thread::sleep(PACE);
    }
}
