//! The worked figures of RFC 9097 and RFC 9946, and whole tests over a simulated line.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use super::adjust::{Adjuster, Sign};
use super::client::{Client, NoTest, Progress, Request};
use super::flow::{End, Flow, Side};
use super::receiving::Receiver;
use super::sending::TrainBuffer;
use super::server::{Verdict, on_setup};
use super::table::{self, Sizes};
use super::{Row, Terms};
use crate::wire::capacity::{Load, SetupResponse, SharedKey, WireTime};

const SIZES: Sizes = Sizes { packet: 1500, fast_packet: 1500, headers: 28 };
const MS: Duration = Duration::from_millis(1);

/// RFC 9097 section 8.1, table 1: rows and steps.
#[test]
fn the_table_has_the_rates_of_the_standard() {
    let rows = [(0, 0.5), (1, 1.0), (1000, 1000.0), (1001, 1100.0), (1090, 10_000.0), (1091, 11_000.0)];
    for (row, mbit) in rows {
        assert_eq!(table::mbit(row), mbit, "row {row}");
        assert_eq!(table::row_of(mbit), row);
    }
    assert_eq!(table::row_of(1099.0), 1000);
    assert_eq!(table::row_of(0.1), 0);
}

#[test]
fn every_row_is_sent_at_its_rate() {
    for sizes in [SIZES, Sizes { packet: 1250, fast_packet: 9000, headers: 48 }] {
        for row in 0..table::ROWS {
            let rate = table::sending_rate(row, sizes);
            let got = table::mbit_of(&rate, sizes.headers);
            assert!((got / table::mbit(row) - 1.0).abs() < 0.002, "row {row}: {got}, {rate:?}");
            assert!(rate.interval_1 >= 100 && rate.burst_1 >= 1);
        }
    }
}

/// RFC 9097 section 8.1 and appendix A, traces worked out by hand from the text.
#[test]
fn the_rate_moves_as_the_algorithm_says() {
    let terms = Terms::default();
    let mut adjuster = Adjuster::new(&terms, 100, 2000, false);
    let (good, bad, middle) = ((0, 0.0), (11, 0.0), (0, 60.0));
    let trace = [(good, 110), (bad, 109), (good, 119), (bad, 118), (bad, 117), (bad, 87), (bad, 86), (good, 87), (middle, 87)];
    for (at, ((errors, delay), row)) in trace.into_iter().enumerate() {
        adjuster.on_report(errors, Some(delay));
        assert_eq!(adjuster.row(), row, "report {at}");
    }
    let mut low = Adjuster::new(&terms, 22, 2000, false);
    for row in [21, 20, 0] {
        assert_eq!((low.on_report(0, Some(91.0)), low.row()), (Sign::Bad, row));
    }
    // Exactly at the thresholds.
    for (errors, delay, sign) in
        [(10, 29.9, Sign::Good), (0, 30.0, Sign::Neither), (10, 90.0, Sign::Neither), (11, 0.0, Sign::Bad)]
    {
        assert_eq!(Adjuster::new(&terms, 5, 2000, false).on_report(errors, Some(delay)), sign, "{errors} {delay}");
    }
    let mut fast = Adjuster::new(&terms, 999, 2000, false);
    fast.on_report(0, None);
    fast.on_report(0, None);
    assert_eq!(fast.row(), 1010, "ten rows below 1 Gbit/s, one above");
    let mut fixed = Adjuster::new(&terms, 50, 2000, true);
    assert_eq!((fixed.on_report(99, None), fixed.row()), (Sign::Bad, 50));
}

/// RFC 9946's list of arrivals: 96, 97, 98 and 99 are out of order, none is lost in the end.
#[test]
fn order_loss_and_copies_are_counted_as_in_the_standard_s_example() {
    let now = Instant::now();
    let mut receiver = Receiver::new(Duration::from_secs(1));
    let numbers = (1..93).chain([93, 94, 95, 100, 96, 97, 101, 98, 99, 102, 103]);
    for sequence in numbers.chain([103, 90]) {
        receiver.on_load(now, &Load { sequence, ..Load::default() }, 1000, 0);
    }
    let counts = receiver.counts();
    assert_eq!((counts.out_of_order, counts.lost, counts.duplicates, counts.datagrams), (4, 0, 2, 105));
    receiver.on_load(now, &Load { sequence: 110, ..Load::default() }, 1000, 0);
    assert_eq!(receiver.status(now, 0).lost, 6);
    assert_eq!(receiver.status(now, 0).lost, 0, "each report tells of its own interval");
}

#[test]
fn delays_are_told_above_their_least_and_a_status_gives_one_round_trip() {
    let now = Instant::now();
    let mut receiver = Receiver::new(Duration::from_secs(1));
    let second = 1_000_000_000;
    // The sender's clock is 7 s ahead; delays are 20, 25 and 21 ms.
    for (number, delay) in [(1, 20), (2, 25), (3, 21)] {
        let sent = WireTime::from_unix_ns(107 * second);
        let status_sent = WireTime::from_unix_ns(if number == 3 { 99 } else { 98 } * second);
        let header = Load { sequence: number, sent, status_sent, held_ms: 10, ..Load::default() };
        receiver.on_load(now, &header, 100, 100 * second + delay * 1_000_000);
    }
    let status = receiver.status(now, 100 * second);
    assert_eq!((status.one_way.min, status.one_way.max, status.one_way.sum, status.one_way.count), (0, 5, 6, 3));
    // 100.020 - 98 - 0.010 first, then 100.021 - 99 - 0.010, which is less; the second echo of the same status says nothing.
    assert_eq!((status.round_trip_min, status.round_trip_variation), (1011, 0));
}

fn request(is_upstream: bool) -> Request {
    Request {
        terms: Terms { row: Some(Row::From(80)), ..Terms::default() },
        is_upstream,
        max_mbit: 1000,
        traditional_mtu: true,
        jumbo: false,
        key: Some((SharedKey::new(b"a key"), 9)),
        signs_status: true,
        identifier: 77,
        unix_time: 1_800_000_000,
    }
}

/// Both sides agree on a test without a line between them.
fn agree(now: Instant, request: Request) -> (Flow, Flow) {
    let is_upstream = request.is_upstream;
    let mut client = Client::new(now, request);
    let key_of = |number| (number == 9).then(|| SharedKey::new(b"a key"));
    let Progress::Send(None, octets) = client.poll(now) else { panic!("a set-up") };
    let Verdict::Ask(asked) = on_setup(&octets, 1_800_000_100, key_of) else { panic!("to be admitted") };
    client.on_packet(now, &asked.null());
    client.on_packet(now, &asked.accept(40_000));
    let Progress::Send(Some(40_000), octets) = client.poll(now) else { panic!("an activation") };
    let (terms, answer) = asked.on_activation(&octets, 60, 28, 1000).expect("ours").expect("accepted");
    client.on_packet(now, &answer);
    let Progress::Begun(agreed, first) = client.poll(now) else { panic!("begun") };
    assert_eq!(agreed, terms);
    let server = Flow::new(now, Side::Server(SIZES, 1000), terms, !is_upstream, first, asked.signing());
    (Flow::new(now, Side::Client, agreed, is_upstream, first, client.signing()), server)
}

/// A line: a rate (bits per second at the IP layer) with a queue (octets) for load, a delay, and no limit for status.
struct Line {
    bit_rate: f64,
    queue: f64,
    delay: Duration,
    busy_until: Instant,
    /// Every so many load packets one is lost; 0 for none.
    loses_every: u64,
    carried: u64,
    under_way: VecDeque<(Instant, Vec<u8>)>,
    back: VecDeque<(Instant, Vec<u8>)>,
}

impl Line {
    fn take(&mut self, now: Instant, datagram: &[u8]) {
        let octets = datagram.len() as f64 + 28.0;
        let waiting = self.busy_until.saturating_duration_since(now).as_secs_f64() * self.bit_rate / 8.0;
        self.carried += 1;
        if waiting + octets > self.queue || (self.loses_every > 0 && self.carried.is_multiple_of(self.loses_every)) {
            return;
        }
        self.busy_until = self.busy_until.max(now) + Duration::from_secs_f64(octets * 8.0 / self.bit_rate);
        self.under_way.push_back((self.busy_until + self.delay, datagram.to_vec()));
    }
}

/// Runs a test over a line of this rate; returns client, server.
fn run(bit_rate: f64, queue: f64, loses_every: u64, is_upstream: bool) -> (Flow, Flow) {
    let begin = Instant::now();
    let (client, server) = agree(begin, request(is_upstream));
    let (mut sender, mut receiver) = if is_upstream { (client, server) } else { (server, client) };
    let mut line = Line {
        bit_rate,
        queue,
        delay: 10 * MS,
        busy_until: begin,
        loses_every,
        carried: 0,
        under_way: VecDeque::new(),
        back: VecDeque::new(),
    };
    let mut train = TrainBuffer::default();
    let mut now = begin;
    let wall = |at: Instant| 1_800_000_000_000_000_000 + at.duration_since(begin).as_nanos() as i64;
    while (sender.end().is_none() || receiver.end().is_none()) && now < begin + Duration::from_secs(30) {
        sender.on_wake(now);
        receiver.on_wake(now);
        while sender.fill(now, wall(now), &mut train) {
            for datagram in train.octets().chunks(train.size()) {
                line.take(now, datagram);
            }
        }
        if let Some(status) = receiver.status(now, wall(now)) {
            line.back.push_back((now + line.delay, status));
        }
        while let Some((_, octets)) = line.under_way.pop_front_if(|(at, _)| *at <= now) {
            receiver.on_packet(now, wall(now), &octets);
        }
        while let Some((_, octets)) = line.back.pop_front_if(|(at, _)| *at <= now) {
            sender.on_packet(now, wall(now), &octets);
        }
        let ahead = [line.under_way.front(), line.back.front()].into_iter().flatten().map(|(at, _)| *at);
        let wake = [(&sender), (&receiver)].into_iter().filter(|flow| flow.end().is_none()).map(Flow::next_wake);
        now = ahead.chain(wake).min().unwrap_or(now).max(now + Duration::from_micros(1));
    }
    if is_upstream { (sender, receiver) } else { (receiver, sender) }
}

fn highest(flow: &Flow) -> f64 {
    let rate =
        |s: &crate::wire::capacity::SubInterval| (s.octets + u64::from(s.datagrams) * 28) as f64 * 8.0 / f64::from(s.span_us);
    flow.sub_intervals().iter().map(rate).fold(0.0, f64::max)
}

#[test]
fn a_line_s_rate_is_found_both_ways_and_both_sides_agree_on_the_end() {
    for is_upstream in [false, true] {
        let (client, server) = run(95e6, 120_000.0, 0, is_upstream);
        assert_eq!((client.end(), server.end()), (Some(End::Complete), Some(End::Complete)), "upstream {is_upstream}");
        assert_eq!(client.sub_intervals().len(), 10);
        if is_upstream {
            assert_eq!(client.sub_intervals(), server.sub_intervals(), "as the receiver saw them");
        }
        let found = highest(&client);
        assert!((found - 95.0).abs() < 0.3, "upstream {is_upstream}: {found} of 95 Mbit/s");
        assert!(server.signs().is_some_and(|(good, bad)| good > 20 && bad > 20), "{:?}", server.signs());
        assert_eq!((client.wrongly_signed(), server.wrongly_signed()), (0, 0));
    }
}

#[test]
fn a_line_that_is_faster_than_the_test_shows_no_sign_of_congestion() {
    let (client, server) = run(2e9, 10e6, 0, false);
    assert!(server.signs().is_some_and(|(_, bad)| bad == 0), "{:?}", server.signs());
    assert!(highest(&client) > 950.0);
}

#[test]
fn a_little_loss_does_not_hold_the_rate_down() {
    let (client, _) = run(95e6, 120_000.0, 2000, false);
    assert!((highest(&client) - 95.0).abs() < 0.5, "{}", highest(&client));
}

#[test]
fn a_side_that_hears_nothing_gives_up_by_itself() {
    let now = Instant::now();
    for is_upstream in [false, true] {
        let (mut client, mut server) = agree(now, request(is_upstream));
        let mut train = TrainBuffer::default();
        let mut sent = 0;
        for ms in 0..4000 {
            for flow in [&mut client, &mut server] {
                flow.on_wake(now + ms * MS);
                while flow.fill(now + ms * MS, 0, &mut train) {
                    sent += train.octets().len();
                }
            }
        }
        assert_eq!((client.end(), server.end()), (Some(End::Silent), Some(End::Silent)));
        // Nobody is heard, so the rate falls from 80 Mbit/s (or stays, at a client) for three seconds at most.
        assert!(sent < 31_000_000, "{sent}");
    }
}

#[test]
fn refusals_have_their_reason_and_the_unsigned_learn_no_more() {
    let now = Instant::now();
    let ask = |request: Request, unix_time: u32| {
        let mut client = Client::new(now, request);
        let Progress::Send(None, octets) = client.poll(now) else { panic!("a set-up") };
        match on_setup(&octets, unix_time, |number| (number == 9).then(|| SharedKey::new(b"a key"))) {
            Verdict::Refuse(answer) => {
                assert_eq!(answer.len(), octets.len(), "no answer is longer than its request");
                client.on_packet(now, &answer);
            }
            Verdict::Ask(asked) => client.on_packet(now, &asked.refuse(SetupResponse::Capacity)),
            Verdict::Ignore => {}
        }
        client.poll(now)
    };
    let at = 1_800_000_000;
    let failed = |why| Progress::Failed(NoTest::Refused(why));
    assert_eq!(ask(request(true), at), failed(SetupResponse::Capacity));
    assert_eq!(ask(request(true), at + 151), failed(SetupResponse::Time));
    assert_eq!(ask(Request { key: None, ..request(true) }, at), failed(SetupResponse::Required));
    assert_eq!(ask(Request { key: Some((SharedKey::new(b"other"), 9)), ..request(true) }, at), failed(SetupResponse::Signature));
    assert_eq!(ask(Request { key: Some((SharedKey::new(b"a key"), 8)), ..request(true) }, at), failed(SetupResponse::Signature));
}

#[test]
fn a_client_asks_four_times_and_says_whether_the_port_or_the_server_is_silent() {
    let now = Instant::now();
    let mut client = Client::new(now, request(true));
    let mut sends = 0;
    let mut at = now;
    let why = loop {
        match client.poll(at) {
            Progress::Send(..) => sends += 1,
            Progress::Wait(until) => at = until,
            Progress::Failed(why) => break why,
            Progress::Begun(..) => panic!("nobody answered"),
        }
    };
    assert_eq!((sends, why), (4, NoTest::Silent));
    assert!(at.duration_since(now) < Duration::from_secs(4));
}

#[test]
fn terms_outside_of_what_is_safe_are_refused() {
    let default = Terms::default();
    assert!(default.is_sound());
    for terms in [
        Terms { feedback: 10 * MS, ..default },
        Terms { feedback: 300 * MS, ..default },
        Terms { time: Duration::from_secs(61), ..default },
        Terms { low: 90 * MS, ..default },
        Terms { fast_rows: 1, ..default },
        Terms { bad_reports: 1, ..default },
        Terms { sub_interval: Duration::from_secs(11), ..default },
        Terms { row: Some(Row::From(1181)), ..default },
    ] {
        assert!(!terms.is_sound(), "{terms:?}");
    }
}
