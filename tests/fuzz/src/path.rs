//! The machines of the path, given errors about whatever the octets quote.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use doorstep::proto::path::{PathMachine, PathSettings};
use doorstep::proto::path_flows::{FlowMachine, FlowProber, FlowSettings};
use doorstep::proto::path_mtu::{HopMtuMachine, HopMtuSettings};
use doorstep::proto::path_pace::{PaceMachine, PaceSettings};
use doorstep::proto::round_trip::Moment;
use doorstep::unit::{Family, Stamp, StampSource};
use doorstep::wire::icmp::{self, extension::Extensions, quote::Quote, quote::Transport};

const WAIT: Duration = Duration::from_secs(1);

/// Octets as a whole message, and as the packet that a right message quotes; destination, port and cookie fit where the quote has any,
/// so that more than the door is reached.
pub(super) fn answers(data: &[u8]) {
    for family in [Family::Ipv4, Family::Ipv6] {
        let any: IpAddr = if family == Family::Ipv4 {
            [192, 0, 2, 1].into()
        } else {
            [0x20, 1, 0xd, 0xb8, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1].into()
        };
        let quote = Quote::parse(family, data);
        let destination = quote.as_ref().map_or(any, |quote| quote.destination);
        let destination_port = match quote.as_ref().map(|quote| quote.transport) {
            Some(Transport::Udp { destination_port, .. }) => destination_port,
            _ => 60_000,
        };
        let cookie = quote.and_then(|quote| quote.payload.first_chunk::<8>().map(|head| u64::from_be_bytes(*head))).unwrap_or(7);
        let kinds: &[(u8, u8)] = if family == Family::Ipv4 { &[(11, 0), (3, 3), (3, 4)] } else { &[(3, 0), (1, 4), (2, 0)] };
        let rest = data.last_chunk::<4>().copied().unwrap_or_default();
        let about = |(kind, code): &(u8, u8)| icmp::emit_error(family, *kind, *code, rest, data, &Extensions::default());
        let messages: Vec<Vec<u8>> = kinds.iter().map(about).chain([data.to_vec()]).collect();

        let now = Instant::now();
        let flows = FlowSettings {
            destination,
            destination_port,
            source_ports: vec![1, 2, 0xffff],
            hops: 3,
            silent: [2].into(),
            confidence: 0.95,
            gap: Duration::ZERO,
            hop_gap: Duration::ZERO,
            slowest_hop_gap: WAIT,
            waiting_time: WAIT,
            time_limit: WAIT,
            cookie,
        };
        let mut flows = FlowMachine::new(flows, now);
        drive(&mut flows, now, any, &messages);
        assert!(flows.report().hops.iter().all(|hop| hop.nodes.iter().all(|node| node.address == any)));
        let paces = PaceSettings { destination, destination_port, hops: vec![1, 200], waiting_time: WAIT, cookie };
        let mut paces = PaceMachine::new(paces, now);
        drive(&mut paces, now, any, &messages);
        assert!(paces.report().iter().all(|pace| pace.fast.answered <= pace.fast.sent));
        let hops = vec![1, 2];
        let mtus =
            HopMtuSettings { destination, destination_port, hops, ceiling: 1500, waiting_time: WAIT, time_limit: WAIT, cookie };
        let mut mtus = HopMtuMachine::new(mtus, now);
        drive(&mut mtus, now, any, &messages);
        assert!(mtus.report().iter().all(|hop| hop.mtu <= 1500));
        plain(destination, destination_port, cookie, now, any, &messages);
    }
}

fn drive(machine: &mut impl FlowProber, now: Instant, from: IpAddr, messages: &[Vec<u8>]) {
    for message in messages {
        let _ = machine.transmit(now);
        machine.on_packet(now, from, message);
        machine.on_wake(now);
        std::hint::black_box(machine.next_wake());
    }
}

fn data_ttl(message: &[u8]) -> Option<u8> {
    message.last().copied()
}

fn plain(destination: IpAddr, destination_port: u16, cookie: u64, now: Instant, from: IpAddr, messages: &[Vec<u8>]) {
    let settings = PathSettings {
        source: destination,
        destination,
        source_port: 1,
        destination_port,
        identifier: 0,
        max_hops: 4,
        rounds: 2,
        marked_rounds: 1,
        marked_class: 0xba,
        round_interval: Duration::ZERO,
        gap: Duration::ZERO,
        waiting_time: WAIT,
        cookie,
    };
    let mut machine = PathMachine::new(settings, now);
    let moment = Moment { stamp: Stamp { unix_ns: 1, source: StampSource::Kernel, adapter_ns: None }, at: now };
    while let Some(probe) = machine.transmit(now) {
        machine.on_sent(probe.id, moment);
        messages.iter().for_each(|message| machine.on_packet(moment, from, data_ttl(message), message));
    }
    machine.on_wake(now);
    let report = machine.report();
    assert!(report.rewrites.iter().all(|rewrite| rewrite.was != rewrite.is));
}
