//! Simulated token buckets: what was set must be found, over the range of lines that exist.

use super::*;

/// A line, and how its ends keep time.
#[derive(Debug, Clone, Copy)]
struct Line {
    rate: f64,
    burst: f64,
    /// Octets of queue; zero drops at once.
    queue: f64,
    /// Peak rate in front of it, with a bucket of two packets.
    peak: Option<f64>,
    /// Timers of the shaper and stamps of the receiver are late by up to this, ns.
    late_ns: u64,
    /// Every so many packets the sender pauses for so many ns.
    pause: Option<(usize, i64)>,
}

const PLAIN: Line = Line { rate: 100e6, burst: 50e3, queue: 300e3, peak: None, late_ns: 30_000, pause: None };
const SIZE: f64 = 1250.0;

/// A small generator, so that a failure can be made again (SplitMix64, Steele and others, 2014).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, most: u64) -> i64 {
        (self.next() % most.max(1)) as i64
    }
}

/// Sends at `rate` for `seconds` over the line.
fn send(line: &Line, rate: f64, seconds: f64, seed: u64) -> Vec<Passage> {
    let mut random = Random(seed);
    let spacing = SIZE * 8e9 / rate;
    let count = (seconds * 1e9 / spacing) as usize;
    // Tokens and when they were counted, for the bucket and for the peak's.
    let mut buckets = vec![(line.burst, line.burst, line.rate / 8e9)];
    buckets.extend(line.peak.map(|peak| (2.0 * SIZE, 2.0 * SIZE, peak / 8e9)));
    let (mut last_ns, mut free_ns) = (0.0_f64, 0.0_f64);
    let mut leaving: std::collections::VecDeque<f64> = std::collections::VecDeque::new();
    let mut paused = 0;
    (0..count)
        .map(|index| {
            if let Some((every, ns)) = line.pause
                && index % every == every - 1
            {
                paused = ns;
            }
            // After a pause the sender makes up for it as fast as it can.
            let planned = index as f64 * spacing;
            let sent = planned + paused as f64;
            paused = (paused - spacing as i64 / 2).max(0);
            while leaving.front().is_some_and(|at| *at <= sent) {
                leaving.pop_front();
            }
            let lost = Passage { sent_ns: sent as i64 + 1_000_000_000, arrived_ns: None };
            let start = free_ns.max(sent);
            // When all buckets hold the packet.
            let ready = buckets.iter().fold(start, |ready, (tokens, most, fill)| {
                let held = (tokens + fill * (start - last_ns)).min(*most);
                ready.max(start + ((SIZE - held) / fill).max(0.0))
            });
            let waits = ready > sent;
            if waits && (leaving.len() as f64 + 1.0) * SIZE > line.queue {
                return lost;
            }
            for (tokens, most, fill) in &mut buckets {
                *tokens = (*tokens + *fill * (ready - last_ns)).min(*most) - SIZE;
            }
            (last_ns, free_ns) = (ready, ready);
            leaving.push_back(ready);
            let late = random.below(line.late_ns) as f64;
            Passage { arrived_ns: Some((ready + 7e6 + late) as i64), ..lost }
        })
        .collect()
}

fn held(line: &Line, rate: f64, seconds: f64) -> Shape {
    match examine(&send(line, rate, seconds, 1), SIZE, 0.95) {
        Finding::Held(shape) => shape,
        other => panic!("{line:?}: {other:?}"),
    }
}

fn within(found: f64, truth: f64, share: f64) -> bool {
    (found / truth - 1.0).abs() <= share
}

#[test]
fn shapers_and_policers_are_found_with_rate_and_burst_over_the_range_of_lines() {
    for rate in [2e6, 16e6, 100e6, 500e6, 940e6] {
        for burst in [8e3, 30e3, 250e3, 2e6] {
            for queue_ms in [0.0, 10.0, 100.0] {
                let line = Line { rate, burst, queue: rate / 8e3 * queue_ms, ..PLAIN };
                let knee = burst * 8.0 / (0.5 * rate);
                // Long enough for the knee, the queue and a second behind them.
                let seconds = knee + queue_ms / 500.0 + 2.0;
                if line.queue > 0.0 && line.queue < 4.0 * SIZE || seconds > 6.0 {
                    continue;
                }
                let shape = held(&line, 1.5 * rate, seconds);
                let want = if queue_ms > 0.0 { Kind::Shaper } else { Kind::Policer };
                assert_eq!(shape.kind, want, "{line:?}: {shape:?}");
                assert!(within(shape.rate.0, rate, 0.01), "{line:?}: {shape:?}");
                let (found, interval) = shape.burst.unwrap();
                assert!(within(found, burst, 0.1), "{line:?}: {shape:?}");
                assert!(interval.low.unwrap() <= burst && burst <= interval.high.unwrap() * 1.1, "{line:?}: {shape:?}");
                if let Some(queue) = shape.queue {
                    assert_eq!(queue.drops, Drops::WhenFull, "{line:?}: {shape:?}");
                    assert!((queue.octets - line.queue).abs() <= 0.02 * line.queue + 1.5 * SIZE, "{line:?}: {shape:?}");
                }
            }
        }
    }
}

#[test]
fn a_sender_that_pauses_changes_neither_rate_nor_burst() {
    for queue in [0.0, 400e3] {
        let line = Line { queue, pause: Some((900, 4_000_000)), ..PLAIN };
        let shape = held(&line, 150e6, 2.5);
        assert!(within(shape.rate.0, 100e6, 0.01) && within(shape.burst.unwrap().0, 50e3, 0.1), "{shape:?}");
    }
}

#[test]
fn a_stall_at_the_start_does_not_hide_a_part_of_the_burst() {
    // The bucket of 50 kB fills again in 4 ms, and what was held up then comes at once.
    for queue in [0.0, 400e3] {
        let line = Line { queue, pause: Some((40, 8_000_000)), ..PLAIN };
        let mut train = send(&line, 150e6, 2.5, 1);
        train.truncate(40);
        let rest = send(&Line { pause: None, ..line }, 150e6, 2.5, 2);
        train.extend(
            rest.iter()
                .map(|one| Passage { sent_ns: one.sent_ns + 20_000_000, arrived_ns: one.arrived_ns.map(|at| at + 20_000_000) }),
        );
        let Finding::Held(shape) = examine(&train, SIZE, 0.95) else { panic!("not held") };
        assert!(within(shape.burst.unwrap().0, 50e3, 0.1), "{shape:?}");
    }
}

#[test]
fn a_boost_is_told_with_its_rate_and_how_long_it_lasts() {
    // 6 MB at 50 Mbit/s more than the rate: 0.96 s.
    let wide = Line { burst: 6e6, ..PLAIN };
    let boost = held(&wide, 150e6, 3.0).boost.unwrap();
    assert!(boost.is_at_least && within(boost.seconds, 0.96, 0.02) && within(boost.rate, 150e6, 0.01), "{boost:?}");
    // A peak of 130 Mbit/s in front: 6 MB at 30 Mbit/s, 1.6 s.
    let peaked = Line { peak: Some(130e6), queue: 5e6, ..wide };
    let boost = held(&peaked, 150e6, 4.0).boost.unwrap();
    assert!(!boost.is_at_least && within(boost.rate, 130e6, 0.01) && within(boost.seconds, 1.6, 0.05), "{boost:?}");
    assert_eq!(held(&PLAIN, 150e6, 2.0).boost, None, "8 ms are none");
}

#[test]
fn what_is_not_held_is_said_to_be_free_up_to_what_was_sent_and_random_loss_is_no_limit() {
    let free = Line { rate: 1e9, ..PLAIN };
    let Finding::NothingUpTo(rate) = examine(&send(&free, 150e6, 1.0, 1), SIZE, 0.95) else { panic!("held") };
    assert!(within(rate, 150e6, 0.01));
    let mut random = Random(5);
    let mut lossy = send(&free, 150e6, 1.0, 1);
    for one in &mut lossy {
        if random.below(100) < 2 {
            one.arrived_ns = None;
        }
    }
    assert!(!matches!(examine(&lossy, SIZE, 0.95), Finding::Held(_)));
    assert_eq!(examine(&[], SIZE, 0.95), Finding::Unclear(Unclear::TooFew));
}

#[test]
fn a_queue_that_drops_early_is_told_from_one_that_is_full() {
    // A managed queue as far as an unresponsive train sees it: it begins to drop at 100 ms of delay above its target and drops ever
    // more often, while the delay goes on growing (RFC 8289 section 5.3).
    let deep = Line { queue: 40e6, ..PLAIN };
    let mut train = send(&deep, 150e6, 2.0, 1);
    assert_eq!(held(&deep, 150e6, 2.0).queue.unwrap().drops, Drops::None);
    let mut due = 3000.0;
    let mut count = 1.0_f64;
    while (due as usize) < train.len() {
        train[due as usize].arrived_ns = None;
        due += 1500.0 / count.sqrt();
        count += 1.0;
    }
    let Finding::Held(shape) = examine(&train, SIZE, 0.95) else { panic!("not held") };
    assert_eq!(shape.queue.unwrap().drops, Drops::Early, "{shape:?}");
}

#[test]
fn another_flow_shares_the_queue_or_has_its_own() {
    assert_eq!(sharing(0.1, 0.095), Some(Sharing::OneQueue));
    assert_eq!(sharing(0.1, 0.002), Some(Sharing::OwnQueues));
    assert_eq!(sharing(0.1, 0.04), None);
    assert_eq!(sharing(0.001, 0.001), None, "a train that waited no longer than noise tells nothing");
}
