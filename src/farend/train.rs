//! Sends and receives trains of packets over a real socket, for both sides, on the calling thread: the driver around
//! [`proto::train`](crate::proto::train).
//!
//! A packet goes at its own moment, by itself and stamped just before: trains that the kernel cuts would reach the line as one burst.
//! Within some tens of microseconds of that moment the thread spins, which keeps a core busy for the few seconds that a train takes.
//! It must not know profiles or readings.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use super::api::TrainRequest;
use super::opening;
use crate::net::datagrams::{Batch, Bulk, BulkSocket, MOST_AT_ONCE, has_no_room, hurry, is_passing};
use crate::net::stamped::unix_now_ns;
use crate::proto::train::{Arrivals, Pacer};
use crate::unit::Direction;
use crate::wire::train::{HEADER, Name, Packet, Report, Secret, is_ready, ready};

/// Octets of buffer wished for: a second at 1 Gbit/s, in the kernel's own counting.
const BUFFER: usize = 64 << 20;
/// Sleeping is not more exact than this.
const SPIN: Duration = Duration::from_micros(50);
/// Looks at whether it is to stop at least so often.
const LOOK: Duration = Duration::from_millis(50);
/// How much longer than planned a train may take.
const LONGER: (i64, i64) = (3, 2);

/// Opens the socket of a train.
///
/// # Errors
/// What the system says.
pub fn open(local: SocketAddr, device: Option<&str>) -> io::Result<BulkSocket> {
    let socket = BulkSocket::open(&Bulk { local, device, dscp: 0, buffer: BUFFER, joins: false })?;
    // Where there are no stamps, the time of reading stands in.
    let _ = socket.stamp_arrivals();
    Ok(socket)
}

fn since(start: Instant) -> i64 {
    i64::try_from(start.elapsed().as_nanos()).unwrap_or(i64::MAX)
}

/// Sends the train to the connected peer.
fn send(socket: &BulkSocket, name: Name, request: &TrainRequest, stop: &AtomicBool) -> io::Result<Report> {
    hurry();
    let mut datagram = vec![0; usize::from(request.payload_octets).max(HEADER)];
    let mut pacer = Pacer::new(request.packets, i64::from(request.spacing_ns));
    let start = Instant::now();
    // A sender that can't keep the pace ends all the same, while its receiver still listens.
    let last_ns = i64::try_from(request.time_ms()).unwrap_or(i64::MAX).saturating_mul(1_000_000 * LONGER.0 / LONGER.1);
    let of = |sent| Report { sent, ..Report::default() };
    let mut sent = 0;
    while let Some((sequence, due_ns)) = pacer.due().filter(|_| since(start) < last_ns) {
        loop {
            let left = due_ns - since(start);
            if left <= 0 {
                break;
            }
            let left = Duration::from_nanos(left.unsigned_abs());
            if left > SPIN {
                std::thread::sleep((left - SPIN).min(LOOK));
            } else {
                std::hint::spin_loop();
            }
        }
        if stop.load(Ordering::Relaxed) {
            break;
        }
        loop {
            let now_ns = since(start);
            Packet { sequence, sent_ns: now_ns.unsigned_abs() }.write(name, &mut datagram);
            match socket.send_one(&datagram, None) {
                // The port itself is slower than the train; what is sent late is stamped so.
                Err(error) if has_no_room(&error) => {
                    socket.wait(true, Duration::from_millis(1))?;
                    if stop.load(Ordering::Relaxed) {
                        return Ok(of(sent));
                    }
                }
                Err(error) if !is_passing(&error) => return Err(error),
                _ => {
                    sent += 1;
                    pacer.sent(now_ns);
                    break;
                }
            }
        }
    }
    Ok(of(sent))
}

/// Takes in the train until it is over.
fn receive(
    socket: &BulkSocket,
    name: Name,
    request: &TrainRequest,
    stop: &AtomicBool,
    other: impl Fn(&[u8]),
) -> io::Result<Report> {
    hurry();
    let start = Instant::now();
    let mut arrivals = Arrivals::new(0, request.packets, i64::from(request.packets) * i64::from(request.spacing_ns));
    let (mut batch, mut dropped) = (Batch::of(MOST_AT_ONCE), 0);
    while !arrivals.is_over(since(start)) && !stop.load(Ordering::Relaxed) {
        match socket.receive(&mut batch) {
            Ok(_) => {
                let (now_ns, wall_ns) = (since(start), unix_now_ns());
                for arrived in batch.arrived() {
                    dropped = arrived.dropped.max(dropped);
                    let stamp_ns = arrived.stamp.map_or(wall_ns, |stamp| stamp.unix_ns);
                    match Packet::parse(arrived.octets, name) {
                        Some(packet) => arrivals.on_packet(now_ns, stamp_ns, packet),
                        None => other(arrived.octets),
                    }
                }
            }
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => socket.wait(false, LOOK)?,
            Err(error) if is_passing(&error) => {}
            Err(error) => return Err(error),
        }
    }
    Ok(Report { sent: 0, dropped, arrivals: arrivals.into_list() })
}

/// The far end's side: waits for the opening from `source`, answers it, then sends or receives; blocks. `None` when
/// nobody came.
///
/// # Errors
/// What the system says when the socket fails for good.
pub fn serve(
    socket: &BulkSocket,
    source: IpAddr,
    secret: &Secret,
    request: &TrainRequest,
    stop: &AtomicBool,
) -> io::Result<Option<Report>> {
    let (until, mut batch) = (Instant::now() + opening::WAIT, Batch::of(4));
    let peer = loop {
        if Instant::now() > until || stop.load(Ordering::Relaxed) {
            return Ok(None);
        }
        socket.wait(false, LOOK)?;
        if socket.receive(&mut batch).is_err() {
            continue;
        }
        let opened = batch.arrived().filter(|one| secret.opens(one.octets)).filter_map(|one| one.from);
        if let Some(peer) = { opened }.find(|peer| peer.ip().to_canonical() == source) {
            break peer;
        }
    };
    socket.connect(peer)?;
    let _ = socket.send_one(&ready(secret.name()), None);
    if request.direction == Direction::Down {
        // The answer is read before the train comes.
        std::thread::sleep(LOOK);
        return send(socket, secret.name(), request, stop).map(Some);
    }
    // An opening that comes again has not had its answer.
    let again = |octets: &[u8]| {
        if secret.opens(octets) {
            let _ = socket.send_one(&ready(secret.name()), None);
        }
    };
    receive(socket, secret.name(), request, stop, again).map(Some)
}

/// The agent's side: opens the way to `to`, then receives or sends; blocks. `None` when nobody
/// answers.
///
/// # Errors
/// What the system says when the socket fails for good.
pub fn run(
    socket: &BulkSocket,
    to: SocketAddr,
    secret: &Secret,
    request: &TrainRequest,
    stop: &AtomicBool,
) -> io::Result<Option<Report>> {
    socket.connect(to)?;
    let (until, mut batch, mut asked_at) = (Instant::now() + opening::WAIT, Batch::of(4), None::<Instant>);
    loop {
        let now = Instant::now();
        if now > until || stop.load(Ordering::Relaxed) {
            return Ok(None);
        }
        if asked_at.is_none_or(|at| now.duration_since(at) >= opening::AGAIN) {
            match socket.send_one(&secret.opening(), None) {
                Err(error) if !is_passing(&error) && error.kind() != io::ErrorKind::WouldBlock => return Err(error),
                _ => asked_at = Some(now),
            }
        }
        socket.wait(false, LOOK)?;
        if socket.receive(&mut batch).is_err() {
            continue;
        }
        // Packets that are read here belong to a train whose ready was lost; the few that they are count as lost on the way.
        let is_open = |octets: &[u8]| is_ready(octets, secret.name()) || Packet::parse(octets, secret.name()).is_some();
        if batch.arrived().any(|one| is_open(one.octets)) {
            break;
        }
    }
    if request.direction == Direction::Down {
        receive(socket, secret.name(), request, stop, |_| {}).map(Some)
    } else {
        send(socket, secret.name(), request, stop).map(Some)
    }
}
