//! From a train to readings, facts and flaws.

use std::time::Duration;

use serde_json::json;

use super::{FASTEST_MBIT, Run, SECONDS};
use crate::check::Context;
use crate::metric::shaping::{Drops, Finding, Kind, Shape, Sharing, late_wait, passed, sharing};
use crate::reading::{Limit, LimitedBy, Outcome, Reading, Series, Unit};
use crate::unit::{Direction, Interval, Layer, Load};

/// A sender that reaches less than this share of the pace can't send faster.
const KEPT: f64 = 0.97;
/// Within this share of what the port carries the port is what holds the train.
const PORT_SHARE: f64 = 0.97;
/// IP octets per line octet of full Ethernet frames: 1500 of 1538.
const IP_SHARE: f64 = 1500.0 / 1538.0;
/// A policer's bucket of less than this time of its rate is small: TCP's bursts of a round trip do not fit *(ours)*.
const SMALL_BURST_S: f64 = 0.01;
/// The opening, and the pause behind its answer.
const OPENING: Duration = Duration::from_millis(100);
/// Points of the series.
const BINS: usize = 60;

/// Adds what a train found.
pub(super) fn add(outcome: &mut Outcome, context: &Context, run: &Run, port_mbit: Option<f64>) {
    let direction = run.direction;
    outcome.series.extend(series(run));
    let mut facts = json!({
        "packets": run.passages.len(),
        "planned_mbit": f64::from(run.packet) * 8e3 / f64::from(run.request.spacing_ns),
        "octets_of_ip_each": run.packet,
        "sent_mbit": sent_mbit(run),
        "arrived": run.passages.iter().filter(|one| one.arrived_ns.is_some()).count(),
        "dropped_by_receiver": run.dropped,
    });
    match &run.finding {
        Finding::NothingUpTo(rate) => {
            let mbit = rate / 1e6;
            let is_late = mbit < KEPT * f64::from(run.packet) * 8e3 / f64::from(run.request.spacing_ns);
            let most = if is_late || mbit * 1.02 >= FASTEST_MBIT { "; packets can't be sent faster one by one" } else { "" };
            facts["shape"] = json!(format!("nothing held back {mbit:.1} Mbit/s of IP{most}"));
        }
        Finding::Unclear(why) => facts["shape"] = json!(why.to_string()),
        Finding::Held(shape) => {
            facts["shape"] = json!(words(shape));
            facts["kind"] = json!(if shape.kind == Kind::Shaper { "shaper" } else { "policer" });
            if let Some((name, why)) = habit(shape, run) {
                facts["queue"] = json!(name);
                facts["queue_because"] = json!(why);
            }
            let load = Load::from(direction);
            let limits = limits(context, run, shape, port_mbit);
            let place = |mut reading: Reading| {
                reading.limited_by.extend(limits.iter().cloned());
                reading.toward(direction).over(run.family).under(load)
            };
            outcome.readings.extend(readings(shape, run).into_iter().map(place));
            flaws(outcome, shape, direction);
        }
    }
    outcome.fact(&format!("train_{direction}"), facts);
}

/// Rate of the packets as they were sent, Mbit/s at the IP layer.
fn sent_mbit(run: &Run) -> f64 {
    let (Some(first), Some(last)) = (run.passages.first(), run.passages.last()) else { return 0.0 };
    let span = (last.sent_ns - first.sent_ns).max(1) as f64;
    (run.passages.len() - 1) as f64 * f64::from(run.packet) * 8e3 / span
}

fn readings(shape: &Shape, run: &Run) -> Vec<Reading> {
    let samples = run.passages.iter().filter(|one| one.arrived_ns.is_some()).count() as u64;
    let (rate, Interval { low, high, confidence }) = shape.rate;
    let in_mbit = |bound: Option<f64>| bound.map(|bound| bound / 1e6);
    let interval = Interval { low: in_mbit(low), high: in_mbit(high), confidence };
    let mut readings = vec![Reading::new("shaping.rate", rate / 1e6, samples, interval).at(Layer::Ip)];
    if let Some((octets, interval)) = shape.burst {
        readings.push(Reading::new("shaping.burst", octets, samples, interval));
    }
    let at_least = |name, value, is_at_least: bool| {
        let interval = Interval { low: Some(value), high: (!is_at_least).then_some(value), confidence: 1.0 };
        Reading::new(name, value, samples, interval)
    };
    if let Some(boost) = shape.boost {
        readings.push(at_least("shaping.boost_rate", boost.rate / 1e6, boost.is_at_least).at(Layer::Ip));
        readings.push(Reading::exact("shaping.boost_time", boost.seconds));
    }
    if let Some(queue) = shape.queue {
        let is_open = queue.drops != Drops::WhenFull;
        readings.push(at_least("shaping.queue_delay", queue.seconds * 1e3, is_open));
        readings.push(at_least("shaping.queue_octets", queue.octets, is_open));
    }
    readings
}

/// What looks after the queue: a stable word, and why. `None` when the train does not tell.
fn habit(shape: &Shape, run: &Run) -> Option<(&'static str, String)> {
    let queue = shape.queue?;
    let waited = late_wait(&run.passages)?;
    let rise = rise_beside(run);
    match rise.and_then(|rise| sharing(waited, rise)) {
        Some(Sharing::OwnQueues) => {
            let why = format!("a sparse flow beside it waited {:.1} ms, the train {:.0} ms", rise? * 1e3, waited * 1e3);
            Some(("flows-apart", why))
        }
        shared => match (queue.drops, shared) {
            (Drops::Early, _) => Some(("managed", "it dropped long before its longest delay".to_owned())),
            (Drops::WhenFull, Some(Sharing::OneQueue)) => {
                Some(("fifo", "it dropped only when it was full, and a sparse flow waited as long as the train".to_owned()))
            }
            (Drops::WhenFull, _) => Some(("fifo", "it dropped only when it was full".to_owned())),
            (Drops::None, _) => None,
        },
    }
}

/// Rise of the sparse stream's median round trip in the train's second half over its least, seconds.
fn rise_beside(run: &Run) -> Option<f64> {
    let stream = run.beside.as_ref()?;
    let account = &stream.account;
    let begin = run.began_at + OPENING + Duration::from_secs_f64(SECONDS / 2.0);
    let end = run.began_at + OPENING + Duration::from_secs_f64(SECONDS);
    let least = account.round_trip.iter().flatten().min()?;
    let mut late: Vec<i64> = account
        .sent_after
        .iter()
        .zip(&account.round_trip)
        .filter(|(after, _)| (begin..end).contains(&(stream.began_at + **after)))
        .filter_map(|(_, ns)| *ns)
        .collect();
    late.sort_unstable();
    // Few answers are what a full queue leaves; fewer tell nothing.
    (late.len() >= 5).then(|| (late[late.len() / 2] - least) as f64 / 1e9)
}

/// In a sentence, for the record's reader.
fn words(shape: &Shape) -> String {
    let what = if shape.kind == Kind::Shaper { "a shaper" } else { "a policer" };
    let mut parts = vec![format!("{what} holds it to {:.2} Mbit/s of IP", shape.rate.0 / 1e6)];
    if let Some((octets, _)) = shape.burst {
        parts.push(format!("{:.1} kB pass at once", octets / 1e3));
    }
    if let Some(boost) = shape.boost {
        let at_least = if boost.is_at_least { "at least " } else { "" };
        parts.push(format!("{at_least}{:.1} Mbit/s for the first {:.1} s", boost.rate / 1e6, boost.seconds));
    }
    if let Some(queue) = shape.queue {
        let at_least = if queue.drops == Drops::None { "at least " } else { "" };
        parts.push(format!("its queue holds {at_least}{:.0} ms", queue.seconds * 1e3));
    }
    parts.join(", ")
}

fn flaws(outcome: &mut Outcome, shape: &Shape, direction: Direction) {
    let Some((octets, _)) = shape.burst.filter(|_| shape.kind == Kind::Policer) else { return };
    let seconds = octets * 8.0 / shape.rate.0;
    if seconds < SMALL_BURST_S {
        let what = format!(
            "{direction} what is faster than {:.1} Mbit/s is dropped, and only {:.1} kB ({:.1} ms) pass at once: bursts of TCP are cut, \
             and it stays below that rate",
            shape.rate.0 / 1e6,
            octets / 1e3,
            seconds * 1e3
        );
        outcome.flaw("policer-small-burst", what, None);
    }
}

/// What else than the line could have held the train.
fn limits(context: &Context, run: &Run, shape: &Shape, port_mbit: Option<f64>) -> Vec<LimitedBy> {
    let mut limits = Vec::new();
    let receiver = if run.direction == Direction::Up { Limit::FarEnd } else { Limit::TestSet };
    if run.dropped > 0 {
        limits.push(LimitedBy { side: receiver, what: format!("its receive queue dropped {} datagrams", run.dropped) });
    }
    let (rate, sold) = (shape.rate.0 / 1e6, context.effort.sold(run.direction));
    if let Some(port) = port_mbit.filter(|port| rate >= PORT_SHARE * port * IP_SHARE && sold.is_none_or(|sold| rate < sold)) {
        limits.push(LimitedBy { side: Limit::TestSet, what: format!("the port runs at {port:.0} Mbit/s") });
    }
    limits
}

/// Arrived rate and waiting time over the train, for a picture.
fn series(run: &Run) -> Vec<Series> {
    let passed = passed(&run.passages);
    let Some(last) = passed.last().filter(|last| last.at_ns > 0) else { return Vec::new() };
    let width = (last.at_ns / BINS as i64).max(1);
    let mut bins = vec![(0_u32, 0_i64); BINS];
    for one in &passed {
        let bin = &mut bins[((one.at_ns / width).max(0) as usize).min(BINS - 1)];
        *bin = (bin.0 + 1, bin.1.max(one.waited_ns));
    }
    let at_ms: Vec<f64> = (0..BINS).map(|at| at as f64 * width as f64 / 1e6).collect();
    let one = |name: &str, unit, values| Series {
        name: name.to_owned(),
        unit,
        target: None,
        direction: Some(run.direction),
        family: Some(run.family),
        load: None,
        at_ms: at_ms.clone(),
        values,
    };
    let rate = |count: u32| f64::from(count) * f64::from(run.packet) * 8e3 / width as f64;
    vec![
        one("shaping.arrived_rate", Unit::MegabitPerSecond, bins.iter().map(|(count, _)| Some(rate(*count))).collect()),
        one("shaping.waited", Unit::Millisecond, bins.iter().map(|(count, ns)| (*count > 0).then(|| *ns as f64 / 1e6)).collect()),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Status;

    /// A policer of 20 Mbit/s with this many octets.
    fn flaws_of(kind: Kind, octets: f64) -> Vec<String> {
        let interval = Interval { low: None, high: None, confidence: 0.95 };
        let shape = Shape { kind, rate: (20e6, interval), burst: Some((octets, interval)), boost: None, queue: None };
        let mut outcome = Outcome::new(Status::Done);
        flaws(&mut outcome, &shape, Direction::Down);
        outcome.flaws.into_iter().map(|flaw| flaw.code).collect()
    }

    #[test]
    fn a_policer_that_cuts_bursts_is_a_flaw_and_a_shaper_is_none() {
        assert_eq!(flaws_of(Kind::Policer, 24e3), ["policer-small-burst"], "9.6 ms");
        assert!(flaws_of(Kind::Policer, 26e3).is_empty(), "10.4 ms");
        assert!(flaws_of(Kind::Shaper, 3e3).is_empty());
    }
}
