//! Two-way measurement with STAMP (RFC 8762) against the far end's reflector: loss, order, duplication and delay variation
//! of each direction, and the round trip.
//!
//! It runs one stream on the quiet line and turns its account into readings. It must not know how packets are sent
//! ([`stream`]) or counted ([`crate::proto::stamp::account`]). Forward is up, backward is down.

mod classes;
mod figures;
mod part;
mod stream;

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::{BoxFuture, join_all};

use tokio_util::sync::CancellationToken;

use self::part::{DECIDING, Part};
use self::stream::run_watched;
use super::settling::Course;
use super::{Check, Context, Finished, LiveFigure, LiveSink};
use crate::farend::client::StampOffer;
use crate::plan::{Class, Cost, Need, Sizes, Spec, Volume, sizes};
use crate::proto::stamp::account::Reflector;
use crate::proto::stamp::schedule::Spacing;
use crate::proto::stamp::sender::Config;
use crate::reading::Outcome;
use crate::unit::{Depth, Family, MAIN_STREAM_INTERVAL};
use crate::wire::stamp::Key;

pub use stream::{Ended, StreamConfig, StreamProgress, StreamResult, run_stream};

/// UDP payload of a packet: about as large as 20 ms of voice at 64 kbit/s with its RTP header (160 + 12 octets), and room enough
/// for either form of the packet with all that is asked by it.
pub const PAYLOAD_OCTETS: usize = 192;
/// IP and UDP header on top, IPv6 as the larger.
const HEADERS: u64 = 48;
/// How long an answer may take: above the delay of any buffer that TCP would fill and leave filled, and of a satellite.
pub const WAIT: Duration = Duration::from_secs(2);
/// Closing packets at most: as many as fit the wait at the usual pace.
const CLOSING: u32 = 100;
/// Without any answer for so long, the stream is given up.
pub const GIVE_UP_AFTER: Duration = Duration::from_secs(10);

/// Which form of packets to use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Form {
    /// Authenticated when the session has a key: then address translation by a pool of addresses does no harm.
    #[default]
    Offered,
    /// Unauthenticated always.
    Unauthenticated,
}

/// The check.
#[derive(Debug, Clone, Default)]
pub struct Twoway {
    /// Form of the packets.
    pub form: Form,
    /// A standard reflector other than the far end's.
    pub peer: Option<Peer>,
}

/// A reflector of RFC 8762, or of RFC 5357 without a control connection (its appendix I), that nobody made a session with.
#[derive(Debug, Clone)]
pub struct Peer {
    /// Where it answers.
    pub at: SocketAddr,
    /// The key that its host handed out: then packets are authenticated.
    pub key: Option<Key>,
}

/// Packets and pace by depth, enlarged. The pace stays as it is: what is lost in bursts depends on it.
fn sized(depth: Depth, sizes: &Sizes) -> (u64, Duration) {
    let (count, interval) = effort(depth);
    (sizes.count("twoway", count), interval)
}

/// Packets and pace by depth.
fn effort(depth: Depth) -> (u64, Duration) {
    match depth {
        // A 95th percentile has an upper bound from 72 independent samples on; neighbours in a queue are not independent.
        Depth::Quick => (300, Duration::from_millis(12)),
        // 1000 packets bound a loss-free line below 0.37 % at 95 %, two-sided.
        Depth::Handoff => (1000, MAIN_STREAM_INTERVAL),
        // 15 000 bound it below 0.025 %, and carry the 99.9th percentile.
        Depth::Soak => (15_000, Duration::from_millis(20)),
    }
}

impl Check for Twoway {
    fn spec(&self) -> Spec {
        let needs: &[Need] = if self.peer.is_some() { &[Need::Address] } else { &[Need::FarEnd] };
        Spec { name: "twoway", needs, gives: &[], class: Class::Quiet, cost }
    }

    fn samples(&self, reading: &str, depth: Depth) -> Option<u64> {
        // Classes beside it have their own pace, by the profile.
        let is_of_stream = reading.starts_with("twoway.") && !reading.starts_with("twoway.class_");
        is_of_stream.then(|| effort(depth).0)
    }

    fn most(&self, volume: &Volume) -> f64 {
        let (packets, interval) = effort(volume.depth);
        sizes::most(interval.mul_f64(packets as f64))
    }

    fn may_settle(&self) -> bool {
        true
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        let asked = self.clone();
        async move { Finished::from(examine(asked, context).await) }.boxed()
    }
}

fn cost(volume: &Volume) -> Cost {
    let (packets, interval) = sized(volume.depth, &volume.sizes);
    // A round trip and a few closing packets come on top; the wait only where packets are lost.
    let time = interval * u32::try_from(packets).unwrap_or(u32::MAX) + Duration::from_millis(500);
    // In each IP version.
    let octets = 2 * 2 * packets * (PAYLOAD_OCTETS as u64 + HEADERS);
    Cost { time, octets: octets + classes::volume(volume, packets, interval) }
}

async fn examine(Twoway { form, peer }: Twoway, context: Context) -> Outcome {
    let (count, interval) = sized(context.effort.depth, &context.effort.sizes);
    let plan =
        StreamPlan { device: Some(context.interface.name.clone()), dscp: context.effort.dscp, count: Some(count), interval };
    let (mut config, mut beside) = match peer {
        Some(Peer { at, key }) => {
            // Without a session there is no identifier, and where RFC 8972 has it, RFC 8762 and RFC 5357 want zeroes.
            let offer = StampOffer { port: at.port(), ssid: 0, key };
            (StreamConfig { kind: Reflector::Unknown, ..stream_config(at.ip(), &offer, form, plan) }, None)
        }
        None => {
            let Some(session) = context.known.far_end.clone() else {
                return Outcome::not_tested("no session with the far end");
            };
            let Some(offer) = session.stamp.clone() else {
                return Outcome::not_tested("the far end runs no reflector for two-way measurement");
            };
            let other = context.known.far_end_beside.as_ref();
            let other = other.and_then(|session| Some((session.address, session.stamp.clone()?)));
            let beside = other.map(|(address, offer)| stream_config(address, &offer, form, plan.clone()));
            (stream_config(session.address, &offer, form, plan), beside)
        }
    };
    let confidence = context.effort.confidence;
    let mut others = classes::streams(&config, &context.effort);
    let course = context.settling.clone().map(|settling| Arc::new(Course::new(settling, DECIDING + others.len())));
    let part = |slot, config: &mut StreamConfig| Part::of(course.as_ref(), slot, config, confidence);
    let first_part = part(0, &mut config);
    let second_part = beside.as_mut().map(|config| part(1, config));
    let parts: Vec<Part> = others.iter_mut().zip(DECIDING..).map(|((_, config), slot)| part(slot, config)).collect();
    // Side by side: the same line at the same time. Whoever watches sees the first.
    let others = others.into_iter().zip(parts).map(|((class, config), part)| {
        let cancel = context.cancel.clone();
        async move {
            let watch = part.watch(classes::reader(&config, part.sampling()));
            let result = run_watched(config.clone(), cancel, |_| {}, watch).await;
            classes::Found { class, config, part, result }
        }
    });
    let first = measure_as(first_part, config, context.cancel.clone(), Arc::clone(&context.live));
    let second = async {
        let (config, part) = beside.zip(second_part)?;
        let silent: LiveSink = Arc::new(|_| {});
        let family = Family::of(config.reflector.ip());
        Some((measure_as(part, config, context.cancel.clone(), silent).await, family))
    };
    let deciding = async {
        let both = tokio::join!(first, second);
        // Nobody asks any more: the thin streams have no reason to go on.
        course.iter().for_each(|course| course.enough().cancel());
        both
    };
    let ((mut first, second), others) = tokio::join!(deciding, join_all(others));
    classes::add(&mut first, &others);
    match second {
        Some((second, family)) => figures::beside(first, second, family),
        None => first,
    }
}

/// Runs one stream and turns what it found into the check's outcome.
pub async fn measure(config: StreamConfig, cancel: CancellationToken, live: LiveSink, confidence: f64) -> Outcome {
    measure_as(Part::alone(confidence), config, cancel, live).await
}

async fn measure_as(part: Part, config: StreamConfig, cancel: CancellationToken, live: LiveSink) -> Outcome {
    let began_at = Instant::now();
    let most = if part.said().is_some() { " of at most" } else { " of" };
    let of = config.stream.count.map_or(String::new(), |count| format!("{most} {count}"));
    let progress = move |now: StreamProgress| {
        let text = match now.round_trip {
            Some(ms) => format!("{}{of} sent, round trip {ms:.1} ms", now.sent),
            None => format!("{}{of} sent, no answer yet", now.sent),
        };
        let figure = LiveFigure::new("twoway", text);
        live(match now.round_trip {
            Some(ms) => figure.point("round trip", ms),
            None => figure,
        });
    };
    let (sampling, family) = (part.sampling(), Family::of(config.reflector.ip()));
    let watch = part.watch(move |result| figures::readings_over(family, result, sampling));
    match run_watched(config.clone(), cancel, progress, watch).await {
        Ok(result) => figures::outcome(&config, &result, began_at, &part),
        Err(error) => {
            let port = config.device.as_deref().unwrap_or("the system's route");
            Outcome::not_tested(format!("running the socket for two-way measurement on {port}: {error}"))
        }
    }
}

/// What differs between streams to a session's reflector.
#[derive(Debug, Clone)]
pub struct StreamPlan {
    /// Interface to send through.
    pub device: Option<String>,
    /// DSCP of packets and answers.
    pub dscp: u8,
    /// Packets; `None` runs until cancelled.
    pub count: Option<u64>,
    /// Pace.
    pub interval: Duration,
}

/// A stream to the reflector that the far end at `address` offers, for this check and for whoever looks at the delay beside a load.
pub fn stream_config(address: IpAddr, offer: &StampOffer, form: Form, plan: StreamPlan) -> StreamConfig {
    let StreamPlan { device, dscp, count, interval } = plan;
    let key = match form {
        Form::Offered => offer.key.clone(),
        Form::Unauthenticated => None,
    };
    StreamConfig {
        device,
        local: Family::of(address).any_address(),
        reflector: SocketAddr::new(address, offer.port),
        kind: Reflector::Stateful,
        dscp,
        give_up_after: GIVE_UP_AFTER,
        stream: Config {
            count,
            interval,
            spacing: Spacing::Periodic { phase: rand::random() },
            wait: WAIT,
            overtaken: None,
            closing: CLOSING,
            ssid: offer.ssid,
            key,
            reply_dscp: Some(dscp),
            payload_octets: PAYLOAD_OCTETS,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metric::loss_interval::clopper_pearson;

    #[test]
    fn each_depth_carries_the_loss_claim_that_its_size_is_for() {
        for (depth, claim) in [(Depth::Quick, 0.0123), (Depth::Handoff, 0.0037), (Depth::Soak, 0.00025)] {
            let high = clopper_pearson(0, effort(depth).0, 0.95).high.expect("bounded");
            assert!(high <= claim, "{depth:?}: {high}");
        }
    }

    #[test]
    fn cost_is_the_stream_s_time_and_octets() {
        let cost = cost(&Volume {
            depth: Depth::Handoff,
            load_time: Duration::from_secs(3),
            sold_down_mbit: 0.0,
            sold_up_mbit: 0.0,
            classes_mbit: None,
            tv: None,
            sizes: Sizes::NONE,
        });
        assert_eq!((cost.time, cost.octets), (Duration::from_millis(9500), 960_000 + 2 * 98 * (200 + 628 + 328)));
    }
}
