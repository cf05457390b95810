//! Runs a capacity test over a real socket, for both sides, on the calling thread: the driver around
//! [`proto::capacity`](crate::proto::capacity). [`service`] is the far end's side of getting there.
//!
//! What this machine itself loses is told apart: datagrams that the receive queue dropped, bursts that came too late to be
//! sent, sends that the kernel had no room for. It must not know profiles or readings.

pub mod service;

use std::io;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crate::net::datagrams::{Batch, Bulk, BulkSocket, Train, has_no_room, hurry, is_passing};
use crate::net::stamped::unix_now_ns;
use crate::proto::capacity::client::{Client, NoTest, Progress, Request};
use crate::proto::capacity::flow::{End, Flow, Side};
use crate::proto::capacity::receiving::Counts;
use crate::proto::capacity::sending::{Sent, TrainBuffer};
use crate::wire::capacity::SubInterval;

/// Octets of buffer wished for: a tenth of a second at 10 Gbit/s in the kernel's own counting.
const BUFFER: usize = 256 << 20;
/// Trains that are sent in one system call.
const TRAINS: usize = 8;
/// System calls in a row before the socket is read again: a rate beyond what this machine can send is always due, and must not keep it from
/// hearing that the test is over.
const CALLS: usize = 8;
/// Looks at whether it is to stop at least so often.
const LOOK: Duration = Duration::from_millis(100);
/// What set-up and activation begin with.
const CONTROL: u8 = 0xac;
/// A kernel stamp older than this is a step of the clock, and is not used.
const OLDEST: Duration = Duration::from_millis(500);

/// What one side of a test found.
#[derive(Debug, Clone)]
pub struct Found {
    /// How it ended.
    pub end: End,
    /// The sub-intervals as the receiver of load saw them.
    pub sub_intervals: Vec<SubInterval>,
    /// What this side sent.
    pub sent: Option<Sent>,
    /// What this side received.
    pub received: Option<Counts>,
    /// Datagrams that this side's receive queue dropped.
    pub dropped: u64,
    /// Octets of receive buffer that the kernel granted.
    pub buffer: usize,
    /// Times that the kernel had no room for a train: the port, and not this program, set the pace.
    pub no_room: u64,
    /// Good and bad reports, at the server.
    pub signs: Option<(u32, u32)>,
    /// Highest rate asked for, at the server, Mbit/s at the IP layer.
    pub highest_mbit: Option<f64>,
}

/// Opens the socket of a test.
///
/// # Errors
/// What the system says.
pub fn open(local: SocketAddr, device: Option<&str>, dscp: u8) -> io::Result<BulkSocket> {
    BulkSocket::open(&Bulk { local, device, dscp, buffer: BUFFER, joins: true })
}

/// Asks the server at `to` for a test; blocks for at most some seconds. The socket is connected to the test's port then.
///
/// # Errors
/// The inner error is why there is no test; the outer what the system says.
pub fn set_up(socket: &BulkSocket, to: SocketAddr, request: Request, stop: &AtomicBool) -> io::Result<Result<Flow, NoTest>> {
    let (is_upstream, mut client) = (request.is_upstream, Client::new(Instant::now(), request));
    let mut batch = Batch::default();
    loop {
        let now = Instant::now();
        match client.poll(now) {
            Progress::Send(port, octets) => {
                let at = port.map_or(to, |port| SocketAddr::new(to.ip(), port));
                match socket.send_one(&octets, Some(at)) {
                    // What a router or the host said of an earlier one; it is asked again.
                    Err(error) if error.kind() != io::ErrorKind::ConnectionRefused => return Err(error),
                    _ => {}
                }
            }
            Progress::Wait(until) => {
                socket.wait(false, until.saturating_duration_since(now).min(LOOK))?;
                if socket.receive(&mut batch).is_ok() {
                    for arrived in batch.arrived().filter(|arrived| arrived.from.is_some_and(|from| from.ip() == to.ip())) {
                        if let Some(from) = arrived.from {
                            for octets in arrived.payloads() {
                                client.on_packet(Instant::now(), octets);
                            }
                            // The test's port answers the activation: from now on it alone is heard.
                            if let Progress::Begun(terms, first) = client.poll(Instant::now()) {
                                socket.connect(from)?;
                                let signing = client.signing();
                                let flow = Flow::new(Instant::now(), Side::Client, terms, is_upstream, first, signing);
                                return Ok(Ok(flow));
                            }
                        }
                    }
                }
                if stop.load(Ordering::Relaxed) {
                    return Err(io::ErrorKind::Interrupted.into());
                }
            }
            Progress::Failed(why) => return Ok(Err(why)),
            // Handled where the answer is read; nothing else leads here.
            Progress::Begun(..) => return Err(io::ErrorKind::InvalidData.into()),
        }
    }
}

/// Trains that were filled and not yet taken by the kernel.
struct Outbox {
    trains: Vec<TrainBuffer>,
    filled: usize,
    first: usize,
    no_room: u64,
}

impl Outbox {
    fn new() -> Self {
        Self { trains: (0..TRAINS).map(|_| TrainBuffer::default()).collect(), filled: 0, first: 0, no_room: 0 }
    }

    /// Fills and sends what is due, at most [`CALLS`] times; true when the kernel has no room for what is left.
    fn pass(&mut self, socket: &BulkSocket, flow: &mut Flow) -> io::Result<bool> {
        for _ in 0..CALLS {
            if self.first == self.filled {
                (self.first, self.filled) = (0, 0);
                let (now, unix_ns) = (Instant::now(), unix_now_ns());
                while self.filled < TRAINS && flow.fill(now, unix_ns, &mut self.trains[self.filled]) {
                    self.filled += 1;
                }
                if self.filled == 0 {
                    return Ok(false);
                }
            }
            let mut trains = [Train { octets: &[], size: 1 }; TRAINS];
            let waiting = &self.trains[self.first..self.filled];
            for (train, buffer) in trains.iter_mut().zip(waiting) {
                *train = Train { octets: buffer.octets(), size: buffer.size() };
            }
            match socket.send(&trains[..waiting.len()]) {
                Ok(count) => self.first += count,
                Err(error) if has_no_room(&error) => {
                    self.no_room += 1;
                    return Ok(true);
                }
                // The other side's port is closed already, or a router says something of an earlier packet: time will tell.
                Err(error) if is_passing(&error) => self.first += 1,
                Err(error) => return Err(error),
            }
        }
        Ok(false)
    }
}

/// Runs a test to its end on the calling thread; `look` is called about ten times a second, and `aside` with each datagram that is
/// neither load nor status, to answer it. The socket is connected.
///
/// # Errors
/// What the system says when the socket fails for good; what was measured until then is lost.
pub fn run(
    socket: &BulkSocket,
    mut flow: Flow,
    stop: &AtomicBool,
    mut look: impl FnMut(&Flow),
    aside: impl Fn(&[u8]) -> Option<Vec<u8>>,
) -> io::Result<Found> {
    hurry();
    // Where there are no stamps, the time of reading stands in.
    let _ = socket.stamp_arrivals();
    let (mut batch, mut outbox, mut dropped) = (Batch::default(), Outbox::new(), 0_u32);
    let mut looked_at = Instant::now();
    while flow.end().is_none() {
        receive(socket, &mut flow, &mut batch, &mut dropped, &aside)?;
        let now = Instant::now();
        flow.on_wake(now);
        while let Some(status) = flow.status(now, unix_now_ns()) {
            match socket.send_one(&status, None) {
                Err(error) if !is_passing(&error) && error.kind() != io::ErrorKind::WouldBlock => return Err(error),
                _ => {}
            }
        }
        let blocked = outbox.pass(socket, &mut flow)?;
        if stop.load(Ordering::Relaxed) {
            flow.stop();
        }
        if now.duration_since(looked_at) >= LOOK {
            looked_at = now;
            look(&flow);
        }
        let wake = if blocked { now + LOOK } else { flow.next_wake() };
        let span = wake.saturating_duration_since(Instant::now()).min(LOOK);
        if !span.is_zero() {
            socket.wait(blocked, span)?;
        }
    }
    let (end, buffer) = (flow.end().unwrap_or(End::Stopped), socket.receive_buffer()?);
    Ok(Found {
        end,
        sub_intervals: flow.sub_intervals().to_vec(),
        sent: flow.sent(),
        received: flow.received(),
        dropped: dropped.into(),
        buffer,
        no_room: outbox.no_room,
        signs: flow.signs(),
        highest_mbit: flow.highest_mbit(),
    })
}

/// Takes in what is there, at most a few batches so that sending is not held up.
fn receive(
    socket: &BulkSocket,
    flow: &mut Flow,
    batch: &mut Batch,
    dropped: &mut u32,
    aside: &impl Fn(&[u8]) -> Option<Vec<u8>>,
) -> io::Result<()> {
    for _ in 0..8 {
        match socket.receive(batch) {
            Ok(_) => {
                let (now, wall) = (Instant::now(), unix_now_ns());
                for arrived in batch.arrived() {
                    *dropped = arrived.dropped.max(*dropped);
                    let stamped = arrived.stamp.map(|stamp| (stamp.unix_ns, wall.saturating_sub(stamp.unix_ns)));
                    let of_age = |age: i64| u64::try_from(age).ok().map(Duration::from_nanos).filter(|age| *age < OLDEST);
                    let (at, at_ns) =
                        stamped.and_then(|(ns, age)| Some((now.checked_sub(of_age(age)?)?, ns))).unwrap_or((now, wall));
                    for octets in arrived.payloads() {
                        if octets.first() == Some(&CONTROL) {
                            if let Some(answer) = aside(octets) {
                                let _ = socket.send_one(&answer, None);
                            }
                        } else {
                            flow.on_packet(at, at_ns, octets);
                        }
                    }
                }
            }
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(()),
            Err(error) if is_passing(&error) => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
