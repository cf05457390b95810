//! `gateway`: the gateway's own word about line and connection, over UPnP, and the noise of the home at the port.
//!
//! It reads and never changes anything: the actions that can be sent are those of [`crate::wire::igd::action::Action`], and
//! only the gateway's own address is asked. What a gateway says is a hint for whoever looks for a fault and never a proof; a
//! gateway that says nothing is normal. [`discover`] finds it, [`word`] asks it, [`counters`] reads what it counted, [`tally`] holds
//! that against the port's own counters.

mod counters;
mod discover;
mod tally;
mod word;

use std::sync::Arc;
use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use tokio::time::Instant;

pub use self::counters::Counters;
pub use self::tally::{Look, Tally};
use super::{Check, Context, Finished, Learned};
use crate::net::packet::{Filter, PacketEvent, PacketSocket};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::reading::{Outcome, Reading, Status};
use crate::unit::{Depth, Direction, Layer};

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct GatewayCheck;

impl Check for GatewayCheck {
    fn spec(&self) -> Spec {
        Spec { name: "gateway", needs: &[Need::Address], gives: &[], class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        async move { examine(context).await }.boxed()
    }
}

/// How long frames are counted, and a gateway's answer is waited for: a device answers within the second that the search
/// gives it (MX, UDA 1.1 section 1.3.2), and a search may get lost.
fn window(depth: Depth) -> Duration {
    match depth {
        Depth::Quick => Duration::from_secs(2),
        Depth::Handoff => Duration::from_secs(4),
        Depth::Soak => Duration::from_secs(20),
    }
}

fn cost(volume: &Volume) -> Cost {
    // A description and ten answers of some kilooctets.
    Cost { time: window(volume.depth), octets: 50_000 }
}

async fn examine(context: Context) -> Finished {
    let window = window(context.effort.depth);
    let until = Instant::now() + window;
    let noise = count_group_frames(&context, until);
    let (noise, (mut outcome, counters)) = tokio::join!(noise, listen(&context, until));
    match noise {
        Ok(frames) => {
            let per_second = frames as f64 / window.as_secs_f64();
            outcome.readings.push(Reading { samples: frames, ..Reading::exact("gateway.group_frame_rate", per_second) });
        }
        Err(why) => outcome.fact("group_frames", format!("not counted: {why}")),
    }
    let learned = counters.map(|counters| Learned::GatewayCounters(Arc::new(counters))).into_iter().collect();
    Finished { outcome, learned, holdings: Vec::new() }
}

/// What the gateway says, and what it counts on the idle line until then.
async fn listen(context: &Context, until: Instant) -> (Outcome, Option<Counters>) {
    let mut outcome = Outcome::new(Status::Done);
    let asked = tokio::select! {
        asked = word::ask(context, &mut outcome) => asked,
        () = context.cancel.cancelled() => None,
    };
    let Some(counters) = asked else { return (outcome, None) };
    let mut tally = Tally::default();
    for wait in [false, true] {
        if wait {
            let _ = tokio::time::timeout_at(until, context.cancel.cancelled()).await;
        }
        match counters.look(context.interface.index).await {
            Ok(look) => tally.add(look),
            Err(why) => {
                outcome.fact("counters", format!("not readable: {why}"));
                return (outcome, None);
            }
        }
    }
    if tally.span() >= SHORTEST_SPAN {
        for direction in [Direction::Down, Direction::Up] {
            let Some(gained) = tally.gained(direction) else { continue };
            let mbit = gained.line.saturating_sub(gained.port) as f64 * 8.0 / 1e6 / tally.span().as_secs_f64();
            outcome.readings.push(Reading::exact("gateway.other_traffic", mbit).toward(direction).at(Layer::Ethernet));
        }
    }
    (outcome, Some(counters))
}

/// Over less time, the few frames that are counted on one side of a look only are too large a part.
const SHORTEST_SPAN: Duration = Duration::from_secs(1);

/// Frames to groups that come in: in a home, the noise of all its devices. What the agent sends itself isn't among them.
async fn count_group_frames(context: &Context, until: Instant) -> std::io::Result<u64> {
    let socket = PacketSocket::open(context.port.index, Filter::Group, false)?;
    let mut buffer = [0; 64];
    let mut frames = 0;
    loop {
        tokio::select! {
            () = tokio::time::sleep_until(until) => return Ok(frames + socket.drops()),
            () = context.cancel.cancelled() => return Err(std::io::Error::other("ended early")),
            event = socket.next_event(&mut buffer) => frames += u64::from(matches!(event?, PacketEvent::Received { .. })),
        }
    }
}
