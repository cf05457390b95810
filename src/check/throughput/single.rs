//! One stream against several: whether it stays behind, and what holds it back.

use super::figures::retransmitted;
use super::phase::{Part, Phase};
use crate::metric::rate::fairness;
use crate::metric::tcp::{HeldBack, SingleStream, held_back};
use crate::reading::Outcome;
use crate::unit::Direction;

/// Compares the phases of a direction, if both were run.
pub(super) fn compare(outcome: &mut Outcome, phases: &[Phase], direction: Direction) {
    let of = |part: Part| phases.iter().find(|phase| phase.request.direction == direction && phase.part == part);
    let (Some(one), Some(several)) = (of(Part::Single), of(Part::Main)) else { return };
    let rate =
        |name: &str| outcome.readings.iter().find(|r| r.name == name && r.direction == Some(direction)).map(|r| r.value * 1e6);
    let (Some(single_rate), Some(several_rate)) = (rate("throughput.single_stream_rate"), rate("throughput.tcp_payload_rate"))
    else {
        return;
    };
    let Some(sent) = one.sent.first() else { return };
    let shares: Vec<f64> = several.received.iter().map(|stream| stream.octets as f64).collect();
    let seen = SingleStream {
        rate: single_rate,
        several_rate,
        several: several.request.streams,
        fairness: fairness(&shares).unwrap_or(0.0),
        window_limited: sent.receive_window_limited.unwrap_or(0.0),
        buffer_limited: sent.send_buffer_limited.unwrap_or(0.0),
        sent_again: retransmitted(one).unwrap_or(0.0),
        round_trip_s: sent.min_round_trip_ms.unwrap_or(0.0) / 1e3,
    };
    let Some(why) = held_back(&seen) else { return };
    let words = match why {
        HeldBack::ReceiveWindow => format!("the receiver's window, for {:.0} % of the time", seen.window_limited * 100.0),
        HeldBack::SendBuffer => format!("the sender's buffer, for {:.0} % of the time", seen.buffer_limited * 100.0),
        HeldBack::PerFlowShaper => format!("a shaper for each flow: each of {} streams got the same", seen.several),
        HeldBack::Loss => format!("loss: {:.3} % of the octets were sent again", seen.sent_again * 100.0),
        HeldBack::Growth => "nothing that the kernel names: it had not grown to what the path holds yet".to_owned(),
    };
    let what = format!(
        "a single stream {direction} reaches {:.1} of {:.1} Mbit/s of {} streams; it is held back by {words}",
        single_rate / 1e6,
        several_rate / 1e6,
        seen.several
    );
    let code = match why {
        HeldBack::ReceiveWindow => "single-stream-window",
        HeldBack::SendBuffer => "single-stream-buffer",
        HeldBack::PerFlowShaper => "single-stream-shaped",
        HeldBack::Loss => "single-stream-loss",
        HeldBack::Growth => "single-stream-growth",
    };
    outcome.flaw(code, what, None);
}
