//! Whether the intervals of `twoway` hold the truth as often as they claim, on real packets: short streams over practice lines whose truth is set.
//!
//! Loss is drawn by the kernel's own nftables, at a different share each way; delay back is drawn by the practice line, even between zero and
//! [`VARIATION`]. The same question is asked of some thousand simulated streams in `check/twoway/figures/coverage.rs`. Needs root and nft.
//! About 30 seconds.

#![allow(clippy::print_stdout, reason = "figures that the test saw are shown with --no-capture")]

#[path = "common/context.rs"]
mod context;
#[path = "common/lab.rs"]
mod lab;
#[path = "twoway/support.rs"]
#[allow(dead_code, reason = "this file uses a part of it")]
mod support;

use std::sync::Arc;
use std::time::Duration;

use doorstep::check::twoway::{Form, measure};
use doorstep::practice::{Impairment, Impairments, LineConfig, Node, PracticeLine};
use doorstep::reading::{Outcome, Reading};
use doorstep::unit::Direction;
use tokio_util::sync::CancellationToken;

use support::{FAR_END_V4, FarEnd, bare, build, on_laptop, stream, warm_up};

/// Lines that run side by side, and streams on each, one behind the other: 36 in all.
const LINES: u64 = 6;
const STREAMS: usize = 6;
const PACKETS: u64 = 300;
/// Wider than the variation, so that no packet waits for the one ahead.
const INTERVAL: Duration = Duration::from_millis(8);
const VARIATION: Duration = Duration::from_millis(6);
/// Packets of a thousand that nftables drops up and down.
const PER_MILLE: [u32; 2] = [50, 20];
/// What this machine's own variation may add to a percentile; about one standard error of the medians here, so that the percentiles' part of the
/// test finds gross errors only. Loss has no such allowance.
const OWN_MS: f64 = 0.15;
/// How often a right method may fail a test of one interval by chance.
const FALSE_ALARM: f64 = 1e-4;

/// The count of intervals below which a method of 95 % would fall with at most the chance of a false alarm (binomial).
fn fewest(runs: usize) -> usize {
    let mut mass = 0.05_f64.powi(runs as i32);
    let mut below = 0.0;
    for held in 0..=runs {
        if below + mass > FALSE_ALARM {
            return held;
        }
        below += mass;
        mass *= (runs - held) as f64 / (held + 1) as f64 * (0.95 / 0.05);
    }
    runs
}

#[test]
fn the_acceptance_bound_is_the_binomials() {
    // None of two: 0.05^2 = 0.0025 is over the bound already.
    assert_eq!(fewest(2), 0);
    // 0.05^4 = 6.25e-6; one of four: 4 x 0.95 x 0.05^3 = 4.75e-4 is over the bound.
    assert_eq!(fewest(4), 1);
}

/// Has nftables drop the stream's packets where they arrive, each by its own draw (nft(8), numgen random).
fn lose(line: &PracticeLine, node: Node, port: &str, per_mille: u32) {
    let rule = format!("udp {port} {} numgen random mod 1000 < {per_mille} counter drop", support::PORT);
    for words in [
        "add table inet lab".to_owned(),
        "add chain inet lab loss { type filter hook input priority 0 ; }".to_owned(),
        format!("add rule inet lab loss {rule}"),
    ] {
        let told = line.namespace(node).command("nft").arg(&words).status().expect("this test needs nftables");
        assert!(told.success(), "nft {words}");
    }
}

/// What the rule says it dropped.
fn dropped(line: &PracticeLine, node: Node) -> u64 {
    let told = line.namespace(node).command("nft").args(["list", "chain", "inet", "lab", "loss"]).output().expect("nftables");
    let text = String::from_utf8_lossy(&told.stdout).into_owned();
    let (_, behind) = text.split_once("counter packets ").unwrap_or_else(|| panic!("a counter in {text}"));
    behind.split(' ').next().and_then(|count| count.parse().ok()).expect("a count")
}

fn of<'a>(outcome: &'a Outcome, name: &str, direction: Direction) -> &'a Reading {
    let found = outcome.readings.iter().find(|one| one.name == name && one.direction == Some(direction));
    found.unwrap_or_else(|| panic!("{name} {direction:?} in {:#?}", outcome.readings))
}

fn lost(outcomes: &[Outcome], direction: Direction) -> u64 {
    let one = |outcome: &Outcome| {
        let loss = of(outcome, "twoway.loss_ratio", direction);
        (loss.value * loss.samples as f64).round() as u64
    };
    outcomes.iter().map(one).sum()
}

/// The streams over one line; what was lost is held against the counters of nftables.
fn streams(seed: u64) -> Vec<Outcome> {
    let down = Impairment { variation: VARIATION, delay: Duration::from_millis(2), ..Impairment::default() };
    let access = Impairments { up: Impairment::default(), down };
    let line = build(LineConfig { access, seed, ..bare() });
    let far_end = FarEnd::start(&line, FAR_END_V4.into());
    warm_up(&line, &far_end, FAR_END_V4.into());
    let places = [(Node::FarEnd, "dport", PER_MILLE[0]), (Node::Laptop, "sport", PER_MILLE[1])];
    for (node, port, per_mille) in places {
        lose(&line, node, port, per_mille);
    }
    let one = |_| {
        let config = stream(&far_end, FAR_END_V4.into(), Form::Offered, PACKETS, INTERVAL);
        on_laptop(&line, move || measure(config, CancellationToken::new(), Arc::new(|_| {}), 0.95))
    };
    let outcomes: Vec<Outcome> = (0..STREAMS).map(one).collect();
    assert_eq!(line.own_drops(), 0, "this machine can't carry the line; nothing is shown");
    for ((node, ..), direction) in places.into_iter().zip([Direction::Up, Direction::Down]) {
        let (ours, theirs) = (lost(&outcomes, direction), dropped(&line, node));
        // Closing packets may be dropped too, which are not of the stream.
        assert!(
            ours <= theirs && theirs <= ours + 3 * STREAMS as u64,
            "{direction:?}: {ours} counted by us, {theirs} by nftables"
        );
    }
    outcomes
}

#[test]
fn intervals_of_real_streams_hold_the_truth_as_often_as_they_claim() {
    let running: Vec<_> = (0..LINES).map(|seed| std::thread::spawn(move || streams(100 + seed))).collect();
    let outcomes: Vec<Outcome> = running.into_iter().flat_map(|thread| thread.join().expect("no panic")).collect();
    let milliseconds = VARIATION.as_secs_f64() * 1e3;
    let [up, down] = PER_MILLE.map(|share| f64::from(share) / 1e3);
    for (name, direction, truth, own) in [
        ("twoway.loss_ratio", Direction::Up, up, 0.0),
        ("twoway.loss_ratio", Direction::Down, down, 0.0),
        // Even between zero and the variation, above a least that is near zero among 300.
        ("twoway.delay_variation_p50", Direction::Down, 0.5 * milliseconds, OWN_MS),
        ("twoway.delay_variation_p95", Direction::Down, 0.95 * milliseconds, OWN_MS),
        // The size of the difference of two even draws: F(d) = 1 - (1 - d)^2, so d = 1 - sqrt(1/2) of the width.
        ("twoway.ipdv_p50", Direction::Down, (1.0 - 0.5_f64.sqrt()) * milliseconds, OWN_MS),
    ] {
        let holds = |outcome: &&Outcome| {
            let one = of(outcome, name, direction);
            one.low.is_none_or(|low| low <= truth + own) && one.high.is_none_or(|high| truth - own <= high)
        };
        let held = outcomes.iter().filter(holds).count();
        println!(
            "{name} {direction:?}: truth {truth:.4}, {held} of {} intervals hold it, {} must",
            outcomes.len(),
            fewest(outcomes.len())
        );
        assert!(
            held >= fewest(outcomes.len()),
            "{name} {direction:?}: {held} of {} intervals of 95 % hold {truth}",
            outcomes.len()
        );
    }
}
