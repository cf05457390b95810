use std::collections::{BTreeMap, BTreeSet, VecDeque};

use super::packets::{DATA_HEAD, PROTOCOL_UDP};
use super::*;
use crate::unit::Stamp;
use crate::wire::checksum::Sum;
use crate::wire::icmp::extension::{Extensions, Object};

const SOURCE: &str = "192.0.2.50";
const DESTINATION: &str = "203.0.113.10";
const MS: Duration = Duration::from_millis(1);

fn settings() -> PathSettings {
    PathSettings {
        source: SOURCE.parse().unwrap(),
        destination: DESTINATION.parse().unwrap(),
        source_port: 50_000,
        destination_port: 60_001,
        identifier: 0x4242,
        max_hops: 30,
        rounds: 6,
        marked_rounds: 0,
        marked_class: 0,
        round_interval: 550 * MS,
        gap: 5 * MS,
        waiting_time: 1000 * MS,
        cookie: 0x0123_4567_89ab_cdef,
    }
}

/// How a router of the made-up line behaves.
#[derive(Clone, Default)]
struct Router {
    silent: bool,
    /// Answers only this many times in all.
    answers_left: Option<u32>,
    /// Quotes no more than eight octets of the upper layer.
    short_quote: bool,
    labels: Vec<u32>,
    /// Refuses to carry on, with this code of "unreachable".
    refuses: Option<u8>,
    /// What it makes of packets that pass: a NAT's address and port, a new DSCP, a new ECN field where there was one.
    source: Option<([u8; 4], u16)>,
    /// Another router takes its place from this moment on.
    replaced_at: Option<Duration>,
    /// Two answer here by the turn that this count of probes gives, irregular as chance.
    spread: Option<u64>,
    dscp: Option<u8>,
    ecn: Option<u8>,
}

impl Router {
    /// As a packet leaves it.
    fn rewrite(&self, whole: &mut [u8]) {
        if let Some((address, port)) = self.source {
            whole[12..16].copy_from_slice(&address);
            if whole[9] == PROTOCOL_UDP {
                whole[20..22].copy_from_slice(&port.to_be_bytes());
            }
        }
        if let Some(dscp) = self.dscp {
            whole[1] = dscp << 2 | whole[1] & 3;
        }
        if let Some(ecn) = self.ecn.filter(|_| whole[1] & 3 != 0) {
            whole[1] = whole[1] & !3 | ecn;
        }
    }
}

/// A made-up line: hop n answers n milliseconds after the probe.
struct Line {
    routers: Vec<Router>,
    destination_echoes: bool,
    destination_port_answers: bool,
    /// The quoted UDP checksum is left as a NAT has written it.
    nat_spoils_checksum: bool,
}

impl Line {
    fn of(hops: usize) -> Self {
        Self {
            routers: vec![Router::default(); hops - 1],
            destination_echoes: true,
            destination_port_answers: true,
            nat_spoils_checksum: false,
        }
    }
}

fn router_address(hop: u8) -> IpAddr {
    IpAddr::from([100, 64, hop, 1])
}

fn packet(probe: &PathProbe, settings: &PathSettings, spoil: bool) -> Vec<u8> {
    let (protocol, upper) = match probe.kind {
        ProbeKind::Icmp => (1, probe.bytes.clone()),
        ProbeKind::Udp => {
            let mut upper = Vec::new();
            let length = (8 + probe.bytes.len()) as u16;
            for word in [settings.source_port, settings.destination_port, length, 0] {
                upper.extend(word.to_be_bytes());
            }
            upper.extend(&probe.bytes);
            let sum = Sum::new()
                .with_pseudo_header(settings.source, settings.destination, 17, u32::from(length))
                .with(&upper)
                .checksum();
            let sum = if spoil { sum.wrapping_add(0x1357) } else { sum };
            upper[6..8].copy_from_slice(&sum.to_be_bytes());
            (17, upper)
        }
    };
    let class = probe.traffic_class;
    let mut bytes = vec![0x45, class, 0, (20 + upper.len()) as u8, 0, 0, 0, 0, 1, protocol, 0, 0, 192, 0, 2, 50, 203, 0, 113, 10];
    bytes.extend(upper);
    bytes
}

/// Runs the machine over the line on a made-up clock. Returns it with the probes and the time that it took.
fn run(mut line: Line, settings: PathSettings) -> (PathReport, Vec<PathProbe>, Duration) {
    let start = Instant::now();
    let mut machine = PathMachine::new(settings.clone(), start);
    let (sent, now) = drive(&mut machine, &mut line, &settings, start, start);
    (machine.report(), sent, now - start)
}

/// Drives a machine that began at `start` from `now` to its end; returns what it sent, and when it ended.
fn drive(
    machine: &mut PathMachine,
    line: &mut Line,
    settings: &PathSettings,
    start: Instant,
    mut now: Instant,
) -> (Vec<PathProbe>, Instant) {
    let mut sent = Vec::new();
    let mut on_the_way: BTreeMap<Instant, VecDeque<(IpAddr, Vec<u8>)>> = BTreeMap::new();
    let moment = |at: Instant, source| Moment {
        stamp: Stamp { unix_ns: 1_700_000_000_000_000_000 + (at - start).as_nanos() as i64, source, adapter_ns: None },
        at,
    };
    loop {
        while let Some(probe) = machine.transmit(now) {
            machine.on_sent(probe.id, moment(now, StampSource::User));
            machine.on_departure(probe.id, moment(now, StampSource::Kernel));
            if let Some((delay, from, bytes)) = travel(line, &probe, settings, now - start) {
                on_the_way.entry(now + delay).or_default().push_back((from, bytes));
            }
            sent.push(probe);
        }
        let arrival = on_the_way.keys().next().copied();
        let Some(next) = [machine.next_wake(), arrival].into_iter().flatten().min() else { break };
        now = now.max(next);
        if let Some((_, packets)) = arrival.filter(|at| *at <= now).and_then(|_| on_the_way.pop_first()) {
            for (from, bytes) in packets {
                machine.on_packet(moment(now, StampSource::Kernel), from, Some(57), &bytes);
            }
        }
        machine.on_wake(now);
    }
    (sent, now)
}

fn travel(line: &mut Line, probe: &PathProbe, settings: &PathSettings, now: Duration) -> Option<(Duration, IpAddr, Vec<u8>)> {
    let mut whole = packet(probe, settings, line.nat_spoils_checksum);
    let destination_hop = line.routers.len() + 1;
    for (index, router) in line.routers.iter_mut().enumerate() {
        let hop = index as u8 + 1;
        let (kind, code) = match router.refuses {
            Some(code) => (3, code),
            None if probe.hop_limit == hop => (11, 0),
            None => {
                router.rewrite(&mut whole);
                continue;
            }
        };
        if router.silent || router.answers_left == Some(0) {
            return None;
        }
        router.answers_left = router.answers_left.map(|n| n - 1);
        let quoted = if router.short_quote { &whole[..28] } else { &whole[..] };
        let stack: Vec<_> =
            router.labels.iter().map(|label| MplsEntry { label: *label, traffic_class: 0, bottom: true, ttl: 1 }).collect();
        let objects = if stack.is_empty() { vec![] } else { vec![Object::MplsStack(stack)] };
        let bytes = icmp::emit_error(Family::Ipv4, kind, code, [0; 4], quoted, &Extensions { objects });
        let spread = router.spread.as_mut().is_some_and(|state| {
            *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            *state >> 63 == 1
        });
        let is_other = spread || router.replaced_at.is_some_and(|at| at <= now);
        let address = if is_other { IpAddr::from([100, 64, hop, 2]) } else { router_address(hop) };
        return Some((MS * u32::from(hop), address, bytes));
    }
    let bytes = match probe.kind {
        ProbeKind::Icmp if line.destination_echoes => {
            let parsed = icmp::parse(Family::Ipv4, &probe.bytes, icmp::Reading::default()).unwrap();
            let Message::EchoRequest(echo) = parsed.message else { panic!("{parsed:?}") };
            icmp::emit_reply(Family::Ipv4, echo)
        }
        ProbeKind::Udp if line.destination_port_answers => {
            icmp::emit_error(Family::Ipv4, 3, 3, [0; 4], &whole, &Extensions::default())
        }
        _ => return None,
    };
    Some((MS * destination_hop as u32, settings.destination, bytes))
}

#[test]
fn hops_come_in_order_with_their_round_trips() {
    let (report, _, _) = run(Line::of(15), settings());
    assert_eq!(report.end, PathEnd::Reached { hops: 15, by: Answer::EchoReply });
    assert_eq!(report.hops.len(), 15);
    for hop in &report.hops[..14] {
        assert_eq!(hop.address(), Some(router_address(hop.hop)));
        assert_eq!(hop.counts, [KindCount { sent: 3, answered: 3 }; 2]);
        assert!(hop.round_trips.iter().all(|t| *t == MS * u32::from(hop.hop)), "{hop:?}");
        assert_eq!(report.loss_to(hop.hop), Some((0, if hop.hop == 15 { 3 } else { 6 })));
    }
    assert_eq!(report.hops[14].address(), Some(DESTINATION.parse().unwrap()));
    // It came with 57 of 64: seven routers between.
    assert_eq!(report.hops_back, Some(8));
}

#[test]
fn fifteen_hops_with_silent_ones_take_less_than_five_seconds() {
    let mut line = Line::of(15);
    for hop in [2, 7, 13] {
        line.routers[hop - 1].silent = true;
    }
    let (report, _, took) = run(line, settings());
    assert!(took < Duration::from_secs(5), "{took:?}");
    let silent: Vec<u8> = report.hops.iter().filter(|h| h.is_silent()).map(|h| h.hop).collect();
    assert_eq!(silent, [2, 7, 13]);
    assert_eq!(report.loss_to(7), None);
    assert_eq!(report.end, PathEnd::Reached { hops: 15, by: Answer::EchoReply });
}

#[test]
fn every_probe_of_a_kind_looks_alike_to_a_router_that_hashes() {
    let (_, sent, _) = run(Line::of(9), settings());
    // ICMP: type, code, checksum and identifier. The sequence number differs.
    let icmp: BTreeSet<_> = sent.iter().filter(|p| p.kind == ProbeKind::Icmp).map(|p| p.bytes[..6].to_vec()).collect();
    assert_eq!(icmp.len(), 1, "{icmp:x?}");
    let sequences: BTreeSet<_> = sent.iter().filter(|p| p.kind == ProbeKind::Icmp).map(|p| p.bytes[6..8].to_vec()).collect();
    assert_eq!(sequences.len(), sent.iter().filter(|p| p.kind == ProbeKind::Icmp).count());
    // UDP: the ports belong to the socket; the length is that of the hop.
    for probe in sent.iter().filter(|p| p.kind == ProbeKind::Udp) {
        assert_eq!(probe.bytes.len(), DATA_HEAD + usize::from(probe.hop_limit));
    }
}

#[test]
fn short_quotes_and_a_spoiled_checksum_still_tell_the_hop() {
    for nat_spoils_checksum in [false, true] {
        let mut line = Line { nat_spoils_checksum, ..Line::of(8) };
        line.routers.iter_mut().for_each(|r| r.short_quote = true);
        let (report, _, _) = run(line, settings());
        for hop in &report.hops[..7] {
            assert_eq!(hop.address(), Some(router_address(hop.hop)));
            assert_eq!(hop.counts, [KindCount { sent: 3, answered: 3 }; 2], "hop {}", hop.hop);
            assert!(hop.round_trips.iter().all(|t| *t == MS * u32::from(hop.hop)), "{hop:?}");
        }
    }
}

#[test]
fn a_router_that_limits_its_answers_shows_no_loss_of_the_line() {
    let mut line = Line::of(6);
    line.routers[2].answers_left = Some(2);
    let (report, _, _) = run(line, settings());
    assert_eq!(report.hops[2].counts, [KindCount { sent: 3, answered: 1 }; 2]);
    assert!(report.limits_answers(3));
    assert_eq!(report.loss_to(3), Some((0, 6)));
    assert!(!report.limits_answers(2));
}

#[test]
fn the_destinations_limit_of_port_unreachables_is_no_loss_either() {
    let report = PathReport {
        hops: vec![HopReport {
            hop: 1,
            addresses: vec![HopAddress {
                address: DESTINATION.parse().unwrap(),
                answers: 4,
                kinds: vec![Answer::EchoReply, Answer::Port],
                mpls: vec![],
            }],
            counts: [KindCount { sent: 3, answered: 3 }, KindCount { sent: 3, answered: 1 }],
            round_trips: vec![],
            discarded: 0,
            stamped_by: None,
        }],
        end: PathEnd::Reached { hops: 1, by: Answer::EchoReply },
        rewrites: vec![],
        congestion_marks: None,
        change: None,
        hops_back: None,
    };
    assert_eq!(report.loss_to(1), Some((0, 3)));
}

#[test]
fn a_silent_destination_ends_at_the_last_hop_that_answers() {
    let line = Line { destination_echoes: false, destination_port_answers: false, ..Line::of(5) };
    let (report, sent, took) = run(line, settings());
    assert_eq!(report.end, PathEnd::Silent { last_hop: Some(4) });
    assert_eq!(report.hops.len(), 4);
    assert!(took < Duration::from_secs(5), "{took:?}");
    // Two rounds to the full depth, then no further than a little behind the last.
    assert_eq!(sent.len(), 2 * 30 + 4 * (4 + usize::from(BEYOND_LAST)));
}

#[test]
fn a_destination_that_answers_only_one_kind_is_reached() {
    for (destination_echoes, by) in [(true, Answer::EchoReply), (false, Answer::Port)] {
        let line = Line { destination_echoes, destination_port_answers: !destination_echoes, ..Line::of(5) };
        let (report, _, _) = run(line, settings());
        assert_eq!(report.end, PathEnd::Reached { hops: 5, by });
        assert_eq!(report.loss_to(5), Some((0, 3)));
    }
}

#[test]
fn a_dead_line_ends_with_nothing() {
    let mut line = Line::of(3);
    line.routers[0].refuses = Some(1);
    line.routers[0].silent = true;
    let (report, _, _) = run(line, settings());
    assert_eq!((report.hops.len(), report.end), (0, PathEnd::Silent { last_hop: None }));
}

#[test]
fn a_refusal_ends_the_path_with_the_offender() {
    let mut line = Line::of(6);
    line.routers[2].refuses = Some(13);
    let (report, _, _) = run(line, settings());
    let meaning = Meaning::Unreachable { family: Family::Ipv4, code: 13 };
    assert_eq!(report.end, PathEnd::Refused { offender: router_address(3), meaning, hop: 3 });
    assert_eq!(report.hops.len(), 3);
}

#[test]
fn label_stacks_are_kept_with_their_hop() {
    let mut line = Line::of(5);
    line.routers[1].labels = vec![100_048, 16];
    let (report, _, _) = run(line, settings());
    let labels: Vec<u32> = report.hops[1].addresses[0].mpls.iter().map(|e| e.label).collect();
    assert_eq!(labels, [100_048, 16]);
    assert!(report.hops[0].addresses[0].mpls.is_empty());
}

#[test]
fn a_usual_routers_limit_lets_every_answer_through() {
    // The default of a common kernel: six answers at once, then one a second (icmp_ratelimit, common practice).
    let (_, sent, _) = run(Line::of(15), settings());
    for hop in 1..=15 {
        assert!(sent.iter().filter(|p| p.hop_limit == hop).count() <= 6, "hop {hop}");
    }
}

#[test]
fn strange_answers_are_ignored() {
    let mut machine = PathMachine::new(settings(), Instant::now());
    let at = machine.start;
    let moment = Moment { stamp: Stamp { unix_ns: 1, source: StampSource::Kernel, adapter_ns: None }, at };
    let probe = machine.transmit(at).unwrap();
    machine.on_sent(probe.id, moment);
    let mut other = packet(&probe, &settings(), false);
    other[19] = 99; // another destination
    let error = icmp::emit_error(Family::Ipv4, 11, 0, [0; 4], &other, &Extensions::default());
    machine.on_packet(moment, router_address(1), None, &error);
    machine.on_packet(moment, "2001:db8::1".parse().unwrap(), None, &error);
    let right = icmp::emit_error(Family::Ipv4, 11, 0, [0; 4], &packet(&probe, &settings(), false), &Extensions::default());
    for end in 0..right.len() - probe.bytes.len() {
        machine.on_packet(moment, router_address(1), None, &right[..end]);
    }
    assert_eq!(machine.report().end, PathEnd::Silent { last_hop: None });
    machine.on_packet(moment, router_address(1), None, &right);
    assert_eq!(machine.report().end, PathEnd::Silent { last_hop: Some(1) });
}

#[test]
fn what_is_rewritten_on_the_way_is_told_between_two_hops() {
    let mut line = Line::of(6);
    line.routers[0].source = Some(([198, 51, 100, 7], 1024));
    line.routers[2].dscp = Some(8);
    line.routers[3].ecn = Some(0);
    line.routers[3].silent = true;
    // The class of the marked rounds: expedited forwarding, ECT(0).
    let settings = PathSettings { marked_rounds: 2, marked_class: 46 << 2 | 2, ..settings() };
    let (report, sent, _) = run(line, settings);
    assert_eq!(sent.iter().filter(|p| p.traffic_class == 0xba).count(), 2 * 6);
    let between = |r: &Rewrite| (r.behind.map(|p| p.hop), r.at.hop);
    let told: Vec<_> = report.rewrites.iter().map(|r| (r.field, between(r), r.was, r.is)).collect();
    let ours = IpAddr::from([192, 0, 2, 50]);
    assert_eq!(
        told,
        [
            (Field::SourceAddress, (Some(1), 2), Value::Address(ours), Value::Address([198, 51, 100, 7].into())),
            (Field::SourcePort, (Some(1), 2), Value::Number(50_000), Value::Number(1024)),
            // The unmarked probes are remarked as well.
            (Field::Dscp, (Some(3), 5), Value::Number(0), Value::Number(8)),
            (Field::Dscp, (Some(3), 5), Value::Number(46), Value::Number(8)),
            (Field::Ecn, (Some(3), 5), Value::Number(2), Value::Number(0)),
        ]
    );
    assert_eq!(report.congestion_marks, None);
    // The marked rounds are no part of loss and round trips.
    assert_eq!(report.hops[0].counts, [KindCount { sent: 3, answered: 3 }; 2]);
}

#[test]
fn congestion_marks_are_told_and_a_clean_way_shows_nothing() {
    let mut line = Line::of(4);
    line.routers[1].ecn = Some(3);
    let marked = PathSettings { marked_rounds: 3, marked_class: 2, ..settings() };
    let (report, ..) = run(line, marked.clone());
    assert_eq!(report.congestion_marks, Some(CongestionMarks { hop: 3, marked: 3, of: 3 }));
    let (report, ..) = run(Line::of(4), marked);
    assert_eq!((report.rewrites, report.congestion_marks), (vec![], None));
}

mod change;
