//! Hops that leave probes unanswered, asked at two paces: sockets and clock around [`PaceMachine`], and what it means in facts.

use std::io;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tokio_util::sync::CancellationToken;

use super::super::probing::{Device, PathEnds};
use super::several::drive;
use crate::net::flow_sockets::FlowSockets;
use crate::net::stamped::StampedSocket;
use crate::proto::path::{PathEnd, PathReport};
use crate::proto::path_pace::{FAST, FAST_GAP, HopPace, PaceCount, PaceMachine, PaceSettings, Pattern, SLOW, SLOW_GAP};
use crate::unit::Family;

/// Hops that are asked: the nearest, where a loss of the line would begin.
const HOPS: usize = 4;
const WAITING_TIME: Duration = Duration::from_millis(1000);

/// How long it takes where there is anything to ask.
pub(super) fn time() -> Duration {
    FAST_GAP * FAST + SLOW_GAP * SLOW + WAITING_TIME
}

/// Probes at most.
pub(super) fn probes() -> u64 {
    HOPS as u64 * u64::from(FAST + SLOW)
}

/// Asks the nearest hops that left some of their probes unanswered; none where all answered all.
///
/// # Errors
/// What the system says to a socket.
pub(super) async fn look(
    ends: &PathEnds,
    path: &PathReport,
    device: &Device,
    cancel: &CancellationToken,
) -> io::Result<Vec<HopPace>> {
    // The destination's own limit of "port unreachable" is known, and its echoes tell its loss.
    let is_end = |hop| matches!(path.end, PathEnd::Reached { hops, .. } if hops == hop);
    let leaves_out =
        path.hops.iter().filter(|hop| !is_end(hop.hop) && hop.counts.iter().any(|c| (1..c.sent).contains(&c.answered)));
    let hops: Vec<u8> = leaves_out.map(|hop| hop.hop).take(HOPS).collect();
    if hops.is_empty() {
        return Ok(Vec::new());
    }
    let icmp = StampedSocket::icmp(Family::of(ends.destination), Some(&device.name))?;
    let sockets = FlowSockets::open(device.address(ends.source, 0), &device.name, 1)?;
    let settings = PaceSettings {
        destination: ends.destination,
        destination_port: ends.destination_port,
        hops,
        waiting_time: WAITING_TIME,
        cookie: rand::random(),
    };
    let to = device.address(ends.destination, ends.destination_port);
    let machine = drive(PaceMachine::new(settings, Instant::now()), &icmp, &sockets, to, cancel).await?;
    Ok(machine.report())
}

/// For the record.
pub(super) fn fact(pace: &HopPace) -> Value {
    let count = |count: PaceCount, rate: f64| json!({ "sent": count.sent, "answered": count.answered, "answers_per_second": (rate * 100.0).round() / 100.0 });
    let pattern = match pace.pattern() {
        Pattern::Answers => "answers-all",
        Pattern::Limits => "limits-answers",
        Pattern::Loses => "loses",
        Pattern::Unclear => "unclear",
    };
    json!({ "pattern": pattern, "fast": count(pace.fast, pace.fast_rate()), "slow": count(pace.slow, pace.slow_rate()) })
}
