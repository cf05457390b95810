//! Echoes to the gateway, the provider's first hop and the far end, side by side, on the quiet line.
//!
//! It picks the targets, runs one machine over all of them and turns the reports into readings. It must not know how
//! packets are paced or matched ([`crate::proto::echo`]). A crate for coarse pings takes a first look, so that whoever
//! watches sees within half a second who is there; every figure comes from the own probe with kernel stamps.

mod figures;
mod first_look;
pub(super) mod targets;

use std::io;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use self::targets::{Aim, aims, destination, far_end_addresses, find_provider_hop, source};
use super::probing::{Device, OwnFaults, run_echo};
use super::settling::{Course, Watch};
use super::{Check, Context, Finished, LiveFigure};
use crate::plan::{Class, Cost, Need, Sizes, Spec, Volume, sizes};
use crate::proto::echo::schedule::Pattern;
use crate::proto::echo::{EchoMachine, EchoSettings, Event};
use crate::reading::Outcome;
use crate::unit::{Depth, Family};

/// Octets of echo data: with headers an IP packet of 92 octets, about a voice packet of half the usual length.
pub(super) const PAYLOAD: usize = 64;
/// Octets of a probe on Ethernet with the larger, IPv6, header.
pub(super) const FRAME: u64 = 14 + 40 + 8 + PAYLOAD as u64;
/// Time taken before the first probe: the first look beside the search for the provider's first hop.
const PREPARATION: Duration = Duration::from_millis(1000);
/// Least time between two live figures.
const LIVE_INTERVAL: Duration = Duration::from_millis(250);

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct EchoCheck {
    /// How the gaps between probes are drawn.
    pub pattern: Pattern,
}

/// The same, enlarged.
fn sized(depth: Depth, sizes: &Sizes) -> (u64, Duration, Duration) {
    let (count, gap, wait) = effort(depth);
    (sizes.count("echo", count), gap, wait)
}

/// Probes to each target, their gap, and how long a reply may take.
fn effort(depth: Depth) -> (u64, Duration, Duration) {
    // 55 a second: with the closing wait all quiet checks of a handoff are done within 12 s.
    let gap = Duration::from_millis(18);
    match depth {
        Depth::Quick => (125, gap, Duration::from_secs(1)),
        // 500 probes without loss bound it below 0.74 % at 95 %, two-sided.
        Depth::Handoff => (500, gap, Duration::from_secs(2)),
        Depth::Soak => (5000, gap, Duration::from_secs(3)),
    }
}

impl Check for EchoCheck {
    fn spec(&self) -> Spec {
        Spec { name: "echo", needs: &[Need::Address], gives: &[], class: Class::Quiet, cost }
    }

    fn samples(&self, reading: &str, depth: Depth) -> Option<u64> {
        reading.starts_with("echo.").then(|| effort(depth).0)
    }

    fn most(&self, volume: &Volume) -> f64 {
        let (count, gap, _) = effort(volume.depth);
        sizes::most(gap.mul_f64(count as f64))
    }

    fn may_settle(&self) -> bool {
        true
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        let pattern = self.pattern;
        async move { Finished::from(examine(pattern, context).await) }.boxed()
    }
}

fn cost(volume: &Volume) -> Cost {
    let (count, gap, _) = sized(volume.depth, &volume.sizes);
    let time = PREPARATION + gap * u32::try_from(count).unwrap_or(u32::MAX);
    // Three targets, request and reply, in both families.
    Cost { time, octets: 2 * 3 * 2 * count * FRAME }
}

async fn examine(pattern: Pattern, context: Context) -> Outcome {
    let began_at = Instant::now();
    let device = Device { name: context.interface.name.clone(), index: context.interface.index };
    let far_end = far_end_addresses(&context).await;
    let families: Vec<Family> =
        [Family::Ipv4, Family::Ipv6].into_iter().filter(|f| source(&context.known, *f).is_some()).collect();
    // The gateway and the far end are known before the provider's hop is.
    let looked_at: Vec<IpAddr> = families
        .iter()
        .flat_map(|f| aims(&context, &targets::ProviderHop::Unknown(String::new()), &far_end, *f))
        .map(|aim| aim.address)
        .collect();
    let search = async {
        let mut found = Vec::new();
        for family in &families {
            let to = destination(&far_end, &context.known, *family);
            found.push(find_provider_hop(&context, &device, to, *family).await);
        }
        found
    };
    let (providers, first_look) = tokio::join!(search, first_look::look(&looked_at, &device));

    let mut plan: Vec<(Family, Aim)> = Vec::new();
    for (family, provider) in families.iter().zip(&providers) {
        plan.extend(aims(&context, provider, &far_end, *family).into_iter().map(|aim| (*family, aim)));
    }
    if plan.is_empty() {
        return Outcome::not_tested("there is neither a gateway nor a far end to send echoes to");
    }
    let (count, interval, waiting_time) = sized(context.effort.depth, &context.effort.sizes);
    let course = context.settling.clone().map(|settling| Arc::new(Course::new(settling, 1)));
    let settings = EchoSettings {
        count: course.as_ref().map_or(count, |course| course.settling().of(count).most),
        interval,
        pattern,
        waiting_time,
        payload_len: PAYLOAD,
        identifier: rand::random(),
        seed: rand::random(),
    };
    let addresses: Vec<IpAddr> = plan.iter().map(|(_, aim)| aim.address).collect();
    let start = Instant::now();
    let machine = EchoMachine::new(settings.clone(), &addresses, start);
    let mut live = Live::new(&context, &plan);
    let run = figures::Run {
        settings,
        plan: plan.clone(),
        reports: Vec::new(),
        faults: OwnFaults::default(),
        providers: families.iter().copied().zip(providers).collect(),
        first_look,
        far_end_session: context.known.far_end.is_some(),
        start_ms: start.saturating_duration_since(began_at).as_secs_f64() * 1e3,
        confidence: context.effort.confidence,
        sequential: course.as_ref().map(|course| course.settling().of(count)),
    };
    let watch = course.map(|course| {
        let (taken, run) = (Arc::clone(&course), run.clone());
        Watch::new(&course, count, move |reports| taken.show(0, figures::readings_of(&run.with(reports)), true))
    });
    let on_event = |event| live.on_event(&event);
    match run_echo(machine, &families, &device, &context.cancel, on_event, watch).await {
        Ok((machine, faults)) => figures::outcome(&figures::Run { faults, ..run.with(machine.into_reports()) }),
        Err(error) => Outcome::not_tested(not_opened(&device.name, &error)),
    }
}

/// Why raw sockets could not be used, and what to do.
pub(super) fn not_opened(device: &str, error: &io::Error) -> String {
    if error.kind() == io::ErrorKind::PermissionDenied {
        format!("sending ICMP on {device}: {error}; run as root or with CAP_NET_RAW")
    } else {
        format!("sending ICMP on {device}: {error}")
    }
}

/// The current figure for whoever watches.
struct Live<'a> {
    context: &'a Context,
    words: Vec<String>,
    latest: Vec<Option<Duration>>,
    told_at: Instant,
}

impl<'a> Live<'a> {
    fn new(context: &'a Context, plan: &[(Family, Aim)]) -> Self {
        let words = plan.iter().map(|(_, aim)| figures::name_of(&aim.targets[0]).to_owned()).collect();
        Self { context, words, latest: vec![None; plan.len()], told_at: Instant::now() }
    }

    fn on_event(&mut self, event: &Event) {
        let (target, round_trip) = match event {
            Event::Answered { target, round_trip } => (*target, Some(*round_trip)),
            Event::Lost { target } | Event::Refused { target } => (*target, None),
        };
        self.latest[target] = round_trip;
        if self.told_at.elapsed() < LIVE_INTERVAL {
            return;
        }
        self.told_at = Instant::now();
        let parts: Vec<String> = self
            .words
            .iter()
            .zip(&self.latest)
            .map(|(name, latest)| match latest {
                Some(round_trip) => format!("{name} {:.1} ms", round_trip.as_secs_f64() * 1e3),
                None => format!("{name} no answer"),
            })
            .collect();
        let mut figure = LiveFigure::new("echo", parts.join(", "));
        // The farthest that answers: its delay holds that of all before it.
        let farthest = self.words.iter().zip(&self.latest).rev().find_map(|(name, latest)| Some((name, (*latest)?)));
        if let Some((name, round_trip)) = farthest {
            figure = figure.point(name, round_trip.as_secs_f64() * 1e3);
        }
        (self.context.live)(figure);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metric::loss_interval::clopper_pearson;

    #[test]
    fn each_depth_carries_the_loss_claim_that_its_size_is_for() {
        for (depth, claim) in [(Depth::Quick, 0.03), (Depth::Handoff, 0.0074), (Depth::Soak, 0.00074)] {
            let high = clopper_pearson(0, effort(depth).0, 0.95).high.unwrap();
            assert!(high <= claim, "{depth:?}: {high}");
        }
    }

    #[test]
    fn quick_takes_about_three_seconds_and_handoff_about_ten() {
        let time = |depth| {
            cost(&Volume {
                depth,
                load_time: Duration::from_secs(3),
                sold_down_mbit: 0.0,
                sold_up_mbit: 0.0,
                classes_mbit: None,
                tv: None,
                sizes: Sizes::NONE,
            })
            .time
        };
        assert_eq!(time(Depth::Quick), Duration::from_millis(3250));
        assert_eq!(time(Depth::Handoff), Duration::from_millis(10_000));
    }
}
