//! Packets of the capacity protocol, and both machines that read them.

use std::time::{Duration, Instant};

use doorstep::proto::capacity::Terms;
use doorstep::proto::capacity::client::{Client, Request};
use doorstep::proto::capacity::flow::{Flow, Side};
use doorstep::proto::capacity::sending::TrainBuffer;
use doorstep::proto::capacity::server::{Verdict, on_setup};
use doorstep::proto::capacity::table::Sizes;
use doorstep::wire::capacity::{
    Activation, ActivationResponse, Load, Null, SendingRate, Setup, SharedKey, Status, SubInterval, Trailer, VERSION,
};

const SIZES: Sizes = Sizes { packet: 1250, fast_packet: 1500, headers: 28 };

fn key() -> SharedKey {
    SharedKey::new(b"a key of the seeds")
}

fn request(is_upstream: bool, key: Option<(SharedKey, u8)>) -> Request {
    Request {
        terms: Terms::default(),
        is_upstream,
        max_mbit: 100,
        traditional_mtu: false,
        jumbo: false,
        key,
        signs_status: false,
        identifier: 0x5a5a,
        unix_time: 1_800_000_000,
    }
}

/// What is read can be written and read again; a machine takes any octets, and what a peer names bounds no time or memory.
pub fn capacity(data: &[u8]) {
    let again = |same: bool| assert!(same, "what was written reads back");
    match Setup::parse(data) {
        Ok(setup) => again(Setup::parse(&setup.emit()) == Ok(setup)),
        Err(error) => super::show(&error),
    }
    if let Ok(activation) = Activation::parse(data) {
        again(Activation::parse(&activation.emit()) == Ok(activation));
    }
    if let Ok(null) = Null::parse(data) {
        again(Null::parse(&null.emit()) == Ok(null));
    }
    if let Ok(status) = Status::parse(data) {
        again(Status::parse(&status.emit()) == Ok(status));
    }
    if let Ok(load) = Load::parse(data) {
        again(Load::parse(&load.emit()) == Ok(load));
    }
    assert!(!matches!(on_setup(data, 1_800_000_000, |_| None), Verdict::Ask(_)), "nobody's key opens nothing");
    let now = Instant::now();
    let mut client = Client::new(now, request(data.first().is_some_and(|octet| octet & 1 == 1), None));
    client.on_packet(now, data);
    std::hint::black_box(client.poll(now));
    for (side, sends) in
        [(Side::Client, true), (Side::Client, false), (Side::Server(SIZES, 1000), true), (Side::Server(SIZES, 1000), false)]
    {
        let mut flow = Flow::new(now, side, Terms::default(), sends, SendingRate::default(), None);
        let (mut train, mut trains) = (TrainBuffer::default(), 0);
        for ms in 0..3 {
            let at = now + Duration::from_millis(50 * ms);
            flow.on_packet(at, i64::MAX, data);
            flow.on_packet(at, i64::MIN, data);
            flow.on_wake(at);
            // A peer may name any rate; what is due at once stays bounded.
            while trains < 2000 && flow.fill(at, 0, &mut train) {
                trains += 1;
            }
            std::hint::black_box((flow.status(at, 0), flow.next_wake()));
        }
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let now = Instant::now();
    let mut seeds = Vec::new();
    for is_upstream in [false, true] {
        let mut client = Client::new(now, request(is_upstream, Some((key(), 7))));
        let doorstep::proto::capacity::client::Progress::Send(_, set_up) = client.poll(now) else { continue };
        if let Verdict::Ask(asked) = on_setup(&set_up, 1_800_000_000, |_| Some(key())) {
            seeds.extend([asked.null(), asked.accept(40_000)]);
        }
        seeds.push(set_up);
    }
    let rate =
        SendingRate { interval_1: 100, payload_1: 1222, burst_1: 3, interval_2: 1000, payload_2: 1222, burst_2: 1, addon_2: 64 };
    let activation = Activation {
        version: VERSION,
        is_upstream: true,
        response: ActivationResponse::Accepted,
        low_ms: 30,
        high_ms: 90,
        feedback_ms: 50,
        test_s: 10,
        class: 0,
        row: 0xffff,
        one_way: false,
        fast_rows: 10,
        bad_reports: 3,
        sequence_errors: 10,
        ignores_order: false,
        modifiers: 0,
        algorithm: 0,
        rate,
        sub_interval_ms: 1000,
        trailer: Trailer::default(),
    };
    seeds.push(activation.emit());
    let saved = SubInterval { datagrams: 9, octets: 9000, span_us: 1_000_000, ..SubInterval::default() };
    seeds.push(Status { sequence: 1, rate, sub_interval: 1, saved, ..Status::default() }.emit());
    seeds.push([&Load { sequence: 1, payload: 1222, ..Load::default() }.emit()[..], &[0; 1190]].concat());
    seeds
}

/// Rates that want everything at once.
pub(super) fn worst() -> Vec<Vec<u8>> {
    let most = SendingRate {
        interval_1: 1,
        payload_1: u32::MAX,
        burst_1: u32::MAX,
        interval_2: 1,
        payload_2: 0,
        burst_2: u32::MAX,
        addon_2: u32::MAX,
    };
    let jump = Load { sequence: u32::MAX / 2, ..Load::default() }.emit().to_vec();
    vec![Status { sequence: u32::MAX, rate: most, ..Status::default() }.emit(), jump, vec![0xff; 65_507]]
}
