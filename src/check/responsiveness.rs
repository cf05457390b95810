//! `responsiveness`: round trips per minute while the line is filled, down and up, by draft-ietf-ippm-responsiveness (work in progress),
//! over HTTP/2 against the far end's objects.
//!
//! This file asks for the loads; [`working`] fills the line and probes it, [`figures`] makes the readings. When the figure stands is decided
//! by [`crate::metric::responsiveness`]. It must not know limits beyond sizing.

mod figures;
mod working;

use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use self::working::{Ended, Working};
use super::{Check, Context, Finished, turn};
use crate::farend::api::{LoadRequest, ObjectsReport};
use crate::farend::client::ClientError;
use crate::metric::responsiveness::search::Terms;
use crate::net::cpu::CpuTimes;
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::reading::{Outcome, Status};
use crate::unit::{Direction, Family};

/// Admission, connecting and the far end's report on top of the intervals.
const AROUND: Duration = Duration::from_secs(2);

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct ResponsivenessCheck {
    /// Parameters of the search.
    pub terms: Terms,
}

impl Check for ResponsivenessCheck {
    fn spec(&self) -> Spec {
        Spec { name: "responsiveness", needs: &[Need::FarEnd], gives: &[], class: Class::Load, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        let terms = self.terms;
        async move { Finished::from(examine(terms, context).await) }.boxed()
    }
}

/// The longest that one way may take.
fn longest(terms: &Terms) -> Duration {
    Duration::from_secs_f64(terms.interval * terms.intervals as f64)
}

fn cost(volume: &Volume) -> Cost {
    let time = longest(&Terms::default());
    Cost { time: 2 * (time + AROUND), octets: volume.octets(time) }
}

/// One way's test, whole.
struct Tested {
    direction: Direction,
    family: Family,
    working: Working,
    report: Option<ObjectsReport>,
    cpu_busy: Option<f64>,
}

async fn examine(terms: Terms, context: Context) -> Outcome {
    let Some(session) = context.known.far_end.clone() else { return Outcome::not_tested("no session with the far end") };
    if !session.objects {
        return Outcome::not_tested("the far end has no objects over HTTP/2: it is older than this agent");
    }
    let mut outcome = Outcome::new(Status::Done);
    let mut octets_left = context.effort.max_octets.unwrap_or(u64::MAX);
    for direction in [Direction::Down, Direction::Up] {
        if context.cancel.is_cancelled() {
            outcome.reason = Some("ended early".to_owned());
            break;
        }
        match one_way(&context, terms, direction, octets_left).await {
            Ok(tested) => {
                octets_left = octets_left.saturating_sub(tested.working.octets);
                figures::add(&mut outcome, &context.effort, &tested);
                if let Ended::Broken(why) = &tested.working.ended {
                    let reason = format!("the test of responsiveness {direction} broke off: {why}");
                    outcome.flaw("responsiveness-broken-off", reason.clone(), None);
                    outcome.status = Status::Failed;
                    outcome.reason = Some(reason);
                } else if tested.working.ended == Ended::Cancelled {
                    outcome.reason = Some("ended early".to_owned());
                }
            }
            Err(error) => {
                let reason = format!("the test of responsiveness {direction} did not start: {error}");
                outcome.flaw(error.code(), reason.clone(), None);
                outcome.status = if outcome.readings.is_empty() { Status::NotTested } else { Status::Failed };
                outcome.reason = Some(reason);
                return outcome;
            }
        }
    }
    outcome
}

/// Asks for the objects of one direction and works with them.
async fn one_way(context: &Context, terms: Terms, direction: Direction, max_octets: u64) -> Result<Tested, ClientError> {
    let session = context.known.far_end.clone().ok_or_else(|| ClientError::Ended("no session".to_owned()))?;
    let connector = session.connector()?;
    let request = LoadRequest {
        direction,
        streams: terms.connections as u16,
        time_ms: (longest(&terms) + AROUND).as_millis() as u64,
        max_octets,
        expected_mbit: context.effort.expected_mbit(direction),
    };
    let grant = turn::take(context, "responsiveness", || session.admit_objects(&request)).await?;
    let cpu = CpuTimes::now();
    let paths = working::Paths { large: session.large_object(&grant), small: session.small_object(&grant) };
    let working = working::run(context, terms, direction, &connector, &paths).await;
    let cpu_busy = cpu.and_then(|then| CpuTimes::now()?.busiest_since(&then));
    // Whatever became of it, the far end frees the share.
    let report = session.finish_objects(&grant).await.ok();
    Ok(Tested { direction, family: Family::of(session.address), working, report, cpu_busy })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unit::Depth;

    #[test]
    fn cost_is_both_ways_to_the_time_limit_at_what_was_sold_with_a_margin() {
        let volume = Volume {
            depth: Depth::Soak,
            load_time: Duration::from_secs(1),
            sold_down_mbit: 100.0,
            sold_up_mbit: 40.0,
            classes_mbit: None,
            tv: None,
            sizes: crate::plan::Sizes::NONE,
        };
        let cost = cost(&volume);
        // (100 + 40) Mbit/s x 1.25 x 20 s / 8
        assert_eq!((cost.time, cost.octets), (Duration::from_secs(44), 437_500_000));
    }
}
