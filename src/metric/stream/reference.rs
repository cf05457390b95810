//! Clock references (PCR) of a program: how often, how right where they stand, and how evenly they arrive.
//!
//! Limits: 40 ms from one to the next (TR 101 290 2.3a), no step beyond 100 ms that is not announced (2.3b), right within 500 ns (2.4); RFC 6990
//! section 3 restates them. Accuracy needs a stream of constant rate: a reference is held against the line through those around it, by the octets in
//! between. Blocks of 64 references are looked at by themselves, so that neither a drift between two clocks nor a long run counts (*ours*; TR 101 290
//! annex I filters instead). What breaks the count of octets, a loss, ends a block.

use std::mem;

use super::line;
use crate::metric::quantile::DelayHistogram;

/// Ticks per second, and per millisecond.
const HZ: f64 = 27e6;
const TICKS_PER_MS: i64 = 27_000;
/// Longest from one to the next (TR 101 290 2.3a).
pub const REPEATED_TICKS: i64 = 40 * TICKS_PER_MS;
/// Largest step that needs no announcement (2.3b).
pub const STEP_TICKS: i64 = 100 * TICKS_PER_MS;
/// How right one must be (2.4), nanoseconds.
pub const ACCURATE_NS: f64 = 500.0;
const BLOCK: usize = 64;
/// Fewer tell no line.
const FEWEST: usize = 16;
/// Half of a block's references this far from a line: the rate is not constant. Far below what a picture's size moves, far above what a faulty clock does.
const VARIABLE_NS: f64 = 100_000.0;
/// The same where null packets fill the stream: its rate is constant, but somebody on the way may have taken some out *(both ours)*.
const FILLED_NS: f64 = 1_000_000.0;

/// One reference as it arrived.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arrival {
    /// Ticks since the reference before; `None` for the first.
    pub step: Option<i64>,
    /// A discontinuity was announced with it.
    pub announced: bool,
    /// Octets of the stream before it, those known as lost among them.
    pub octet: u64,
    /// Of these, octets in its own datagram.
    pub into: u32,
    /// Null packets of the stream before it.
    pub nulls: u64,
    /// When the datagram arrived, nanoseconds.
    pub at_ns: i64,
}

#[derive(Debug, Clone, Copy)]
struct Sample {
    ticks: i64,
    octet: u64,
    into: u32,
    nulls: u64,
    at_ns: i64,
}

/// What was found so far.
#[derive(Debug, Clone, Default)]
pub struct Found {
    /// References.
    pub count: u64,
    /// Longest time from one to the next by their own word, ticks; steps that are no time left out.
    pub longest_ticks: i64,
    /// Times above [`REPEATED_TICKS`].
    pub repetition_errors: u64,
    /// Steps back or beyond [`STEP_TICKS`] that were not announced.
    pub discontinuity_errors: u64,
    /// Announced ones.
    pub announced: u64,
    /// References held against a line, and how many lay farther off than [`ACCURATE_NS`].
    pub accuracy_looked_at: u64,
    /// See above.
    pub accuracy_errors: u64,
    /// The farthest, nanoseconds.
    pub accuracy_worst_ns: f64,
    /// References in blocks whose rate is not constant, where nothing can be said of accuracy.
    pub variable: u64,
    /// How far references arrived from an even line, either way.
    pub arrival: DelayHistogram,
    /// From the earliest to the latest in a block, at most, nanoseconds.
    pub arrival_span_ns: f64,
    /// Octets and ticks of all blocks, for the rate.
    octets: u64,
    ticks: i64,
}

impl Found {
    /// Rate of the stream by its own clock, bits per second.
    pub fn rate(&self) -> Option<f64> {
        (self.ticks > 0).then(|| self.octets as f64 * 8.0 * HZ / self.ticks as f64)
    }
}

/// One program's.
#[derive(Debug, Clone, Default)]
pub struct Reference {
    block: Vec<Sample>,
    last_at_ns: i64,
    recent_rate: Option<f64>,
    found: Found,
}

impl Reference {
    /// Takes the next one.
    pub fn on_arrival(&mut self, arrival: Arrival) {
        self.found.count += 1;
        let waited_ticks = (arrival.at_ns - mem::replace(&mut self.last_at_ns, arrival.at_ns)) as f64 * HZ / 1e9;
        let mut ticks = 0;
        match arrival.step {
            Some(_) if arrival.announced => {
                self.found.announced += 1;
                self.end_block();
            }
            Some(step) => {
                let is_legal = (0..=STEP_TICKS).contains(&step);
                // A step forward that took as long is a time without a reference; any other is a clock that was set.
                let is_time = is_legal || (step > 0 && waited_ticks > step as f64 / 2.0);
                if is_time {
                    self.found.longest_ticks = self.found.longest_ticks.max(step);
                    self.found.repetition_errors += u64::from(step > REPEATED_TICKS);
                }
                if is_legal {
                    ticks = self.block.last().map_or(0, |last| last.ticks + step);
                } else {
                    self.found.discontinuity_errors += 1;
                    self.end_block();
                }
            }
            None => {}
        }
        let Arrival { octet, into, nulls, at_ns, .. } = arrival;
        self.block.push(Sample { ticks, octet, into, nulls, at_ns });
        if self.block.len() == BLOCK {
            self.end_block();
        }
    }

    /// Octets are missing and nobody knows how many.
    pub fn on_loss(&mut self) {
        self.end_block();
    }

    /// Rate of the last second or two, bits per second.
    pub fn recent_rate(&self) -> Option<f64> {
        if self.block.len() >= FEWEST { rate_of(&self.block) } else { self.recent_rate }
    }

    /// What was found, the open block among it.
    pub fn found(&self) -> Found {
        let mut whole = self.clone();
        whole.end_block();
        whole.found
    }

    fn end_block(&mut self) {
        let block = mem::take(&mut self.block);
        let (Some(first), Some(last)) = (block.first(), block.last()) else { return };
        if block.len() < FEWEST || last.ticks == first.ticks {
            return;
        }
        self.found.octets += last.octet - first.octet;
        self.found.ticks += last.ticks - first.ticks;
        self.recent_rate = rate_of(&block);
        let octets = |sample: &Sample| (sample.octet - first.octet) as f64;
        let by_octets: Vec<(f64, f64)> = block.iter().map(|sample| (octets(sample), sample.ticks as f64)).collect();
        let Some(by_octets) = line::through(&by_octets) else { return };
        let off = by_octets.residuals.iter().map(|ticks| ticks.abs() * 1e9 / HZ);
        let most = if last.nulls > first.nulls { FILLED_NS } else { VARIABLE_NS };
        if line::median(off.clone().collect()).is_some_and(|middle| middle <= most) {
            self.found.accuracy_looked_at += block.len() as u64;
            self.found.accuracy_errors += off.clone().filter(|off| *off > ACCURATE_NS).count() as u64;
            self.found.accuracy_worst_ns = off.fold(self.found.accuracy_worst_ns, f64::max);
        } else {
            self.found.variable += block.len() as u64;
        }
        self.look_at_arrivals(&block, by_octets.slope);
    }

    /// Arrival against the clock. What stands late in its datagram was due later than the datagram was.
    fn look_at_arrivals(&mut self, block: &[Sample], ticks_per_octet: f64) {
        let Some(first) = block.first() else { return };
        let due_ns = |sample: &Sample| (sample.ticks as f64 - f64::from(sample.into) * ticks_per_octet) * 1e9 / HZ;
        let points: Vec<(f64, f64)> = block.iter().map(|sample| (due_ns(sample), (sample.at_ns - first.at_ns) as f64)).collect();
        let Some(arrivals) = line::through(&points) else { return };
        let (mut low, mut high) = (0.0_f64, 0.0_f64);
        for off in arrivals.residuals {
            low = low.min(off);
            high = high.max(off);
            self.found.arrival.record(off.abs() as u64);
        }
        self.found.arrival_span_ns = self.found.arrival_span_ns.max(high - low);
    }
}

fn rate_of(block: &[Sample]) -> Option<f64> {
    let (first, last) = (block.first()?, block.last()?);
    let ticks = last.ticks - first.ticks;
    (ticks > 0).then(|| (last.octet - first.octet) as f64 * 8.0 * HZ / ticks as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// References each 30 ms of a stream of 4 Mbit/s: 15 000 octets, 810 000 ticks.
    fn run(count: usize, mut change: impl FnMut(usize, &mut Arrival)) -> Found {
        let mut reference = Reference::default();
        for at in 0..count {
            let step = (at > 0).then_some(810_000);
            let mut arrival =
                Arrival { step, announced: false, octet: at as u64 * 15_000, into: 0, nulls: 0, at_ns: at as i64 * 30_000_000 };
            change(at, &mut arrival);
            reference.on_arrival(arrival);
        }
        reference.found()
    }

    #[test]
    fn an_even_clock_has_nothing_against_it() {
        let found = run(200, |_, _| ());
        assert_eq!((found.count, found.longest_ticks, found.repetition_errors, found.discontinuity_errors), (200, 810_000, 0, 0));
        // Three blocks of 64; eight are too few.
        assert_eq!((found.accuracy_looked_at, found.accuracy_errors, found.variable), (192, 0, 0));
        assert!(found.accuracy_worst_ns < 1e-3 && found.arrival_span_ns < 1.0, "{found:?}");
        assert!((found.rate().unwrap() - 4e6).abs() < 1e-3);
    }

    #[test]
    fn one_reference_that_is_off_is_one_error_of_that_size() {
        // 27 ticks are 1 us: late by that, then right again.
        let found = run(64, |at, arrival| match at {
            20 => arrival.step = Some(810_027),
            21 => arrival.step = Some(809_973),
            _ => {}
        });
        assert_eq!((found.accuracy_looked_at, found.accuracy_errors), (64, 1));
        assert!((found.accuracy_worst_ns - 1000.0).abs() < 1.0, "{}", found.accuracy_worst_ns);
        let within = run(64, |at, arrival| match at {
            20 => arrival.step = Some(810_013),
            21 => arrival.step = Some(809_987),
            _ => {}
        });
        assert_eq!(within.accuracy_errors, 0, "13 ticks are 481 ns");
    }

    #[test]
    fn steps_and_long_times_are_told_apart() {
        let gap = run(64, |at, arrival| {
            if at == 30 {
                arrival.step = Some(50 * TICKS_PER_MS);
            }
        });
        assert_eq!((gap.repetition_errors, gap.discontinuity_errors, gap.longest_ticks), (1, 0, 50 * TICKS_PER_MS));
        let set = run(64, |at, arrival| {
            if at == 30 {
                arrival.step = Some(5000 * TICKS_PER_MS);
            }
        });
        assert_eq!((set.repetition_errors, set.discontinuity_errors, set.longest_ticks), (0, 1, 810_000), "a clock that was set");
        let back = run(64, |at, arrival| {
            if at == 30 {
                arrival.step = Some(-1);
            }
        });
        assert_eq!((back.repetition_errors, back.discontinuity_errors), (0, 1));
        let away = run(64, |at, arrival| {
            arrival.at_ns += if at >= 30 { 200_000_000 } else { 0 };
            if at == 30 {
                arrival.step = Some(230 * TICKS_PER_MS);
            }
        });
        assert_eq!((away.repetition_errors, away.discontinuity_errors, away.longest_ticks), (1, 1, 230 * TICKS_PER_MS));
        let told = run(64, |at, arrival| {
            if at == 30 {
                (arrival.step, arrival.announced) = (Some(-77), true);
            }
        });
        assert_eq!((told.repetition_errors, told.discontinuity_errors, told.announced), (0, 0, 1));
    }

    #[test]
    fn arrivals_that_are_uneven_are_told_by_their_size_and_a_drift_is_none() {
        // Every fourth 3 ms late, on clocks that differ by 200 ppm.
        let found = run(64, |at, arrival| {
            arrival.at_ns += at as i64 * 6_000 + if at % 4 == 0 { 3_000_000 } else { 0 };
        });
        assert!((found.arrival_span_ns - 3e6).abs() < 1.0, "{}", found.arrival_span_ns);
        assert!((found.arrival.quantile(0.95).unwrap() - 3.0).abs() < 0.01);
        assert!(found.arrival.quantile(0.5).unwrap() < 0.001);
    }

    #[test]
    fn the_place_in_a_datagram_is_no_jitter() {
        // The same stream in datagrams that leave with their first octet: 188 octets are 0.376 ms.
        let found = run(64, |at, arrival| {
            arrival.into = (at as u32 % 7) * 188;
            arrival.at_ns -= i64::from(arrival.into) * 2000;
        });
        assert!(found.arrival_span_ns < 2.0, "{}", found.arrival_span_ns);
    }

    #[test]
    fn a_variable_rate_has_no_accuracy() {
        let mut octet = 0;
        let found = run(128, |at, arrival| {
            arrival.octet = octet;
            octet += if at % 12 == 0 { 60_000 } else { 9_000 };
        });
        assert_eq!((found.accuracy_looked_at, found.accuracy_errors, found.variable), (0, 0, 128));
    }
}
