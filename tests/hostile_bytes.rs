//! Every parser against octets that mean harm: cut, changed, spliced and random ones, and large ones made to be slow.
//!
//! What a parser must hold is in `tests/fuzz/src`, which the fuzz targets share; this run is short, the same every time
//! but for the random part, and needs no special compiler. Time is bounded as the thread's own processor time, so that a
//! busy machine changes nothing.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Duration;

use nix::time::{ClockId, clock_gettime};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};

#[path = "fuzz/src/lib.rs"]
#[expect(unreachable_pub, reason = "the fuzz targets take it as a library")]
mod parsers;

use parsers::{PARSERS, Parser};

/// Most processor time that one input may take: over a thousand times what the slowest seed takes (0.6 ms).
const MOST_TIME: Duration = Duration::from_secs(2);

/// Processor time of this thread.
fn spent() -> Duration {
    clock_gettime(ClockId::CLOCK_THREAD_CPUTIME_ID).expect("the thread has a clock").into()
}

/// Feeds one input, and tells it in hex when the parser breaks.
fn feed(parser: &Parser, what: &str, data: &[u8]) {
    let began = spent();
    let outcome = catch_unwind(AssertUnwindSafe(|| (parser.feed)(data)));
    let took = spent() - began;
    let shown = || data.iter().take(2048).map(|octet| format!("{octet:02x}")).collect::<String>();
    assert!(outcome.is_ok(), "{}: {what}: broken by {} octets: {}", parser.name, data.len(), shown());
    assert!(took < MOST_TIME, "{}: {what}: {took:?} for {} octets: {}", parser.name, data.len(), shown());
}

/// Runs a kind of attack on every parser.
fn on_all(attack: impl Fn(&Parser)) {
    for parser in &PARSERS {
        assert!(!(parser.seeds)().is_empty(), "{} has nothing to start from", parser.name);
        attack(parser);
    }
}

/// A seed that is refused at once leads no change of it into the reader. Two were, for as long as nothing looked.
#[test]
fn seeds_of_profiles_and_records_are_sound() {
    let path = std::path::Path::new("seed");
    on_all(|parser| {
        for seed in (parser.seeds)() {
            match parser.name {
                "profile" => {
                    let read = doorstep::profile::parse(std::str::from_utf8(&seed).expect("text"), "seed");
                    assert!(read.is_ok(), "{}", read.expect_err("refused"));
                }
                "record" => {
                    let read = doorstep::record::store::parse(&seed, path);
                    assert!(read.is_ok(), "{}", read.expect_err("refused"));
                }
                _ => {}
            }
        }
    });
}

#[test]
fn every_seed_cut_short_anywhere() {
    on_all(|parser| {
        for seed in (parser.seeds)() {
            for end in 0..=seed.len() {
                feed(parser, "cut at its end", &seed[..end]);
                feed(parser, "cut at its start", &seed[end..]);
            }
        }
    });
}

#[test]
fn octets_of_every_seed_set_to_the_values_that_break_lengths_and_counts() {
    on_all(|parser| {
        for seed in (parser.seeds)() {
            // Every octet of a packet; of a long text at places that share no factor with its lines.
            for at in (0..seed.len()).step_by(if seed.len() > 3000 { 37 } else { 1 }) {
                for value in [0, 1, 0x7f, 0x80, 0xc0, 0xff, seed[at] ^ 1, seed[at].wrapping_add(1), seed[at].wrapping_sub(1)] {
                    let mut changed = seed.clone();
                    changed[at] = value;
                    feed(parser, "one octet changed", &changed);
                }
            }
        }
    });
}

#[test]
fn every_two_seeds_spliced() {
    on_all(|parser| {
        let seeds = (parser.seeds)();
        for first in &seeds {
            for second in &seeds {
                for part in 1..8 {
                    let (from, to) = (first.len() * part / 8, second.len() * part / 8);
                    feed(parser, "two spliced", &[&first[..from], &second[to..]].concat());
                    feed(parser, "one within the other", &[&first[..from], second, &first[from..]].concat());
                }
            }
        }
    });
}

#[test]
fn input_that_is_large_or_deep_is_refused_or_read_in_a_bounded_time() {
    on_all(|parser| (parser.worst)().iter().for_each(|data| feed(parser, "made to be slow", data)));
}

/// What is done to a seed.
#[derive(Debug, Clone)]
enum Change {
    Set(usize, u8),
    Remove(usize, usize),
    Insert(usize, Vec<u8>),
    Repeat(usize, usize),
}

impl Change {
    fn on(&self, data: &mut Vec<u8>) {
        if data.is_empty() {
            return;
        }
        match self {
            Self::Set(at, value) => {
                let at = at % data.len();
                data[at] = *value;
            }
            Self::Remove(at, many) => {
                let at = at % data.len();
                data.drain(at..data.len().min(at + many));
            }
            Self::Insert(at, octets) => {
                let at = at % data.len();
                data.splice(at..at, octets.iter().copied());
            }
            Self::Repeat(at, many) => {
                let at = at % data.len();
                let piece = data[at..data.len().min(at + many)].to_vec();
                data.splice(at..at, piece);
            }
        }
    }
}

fn change() -> impl Strategy<Value = Change> {
    prop_oneof![
        (any::<usize>(), any::<u8>()).prop_map(|(at, value)| Change::Set(at, value)),
        (any::<usize>(), 1..64_usize).prop_map(|(at, many)| Change::Remove(at, many)),
        (any::<usize>(), prop::collection::vec(any::<u8>(), 1..16)).prop_map(|(at, octets)| Change::Insert(at, octets)),
        (any::<usize>(), 1..64_usize).prop_map(|(at, many)| Change::Repeat(at, many)),
    ]
}

/// A runner that keeps no file of what it found: the failure prints the octets, and they become a test.
fn runner() -> TestRunner {
    TestRunner::new(Config { cases: 2000, failure_persistence: None, ..Config::default() })
}

#[test]
fn seeds_changed_at_random() {
    on_all(|parser| {
        let seeds = (parser.seeds)();
        let strategy = (0..seeds.len(), prop::collection::vec(change(), 1..6));
        let outcome = runner().run(&strategy, |(which, changes)| {
            let mut data = seeds[which].clone();
            changes.iter().for_each(|change| change.on(&mut data));
            feed(parser, "changed at random", &data);
            Ok(())
        });
        assert!(outcome.is_ok(), "{}", outcome.unwrap_err());
    });
}

#[test]
fn octets_at_random() {
    on_all(|parser| {
        let outcome = runner().run(&prop::collection::vec(any::<u8>(), 0..700), |data| {
            feed(parser, "random", &data);
            Ok(())
        });
        assert!(outcome.is_ok(), "{}", outcome.unwrap_err());
    });
}
