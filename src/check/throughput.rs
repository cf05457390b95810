//! `throughput`: TCP payload rate down and up against the far end, and what becomes of the delay meanwhile.
//!
//! N parallel TCP streams fill one direction at a time for a start-up allowance and the effort's load time; octets are
//! counted per 100 ms by the receiver (RFC 6349 section 3.3 measures at the receiver; one direction after the other as its
//! section 3 orders). A twoway stream runs beside the load. This file runs the phases; [`phase`] moves the octets,
//! [`figures`] makes the readings, [`cross`] asks the gateway who else used the line. It must not know what was sold beyond sizing.

mod cross;
mod figures;
mod phase;
mod single;

use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use self::phase::{Ended, Part, Phase, PhasePlan};
use super::{Check, Context, Finished};
use crate::farend::api::{BUCKET_MS, LoadRequest};
use crate::farend::client::Session;
use crate::net::ethtool;
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::reading::{Outcome, Status};
use crate::unit::{Depth, Direction, Segment};

/// The far end's host answers that nobody listens: after a session was open, its service has ended.
const GONE: &str = "farend-gone";

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct Throughput;

impl Check for Throughput {
    fn spec(&self) -> Spec {
        Spec { name: "throughput", needs: &[Need::FarEnd], gives: &[], class: Class::Load, cost }
    }

    fn most(&self, volume: &Volume) -> f64 {
        (LONGEST_LOAD.as_secs_f64() / volume.load_time.as_secs_f64().max(0.001)).max(1.0)
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        async move { Finished::from(examine(context).await) }.boxed()
    }
}

/// The longest load phase that is asked for: a minute is what a soak takes, and customers wait for.
const LONGEST_LOAD: Duration = Duration::from_secs(60);

/// What slow start may take at most before the load time counts: 1 s holds 10 doublings at 100 ms round trip.
fn start_up_allowance(depth: Depth) -> Duration {
    match depth {
        Depth::Quick => Duration::from_secs(1),
        Depth::Handoff | Depth::Soak => Duration::from_secs(3),
    }
}

fn cost(volume: &Volume) -> Cost {
    let time = start_up_allowance(volume.depth) + volume.load_time;
    let whole = |(start_up, load): (Duration, Duration)| start_up + load;
    let more = beside(volume.depth, volume.load_time).map(whole);
    let single = alone(volume.depth, volume.load_time).map(whole);
    let at_once = both_ways(volume.depth, volume.load_time).map(whole);
    let both = |time: Duration| volume.octets(time);
    // Admission, connecting and the far end's report on top.
    let cost = |time: Duration| (2 * (time + Duration::from_millis(500)), both(time));
    // Where there is but one IP version it takes less.
    let all = [Some(time), more, single].into_iter().flatten().map(cost);
    let (mut time, mut octets) = all.fold((Duration::ZERO, 0), |(time, octets), one| (time + one.0, octets + one.1));
    if let Some(span) = at_once {
        (time, octets) = (time + span + Duration::from_millis(500), octets + both(span));
    }
    Cost { time, octets }
}

/// Length of a phase over the other IP version, start-up included: shorter, since what fills the line is the line and not its
/// addresses; long enough to show that the version is slower. None at quick depth.
fn beside(depth: Depth, load_time: Duration) -> Option<(Duration, Duration)> {
    (depth != Depth::Quick).then(|| (Duration::from_secs(2), load_time / 6))
}

/// Length of a phase of one stream alone, start-up included: at soak depth, where there is time to hold it against several.
fn alone(depth: Depth, load_time: Duration) -> Option<(Duration, Duration)> {
    (depth == Depth::Soak).then(|| (Duration::from_secs(3), load_time / 4))
}

/// Length of a phase of both ways at once, start-up included: at soak depth.
fn both_ways(depth: Depth, load_time: Duration) -> Option<(Duration, Duration)> {
    (depth == Depth::Soak).then(|| (Duration::from_secs(3), load_time / 4))
}

async fn examine(context: Context) -> Outcome {
    let Some(session) = context.known.far_end.clone() else { return Outcome::not_tested("no session with the far end") };
    let port_mbit = ethtool::port_modes(&context.port.name).await.speed_mbit.map(f64::from);
    let mut outcome = Outcome::new(Status::Done);
    let mut octets_left = context.effort.max_octets.unwrap_or(u64::MAX);
    let whole = (start_up_allowance(context.effort.depth), context.effort.load_time);
    let several = context.effort.streams;
    let mut runs = vec![(&session, whole, Part::Main, several)];
    if let Some(times) = alone(context.effort.depth, context.effort.load_time).filter(|_| several > 1) {
        runs.push((&session, times, Part::Single, 1));
    }
    if let Some(other) = &context.known.far_end_beside {
        match beside(context.effort.depth, context.effort.load_time) {
            Some(times) => runs.push((other, times, Part::OtherVersion, several)),
            None => outcome.fact("left_out", "filling the line over the other IP version: not at this depth"),
        }
    }
    let ways = [Direction::Down, Direction::Up];
    let mut phases = Vec::new();
    for ((session, (start_up, load_time), part, streams), direction) in runs.iter().flat_map(|run| ways.map(|way| (*run, way))) {
        if context.cancel.is_cancelled() {
            outcome.reason = Some("ended early".to_owned());
            break;
        }
        let request = request(&context, direction, streams, start_up + load_time, octets_left);
        let ran = match phase::admit(&context, session, &request, "throughput").await {
            Ok(grant) => {
                let plan = PhasePlan { request, start_up, part, check: "throughput" };
                phase::run(&context, session, plan, grant).await
            }
            Err(refused) => Err(refused),
        };
        match ran {
            Ok(phase) => {
                octets_left = octets_left.saturating_sub(phase.octets());
                figures::add(&mut outcome, &context, &phase, port_mbit);
                if let Some(reason) = broken_off(&phase) {
                    outcome.status = Status::Failed;
                    outcome.flaw("throughput-broken-off", reason.clone(), None);
                    if phase.far_end_error == Some(GONE) {
                        outcome.flaw(GONE, "its host refuses connections that it took before", Some(Segment::FarEnd));
                    }
                    outcome.reason = Some(reason);
                    break;
                }
                phases.push(phase);
            }
            Err(refused) if part == Part::OtherVersion => {
                let what = format!("filling the line {direction} over the other IP version did not start: {refused}");
                outcome.flaw("throughput-second-version-not-run", what, None);
                break;
            }
            Err(refused) => return not_run(outcome, direction, &refused),
        }
    }
    for direction in ways {
        single::compare(&mut outcome, &phases, direction);
    }
    if outcome.status == Status::Done && !context.cancel.is_cancelled() {
        at_once(&context, &session, octets_left, &mut outcome).await;
    }
    outcome
}

/// What is asked of the far end.
fn request(context: &Context, direction: Direction, streams: u16, time: Duration, max_octets: u64) -> LoadRequest {
    let expected_mbit = context.effort.expected_mbit(direction);
    LoadRequest { direction, streams, time_ms: time.as_millis() as u64, max_octets, expected_mbit }
}

/// Fills both ways at the same time: acknowledgements then wait behind data, and a gateway has to do both.
async fn at_once(context: &Context, session: &Session, octets_left: u64, outcome: &mut Outcome) {
    let Some(times) = both_ways(context.effort.depth, context.effort.load_time) else { return };
    match fill_both(context, session, times, octets_left, "throughput").await {
        Ok(phases) => phases.iter().for_each(|phase| figures::add(outcome, context, phase, None)),
        Err(why) => outcome.flaw("throughput-both-ways-not-run", format!("filling both ways at once{why}"), None),
    }
}

/// Fills both ways for another check, which looks at something beside: start-up and load time, and octets that may be moved.
///
/// With it comes what was received each way, down first, Mbit/s of TCP payload.
///
/// # Errors
/// In words, fit to stand behind "filling both ways at once", when it did not run to its end.
pub(super) async fn fill_beside(
    context: &Context,
    session: &Session,
    times: (Duration, Duration),
    max_octets: u64,
    check: &'static str,
) -> Result<[f64; 2], String> {
    let phases = fill_both(context, session, times, max_octets, check).await?;
    Ok(phases.map(|phase| {
        // To the last octet that a receiver got, which a deep queue held back until after the senders' end.
        let buckets = phase.received.iter().map(|stream| stream.buckets.len() as u64).max().unwrap_or(0).max(1);
        phase.octets() as f64 * 8.0 / 1e3 / (buckets * BUCKET_MS) as f64
    }))
}

async fn fill_both(
    context: &Context,
    session: &Session,
    (start_up, load_time): (Duration, Duration),
    max_octets: u64,
    check: &'static str,
) -> Result<[Phase; 2], String> {
    let request = |direction| request(context, direction, context.effort.streams, start_up + load_time, max_octets / 2);
    let (down, up) = (request(Direction::Down), request(Direction::Up));
    let not_started = |why: &dyn std::fmt::Display| format!(" did not start: {why}");
    // Both have their turn before either begins; the far end lets nobody else in between.
    let first = phase::admit(context, session, &down, check).await.map_err(|why| not_started(&why))?;
    let second = match phase::admit(context, session, &up, check).await {
        Ok(second) => second,
        Err(why) => {
            // If it can't be told, the far end frees the share by itself.
            let _ = session.finish_load(&first).await;
            return Err(not_started(&why));
        }
    };
    let plan = |request| PhasePlan { request, start_up, part: Part::BothWays, check };
    let (down, up) =
        tokio::join!(phase::run(context, session, plan(down), first), phase::run(context, session, plan(up), second));
    let phases = [down.map_err(|why| not_started(&why))?, up.map_err(|why| not_started(&why))?];
    match phases.iter().find_map(broken_off) {
        Some(why) => Err(format!(": {why}")),
        None => Ok(phases),
    }
}

/// A phase that did not start: a far end that is busy or gone is no finding about the line.
fn not_run(mut outcome: Outcome, direction: Direction, why: &phase::NotRun) -> Outcome {
    let reason = format!("filling the line {direction} did not start: {why}");
    if let Some(code) = why.flaw() {
        outcome.flaw(code, reason.clone(), None);
    }
    outcome.status = if outcome.readings.is_empty() { Status::NotTested } else { Status::Failed };
    outcome.reason = Some(reason);
    outcome
}

/// Why a phase ended before its time, if it did and nobody asked for it.
fn broken_off(phase: &Phase) -> Option<String> {
    let direction = phase.request.direction;
    match &phase.ended {
        Ended::Complete | Ended::Cancelled => None,
        Ended::Stalled => Some(format!("nothing moved any more {direction} for {} s; given up", phase::STALL.as_secs())),
        Ended::Broken(why) => Some(format!("the streams {direction} broke off: {why}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_phase_is_sized_by_what_was_sold_with_a_margin() {
        let volume = Volume {
            depth: Depth::Quick,
            load_time: Duration::from_secs(3),
            sold_down_mbit: 100.0,
            sold_up_mbit: 40.0,
            classes_mbit: None,
            tv: None,
            sizes: crate::plan::Sizes::NONE,
        };
        let cost = cost(&volume);
        assert_eq!(cost.time, Duration::from_secs(9));
        // (100 + 40) Mbit/s x 1.25 x 4 s / 8
        assert_eq!(cost.octets, 87_500_000);
    }
}
