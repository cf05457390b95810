//! What a stretch does to frames: delay, its variation, loss, blackholes, and a queue at a rate. Pure and seeded.
//!
//! It must not know sockets or the clock: the delay line of [`net`](crate::net::delayline) asks it about each frame. Two
//! runs with one seed and the same frames lose the same ones.

use std::time::Duration;

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use crate::net::delayline::{Fate, Policy};
use crate::net::tc::TokenBucket;
use crate::unit::Ratio;

/// One direction of a stretch. The default leaves frames alone.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Impairment {
    /// Fixed delay of each frame.
    pub delay: Duration,
    /// Further delay, drawn anew for each frame, even between zero and this. Order is kept, so a frame also waits for
    /// the one ahead: at short spacing the mean lies above half of it.
    pub variation: Duration,
    /// How long a stall holds everything, as a line does that sends again what was damaged. Default none.
    pub stall: Duration,
    /// Mean time from one stall's end to the next one's start (exponential).
    pub stall_after: Duration,
    /// Share of frames lost. Default none.
    pub loss: Ratio,
    /// Mean number of frames lost in a row (a chain of two states). Zero and one: each frame for
    /// itself.
    pub loss_run: f64,
    /// Share of frames that are held aside for `aside`, so that those behind pass them.
    pub reordered: Ratio,
    /// Further delay of a frame held aside; with packets further apart than this nothing is reordered. Default zero.
    pub aside: Duration,
    /// Share of frames that arrive twice.
    pub duplicated: Ratio,
    /// Longest frame that passes, in octets of IP; longer ones vanish without a word. `None` lets all pass.
    pub longest: Option<u16>,
    /// Nothing passes.
    pub blackhole: bool,
}

impl Impairment {
    /// A fixed delay and nothing else.
    pub fn delayed(delay: Duration) -> Self {
        Self { delay, ..Self::default() }
    }

    /// Independent loss and nothing else.
    pub fn losing(loss: Ratio) -> Self {
        Self { loss, ..Self::default() }
    }

    /// True when frames pass as if there were nothing.
    pub fn is_none(&self) -> bool {
        *self == Self::default()
    }

    /// The longest that a frame can be held.
    pub(super) fn longest_hold(&self) -> Duration {
        self.delay + self.variation + self.stall + self.aside
    }
}

/// Octets of an Ethernet header.
const ETHERNET_HEADER: usize = 14;

/// Decides about the frames of one direction.
#[derive(Debug)]
pub(super) struct Impairer {
    impairment: Impairment,
    bucket: Option<Bucket>,
    random: StdRng,
    losing: bool,
    /// When the next stall begins, or the one that lasts began.
    stalls_at: Option<u64>,
}

impl Impairer {
    /// With a token bucket in front of the impairment where the kernel's own is not to be had.
    pub(super) fn new(impairment: Impairment, bucket: Option<TokenBucket>, seed: u64) -> Self {
        Self { impairment, bucket: bucket.map(Bucket::new), random: StdRng::seed_from_u64(seed), losing: false, stalls_at: None }
    }

    /// Draws with a chance. No number is drawn where nothing is set, so that what is set decides alone.
    fn draws(&mut self, chance: Ratio) -> bool {
        chance.value() > 0.0 && self.random.random_bool(chance.value())
    }

    /// When a stall, if there is one at that time, lets go.
    fn released(&mut self, at: u64) -> u64 {
        let Impairment { stall, stall_after, .. } = self.impairment;
        if stall.is_zero() {
            return at;
        }
        let stall = stall.as_nanos() as u64;
        let mut gap = || (-(1.0 - self.random.random::<f64>()).ln() * stall_after.as_nanos() as f64) as u64;
        let mut stalls_at = self.stalls_at.unwrap_or_else(|| at + gap());
        while at >= stalls_at + stall {
            stalls_at += stall + gap();
        }
        self.stalls_at = Some(stalls_at);
        if at >= stalls_at { stalls_at + stall } else { at }
    }

    /// Draws whether this frame is lost.
    fn loses(&mut self) -> bool {
        let share = self.impairment.loss.value();
        if share <= 0.0 || share >= 1.0 {
            return share >= 1.0;
        }
        let run = self.impairment.loss_run;
        let chance = if run <= 1.0 {
            share
        } else if self.losing {
            // Mean stay in the losing state is 1 / (1 - chance) = run.
            1.0 - 1.0 / run
        } else {
            // Balance of the two states: share * leave = (1 - share) * enter.
            (share / (run * (1.0 - share))).min(1.0)
        };
        self.losing = self.random.random_bool(chance);
        self.losing
    }
}

impl Policy for Impairer {
    fn decide(&mut self, arrived: u64, octets: usize) -> Fate {
        // The queue stands before the wire: what the wire loses has used its share of the rate.
        let leaves = match &mut self.bucket {
            None => arrived,
            Some(bucket) => match bucket.pass(arrived, octets) {
                Some(leaves) => leaves,
                None => return Fate::Overflow,
            },
        };
        let Impairment { delay, variation, reordered, aside, duplicated, longest, blackhole, .. } = self.impairment;
        let too_long = longest.is_some_and(|l| octets.saturating_sub(ETHERNET_HEADER) > usize::from(l));
        if blackhole || too_long || self.loses() {
            return Fate::Lose;
        }
        let extra = variation.as_nanos() as u64;
        let extra = if extra == 0 { 0 } else { self.random.random_range(0..=extra) };
        let due = self.released(leaves) + delay.as_nanos() as u64 + extra;
        if self.draws(reordered) {
            Fate::SendAside(due + aside.as_nanos() as u64)
        } else if self.draws(duplicated) {
            Fate::SendTwice(due)
        } else {
            Fate::Send(due)
        }
    }
}

/// A token bucket in virtual time: the same rate, burst and queue as the kernel's.
///
/// `full_at` is when the bucket would be full again if nothing more came. A frame may leave as soon as the bucket, after
/// it, is at most one bucket away from full.
#[derive(Debug)]
struct Bucket {
    set: TokenBucket,
    /// Time of the monotonic clock in 2^-20 ns: whole nanoseconds would bend the rate by up to 1 part in 5,000.
    full_at: u128,
    last_left: u64,
}

const FRACTION: u32 = 20;

impl Bucket {
    fn new(set: TokenBucket) -> Self {
        Self { set, full_at: 0, last_left: 0 }
    }

    /// Time to send octets at the rate, in 2^-20 ns.
    fn span(&self, octets: u64) -> u128 {
        ((u128::from(octets) * 1_000_000_000) << FRACTION) / u128::from(self.set.octets_per_second.max(1))
    }

    /// When the frame leaves; `None` when the queue is full.
    fn pass(&mut self, arrived: u64, octets: usize) -> Option<u64> {
        let cost = self.span(octets as u64);
        let depth = self.span(u64::from(self.set.burst)).max(cost);
        let earliest = (self.full_at + cost).saturating_sub(depth);
        let leaves =
            u64::try_from((earliest + ((1 << FRACTION) - 1)) >> FRACTION).unwrap_or(u64::MAX).max(arrived).max(self.last_left);
        // What the queue holds with this frame: all that the rate carries until it leaves.
        let waiting = u128::from(leaves - arrived) * u128::from(self.set.octets_per_second) / 1_000_000_000;
        if leaves > arrived && waiting > u128::from(self.set.queue) {
            return None;
        }
        self.full_at = self.full_at.max(u128::from(leaves) << FRACTION) + cost;
        self.last_left = leaves;
        Some(leaves)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const MS: u64 = 1_000_000;

    fn impairer(impairment: Impairment) -> Impairer {
        Impairer::new(impairment, None, 7)
    }

    #[test]
    fn nothing_set_changes_nothing() {
        let mut none = impairer(Impairment::default());
        for at in [0, 5, 5, 9_999_999] {
            assert_eq!(none.decide(at, 1514), Fate::Send(at));
        }
    }

    #[test]
    fn delay_counts_from_the_arrival_and_variation_stays_in_its_bounds_and_fills_them() {
        let mut line = impairer(Impairment {
            delay: Duration::from_millis(10),
            variation: Duration::from_millis(2),
            ..Impairment::default()
        });
        let extra: Vec<u64> = (0..10_000u64)
            .map(|n| match line.decide(n * MS, 100) {
                Fate::Send(due) => due - n * MS - 10 * MS,
                other => panic!("{other:?}"),
            })
            .collect();
        let mean = extra.iter().sum::<u64>() as f64 / 1e4;
        assert!(extra.iter().all(|e| *e <= 2 * MS));
        // Mean of 10,000 draws of a uniform distribution 0..2 ms: 1 ms, standard error 2/sqrt(12)/100 = 0.0058 ms; 5 of those.
        assert!((mean / 1e6 - 1.0).abs() < 0.029, "{mean}");
    }

    #[test]
    fn stalls_hold_what_comes_meanwhile_and_let_go_at_once() {
        let (stall, after) = (Duration::from_millis(200), Duration::from_millis(400));
        let mut line = impairer(Impairment { stall, stall_after: after, ..Impairment::default() });
        let held: Vec<u64> = (0..60_000_u64)
            .map(|n| match line.decide(n * 10 * MS, 100) {
                Fate::Send(due) => due - n * 10 * MS,
                other => panic!("{other:?}"),
            })
            .collect();
        assert!(held.iter().all(|held| *held <= 200 * MS));
        // Inside of a stall each later frame is held as much shorter as it came later.
        assert!(held.windows(2).all(|pair| pair[0] <= 10 * MS || pair[1] == pair[0] - 10 * MS));
        // A third of the time it stalls: 200 of 600 ms, over 1,000 cycles of which the gaps spread by their own mean: 2.1 %; five of those.
        let share = held.iter().filter(|held| **held > 0).count() as f64 / 60_000.0;
        assert!((share - 1.0 / 3.0).abs() < 0.035, "{share}");
    }

    fn losses(impairment: Impairment, frames: u64) -> Vec<bool> {
        let mut line = impairer(impairment);
        (0..frames).map(|n| line.decide(n, 100) == Fate::Lose).collect()
    }

    #[test]
    fn the_share_lost_lies_in_its_binomial_interval() {
        for share in [0.0, 0.001, 0.02, 0.5, 1.0] {
            let lost =
                losses(Impairment::losing(Ratio::new(share).expect("a share")), 50_000).iter().filter(|l| **l).count() as u64;
            // Binomial: mean np, variance np(1-p). Five standard deviations; the seed is fixed, so it can't fail by chance later.
            let (mean, deviation) = (50_000.0 * share, (50_000.0 * share * (1.0 - share)).sqrt());
            assert!((lost as f64 - mean).abs() <= 5.0 * deviation, "{share}: {lost}");
        }
    }

    #[test]
    fn bursts_keep_the_share_and_have_the_mean_length_set() {
        let frames = 400_000;
        let lost =
            losses(Impairment { loss: Ratio::new(0.02).expect("a share"), loss_run: 4.0, ..Impairment::default() }, frames);
        let count = lost.iter().filter(|l| **l).count() as f64;
        let runs = lost.windows(2).filter(|w| !w[0] && w[1]).count() as f64;
        // Run length is geometric with mean 4 and standard deviation sqrt(12); about 2,000 runs: standard error 0.08; 5 of those.
        assert!((count / runs - 4.0).abs() < 0.4, "{}", count / runs);
        // Share = runs * length / frames: relative error sqrt(1 + 12/16) / sqrt(2000) = 3 %; 5 of those.
        assert!((count / frames as f64 / 0.02 - 1.0).abs() < 0.15, "{count}");
    }

    #[test]
    fn one_seed_loses_the_same_frames_and_another_does_not() {
        let set = Impairment::losing(Ratio::new(0.1).expect("a share"));
        let run = |seed| {
            let mut line = Impairer::new(set, None, seed);
            (0..1000).map(|n| line.decide(n, 100)).collect::<Vec<_>>()
        };
        assert_eq!(run(1), run(1));
        assert_ne!(run(1), run(2));
    }

    #[test]
    fn a_hole_for_long_packets_swallows_only_those() {
        let mut line = impairer(Impairment { longest: Some(1400), ..Impairment::default() });
        assert_eq!(line.decide(0, 1414), Fate::Send(0));
        assert_eq!(line.decide(0, 1415), Fate::Lose);
        let mut hole = impairer(Impairment { blackhole: true, ..Impairment::default() });
        assert_eq!(hole.decide(0, 60), Fate::Lose);
    }

    #[test]
    fn shares_set_aside_and_sent_twice_are_those_set_and_exclude_each_other() {
        let share = Ratio::new(0.1).expect("a share");
        let aside = Duration::from_millis(3);
        let mut line = impairer(Impairment { reordered: share, aside, duplicated: share, ..Impairment::default() });
        let fates: Vec<Fate> = (0..10_000).map(|n| line.decide(n, 100)).collect();
        let held = fates.iter().zip(0..).filter(|(f, n)| **f == Fate::SendAside(n + 3 * MS)).count() as f64;
        let twice = fates.iter().zip(0..).filter(|(f, n)| **f == Fate::SendTwice(*n)).count() as f64;
        // Binomial with p = 0.1, and of the rest 0.9 * 0.1: five standard deviations of 30 and 28.6.
        assert!((held - 1000.0).abs() < 150.0 && (twice - 900.0).abs() < 143.0, "{held} {twice}");
    }

    fn bucket(mbit: u64, burst: u32, queue: u32) -> Bucket {
        Bucket::new(TokenBucket { octets_per_second: mbit * 125_000, burst, queue })
    }

    #[test]
    fn a_full_bucket_passes_its_burst_at_once_and_then_the_rate() {
        // 100 Mbit/s: 1250 octets take 0.1 ms. Worked by hand.
        let mut bucket = bucket(100, 2500, 10_000);
        let left: Vec<Option<u64>> = (0..5).map(|_| bucket.pass(1_000 * MS, 1250)).collect();
        let at = |tenths: u64| Some(1_000 * MS + tenths * MS / 10);
        assert_eq!(left, [at(0), at(0), at(1), at(2), at(3)]);
        // After 0.1 ms idle behind the last departure one frame's tokens are back.
        assert_eq!(bucket.pass(1_000 * MS + 4 * MS / 10, 1250), at(4));
        assert_eq!(bucket.pass(2_000 * MS, 1250), Some(2_000 * MS), "full again");
    }

    #[test]
    fn a_full_queue_refuses() {
        let mut bucket = bucket(100, 1514, 5 * 1514);
        let passed = (0..20).filter(|_| bucket.pass(MS, 1514).is_some()).count();
        // One goes at once, five wait.
        assert_eq!(passed, 6);
    }

    proptest! {
        /// RFC 2697's meaning of a bucket: over any span, no more than the burst and the rate's octets.
        #[test]
        fn no_span_passes_more_than_burst_and_rate(
            gaps in prop::collection::vec((0u64..300_000, 60usize..1515), 2..200), mbit in 1u64..2500
        ) {
            let mut bucket = bucket(mbit, 6000, 60_000);
            let mut now = 0;
            let mut left = Vec::new();
            for (gap, octets) in gaps {
                now += gap;
                if let Some(at) = bucket.pass(now, octets) {
                    prop_assert!(at >= now);
                    left.push((at, octets as u64));
                }
            }
            for start in 0..left.len() {
                let mut sum = 0;
                for &(at, octets) in &left[start..] {
                    sum += octets;
                    let allowed = 6000.0 + (at - left[start].0) as f64 * (mbit as f64 * 125_000.0) / 1e9;
                    prop_assert!(sum as f64 <= allowed + 1.0, "{sum} in {allowed}");
                }
            }
        }
    }
}
