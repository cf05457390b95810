//! Loss by flow: whether packets are lost on some of several equal ways only.
//!
//! The far end's view answers small questions from the very ports whose ways are known, each flow by turns, so that a bad
//! moment hits all alike. It must not judge. The hard thing: some flow is always the worst, so a flow or a next hop counts as
//! bad only where the least loss that its count allows is more than the most that all others' allows.

use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use rand::seq::SliceRandom;
use serde_json::{Value, json};
use tokio_util::sync::CancellationToken;

use super::super::asking::PLAIN;
use crate::farend::client::ViewOffer;
use crate::metric::loss_interval::clopper_pearson;
use crate::net::flow_sockets::FlowSockets;
use crate::proto::path_flows::{Balancing, FlowReport};
use crate::reading::{Outcome, Reading};
use crate::unit::Family;
use crate::wire::stun::{self, Attribute, Class, Message, Transaction};

/// Flows that are asked with.
pub(super) const FLOWS: usize = 32;
/// Questions of each: with 40 a flow alone shows a loss of a quarter, and a half of all flows one of some per cent.
pub(super) const ROUNDS: u32 = 40;
/// From one question to the next.
const GAP: Duration = Duration::from_millis(3);
/// How long an answer is waited for.
const WAITING_TIME: Duration = Duration::from_millis(1000);
/// What a sound line shows as bad in this share of visits at most.
const FALSE_ALARMS: f64 = 0.001;
/// As the system's default.
const HOP_LIMIT: u8 = 64;

/// Questions and answers of one flow.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Count {
    sent: u64,
    answered: u64,
}

impl Count {
    fn lost(self) -> u64 {
        self.sent - self.answered
    }

    fn ratio(self) -> f64 {
        self.lost() as f64 / self.sent.max(1) as f64
    }

    fn over(counts: impl Iterator<Item = Self>) -> Self {
        counts.fold(Self::default(), |a, b| Self { sent: a.sent + b.sent, answered: a.answered + b.answered })
    }
}

/// What was counted, by flow.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct WaysLoss {
    counts: Vec<Count>,
}

/// How long [`measure`] takes.
pub(super) fn time() -> Duration {
    GAP * ROUNDS * FLOWS as u32 + WAITING_TIME
}

/// Asks with each flow by turns.
pub(super) async fn measure(
    sockets: &FlowSockets,
    offer: &ViewOffer,
    to: SocketAddr,
    cancel: &CancellationToken,
) -> Option<WaysLoss> {
    let mut counts = vec![Count::default(); FLOWS.min(sockets.ports().len())];
    let mut open: HashMap<Transaction, usize> = HashMap::new();
    let mut order: Vec<usize> = (0..counts.len()).collect();
    for _ in 0..ROUNDS {
        order.shuffle(&mut rand::rng());
        for flow in &order {
            let transaction: Transaction = rand::random();
            let request = Message::new(Class::Request, transaction).with(Attribute::Username(offer.session));
            let Ok(bytes) = request.emit(&offer.key, Some(PLAIN)) else { continue };
            if sockets.try_send(*flow, &bytes, to, HOP_LIMIT).is_ok() {
                counts[*flow].sent += 1;
                open.insert(transaction, *flow);
            }
            tokio::select! {
                () = cancel.cancelled() => return None,
                () = tokio::time::sleep(GAP) => {}
            }
            take(sockets, *flow, offer, &mut open, &mut counts);
        }
    }
    let until = Instant::now() + WAITING_TIME;
    while !open.is_empty() && Instant::now() < until {
        tokio::select! {
            () = cancel.cancelled() => return None,
            () = tokio::time::sleep(20 * GAP) => {}
        }
        (0..counts.len()).for_each(|flow| take(sockets, flow, offer, &mut open, &mut counts));
    }
    Some(WaysLoss { counts })
}

/// Takes what has come to a flow's port.
fn take(sockets: &FlowSockets, flow: usize, offer: &ViewOffer, open: &mut HashMap<Transaction, usize>, counts: &mut [Count]) {
    let mut buffer = [0; 512];
    while let Ok(Some(len)) = sockets.try_receive(flow, &mut buffer) {
        let Ok(received) = stun::parse(&buffer[..len]) else { continue };
        let message = &received.message;
        if message.class == Class::Success && received.is_signed_by(&offer.key) && open.remove(&message.transaction) == Some(flow)
        {
            counts[flow].answered += 1;
        }
    }
}

/// Flows that lose what others do not.
#[derive(Debug, Clone, PartialEq)]
struct Bad {
    /// The next hop that they have in common and others have not.
    by: Option<(u8, IpAddr)>,
    flows: Vec<usize>,
    its: Count,
    others: Count,
}

/// A place that flows part at, those behind it, and the others.
type Candidate = (Option<(u8, IpAddr)>, Vec<usize>, Vec<usize>);

impl WaysLoss {
    /// What some flows lose and others do not; `None` where all are alike.
    fn bad(&self, report: &FlowReport) -> Option<Bad> {
        self.by_next_hop(report).or_else(|| self.by_flow())
    }

    fn by_next_hop(&self, report: &FlowReport) -> Option<Bad> {
        // Behind a router that spreads packet by packet no flow has a way of its own.
        let has_ways = report.hops.iter().take_while(|hop| hop.balancing != Some(Balancing::PerPacket));
        let nodes: Vec<(u8, IpAddr)> = has_ways
            .filter(|hop| hop.nodes.len() > 1)
            .flat_map(|hop| hop.nodes.iter().map(|node| (hop.hop, node.address)))
            .collect();
        let way = |flow: usize, hop: u8| *report.ways.get(flow)?.get(usize::from(hop) - 1)?;
        let candidates = nodes.iter().map(|(hop, address)| {
            let known = (0..self.counts.len()).filter_map(|flow| Some((flow, way(flow, *hop)?)));
            let (its, others): (Vec<_>, Vec<_>) = known.partition(|(_, at)| at == address);
            let flows = |list: Vec<(usize, IpAddr)>| list.into_iter().map(|(flow, _)| flow).collect::<Vec<_>>();
            (Some((*hop, *address)), flows(its), flows(others))
        });
        self.worst(candidates.collect())
    }

    fn by_flow(&self) -> Option<Bad> {
        let all = 0..self.counts.len();
        // Each is held against the better half of all, so that several bad ones don't hide each other.
        let mut sorted: Vec<usize> = all.clone().collect();
        sorted.sort_by_key(|flow| self.counts[*flow].lost());
        let good: Vec<usize> = sorted[..sorted.len() / 2].to_vec();
        let tests = all.len();
        let flows: Vec<usize> = all
            .clone()
            .filter(|flow| !good.contains(flow))
            .filter(|flow| self.margin(&[*flow], &good, tests).is_some_and(|margin| margin > 0.0))
            .collect();
        if flows.is_empty() {
            return None;
        }
        let others = all.filter(|flow| !flows.contains(flow)).map(|flow| self.counts[flow]);
        Some(Bad { by: None, its: Count::over(flows.iter().map(|flow| self.counts[*flow])), others: Count::over(others), flows })
    }

    /// The nearest of those that lose about as much as the worst: what is behind a bad place shows its loss as well.
    fn worst(&self, candidates: Vec<Candidate>) -> Option<Bad> {
        let tests = candidates.len();
        let over = |flows: &[usize]| Count::over(flows.iter().map(|flow| self.counts[*flow]));
        let is_bad = |flows: &[usize], others: &[usize]| self.margin(flows, others, tests).is_some_and(|margin| margin > 0.0);
        let bad: Vec<Bad> = candidates
            .into_iter()
            .filter(|(_, flows, others)| is_bad(flows, others))
            .map(|(by, flows, others)| Bad { by, its: over(&flows), others: over(&others), flows })
            .collect();
        let most = bad.iter().map(|bad| bad.its.ratio()).fold(0.0, f64::max);
        bad.into_iter().find(|bad| bad.its.ratio() >= 0.8 * most)
    }

    /// How far the least loss of these lies above the most of the others.
    fn margin(&self, its: &[usize], others: &[usize], tests: usize) -> Option<f64> {
        let confidence = 1.0 - FALSE_ALARMS / tests.max(1) as f64;
        let interval = |flows: &[usize]| {
            let count = Count::over(flows.iter().map(|flow| self.counts[*flow]));
            clopper_pearson(count.lost(), count.sent, confidence)
        };
        Some(interval(its).low? - interval(others).high?)
    }
}

/// Readings and flaws.
pub(super) fn note(loss: &WaysLoss, report: &FlowReport, family: Family, confidence: f64, outcome: &mut Outcome) {
    let all = Count::over(loss.counts.iter().copied());
    if all.sent == 0 {
        return;
    }
    let interval = clopper_pearson(all.lost(), all.sent, confidence);
    outcome.readings.push(Reading::new("path.flow_loss_ratio", all.ratio(), all.sent, interval).over(family));
    let bad = loss.bad(report);
    let (few, flows) = (bad.as_ref().map_or(0, |bad| bad.flows.len() as u64), loss.counts.len() as u64);
    let interval = clopper_pearson(few, flows, confidence);
    outcome.readings.push(Reading::new("path.bad_flow_ratio", few as f64 / flows as f64, flows, interval).over(family));
    let Some(bad) = bad else { return };
    let percent = |count: Count| format!("{:.1} %", count.ratio() * 100.0);
    let (its, others) = (percent(bad.its), percent(bad.others));
    match bad.by {
        Some((hop, address)) => outcome.flaw(
            "path-way-loses",
            format!("flows by way of {address} at hop {hop} lose {its} of their packets, those by its equals {others}"),
            None,
        ),
        None => outcome.flaw(
            "path-flows-lose",
            format!("{few} of {flows} flows lose {its} of their packets, the others {others}: one of several equal ways is bad"),
            None,
        ),
    }
}

/// For the record.
pub(super) fn fact(loss: &WaysLoss, report: &FlowReport, ports: &[u16]) -> Value {
    let flows: Vec<Value> = loss
        .counts
        .iter()
        .zip(ports)
        .enumerate()
        .map(|(flow, (count, port))| {
            json!({ "source_port": port, "sent": count.sent, "answered": count.answered, "way": report.ways.get(flow) })
        })
        .collect();
    let bad = loss.bad(report).map(|bad| {
        json!({
            "next_hop": bad.by.map(|(hop, address)| json!({ "hop": hop, "address": address })),
            "flows": bad.flows.len(),
            "lost": bad.its.lost(),
            "sent": bad.its.sent,
            "others_lost": bad.others.lost(),
            "others_sent": bad.others.sent,
        })
    });
    json!({ "flows": flows, "bad": bad })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::proto::path_flows::{FlowHop, FlowNode};

    fn node(last: u8) -> IpAddr {
        IpAddr::from([192, 0, 2, last])
    }

    /// Flows by turns over two next hops at hop 2.
    fn report() -> FlowReport {
        let hop = |hop, nodes: &[u8], balancing| FlowHop {
            hop,
            nodes: nodes.iter().map(|last| FlowNode { address: node(*last), flows: 16 }).collect(),
            balancing,
            is_complete: true,
            is_silent: false,
        };
        let ways = (0..FLOWS).map(|flow| vec![Some(node(1)), Some(node(2 + flow as u8 % 2))]).collect();
        let hops = vec![hop(1, &[1], None), hop(2, &[2, 3], Some(Balancing::PerFlow))];
        FlowReport { hops, links: vec![], ways, flows: FLOWS, probes: 99, is_complete: true }
    }

    fn lost(by_flow: impl Fn(usize) -> u64) -> WaysLoss {
        WaysLoss { counts: (0..FLOWS).map(|flow| Count { sent: 40, answered: 40 - by_flow(flow) }).collect() }
    }

    #[test]
    fn one_bad_next_hop_is_named() {
        let mut outcome = Outcome::new(crate::reading::Status::Done);
        let loss = lost(|flow| if flow % 2 == 1 { 4 } else { 0 });
        note(&loss, &report(), Family::Ipv4, 0.95, &mut outcome);
        let told = "flows by way of 192.0.2.3 at hop 2 lose 10.0 % of their packets, those by its equals 0.0 %";
        assert_eq!((outcome.flaws[0].code.as_str(), outcome.flaws[0].what.as_str()), ("path-way-loses", told));
        let ratio = |name: &str| outcome.readings.iter().find(|r| r.name == name).map(|r| r.value);
        assert_eq!((ratio("path.flow_loss_ratio"), ratio("path.bad_flow_ratio")), (Some(0.05), Some(0.5)));
    }

    #[test]
    fn bad_flows_without_a_next_hop_in_common_are_told_as_flows() {
        // A quarter of the flows, at a place that no router shows.
        let loss = lost(|flow| if flow % 4 < 2 && flow < 16 { 20 } else { 1 });
        let bad = loss.bad(&report()).expect("bad");
        assert_eq!((bad.by, bad.flows.len()), (None, 8));
    }

    #[test]
    fn loss_that_is_everywhere_is_no_bad_way() {
        // 10 %, as chance has it: binomial counts of 40 drawn by hand between 0 and 9.
        const DRAWN: [u64; 16] = [4, 2, 5, 3, 4, 7, 1, 4, 6, 3, 9, 2, 4, 5, 3, 0];
        assert_eq!(lost(|flow| DRAWN[flow % 16]).bad(&report()), None);
        assert_eq!(lost(|_| 0).bad(&report()), None);
        assert_eq!(lost(|_| 40).bad(&report()), None);
    }
}
