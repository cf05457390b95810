//! The same for the probes of `echo` and the lookups of `dns` over UDP, with tcpdump as the capture and tshark as its reader.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::time::Duration;

use doorstep::check::dns::Dns;
use doorstep::check::echo::EchoCheck;
use doorstep::check::{Check, Known};
use doorstep::practice::topology::{EDGE_V4, FAR_END_V4, LAPTOP_PORT, RESOLVERS_V4};
use doorstep::practice::{DnsService, Impairment, Impairments, LineConfig, Node, PracticeLine, Services};
use doorstep::reading::{Outcome, Status, Target};
use doorstep::unit::{Depth, StampSource};

use crate::capture::Capture;
use crate::lab::{bare, build, context, on_laptop};
use crate::{Busy, TRUE_DELAY, percentiles};

/// What tshark is asked for of every packet.
const FIELDS: [&str; 9] =
    ["frame.time_epoch", "ip.src", "ip.dst", "icmp.type", "icmp.ident", "icmp.seq", "udp.srcport", "udp.dstport", "dns.id"];
type Row = [String; FIELDS.len()];

fn ns(row: &Row) -> i64 {
    let (seconds, fraction) = row[0].split_once('.').expect("seconds with a fraction");
    let nanos: i64 = format!("{fraction:0<9}")[..9].parse().expect("digits");
    seconds.parse::<i64>().expect("seconds") * 1_000_000_000 + nanos
}

/// Round trips that the check noted for a target, in the order of sending.
fn noted(outcome: &Outcome, series: &str, target: &Target) -> Vec<Option<i64>> {
    let found = outcome.series.iter().find(|s| s.name == series && s.target.as_ref() == Some(target));
    let found = found.unwrap_or_else(|| panic!("{series} of {target:?} in {outcome:#?}"));
    found.values.iter().map(|ms| ms.map(|ms| (ms * 1e6).round() as i64)).collect()
}

/// Requests and replies of one conversation with an address in the capture, by their number, in the order of sending: the
/// conversation with the most requests, since first looks and single lookups have others.
fn captured(rows: &[Row], address: IpAddr, is_echo: bool) -> Vec<(i64, Option<i64>)> {
    let address = address.to_string();
    let (of, number) = if is_echo { (4, 5) } else { (6, 8) };
    let is_request = |row: &&Row| row[2] == address && if is_echo { row[3] == "8" } else { row[7] == "53" && !row[8].is_empty() };
    let mut counts: BTreeMap<&str, u32> = BTreeMap::new();
    for row in rows.iter().filter(is_request) {
        *counts.entry(&row[of]).or_default() += 1;
    }
    let Some((ours, _)) = counts.into_iter().max_by_key(|(_, count)| *count) else { return Vec::new() };
    let is_reply = |row: &&Row| row[1] == address && if is_echo { row[3] == "0" && row[4] == ours } else { row[7] == ours };
    let replies: BTreeMap<&str, i64> = rows.iter().filter(is_reply).map(|row| (row[number].as_str(), ns(row))).collect();
    let requests = rows.iter().filter(is_request).filter(|row| row[of] == ours);
    requests.map(|row| (ns(row), replies.get(row[number].as_str()).copied())).collect()
}

/// Errors against the capture, ascending, in nanoseconds; why there are none where the capture missed packets.
fn errors(rows: &[Row], outcome: &Outcome, series: &str, targets: &[(Target, IpAddr)]) -> Result<Vec<i64>, String> {
    assert_eq!(outcome.status, Status::Done, "{outcome:#?}");
    let mut errors = Vec::new();
    for (target, address) in targets {
        let ours = noted(outcome, series, target);
        let seen = captured(rows, *address, series.starts_with("echo"));
        if ours.len() != seen.len() {
            return Err(format!("{target:?}: {} probes are noted, {} were captured", ours.len(), seen.len()));
        }
        for (number, (ours, (left, came))) in ours.iter().zip(seen).enumerate() {
            let (Some(ours), Some(came)) = (ours, came) else { continue };
            // The line holds packets back for at least the true delay, so a figure below it would be a wrong one, always.
            assert!(*ours >= TRUE_DELAY.as_nanos() as i64, "{target:?}, probe {number}: {ours} ns is below what the line delays");
            errors.push((came - left - ours).abs());
        }
    }
    errors.sort_unstable();
    Ok(errors)
}

/// One run of both checks side by side, as in a visit, beside a capture.
fn examine(line: &PracticeLine) -> (Vec<Row>, Outcome, Outcome) {
    let resolvers = RESOLVERS_V4.iter().map(|address| IpAddr::V4(*address)).collect();
    let mut context = context(line, Known { resolvers, ..Known::default() }, Depth::Handoff);
    context.far_end = Some(line.far_end_target());
    let capture = Capture::start(line.namespace(Node::Laptop), LAPTOP_PORT, "icmp or udp port 53");
    let (echo, dns) = on_laptop(line, move || {
        let (echo, dns) = (EchoCheck::default().run(context.clone()), Dns.run(context));
        async move { tokio::join!(echo, dns) }
    });
    (capture.end(FIELDS), echo.outcome, dns.outcome)
}

#[test]
fn round_trips_of_echo_and_of_lookups_are_within_20_us_of_a_capture_idle_and_busy() {
    let access = Impairments { up: Impairment::delayed(TRUE_DELAY), down: Impairment::default() };
    let services = Services { dhcp: false, dns: Some(DnsService::Truthful), far_end: true, ..Services::NONE };
    let line = build(LineConfig { access, services, ..bare() });
    let echoed = [(Target::ProviderHop, EDGE_V4.into()), (Target::FarEnd, FAR_END_V4.into())];
    let asked: Vec<_> = (1..).zip(RESOLVERS_V4).map(|(n, address)| (Target::Resolver(n), IpAddr::V4(address))).collect();
    for busy in [false, true] {
        // Up to three more tries, until each has held once: a machine that others hold up says nothing of the stamps.
        let mut held = [false; 2];
        let mut seen = Vec::new();
        for attempt in 0..4 {
            let (rows, echo, dns) = {
                let _busy = busy.then(|| Busy::for_at_most(Duration::from_secs(30)));
                examine(&line)
            };
            let both = [(&echo, "echo.round_trip", &echoed[..], 900), (&dns, "dns.lookup_time", &asked[..], 150)];
            for ((outcome, series, targets, least), held) in both.into_iter().zip(&mut held) {
                let timed = outcome.readings.iter().filter(|r| r.name == format!("{series}_p50"));
                assert!(
                    timed.clone().count() > 0 && timed.clone().all(|r| r.stamped_by == Some(StampSource::Kernel)),
                    "{series}"
                );
                let (words, is_close) = match errors(&rows, outcome, series, targets) {
                    Ok(errors) if errors.len() >= least => percentiles(&errors),
                    Ok(errors) => (format!("only {} were seen by both", errors.len()), false),
                    Err(words) => (words, false),
                };
                seen.push(format!("busy {busy}, try {attempt}, {series}: {words}"));
                println!("{}", seen[seen.len() - 1]);
                *held |= is_close;
            }
            if held == [true; 2] {
                break;
            }
        }
        assert_eq!(held, [true; 2], "{seen:#?}");
    }
}
