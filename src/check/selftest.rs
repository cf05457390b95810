//! `selftest`: what this test set can send and receive, and what holds it back, before the line is asked anything.
//!
//! Two short loads over loopback and a look at what the kernel says of port and cores; nothing leaves the machine. Its figures go
//! to the checks that fill the line, which name the test set where a rate comes near them ([`TestSet::mark`]). The hard thing: a
//! loopback has no adapter, so its figure is more than what the port can do, never less, and must not be read as a promise.
//! It must not know the line, nor judge it.

mod loopback;
mod machine;

use std::path::Path;
use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use serde_json::json;

use self::loopback::{BUCKET, Bulk};
use self::machine::{Cooling, Port};
use super::{Check, Context, Effort, Finished, Holding, Learned, LiveFigure};
use crate::metric::rate::steady;
use crate::net::cpu::CpuTimes;
use crate::net::{ethtool, facts};
use crate::plan::{Class, Cost, Spec, Volume};
use crate::reading::{Limit, Outcome, Reading, Status};
use crate::unit::{Depth, Direction, Interval, Layer, Segment};

/// A line that is sold with more than this has its test set measured, Mbit/s *(ours)*: below it any laptop of the last ten years has
/// room to spare, and what may hold it back shows without a load (an old port, a radio).
const LOADS_ABOVE: f64 = 300.0;
/// From this share of what loopback carries on, a rate may be the test set's *(ours)*: a port costs what loopback does not.
pub(super) const NEAR: f64 = 0.8;
/// From this share of what its bus can carry on, a rate may be a USB adapter's *(ours)*.
const NEAR_BUS: f64 = 0.7;
/// From this share of time taken by a hypervisor on, the test set was not its own *(ours)*.
const STOLEN: f64 = 0.1;
/// Below this share of their highest clock the cores are held back by a setting *(ours)*.
const CAPPED: f64 = 0.7;
/// TCP payload per octet of IP, with time stamps (RFC 7323 section 3.2).
const IP_PAYLOAD_SHARE: f64 = 1448.0 / 1500.0;
/// The kernel's files.
const SYS: &str = "/sys";

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct SelfTest {
    /// Asked for by name: then it loads whatever was sold.
    pub asked: bool,
}

/// What the test set can do, as far as it is known.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TestSet {
    /// TCP payload over loopback, Mbit/s.
    pub tcp_mbit: Option<f64>,
    /// IP packets with single UDP datagrams over loopback, Mbit/s: sent, and received.
    pub udp_mbit: Option<(f64, f64)>,
    /// The port is a radio.
    pub is_radio: bool,
    /// What the USB that the adapter is plugged into can carry, Mbit/s.
    pub bus_mbit: Option<f64>,
}

impl TestSet {
    /// Names the test set on a rate that is short of what was sold and comes near to what the test set can do.
    ///
    /// A rate as sold needs no excuse; one far below what the test set carries has none.
    #[must_use]
    pub fn mark(&self, rate: Reading, sold_mbit: Option<f64>) -> Reading {
        let is_tcp = rate.layer == Some(Layer::TcpPayload);
        let sold = sold_mbit.map(|mbit| if is_tcp { mbit * IP_PAYLOAD_SHARE } else { mbit });
        if sold.is_some_and(|sold| rate.value >= sold) {
            return rate;
        }
        match self.holds_back(rate.value, is_tcp, rate.direction) {
            Some(what) => rate.limited_by(Limit::TestSet, what),
            None => rate,
        }
    }

    /// What of the test set may hold back a rate, in words.
    fn holds_back(&self, mbit: f64, is_tcp: bool, direction: Option<Direction>) -> Option<String> {
        let moved = match (is_tcp, direction) {
            (true, _) => self.tcp_mbit,
            (false, Some(Direction::Up)) => self.udp_mbit.map(|(sent, _)| sent),
            (false, _) => self.udp_mbit.map(|(_, received)| received),
        };
        if self.is_radio {
            return Some("the port is a radio, whose own rate can be what is seen".to_owned());
        }
        if let Some(bus) = self.bus_mbit.filter(|bus| mbit >= NEAR_BUS * bus) {
            return Some(format!("its adapter hangs on a USB that carries {bus:.0} Mbit/s at most"));
        }
        moved.filter(|moved| mbit >= NEAR * moved).map(|moved| format!("it moves {moved:.0} Mbit/s over its own loopback"))
    }

    /// Why what was sold can't be shown with this test set, if it can't.
    fn falls_short(&self, effort: &Effort) -> Option<String> {
        let short = |direction: Direction| {
            let sold = effort.sold(direction)?;
            let why = self.holds_back(sold * IP_PAYLOAD_SHARE, true, Some(direction)).filter(|_| !self.is_radio)?;
            Some(format!("{sold:.0} Mbit/s {direction} may be more than this test set can show: {why}"))
        };
        short(Direction::Down).or_else(|| short(Direction::Up))
    }
}

/// Length of each of the two loads.
fn length(depth: Depth) -> Duration {
    match depth {
        Depth::Quick | Depth::Handoff => Duration::from_millis(200),
        Depth::Soak => Duration::from_millis(800),
    }
}

/// Whether the loads are run. Where nothing was sold, nobody knows that they are not needed.
fn loads(depth: Depth, down: f64, up: f64) -> bool {
    let most = down.max(up);
    depth == Depth::Soak || most <= 0.0 || most > LOADS_ABOVE
}

fn cost_asked(volume: &Volume) -> Cost {
    Cost { time: 2 * (length(volume.depth) + loopback::WARMS_UP), octets: 0 }
}

fn cost(volume: &Volume) -> Cost {
    let runs = loads(volume.depth, volume.sold_down_mbit, volume.sold_up_mbit);
    if runs { cost_asked(volume) } else { Cost { time: Duration::from_millis(20), octets: 0 } }
}

impl Check for SelfTest {
    fn spec(&self) -> Spec {
        Spec { name: "selftest", needs: &[], gives: &[], class: Class::First, cost: if self.asked { cost_asked } else { cost } }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        let asked = self.asked;
        async move { examine(asked, context).await }.boxed()
    }
}

async fn examine(asked: bool, context: Context) -> Finished {
    let mut outcome = Outcome::new(Status::Done);
    let mut test_set = TestSet::default();
    let watch = Watch { before: CpuTimes::now(), cooled: machine::cooling(Path::new(SYS)).count };
    look(&mut outcome, &mut test_set, &context).await;
    if asked || loads(context.effort.depth, context.effort.sold_down_mbit, context.effort.sold_up_mbit) {
        load(&mut outcome, &mut test_set, &context).await;
    } else {
        outcome.fact("left_out", format!("loads over loopback: they are for rates above {LOADS_ABOVE:.0} Mbit/s"));
    }
    if let Some(short) = test_set.falls_short(&context.effort) {
        let what = format!("{short}; a stronger test set is wanted where the rate does not come out");
        (context.live)(LiveFigure::new("selftest", what.clone()));
        outcome.reason = Some(what.clone());
        outcome.flaw("selftest-short", what, Some(Segment::TestSet));
    }
    Finished { outcome, learned: vec![Learned::TestSet(test_set)], holdings: vec![Box::new(watch)] }
}

/// What the kernel says of port and cores.
async fn look(outcome: &mut Outcome, test_set: &mut TestSet, context: &Context) {
    let name = &context.port.name;
    let Port { is_radio, usb_mbit } = machine::port(Path::new(SYS), name);
    test_set.is_radio = is_radio;
    outcome.fact("port_is_radio", is_radio);
    if is_radio {
        let what = format!("{name} is a radio: what is measured is the radio's, not the line's; plug in by cable");
        outcome.flaw("selftest-radio", what, Some(Segment::TestSet));
    }
    let is_usb = ethtool::driver(name).ok().flatten().is_some_and(|driver| driver.is_usb());
    outcome.fact("port_on_usb", is_usb || usb_mbit.is_some());
    if let Some(signalled) = usb_mbit {
        let carries = machine::carried_by_usb(signalled);
        test_set.bus_mbit = Some(carries);
        outcome.fact("usb_mbit", signalled);
        let sold = context.effort.sold_down_mbit.max(context.effort.sold_up_mbit);
        let port = ethtool::port_modes(name).await.speed_mbit.map(f64::from);
        if sold * IP_PAYLOAD_SHARE >= carries || port.is_some_and(|port| port > signalled) {
            let what = format!(
                "the adapter {name} runs at {signalled:.0} Mbit/s on USB, which carries {carries:.0} at most: plug it into a faster (blue or marked SS) \
                 socket without a hub, with its own cable"
            );
            outcome.flaw("selftest-usb-slow", what, Some(Segment::TestSet));
        }
    }
    // What the visit sends is bound to the port under test and goes through none of them; what a browser shows does.
    let tunnels = tunnels(context).await;
    if !tunnels.is_empty() {
        let what = format!(
            "this test set's programs reach the world through a tunnel ({}): what a browser shows is the tunnel's and not the line's, unlike these figures; \
             switch it off before anything is compared by hand",
            tunnels.join(", ")
        );
        outcome.flaw("selftest-tunnel", what, Some(Segment::TestSet));
    }
    outcome.fact("tunnels", tunnels);
    if let Some(share) = machine::allowed_clock(Path::new(SYS)) {
        outcome.readings.push(Reading::exact("selftest.clock_share", share));
        if share < CAPPED {
            let what = format!(
                "a power setting holds the cores at {:.0} % of their highest clock: plug in mains power and choose full performance",
                share * 100.0
            );
            outcome.flaw("selftest-clock-capped", what, Some(Segment::TestSet));
        }
    }
    let Cooling { now, .. } = machine::cooling(Path::new(SYS));
    if let Some(device) = now {
        let what = format!("{device} slows the cores down against heat now: let the test set cool and free its vents");
        outcome.flaw("selftest-throttled", what, Some(Segment::TestSet));
    }
}

/// Tunnels that the machine's own programs take to the world; none where the kernel does not say. A session of an earlier check is the line itself.
async fn tunnels(context: &Context) -> Vec<String> {
    let (Ok(links), Ok(ports)) = (facts::links().await, facts::ports_to_the_world().await) else { return Vec::new() };
    let takes = |link: &facts::Link| link.is_tunnel() && ports.contains(&link.index) && link.name != context.interface.name;
    links.into_iter().filter(takes).map(|link| link.name).collect()
}

/// Loads loopback, TCP and then UDP.
async fn load(outcome: &mut Outcome, test_set: &mut TestSet, context: &Context) {
    let time = length(context.effort.depth);
    let confidence = context.effort.confidence;
    let rate = |octets: &[u64]| {
        let mbit = |octets: f64| octets * 8.0 / 1e6 / BUCKET.as_secs_f64();
        let (value, Interval { low, high, confidence }) = steady(octets, confidence)?;
        Some((mbit(value), Interval { low: low.map(mbit), high: high.map(mbit), confidence }))
    };
    match loopback::apart(move || loopback::tcp(time)).await {
        Ok(octets) => {
            if let Some((value, interval)) = rate(&octets) {
                test_set.tcp_mbit = Some(value);
                let reading = Reading::new("selftest.tcp_rate", value, octets.len() as u64, interval);
                outcome.readings.push(reading.at(Layer::TcpPayload));
            }
        }
        Err(error) => outcome.fact("tcp_not_measured", error.to_string()),
    }
    if context.cancel.is_cancelled() {
        return;
    }
    match loopback::apart(move || loopback::udp(time)).await {
        Ok(Bulk { sent, received, datagrams, dropped }) => {
            let rates = [(Direction::Up, rate(&sent)), (Direction::Down, rate(&received))];
            if let [(_, Some((up, _))), (_, Some((down, _)))] = &rates {
                test_set.udp_mbit = Some((*up, *down));
            }
            for (direction, found) in rates {
                let Some((value, interval)) = found else { continue };
                let reading = Reading::new("selftest.udp_rate", value, received.len() as u64, interval);
                outcome.readings.push(reading.at(Layer::Ip).toward(direction));
            }
            outcome.fact("udp", json!({ "packet": loopback::PACKET, "datagrams": datagrams, "dropped_by_own_queue": dropped }));
        }
        Err(error) => outcome.fact("udp_not_measured", error.to_string()),
    }
}

/// Remembers what was counted before the visit; holds nothing.
struct Watch {
    before: Option<CpuTimes>,
    cooled: Option<u64>,
}

impl Holding for Watch {
    fn what(&self) -> String {
        "the counters of the cores".to_owned()
    }

    fn release(self: Box<Self>) -> BoxFuture<'static, ()> {
        std::future::ready(()).boxed()
    }

    fn closing_outcome(&mut self) -> BoxFuture<'_, Option<Outcome>> {
        let stolen = self.before.as_ref().and_then(|before| CpuTimes::now()?.stolen_since(before));
        let cooled = self.cooled.zip(machine::cooling(Path::new(SYS)).count).map(|(then, now)| now.saturating_sub(then));
        std::future::ready(Some(closing(stolen, cooled))).boxed()
    }
}

/// What the visit cost the test set.
fn closing(stolen: Option<f64>, cooled: Option<u64>) -> Outcome {
    let mut outcome = Outcome::new(Status::Done);
    if let Some(share) = stolen {
        outcome.readings.push(Reading::exact("selftest.cpu_stolen", share));
        if share >= STOLEN {
            let what = format!(
                "{:.0} % of the visit's processor time went to other guests of the host that this test set is a guest of: use a machine of its own",
                share * 100.0
            );
            outcome.flaw("selftest-stolen", what, Some(Segment::TestSet));
        }
    }
    if let Some(count) = cooled {
        outcome.readings.push(Reading::exact("selftest.throttled", count as f64));
        if count > 0 {
            let what = format!(
                "the cores were slowed down against heat or for power {count} times during the visit: let the test set cool, free its vents, use mains power"
            );
            outcome.flaw("selftest-throttled", what, Some(Segment::TestSet));
        }
    }
    outcome
}

#[cfg(test)]
mod tests;
