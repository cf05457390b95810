//! A listener's playout buffer over measured transit times: what is played, what comes too late, and how long packets wait.
//!
//! A buffer plays packet `i` at its place in the stream plus a delay, and throws away what comes later. A fixed one takes the delay from the
//! first packet: its transit and the nominal delay. An adaptive one starts so and sets the delay anew for each talk spurt, from what had
//! arrived by then: mean transit and four mean deviations of it (R. Ramjee, J. Kurose, D. Towsley, H. Schulzrinne, INFOCOM 1994,
//! algorithm 1, from memory) with the gain of 1/16 that RFC 3550 section 6.4.1 has for its jitter, and never less than one packet's time or more than
//! the maximum above the least transit so far *(both ours)*. Speech is taken to have a pause each second (ITU-T P.59 has talk spurts of
//! 1.0 s on average, from memory). Clocks of the two ends need not agree: transit times may have any common offset.

use crate::metric::burst::Fate;
use crate::unit::{Buffer, BufferKind, PACKET_TIME};

/// Packets of a talk spurt: a second.
pub const SPURT: usize = 50;
/// Gain of the running mean and deviation, RFC 3550 section 6.4.1.
const GAIN: f64 = 1.0 / 16.0;
/// Deviations above the mean.
const DEVIATIONS: f64 = 4.0;

/// What became of a stream behind the buffer.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Played {
    /// Fate of each packet, in sending order. Discarded are those that came too late, and those too early for the buffer's room.
    pub fates: Vec<Fate>,
    /// Transit at which each packet was played, or would have been: the same offset as the transits, nanoseconds.
    pub played_at: Vec<i64>,
    /// Times that the buffer ran empty: nothing to play, and nothing held for later.
    pub underruns: u64,
    /// Packets that were thrown away since the buffer was full.
    pub overruns: u64,
}

impl Played {
    /// Packets lost or discarded, in sending order.
    pub fn missed(&self) -> impl Iterator<Item = bool> {
        self.fates.iter().map(|fate| *fate != Fate::Received)
    }

    /// Mean of what the buffer adds to a transit of this size, milliseconds; zero without packets.
    pub fn mean_wait_ms(&self, least_transit: i64) -> f64 {
        let sum: i64 = self.played_at.iter().map(|at| at - least_transit).sum();
        sum as f64 / self.played_at.len().max(1) as f64 / 1e6
    }
}

/// Plays a stream of packets sent [`PACKET_TIME`] apart. Transits in sending order, nanoseconds; `None` never came.
pub fn play(buffer: &Buffer, transits: &[Option<i64>]) -> Played {
    let spacing = nanoseconds(PACKET_TIME);
    // By arrival: what a listener knows, and when.
    let mut arrivals: Vec<(i64, i64)> =
        transits.iter().zip(0..).filter_map(|(transit, at)| Some((at * spacing + (*transit)?, (*transit)?))).collect();
    arrivals.sort_unstable();
    let Some(&(_, first)) = arrivals.first() else {
        let nothing = Played { fates: vec![Fate::Lost; transits.len()], ..Played::default() };
        return Played { underruns: u64::from(!transits.is_empty()), ..nothing };
    };
    let mut delays = Delays::new(buffer, first);
    let mut known = arrivals.iter().peekable();
    let mut played = Played::default();
    for (index, transit) in transits.iter().enumerate() {
        if index % SPURT == 0 && index > 0 {
            // The spurt's first packet is played then, if the delay stays.
            let now = index as i64 * spacing + delays.plays_at;
            while let Some((_, transit)) = known.next_if(|(at, _)| *at <= now) {
                delays.learn(*transit);
            }
            delays.set();
        }
        let plays_at = delays.plays_at;
        played.played_at.push(plays_at);
        played.fates.push(match transit {
            None => Fate::Lost,
            Some(transit) if *transit > plays_at => Fate::Discarded,
            Some(transit) if plays_at - transit > nanoseconds(buffer.most) => {
                played.overruns += 1;
                Fate::Discarded
            }
            Some(_) => Fate::Received,
        });
    }
    played.underruns = underruns(transits, &played, spacing);
    played
}

/// How a buffer's delay follows the line.
struct Delays {
    buffer: Buffer,
    /// Transit at which packets are played now.
    plays_at: i64,
    least: i64,
    mean: f64,
    deviation: f64,
}

impl Delays {
    fn new(buffer: &Buffer, first: i64) -> Self {
        let plays_at = first + nanoseconds(buffer.nominal);
        Self { buffer: *buffer, plays_at, least: first, mean: first as f64, deviation: 0.0 }
    }

    fn learn(&mut self, transit: i64) {
        let difference = transit as f64 - self.mean;
        self.mean += difference * GAIN;
        self.deviation += (difference.abs() - self.deviation) * GAIN;
        self.least = self.least.min(transit);
    }

    fn set(&mut self) {
        if self.buffer.kind == BufferKind::Fixed {
            return;
        }
        let wanted = (self.mean + DEVIATIONS * self.deviation) as i64;
        let most = self.least + nanoseconds(self.buffer.most);
        self.plays_at = wanted.clamp((self.least + nanoseconds(PACKET_TIME)).min(most), most);
    }
}

/// Runs of packets at whose time nothing was there, neither they nor any later one.
fn underruns(transits: &[Option<i64>], played: &Played, spacing: i64) -> u64 {
    let mut earliest_behind = vec![i64::MAX; transits.len()];
    let mut earliest = i64::MAX;
    for (index, transit) in transits.iter().enumerate().rev() {
        earliest_behind[index] = earliest;
        if let Some(transit) = transit.filter(|_| played.fates[index] == Fate::Received) {
            earliest = earliest.min(index as i64 * spacing + transit);
        }
    }
    let is_empty = |index: usize| {
        let now = index as i64 * spacing + played.played_at[index];
        played.fates[index] != Fate::Received && earliest_behind[index] > now
    };
    (0..transits.len()).filter(|index| is_empty(*index) && (*index == 0 || !is_empty(index - 1))).count() as u64
}

fn nanoseconds(time: std::time::Duration) -> i64 {
    i64::try_from(time.as_nanos()).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    const MS: i64 = 1_000_000;

    fn buffer(kind: BufferKind, nominal: u64, most: u64) -> Buffer {
        Buffer { kind, nominal: Duration::from_millis(nominal), most: Duration::from_millis(most) }
    }

    fn ms(transits: &[i64]) -> Vec<Option<i64>> {
        transits.iter().map(|ms| (*ms >= 0).then_some(*ms * MS)).collect()
    }

    fn letters(played: &Played) -> String {
        let letter = |fate: &Fate| match fate {
            Fate::Received => '1',
            Fate::Lost => '0',
            Fate::Discarded => 'X',
        };
        played.fates.iter().map(letter).collect()
    }

    #[test]
    fn a_fixed_buffer_plays_what_comes_within_its_delay_behind_the_first() {
        let played = play(&buffer(BufferKind::Fixed, 40, 100), &ms(&[10, 50, 51, -1, 10, 49]));
        assert_eq!(letters(&played), "11X011");
        assert_eq!(played.played_at, [50 * MS; 6]);
        assert_eq!((played.mean_wait_ms(10 * MS), played.overruns), (40.0, 0));
        // A common offset, as of two clocks, changes nothing but the times.
        let moved: Vec<_> = ms(&[10, 50, 51, -1, 10, 49]).iter().map(|transit| transit.map(|t| t - 1_000_000_007)).collect();
        assert_eq!(letters(&play(&buffer(BufferKind::Fixed, 40, 100), &moved)), "11X011");
    }

    #[test]
    fn a_first_packet_that_was_slow_makes_the_buffer_too_full_for_those_that_are_not() {
        let played = play(&buffer(BufferKind::Fixed, 40, 60), &ms(&[35, 20, 10, 30]));
        assert_eq!((letters(&played).as_str(), played.overruns), ("11X1", 1));
    }

    #[test]
    fn a_buffer_runs_empty_only_where_nothing_is_held_for_later() {
        let fixed = buffer(BufferKind::Fixed, 40, 200);
        // One lost among others: the next is there already, 20 ms before it is played.
        assert_eq!(play(&fixed, &ms(&[10, 10, -1, 10, 10])).underruns, 0);
        // A stall of 100 ms: three packets come too late, all at once, and the buffer is empty until then.
        let stalled = play(&fixed, &ms(&[10, 10, 110, 90, 70, 50, 30, 10]));
        assert_eq!((letters(&stalled).as_str(), stalled.underruns), ("11XXX111", 1));
        assert_eq!(play(&fixed, &ms(&[-1, -1])).underruns, 1);
        assert_eq!(play(&fixed, &[]), Played::default());
    }

    #[test]
    fn an_adaptive_buffer_follows_and_stays_in_its_bounds() {
        let adaptive = buffer(BufferKind::Adaptive, 40, 120);
        // A steady line: from the second spurt on one packet's time is enough.
        let steady = play(&adaptive, &ms(&[10; 150]));
        assert_eq!((steady.played_at[49], steady.played_at[50], steady.played_at[149]), (50 * MS, 30 * MS, 30 * MS));
        // 0 and 60 ms by turns: mean 30 and deviation 30 in the end, so 150 ms are wanted and 120 given.
        let wild: Vec<i64> = (0..400).map(|at| 10 + 60 * (at % 2)).collect();
        let wild = play(&adaptive, &ms(&wild));
        assert_eq!(wild.played_at[399], 130 * MS);
        assert_eq!(wild.fates[50..].iter().filter(|fate| **fate != Fate::Received).count(), 0);
        assert_eq!(wild.fates[..50].iter().filter(|fate| **fate == Fate::Discarded).count(), 25, "70 ms come after 50");
    }

    #[test]
    fn an_adaptive_buffer_knows_only_what_has_come() {
        let adaptive = buffer(BufferKind::Adaptive, 40, 120);
        // The delay rises to 110 ms with packet 45. The second spurt is to be played at 1050 ms: packets 45 to 47 have come by then, at
        // 1010, 1030 and 1050 ms, and three of them move the mean by 17.6 ms and the deviation by a little more.
        let risen: Vec<i64> = (0..150).map(|at| if at < 45 { 10 } else { 110 }).collect();
        let played = play(&adaptive, &ms(&risen));
        let second = played.played_at[50];
        assert!(second > 30 * MS && second < 110 * MS, "three of them were seen: {second}");
        assert_eq!(played.played_at[100], 130 * MS, "at the maximum");
        assert_eq!(letters(&played)[100..], "1".repeat(50));
    }
}
