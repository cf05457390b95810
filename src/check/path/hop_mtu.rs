//! The largest packet that gets to each hop: sockets and clock around [`HopMtuMachine`], and what it found.

use std::io;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tokio_util::sync::CancellationToken;

use super::super::probing::{Device, PathEnds};
use super::several::drive;
use crate::net::facts;
use crate::net::flow_sockets::FlowSockets;
use crate::net::stamped::StampedSocket;
use crate::proto::path::PathReport;
use crate::proto::path_mtu::{HopMtu, HopMtuMachine, HopMtuSettings};
use crate::reading::{Outcome, Reading, Target};
use crate::unit::Family;

/// After this no more is asked. A path of one MTU takes two round trips a hop; one silent size takes three waiting times.
pub(super) const TIME_LIMIT: Duration = Duration::from_secs(40);
/// A little above a second: the pace of a common kernel's limit of errors (its `icmp_ratelimit`; common practice).
const WAITING_TIME: Duration = Duration::from_millis(1050);
/// Octets that it costs at most, with two packets a hop and some more at narrow places.
pub(super) const OCTETS: u64 = 2 * 30 * 1600 + 30_000;

/// Asks each hop that answers.
///
/// # Errors
/// What the system says to a socket.
pub(super) async fn look(
    ends: &PathEnds,
    path: &PathReport,
    device: &Device,
    cancel: &CancellationToken,
) -> io::Result<Vec<HopMtu>> {
    let Some(link) = facts::link(device.index).await? else { return Ok(Vec::new()) };
    // UDP must be answered: a hop that answers echoes alone would look like one that swallows.
    let hops: Vec<u8> = path.hops.iter().filter(|hop| hop.counts[1].answered > 0).map(|hop| hop.hop).collect();
    let icmp = StampedSocket::icmp(Family::of(ends.destination), Some(&device.name))?;
    let sockets = FlowSockets::open(device.address(ends.source, 0), &device.name, 1)?;
    sockets.never_fragment()?;
    let settings = HopMtuSettings {
        destination: ends.destination,
        destination_port: ends.destination_port,
        hops,
        ceiling: u16::try_from(link.mtu).unwrap_or(u16::MAX).min(LARGEST),
        waiting_time: WAITING_TIME,
        time_limit: TIME_LIMIT,
        cookie: rand::random(),
    };
    let to = device.address(ends.destination, ends.destination_port);
    let machine = drive(HopMtuMachine::new(settings, Instant::now()), &icmp, &sockets, to, cancel).await?;
    Ok(machine.report())
}

/// Readings and flaws.
pub(super) fn note(found: &[HopMtu], path: &PathReport, family: Family, outcome: &mut Outcome) {
    for hop in found {
        let reading = Reading::exact("path.hop_mtu", f64::from(hop.mtu)).on(Target::Hop(hop.hop)).over(family);
        outcome.readings.push(reading);
        if hop.is_narrower && hop.told.is_none() {
            let what = words(hop, path);
            outcome.flaw("path-large-packets-vanish", what, None);
        }
    }
}

/// For the record: each hop with what gets there, and in words where it narrows.
pub(super) fn fact(found: &[HopMtu], path: &PathReport) -> Value {
    let one = |hop: &HopMtu| {
        let told = hop.told.map(|(by, mtu)| json!({ "by": by, "mtu": mtu }));
        let what = hop.is_narrower.then(|| words(hop, path));
        json!({ "hop": hop.hop, "mtu": hop.mtu, "narrower": hop.is_narrower, "told": told, "what": what })
    };
    found.iter().map(one).collect()
}

fn words(hop: &HopMtu, path: &PathReport) -> String {
    let before = path.hops.iter().rev().find(|before| before.hop < hop.hop && !before.is_silent());
    let behind = match before.and_then(|before| Some((before.hop, before.address()?))) {
        Some((number, address)) => format!("behind hop {number} ({address})"),
        None => "behind the test set".to_owned(),
    };
    match hop.told {
        Some((by, mtu)) => format!("{behind} packets of more than {} octets are refused: {by} names an MTU of {mtu}", hop.mtu),
        None => format!("{behind} packets of more than {} octets vanish, and no router says so", hop.mtu),
    }
}

/// The common jumbo size: nothing larger is asked about.
const LARGEST: u16 = 9000;
