//! The several ways of a path: sockets and clock around [`FlowMachine`], and what it found as readings and facts.
//!
//! It must not know how a flow is chosen, nor judge.

use std::collections::BTreeSet;
use std::io;
use std::net::SocketAddr;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tokio_util::sync::CancellationToken;

use super::super::probing::{Device, PathEnds};
use super::figures::Walk;
use super::ways_loss::{self, WaysLoss};
use crate::farend::client::ViewOffer;
use crate::net::flow_sockets::FlowSockets;
use crate::net::stamped::{StampedEvent, StampedSocket};
use crate::proto::path::{PathEnd, PathReport};
use crate::proto::path_flows::{Balancing, FlowMachine, FlowProber, FlowReport, FlowSettings, Link, MOST_NEXT_HOPS};
use crate::reading::{Outcome, Reading};
use crate::unit::Family;

/// Flows at most: what the rule asks for at a router with [`MOST_NEXT_HOPS`] next hops.
const FLOWS: usize = 10 * MOST_NEXT_HOPS;
/// After this no more is looked for.
pub(super) const TIME_LIMIT: Duration = Duration::from_secs(45);
/// Probes of which the cost is told: some dozen flows over some dozen hops; few paths take as many.
pub(super) const PROBES: u64 = 1000;
/// Octets of the largest ICMP error.
const BUFFER: usize = 2048;

/// What was found, and how sure each router's next hops are.
#[derive(Debug, Clone)]
pub(super) struct Several {
    pub(super) report: FlowReport,
    /// For one router.
    pub(super) confidence: f64,
    /// UDP destination port of the flows.
    pub(super) destination_port: u16,
    /// What the flows lose on their way to the far end and back; `None` without one that answers.
    pub(super) loss: Option<WaysLoss>,
    /// UDP source port of each flow.
    pub(super) source_ports: Vec<u16>,
    pub(super) took: Duration,
}

/// Looks for the several ways to the end of a path that is known, and for what each loses where the far end's view answers
/// at the port.
///
/// # Errors
/// What the system says to a socket.
pub(super) async fn look(
    ends: &PathEnds,
    path: &PathReport,
    device: &Device,
    confidence: f64,
    offer: Option<&ViewOffer>,
    cancel: &CancellationToken,
) -> io::Result<Option<Several>> {
    let hops = match path.end {
        PathEnd::Reached { hops, .. } => hops,
        PathEnd::Refused { hop, .. } => hop,
        PathEnd::Silent { last_hop } => last_hop.unwrap_or(0),
    };
    if hops == 0 {
        return Ok(None);
    }
    let began_at = Instant::now();
    let family = Family::of(ends.destination);
    let icmp = StampedSocket::icmp(family, Some(&device.name))?;
    let sockets = FlowSockets::open(device.address(ends.source, 0), &device.name, FLOWS)?;
    // A path of that many routers is known whole with the confidence asked for (Bonferroni's inequality).
    let confidence = 1.0 - (1.0 - confidence) / f64::from(hops);
    let silent: BTreeSet<u8> = path.hops.iter().filter(|hop| hop.is_silent()).map(|hop| hop.hop).collect();
    let settings = FlowSettings {
        destination: ends.destination,
        destination_port: ends.destination_port,
        source_ports: sockets.ports().to_vec(),
        hops,
        silent,
        confidence,
        gap: Duration::from_millis(2),
        hop_gap: Duration::from_millis(30),
        // A common kernel's limit is one error a second (its `icmp_ratelimit`; common practice).
        slowest_hop_gap: Duration::from_millis(1100),
        waiting_time: Duration::from_millis(1000),
        time_limit: TIME_LIMIT,
        cookie: rand::random(),
    };
    let to = device.address(ends.destination, ends.destination_port);
    let machine = drive(FlowMachine::new(settings, began_at), &icmp, &sockets, to, cancel).await?;
    let report = machine.report();
    let loss = match offer {
        Some(offer) => ways_loss::measure(&sockets, offer, to, cancel).await,
        None => None,
    };
    Ok(Some(Several {
        report,
        confidence,
        destination_port: ends.destination_port,
        loss,
        source_ports: sockets.ports().to_vec(),
        took: began_at.elapsed(),
    }))
}

/// Drives a machine to its end, or until cancelled.
///
/// # Errors
/// When the ICMP socket can't be read.
pub(super) async fn drive<M: FlowProber>(
    mut machine: M,
    icmp: &StampedSocket,
    sockets: &FlowSockets,
    to: SocketAddr,
    cancel: &CancellationToken,
) -> io::Result<M> {
    let mut buffer = vec![0; BUFFER];
    loop {
        machine.on_wake(Instant::now());
        while let Some(probe) = machine.transmit(Instant::now()) {
            if sockets.try_send(probe.flow, &probe.bytes, to, probe.hop_limit).is_err() {
                machine.on_send_failed(probe.id);
            }
        }
        let Some(wake) = machine.next_wake() else { return Ok(machine) };
        let event = tokio::select! {
            biased;
            () = cancel.cancelled() => return Ok(machine),
            event = icmp.next_event(&mut buffer) => event?,
            () = tokio::time::sleep_until(wake.into()) => continue,
        };
        if let StampedEvent::Received { len, from, at, .. } = event {
            machine.on_packet(at, from.ip().to_canonical(), &buffer[..len]);
        }
    }
}

/// Readings of one family's ways.
pub(super) fn note(walk: &Walk, confidence: f64, outcome: &mut Outcome) {
    if let Some(Ok(Several { report, .. })) = &walk.several
        && report.width() > 0
    {
        let mut reading = Reading::exact("path.parallel_next_hops", report.width() as f64).over(walk.family);
        if !report.is_complete {
            // More may be there.
            reading.high = None;
        }
        outcome.readings.push(reading);
    }
    if let Some(Ok(Several { report, loss: Some(loss), .. })) = &walk.several {
        ways_loss::note(loss, report, walk.family, confidence, outcome);
    }
}

/// All of it for the record.
pub(super) fn fact(walk: &Walk) -> Value {
    let several = match &walk.several {
        None => return Value::Null,
        Some(Err(why)) => return json!({ "not_looked": why }),
        Some(Ok(several)) => several,
    };
    let report = &several.report;
    let hop = |hop: &crate::proto::path_flows::FlowHop| {
        let routers: Vec<Value> = hop.nodes.iter().map(|n| json!({ "address": n.address, "flows": n.flows })).collect();
        json!({
            "hop": hop.hop,
            "routers": routers,
            "balancing": hop.balancing.map(slug),
            "complete": hop.is_complete,
            "silent": hop.is_silent,
        })
    };
    let link = |link: &Link| {
        let Link { from_hop, from, to_hop, to } = *link;
        json!({ "from_hop": from_hop, "from": from, "to_hop": to_hop, "to": to })
    };
    json!({
        "what": words(report),
        "confidence_per_router": several.confidence,
        "complete": report.is_complete,
        "destination_port": several.destination_port,
        "flows": report.flows,
        "probes": report.probes,
        "loss": several.loss.as_ref().map(|loss| ways_loss::fact(loss, report, &several.source_ports)),
        "took_ms": (several.took.as_secs_f64() * 1e3).round(),
        "hops": report.hops.iter().map(hop).collect::<Vec<_>>(),
        "links": report.links.iter().map(link).collect::<Vec<_>>(),
    })
}

fn slug(balancing: Balancing) -> &'static str {
    match balancing {
        Balancing::PerFlow => "per-flow",
        Balancing::PerPacket => "per-packet",
    }
}

fn words(report: &FlowReport) -> String {
    let spread: Vec<String> = report
        .hops
        .iter()
        .filter(|hop| hop.nodes.len() > 1)
        .map(|hop| {
            let routers: Vec<String> = hop.nodes.iter().map(|node| node.address.to_string()).collect();
            let how = match hop.balancing {
                Some(Balancing::PerFlow) => ", flow by flow",
                Some(Balancing::PerPacket) => ", packet by packet",
                None => "",
            };
            format!("packets take {} next hops side by side at hop {}{how} ({})", routers.len(), hop.hop, routers.join(", "))
        })
        .collect();
    let mut text = if spread.is_empty() { "one way was found".to_owned() } else { spread.join("; ") };
    if !report.is_complete {
        text.push_str("; there may be more: not enough answers came in time");
    }
    text
}

#[cfg(test)]
mod tests {
    use std::net::IpAddr;

    use super::*;
    use crate::proto::path_flows::{FlowHop, FlowNode};

    #[test]
    fn ways_are_told_in_plain_words() {
        let node = |last| FlowNode { address: IpAddr::from([192, 0, 2, last]), flows: 4 };
        let hop = |hop, nodes: Vec<FlowNode>, balancing| FlowHop { hop, nodes, balancing, is_complete: true, is_silent: false };
        let hops = vec![hop(1, vec![node(1)], None), hop(2, vec![node(2), node(3)], Some(Balancing::PerPacket))];
        let mut report = FlowReport { hops, links: vec![], ways: vec![], flows: 9, probes: 20, is_complete: true };
        let told = "packets take 2 next hops side by side at hop 2, packet by packet (192.0.2.2, 192.0.2.3)";
        assert_eq!(words(&report), told);
        report.hops.truncate(1);
        assert_eq!(words(&report), "one way was found");
        report.is_complete = false;
        assert_eq!(words(&report), "one way was found; there may be more: not enough answers came in time");
    }
}
