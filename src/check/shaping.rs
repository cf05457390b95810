//! `shaping`: what holds the line to its rate, down and up: a shaper or a policer, its rate, its burst, a boost at the start, the
//! queue and who looks after it.
//!
//! A train of packets, each sent at its own moment, goes faster than the line was sold; the receiver notes when each came. A sparse
//! two-way stream beside it shows whether other flows wait behind it. When a train comes through whole, a faster one follows. This file
//! runs the trains; [`metric::shaping`](crate::metric::shaping) reads them, [`figures`] says it. It must not know limits beyond sizing.

mod figures;

use std::io;
use std::net::SocketAddr;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use tokio_util::sync::CancellationToken;

use super::twoway::StreamResult;
use super::{Check, Context, Finished, LiveFigure, beside, own_thread, turn};
use crate::farend::api::TrainRequest;
use crate::farend::client::{ClientError, Session};
use crate::farend::train;
use crate::metric::shaping::{Finding, Passage, examine};
use crate::net::{ethtool, facts};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::reading::{Outcome, Status};
use crate::unit::{Direction, Family, Interval, Segment};
use crate::wire::train::{HEADER, Report, Secret};
use crate::wire::udp::headers;

/// Rate that trains begin from where none was sold, Mbit/s.
const ASSUMED_MBIT: f64 = 50.0;
/// How much faster than what was sold the trains are, one after the other until one is held back *(ours)*.
const FASTER: [f64; 3] = [1.5, 3.0, 6.0];
/// Single packets are not sent faster than this, Mbit/s: a core that spins has about 10 us for each.
const FASTEST_MBIT: f64 = 1150.0;
/// How long a train takes, seconds: the knee of a bucket of half a second's octets, and two seconds behind it *(ours)*.
const SECONDS: f64 = 3.0;
/// The line is left idle before, so that its bucket fills.
const IDLE: Duration = Duration::from_secs(2);
/// Opening, report and what a buffer holds, on top.
const AROUND: Duration = Duration::from_millis(1500);
/// A slow line's packets are made smaller, so that this many make the train; but not smaller than the second, octets of IP.
const PACKETS: f64 = 800.0;
const SMALLEST: f64 = 200.0;
/// Octets of an ordinary Ethernet line's packets.
const ORDINARY: u32 = 1500;

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct ShapingCheck;

impl Check for ShapingCheck {
    fn spec(&self) -> Spec {
        Spec { name: "shaping", needs: &[Need::FarEnd], gives: &[], class: Class::Load, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        async move { Finished::from(check(context).await) }.boxed()
    }
}

fn cost(volume: &Volume) -> Cost {
    let octets = |mbit: f64| {
        let mbit = if mbit > 0.0 { mbit } else { ASSUMED_MBIT };
        ((mbit * FASTER[0]).min(FASTEST_MBIT) * 1e6 / 8.0 * SECONDS) as u64
    };
    let time = 2 * (IDLE + Duration::from_secs_f64(SECONDS) + AROUND);
    Cost { time, octets: octets(volume.sold_down_mbit) + octets(volume.sold_up_mbit) }
}

/// One train, run.
struct Run {
    direction: Direction,
    family: Family,
    request: TrainRequest,
    /// Octets of each of its IP packets.
    packet: u32,
    passages: Vec<Passage>,
    dropped: u32,
    beside: Option<StreamResult>,
    /// When the train was asked for.
    began_at: Instant,
    finding: Finding,
}

/// Why there was no train.
#[derive(Debug, thiserror::Error)]
enum NotRun {
    #[error("{0}")]
    FarEnd(#[from] ClientError),
    #[error("the UDP port that the far end named was not answered: is something on the way blocking UDP?")]
    Unheard,
    #[error("{0}")]
    System(#[from] io::Error),
    #[error("ended early")]
    Cancelled,
}

async fn check(context: Context) -> Outcome {
    let Some(session) = context.known.far_end.clone() else { return Outcome::not_tested("no session with the far end") };
    if !session.trains {
        return Outcome::not_tested("the far end is of a version that sends no trains");
    }
    let port_mbit = ethtool::port_modes(&context.port.name).await.speed_mbit.map(f64::from);
    let mtu = facts::link(context.interface.index).await.ok().flatten().map_or(ORDINARY, |link| link.mtu);
    let largest = context.known.path_mtu.map_or(mtu, |path| path.min(mtu)).min(ORDINARY);
    let mut outcome = Outcome::new(Status::Done);
    let mut octets_left = context.effort.max_octets.unwrap_or(u64::MAX);
    for direction in [Direction::Down, Direction::Up] {
        match one_way(&context, &session, direction, largest, &mut octets_left).await {
            Ok(Some(run)) => figures::add(&mut outcome, &context, &run, port_mbit),
            Ok(None) => outcome.fact(&format!("left_out_{direction}"), "the data that the visit may move is used up"),
            Err(NotRun::Cancelled) => {
                outcome.reason = Some("ended early".to_owned());
                break;
            }
            Err(why) => return not_run(outcome, direction, &why),
        }
    }
    outcome
}

fn not_run(mut outcome: Outcome, direction: Direction, why: &NotRun) -> Outcome {
    let reason = format!("the train {direction} did not run: {why}");
    match why {
        NotRun::FarEnd(error) => outcome.flaw(error.code(), reason.clone(), None),
        NotRun::Unheard => outcome.flaw("train-unheard", reason.clone(), None::<Segment>),
        NotRun::System(_) | NotRun::Cancelled => {}
    }
    outcome.status = if outcome.readings.is_empty() { Status::NotTested } else { Status::Failed };
    outcome.reason = Some(reason);
    outcome
}

/// Trains this way, each faster than the one before, until one is held back. `None` when there is no data left to move.
async fn one_way(
    context: &Context,
    session: &Session,
    direction: Direction,
    largest: u32,
    octets_left: &mut u64,
) -> Result<Option<Run>, NotRun> {
    let from = context.effort.sold(direction).unwrap_or(ASSUMED_MBIT);
    let family = Family::of(session.address);
    let mut last: Option<Run> = None;
    for times in FASTER {
        let mbit = (from * times).min(FASTEST_MBIT);
        let request = sized(direction, mbit, largest, family);
        let is_no_faster = last.as_ref().is_some_and(|last| request.spacing_ns >= last.request.spacing_ns);
        if is_no_faster || request.octets() > *octets_left {
            break;
        }
        *octets_left -= request.octets();
        let run = run(context, session, request, family).await?;
        let is_held = !matches!(run.finding, Finding::NothingUpTo(_));
        last = Some(run);
        if is_held {
            break;
        }
    }
    Ok(last)
}

/// A train of a rate at the IP layer.
fn sized(direction: Direction, mbit: f64, largest: u32, family: Family) -> TrainRequest {
    let packet = (mbit * 1e6 / 8.0 * SECONDS / PACKETS).clamp(SMALLEST, f64::from(largest)).floor();
    let payload = (packet as u32).saturating_sub(headers(family)).max(HEADER as u32);
    let spacing_ns = packet * 8e3 / mbit;
    TrainRequest {
        direction,
        payload_octets: u16::try_from(payload).unwrap_or(u16::MAX),
        packets: (SECONDS * 1e9 / spacing_ns) as u32,
        spacing_ns: spacing_ns as u32,
    }
}

/// Runs one train, with a sparse stream beside it.
async fn run(context: &Context, session: &Session, request: TrainRequest, family: Family) -> Result<Run, NotRun> {
    let direction = request.direction;
    let over = CancellationToken::new();
    let train = async {
        let result = tokio::select! {
            result = exchange(context, session, &request) => result,
            () = context.cancel.cancelled() => Err(NotRun::Cancelled),
        };
        over.cancel();
        result
    };
    let (received, stream) = tokio::join!(train, beside::round_trips(context, session, direction, over.clone()));
    let (Report { sent, dropped, arrivals }, began_at) = received?;
    let mut passages: Vec<Passage> =
        (0..sent).map(|at| Passage { sent_ns: i64::from(at) * i64::from(request.spacing_ns), arrived_ns: None }).collect();
    for one in &arrivals {
        if let Some(passage) = passages.get_mut(one.sequence as usize) {
            *passage = Passage { sent_ns: one.sent_ns, arrived_ns: Some(one.arrived_ns) };
        }
    }
    place_lost(&mut passages);
    let packet = u32::from(request.payload_octets) + headers(family);
    let mut finding = examine(&passages, packet.into(), context.effort.confidence);
    if let (Finding::Held(shape), Some(stream)) = (&mut finding, &stream) {
        // What the stream beside it took was given by the same bucket.
        let taken = beside::PROBE_OCTETS * 8.0 / stream.interval.as_secs_f64();
        let Interval { low, high, confidence } = shape.rate.1;
        let more = |bound: Option<f64>| bound.map(|bound| bound + taken);
        shape.rate = (shape.rate.0 + taken, Interval { low: more(low), high: more(high), confidence });
    }
    Ok(Run { direction, family, request, packet, passages, dropped, beside: stream, began_at, finding })
}

/// A packet that was lost went between its neighbours: only those that came say when.
fn place_lost(passages: &mut [Passage]) {
    let mut at = 0;
    while at < passages.len() {
        let lost = passages[at..].iter().take_while(|one| one.arrived_ns.is_none()).count();
        let before = if at == 0 { 0 } else { passages[at - 1].sent_ns };
        let behind = passages.get(at + lost).map(|one| one.sent_ns);
        for (step, one) in passages[at..at + lost].iter_mut().enumerate() {
            // Behind the last that came there is only the plan.
            one.sent_ns = behind.map_or_else(
                || one.sent_ns.max(before),
                |behind| before + (behind - before) * (step as i64 + 1) / (lost as i64 + 1),
            );
        }
        at += lost + 1;
    }
}

/// Leaves the line idle, asks for the train and runs it on a thread of its own. With what came is told when it began.
async fn exchange(context: &Context, session: &Session, request: &TrainRequest) -> Result<(Report, Instant), NotRun> {
    let direction = request.direction;
    tokio::time::sleep(IDLE).await;
    let grant = turn::take(context, "shaping", || session.admit_train(request)).await?;
    let secret = grant.secret.octets().and_then(|octets| Secret::new(&octets));
    let secret = secret.ok_or_else(|| ClientError::Broken("the secret of the train is none".to_owned()))?;
    (context.live)(LiveFigure::new("shaping", format!("{direction} {:.0} Mbit/s", request.mbit())));
    let device = context.interface.name.clone();
    let to = SocketAddr::new(session.address, grant.port);
    let local = SocketAddr::new(Family::of(to.ip()).any_address(), 0);
    let (asked, began_at) = (request.clone(), Instant::now());
    let work = move |stop: &AtomicBool| train::run(&train::open(local, Some(&device))?, to, &secret, &asked, stop);
    let done = own_thread::run("train", work).await?;
    // Whatever became of it, the far end frees the share.
    let theirs = session.finish_train(&grant).await;
    let (own, theirs) = (done?.ok_or(NotRun::Unheard)?, theirs?);
    let (sender, receiver) = if direction == Direction::Down { (theirs, own) } else { (own, theirs) };
    Ok((Report { sent: sender.sent, ..receiver }, began_at))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_train_has_its_rate_at_the_ip_layer_and_a_slow_line_s_has_as_many_packets() {
        for (mbit, packet, packets) in [(150.0, 1500, 37_500), (1.0, 468, 801), (0.1, 200, 187)] {
            let request = sized(Direction::Down, mbit, 1500, Family::Ipv4);
            assert_eq!((u32::from(request.payload_octets) + 28, request.packets), (packet, packets), "{mbit}");
            let rate = f64::from(packet) * 8e3 / f64::from(request.spacing_ns);
            assert!((rate / mbit - 1.0).abs() < 1e-3, "{rate}");
            assert!((2900..=3000).contains(&request.time_ms()), "{request:?}");
        }
    }

    #[test]
    fn lost_packets_are_placed_between_their_neighbours() {
        let came = |sent_ns| Passage { sent_ns, arrived_ns: Some(0) };
        let lost = |sent_ns| Passage { sent_ns, arrived_ns: None };
        let mut train = [lost(0), came(100), lost(200), lost(300), came(1000), lost(500), lost(2000)];
        place_lost(&mut train);
        assert_eq!(train.map(|one| one.sent_ns), [50, 100, 400, 700, 1000, 1000, 2000]);
        place_lost(&mut []);
    }

    #[test]
    fn cost_is_two_trains_at_half_as_much_again_as_was_sold() {
        let volume = Volume {
            depth: crate::unit::Depth::Soak,
            load_time: IDLE,
            sold_down_mbit: 100.0,
            sold_up_mbit: 40.0,
            classes_mbit: None,
            tv: None,
            sizes: crate::plan::Sizes::NONE,
        };
        // (150 + 60) Mbit/s x 3 s / 8
        assert_eq!((cost(&volume).time, cost(&volume).octets), (Duration::from_secs(13), 78_750_000));
    }
}
