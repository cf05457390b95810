//! What `twoway` reports against what was set, and against what captures at both ends saw of it: the table of docs/performance.md.
//!
//! `cargo bench --bench proof` (as root; packages of tests/packages.txt). About six minutes. The kernel's netem does the harm, in a User Mode Linux
//! between the two ends; all traffic stays in namespaces made here, and every stream ends by itself.

#![allow(dead_code, clippy::print_stdout, reason = "parts of the tests are used; figures are printed")]

#[path = "../common/capture.rs"]
mod capture;
#[path = "../netem/line.rs"]
mod line;
#[path = "../common/machine.rs"]
mod machine;
#[path = "../common/server.rs"]
mod server;
#[path = "../netem/truth.rs"]
mod truth;

use std::time::Duration;

use doorstep::reading::{Outcome, Reading};
use doorstep::unit::Direction;

use line::Line;
use truth::{Way, way};

/// Streams for each delay.
const TURNS: usize = 3;

fn of<'a>(outcome: &'a Outcome, name: &str, direction: Option<Direction>) -> &'a Reading {
    let found = outcome.readings.iter().find(|r| r.name == name && r.direction == direction);
    found.unwrap_or_else(|| panic!("{name} {direction:?} in {:#?}", outcome.readings))
}

fn bounds(one: &Reading) -> String {
    let text = |bound: Option<f64>| bound.map_or_else(|| "open".to_owned(), |bound| format!("{bound:.5}"));
    format!("{:.5} ({} to {})", one.value, text(one.low), text(one.high))
}

/// One stream over a line that does this up; the way up as its captures saw it.
fn upward(line: &mut Line, up: &str, count: u64, interval: Duration) -> (Outcome, Way, Way, usize) {
    line.impair(up, "");
    let (outcome, [there, back]) = line.measure(count, interval);
    let counted = of(&outcome, "twoway.loss_ratio", Some(Direction::Up)).samples;
    let answers = back.arrivals();
    (outcome, way(&there, counted), way(&back, counted), answers)
}

fn main() {
    let mut line = Line::build();
    println!("| set up | reading | read (95 % interval) | set | captures | packets |\n|---|---|---|---|---|---|");
    for delay in [0, 1, 5, 20, 80, 150, 300] {
        let text = if delay == 0 { String::new() } else { format!("delay {delay}ms") };
        for _ in 0..TURNS {
            let (outcome, there, back, _) = upward(&mut line, &text, 500, Duration::from_millis(5));
            let read = of(&outcome, "twoway.round_trip_p50", None);
            // A fixed delay: the median of the sum is the sum of the medians but for the bridge's own variation.
            let captured = there.delay_p50_ms + back.delay_p50_ms;
            println!("| `{text}` | round_trip_p50, ms | {} | {delay} and the bridge | {captured:.5} | 500 |", bounds(read));
        }
    }
    for (text, set) in [
        // Even between +-4 ms: 0.95 of 8 ms.
        ("delay 20ms 4ms", "7.6"),
        // Normal with deviation 2 ms: the least of 600 is some 3.1 deviations below the mean, the 95th percentile 1.645 above.
        ("delay 30ms 2ms distribution normal", "about 9.5"),
    ] {
        let (outcome, there, ..) = upward(&mut line, text, 600, Duration::from_millis(20));
        let read = of(&outcome, "twoway.delay_variation_p95", Some(Direction::Up));
        println!("| `{text}` | delay_variation_p95, ms | {} | {set} | {:.5} | 600 |", bounds(read), there.variation_p95_ms);
    }
    for (text, set, count) in [
        ("delay 3ms loss 0.01%", 0.0001, 20_000),
        ("delay 3ms loss 0.1%", 0.001, 10_000),
        ("delay 3ms loss 1%", 0.01, 5000),
        ("delay 3ms loss 5%", 0.05, 5000),
        ("delay 3ms loss 20%", 0.2, 5000),
        // Gilbert and Elliott: p / (p + r) of the time in the bad state, which loses all or half; bursts of 1 / r on average.
        ("delay 3ms loss gemodel 1% 25% 100% 0%", 0.01 / 0.26, 5000),
        ("delay 3ms loss gemodel 1% 10% 50% 0%", 0.5 * 0.01 / 0.11, 5000),
    ] {
        let (outcome, there, _, answers) = upward(&mut line, text, count, Duration::from_millis(2));
        let read = of(&outcome, "twoway.loss_ratio", Some(Direction::Up));
        let captured = (there.sent - there.distinct) as f64 / there.sent as f64;
        println!("| `{text}` | loss_ratio up | {} | {set:.5} | {captured:.5} | {count} |", bounds(read));
        // More answers than arrivals at the far end: that end's capture lost some itself, and its share is not the truth.
        let down = bounds(of(&outcome, "twoway.loss_ratio", Some(Direction::Down)));
        println!("| the same | loss_ratio down | {down} | 0 | {answers} answers, {} arrivals | |", there.copies);
    }
    for (text, name) in [("delay 10ms reorder 0.5%", "reordered_ratio"), ("delay 3ms duplicate 0.5%", "duplicate_ratio")] {
        let (outcome, there, ..) = upward(&mut line, text, 5000, Duration::from_millis(2));
        let many = if name == "reordered_ratio" { there.reordered } else { there.copies - there.distinct };
        let read = of(&outcome, &format!("twoway.{name}"), Some(Direction::Up));
        // Each packet that goes ahead makes those that it overtook reordered: five at 2 ms.
        let set = if name == "reordered_ratio" { "some 0.02, as the captures say" } else { "0.005" };
        println!("| `{text}` | {name} up | {} | {set} | {:.5} | 5000 |", bounds(read), many as f64 / there.distinct as f64);
    }
}
