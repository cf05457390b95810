//! `shaping` against shapers and policers of the kernel with set parameters: tbf, htb and an nftables limit of this kernel; act_police and fq_codel
//! of a User Mode Linux, which the host's kernel may lack. Rate within 1 %, burst within 10 %. Needs root, /dev/net/tun and the packages
//! of tests/packages.txt; all traffic stays in namespaces that the test makes.
//!
//! tbf, htb and fq_codel count Ethernet frames (14 octets of header); police and nftables at a port's way in count IP packets.

#![allow(clippy::print_stdout, reason = "figures that the test saw are shown with --no-capture")]

#[path = "common/context.rs"]
mod context;
#[path = "common/far_end.rs"]
mod far_end;
#[path = "shaping/line.rs"]
mod line;
#[path = "common/machine.rs"]
mod machine;
#[path = "common/server.rs"]
mod server;

use doorstep::reading::{Outcome, Reading};
use doorstep::unit::Direction::{self, Down, Up};

use line::{Line, Middle};

/// Octets of the trains' IP packets, and of their Ethernet frames.
const PACKET: f64 = 1500.0;
const FRAME: f64 = 1514.0;

fn of<'a>(outcome: &'a Outcome, name: &str, direction: Direction) -> &'a Reading {
    let found = outcome.readings.iter().find(|r| r.name == name && r.direction == Some(direction));
    found.unwrap_or_else(|| panic!("{name} {direction:?} in {:#?} {:#?}", outcome.readings, outcome.facts))
}

fn fact<'a>(outcome: &'a Outcome, direction: Direction, name: &str) -> &'a str {
    outcome.facts[&format!("train_{direction}")][name].as_str().unwrap_or("")
}

/// What was set, in the shaper's own octets: Mbit/s, octets of burst, octets of queue.
#[derive(Debug, Clone, Copy)]
struct Set {
    mbit: f64,
    burst: f64,
    queue: Option<f64>,
    kind: &'static str,
}

/// Errors of rate and burst against what was set, as IP packets.
fn errors(outcome: &Outcome, direction: Direction, set: &Set, share: f64) -> (f64, f64) {
    if fact(outcome, direction, "kind") != set.kind {
        return (f64::INFINITY, f64::INFINITY);
    }
    let rate = of(outcome, "shaping.rate", direction).value / (set.mbit * share) - 1.0;
    let burst = of(outcome, "shaping.burst", direction).value / (set.burst * share) - 1.0;
    if let Some(queue) = set.queue {
        let found = of(outcome, "shaping.queue_octets", direction).value;
        let packets = (found - queue * share).abs() / PACKET;
        assert!(packets < 2.0 + 0.05 * queue / PACKET, "queue {direction}: {found} of {}", queue * share);
        assert_eq!(fact(outcome, direction, "queue"), "fifo", "{:#?}", outcome.facts);
    }
    println!("{direction} {set:?}: rate {:+.2} %, burst {:+.2} %", rate * 100.0, burst * 100.0);
    (rate, burst)
}

/// A machine that is busy with something else may hold up a sender or a timer in one run, not in three.
fn assert_found(line: &Line, down: Set, up: Set, share: f64) {
    let mut seen = Vec::new();
    for _ in 0..3 {
        let outcome = line.examine((down.mbit, up.mbit));
        println!("{:#?}", outcome.facts);
        let ways = [(Down, down), (Up, up)].map(|(direction, set)| errors(&outcome, direction, &set, share));
        let is_found = ways.iter().all(|(rate, burst)| rate.abs() < 0.01 && burst.abs() < 0.1);
        seen.push(ways);
        if is_found {
            return;
        }
    }
    panic!("{down:?} {up:?}: {seen:?}");
}

#[test]
fn the_kernels_token_bucket_is_found_at_several_rates() {
    let mut line = Line::build(Middle::Bridge);
    let shaper = |mbit, burst, queue| Set { mbit, burst, queue: Some(queue), kind: "shaper" };
    for (down, up) in
        [(shaper(100.0, 60e3, 500e3), shaper(16.0, 20e3, 100e3)), (shaper(300.0, 300e3, 3e6), shaper(50.0, 1.5e6, 200e3))]
    {
        line.put(Down, &tbf(&down));
        line.put(Up, &tbf(&up));
        assert_found(&line, down, up, PACKET / FRAME);
    }
}

fn tbf(set: &Set) -> String {
    format!("root tbf rate {}kbit burst {} limit {}", set.mbit * 1e3, set.burst, set.queue.unwrap_or(0.0))
}

#[test]
fn a_class_of_htb_is_found() {
    let mut line = Line::build(Middle::Bridge);
    let set = Set { mbit: 80.0, burst: 100e3, queue: Some(300e3), kind: "shaper" };
    for direction in [Down, Up] {
        line.put(direction, "root handle 1: htb default 1");
        line.class(direction, "parent 1: classid 1:1 htb rate 80mbit ceil 80mbit burst 100000 cburst 100000");
        line.put(direction, "parent 1:1 handle 2: bfifo limit 300000");
    }
    assert_found(&line, set, set, PACKET / FRAME);
}

/// nftables keeps the octets of a whole second beside the burst that is asked for (nft_limit.c: unit times rate plus burst): a boost.
#[test]
fn a_policer_of_nftables_with_a_second_s_octets_is_a_boost() {
    let mut line = Line::build(Middle::Bridge);
    let set = Set { mbit: 20.0, burst: 2.5e6 + 10e3, queue: None, kind: "policer" };
    line.police(2_500_000, 10_000);
    assert_found(&line, set, set, 1.0);
    let outcome = line.examine((20.0, 20.0));
    for direction in [Down, Up] {
        // 2.51 MB at 10 Mbit/s more than the rate.
        let (rate, time) = (of(&outcome, "shaping.boost_rate", direction), of(&outcome, "shaping.boost_time", direction));
        assert!((rate.value / 30.0 - 1.0).abs() < 0.02 && rate.high.is_none(), "{rate:?}");
        assert!((time.value / 2.008 - 1.0).abs() < 0.05, "{time:?}");
    }
}

#[test]
fn a_line_that_holds_nothing_back_says_up_to_where() {
    let outcome = Line::build(Middle::Bridge).examine((200.0, 20.0));
    println!("{:#?}", outcome.facts);
    assert!(outcome.readings.is_empty(), "{outcome:#?}");
    // Six times what was sold; 1200 Mbit/s are more than what goes packet by packet.
    assert_eq!(fact(&outcome, Up, "shape"), "nothing held back 120.0 Mbit/s of IP");
    assert!(fact(&outcome, Down, "shape").ends_with("packets can't be sent faster one by one"), "{:#?}", outcome.facts);
}

#[test]
fn policers_and_managed_queues_of_a_virtual_machine_are_told_apart() {
    let mut line = Line::build(Middle::Machine);
    // A machine inside this one is held up for some ms now and then: the bucket holds 24 ms.
    let set = Set { mbit: 20.0, burst: 60e3, queue: None, kind: "policer" };
    line.run(
        "for port in vec0 vec1; do tc qdisc add dev $port ingress; tc filter add dev $port parent ffff: protocol all matchall \
         action police rate 20mbit burst 60000 conform-exceed drop; done",
    );
    assert_found(&line, set, set, 1.0);
    line.run("for port in vec0 vec1; do tc qdisc del dev $port ingress; tc qdisc add dev $port root handle 1: tbf rate 20mbit burst 30000 \
              limit 300000; tc qdisc add dev $port parent 1: handle 2: fq_codel; done");
    let outcome = line.examine((20.0, 20.0));
    for direction in [Down, Up] {
        let rate = of(&outcome, "shaping.rate", direction).value;
        assert!((rate / (20.0 * PACKET / FRAME) - 1.0).abs() < 0.01, "{rate}");
        assert_eq!(fact(&outcome, direction, "queue"), "flows-apart", "{:#?}", outcome.facts);
    }
    // The same without queues of their own for flows.
    line.run("for port in vec0 vec1; do tc qdisc replace dev $port parent 1: handle 3: codel limit 100000; done");
    let outcome = line.examine((20.0, 20.0));
    for direction in [Down, Up] {
        assert_eq!(fact(&outcome, direction, "queue"), "managed", "{:#?}", outcome.facts);
    }
}
