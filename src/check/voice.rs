//! `voice`: what a telephone call over the line would be like, idle and, from handoff depth on, while the line is filled both ways.
//!
//! Streams of speech packets go to the far end and come from it, as those of calls do, and are rated by the E-model (ITU-T G.107) behind a
//! listener's buffer. No call is placed anywhere: no telephone number is dialled, no telephone network is reached, and nobody's telephone
//! rings; [`crate::farend::call`] says how a stream begins. [`run`] runs the calls, [`figures`] makes the readings. It must not judge.

mod figures;
mod run;

use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use self::run::Round;
use super::{Check, Context, Finished, throughput};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::reading::{Outcome, Status};
use crate::unit::{CallTerms, Depth, Load, PACKET_TIME};

/// What a queue takes to fill before the calls beside the load begin *(ours)*: slow start over a long round trip.
const START_UP: Duration = Duration::from_millis(1500);
/// Opening the calls one after the other and waiting for late packets, on top of their time.
const AROUND: Duration = Duration::from_millis(2500);

/// The check.
#[derive(Debug, Clone, Copy)]
pub struct VoiceCheck {
    /// How long the calls are.
    pub depth: Depth,
    /// Whether the line is filled beside some of them; never at quick depth.
    pub fills: bool,
}

/// Packets of a call each way on the idle line, and beside a load; none beside a load at quick depth.
fn packets(depth: Depth) -> (u16, u16) {
    match depth {
        Depth::Quick => (150, 0),
        Depth::Handoff => (300, 300),
        Depth::Soak => (3000, 1000),
    }
}

fn time_of(packets: u16) -> Duration {
    PACKET_TIME * u32::from(packets) + AROUND
}

impl Check for VoiceCheck {
    fn spec(&self) -> Spec {
        let (class, cost): (_, fn(&Volume) -> Cost) =
            if self.fills && packets(self.depth).1 > 0 { (Class::Load, cost) } else { (Class::Quiet, cost_idle) };
        Spec { name: "voice", needs: &[Need::FarEnd], gives: &[], class, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        let fills = self.fills;
        async move { Finished::from(examine(context, fills).await) }.boxed()
    }
}

fn cost_idle(volume: &Volume) -> Cost {
    let idle = packets(volume.depth).0;
    Cost { time: time_of(idle), octets: octets_of(idle) }
}

fn cost(volume: &Volume) -> Cost {
    let (idle, loaded) = (cost_idle(volume), packets(volume.depth).1);
    if loaded == 0 {
        return idle;
    }
    let time = START_UP + time_of(loaded);
    Cost { time: idle.time + time, octets: idle.octets + octets_of(loaded) + volume.octets(time) }
}

/// So many packets of each call that there may be.
fn octets_of(packets: u16) -> u64 {
    // Each call both ways, with IPv6 and UDP headers and RTP's: at most as many as a profile may ask for, and one to compare with.
    2 * (u64::from(CallTerms::MOST_CALLS) + 1) * 220 * u64::from(packets)
}

async fn examine(context: Context, fills: bool) -> Outcome {
    let Some(session) = context.known.far_end.clone() else { return Outcome::not_tested("no session with the far end") };
    if !session.calls {
        return Outcome::not_tested("the far end takes part in no calls: it is older than this agent");
    }
    let (idle, loaded) = packets(context.effort.depth);
    let mut outcome = Outcome::new(Status::Done);
    let began = Duration::ZERO;
    match run::round(&context, &session, idle, Load::Idle).await {
        Ok(round) => add(&mut outcome, &context, &round, began),
        Err(why) => {
            let reason = format!("the calls did not begin: {why}");
            outcome.flaw(why.code(), reason.clone(), None);
            return Outcome { status: Status::NotTested, reason: Some(reason), ..outcome };
        }
    }
    if !fills || loaded == 0 || context.cancel.is_cancelled() || outcome.status != Status::Done {
        return outcome;
    }
    let max_octets = context.effort.max_octets.unwrap_or(u64::MAX);
    let filled = throughput::fill_beside(&context, &session, (START_UP, time_of(loaded)), max_octets, "voice");
    let calls = async {
        tokio::time::sleep(START_UP).await;
        run::round(&context, &session, loaded, Load::Both).await
    };
    let (filled, calls) = tokio::join!(filled, calls);
    match (filled, calls) {
        (Ok([down, up]), Ok(round)) => {
            add(&mut outcome, &context, &round, time_of(idle) + START_UP);
            outcome.fact("filled_with_mbit_of_tcp_payload", serde_json::json!({ "down": down, "up": up }));
        }
        (Err(why), _) => outcome.flaw("voice-under-load-not-run", format!("filling both ways at once{why}"), None),
        (_, Err(why)) => {
            outcome.flaw("voice-under-load-not-run", format!("the calls beside the load did not begin: {why}"), None)
        }
    }
    outcome
}

/// Adds what a round of calls found; calls that nobody answered end the check.
fn add(outcome: &mut Outcome, context: &Context, round: &Round, began: Duration) {
    if round.calls.iter().all(|call| !call.is_open()) && !context.cancel.is_cancelled() {
        let reason =
            "the far end admitted the calls over its control connection and answered none of them: UDP to its port is filtered";
        outcome.flaw("voice-unanswered", reason, None);
        (outcome.status, outcome.reason) = (Status::Failed, Some(reason.to_owned()));
        return;
    }
    figures::add(outcome, &context.effort, round, began);
    if context.cancel.is_cancelled() {
        outcome.reason = Some("ended early".to_owned());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cost_is_the_time_of_the_calls_and_the_load_beside_them() {
        let volume = |depth| Volume {
            depth,
            load_time: Duration::from_secs(1),
            sold_down_mbit: 100.0,
            sold_up_mbit: 40.0,
            classes_mbit: None,
            tv: None,
            sizes: crate::plan::Sizes::NONE,
        };
        // 150 packets of 220 octets, both ways, of 17 calls at most.
        let quick = cost(&volume(Depth::Quick));
        assert_eq!((quick.time, quick.octets), (Duration::from_millis(5500), 1_122_000));
        // Twice 300 packets, and (100 + 40) Mbit/s x 1.25 x 10 s / 8.
        let handoff = cost(&volume(Depth::Handoff));
        assert_eq!((handoff.time, handoff.octets), (Duration::from_millis(18_500), 4_488_000 + 218_750_000));
        let idle = cost_idle(&volume(Depth::Handoff));
        assert_eq!((idle.time, idle.octets), (Duration::from_millis(8500), 2_244_000));
    }

    #[test]
    fn a_quick_visit_fills_nothing_and_others_where_they_are_told_to() {
        let class = |fills| move |depth| VoiceCheck { depth, fills }.spec().class;
        let depths = [Depth::Quick, Depth::Handoff, Depth::Soak];
        assert_eq!(depths.map(class(true)), [Class::Quiet, Class::Load, Class::Load]);
        assert_eq!(depths.map(class(false)), [Class::Quiet; 3]);
    }
}
