//! Two clocks that are not set alike: where one was stepped, and how fast they drift apart.
//!
//! One-way delay variation compares stamps of two clocks. A constant offset cancels; a step or a drift does not, and
//! looks like queueing. Each exchange of four stamps bounds the offset: no packet arrives before it was sent, so
//! `T3 - T4 <= offset <= T2 - T1` (offset: the far clock less the near one). Bounds that exclude each other prove a
//! step. The hard thing is drift: a queue that fills looks the same in one direction, so it is taken from the exchanges
//! with the least round trip only, and only when it stands clear of what they leave open.

/// One exchange: sent and received by the near clock, received and sent by the far clock, nanoseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Exchange {
    /// T1, near clock.
    pub sent: i64,
    /// T2, far clock.
    pub far_received: i64,
    /// T3, far clock.
    pub far_sent: i64,
    /// T4, near clock.
    pub received: i64,
}

impl Exchange {
    /// Smallest offset possible.
    fn low(&self) -> i64 {
        self.far_sent.saturating_sub(self.received)
    }

    /// Largest offset possible.
    fn high(&self) -> i64 {
        self.far_received.saturating_sub(self.sent)
    }

    fn round_trip(&self) -> i64 {
        self.high().saturating_sub(self.low())
    }

    fn middle(&self) -> f64 {
        (self.low() as f64 + self.high() as f64) / 2.0
    }
}

/// Clocks of working machines drift apart by less than this: 500 ppm is the most that a kernel slews (adjtimex(2)).
const MOST_DRIFT: f64 = 500e-6;

/// Splits exchanges, in order of time, where the far clock must have been stepped against the near one. Returns the
/// first index of each stretch; one entry when there was no step.
pub fn steps(exchanges: &[Exchange]) -> Vec<usize> {
    let mut starts = Vec::new();
    let mut bounds: Option<(f64, f64, i64)> = None;
    for (index, exchange) in exchanges.iter().enumerate() {
        let (low, high) = (exchange.low() as f64, exchange.high() as f64);
        bounds = Some(match bounds {
            Some((from, to, at)) => {
                let slack = exchange.sent.saturating_sub(at).unsigned_abs() as f64 * MOST_DRIFT;
                let (from, to) = (low.max(from - slack), high.min(to + slack));
                if from <= to {
                    (from, to, exchange.sent)
                } else {
                    starts.push(index);
                    (low, high, exchange.sent)
                }
            }
            None => {
                starts.push(index);
                (low, high, exchange.sent)
            }
        });
    }
    starts
}

/// How fast the far clock gains on the near one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// Seconds per second; positive when the far clock is fast.
    pub rate: f64,
    /// What the exchanges leave open, as a rate.
    pub uncertainty: f64,
}

impl Drift {
    /// True when the drift stands clear of its uncertainty and is one that clocks have.
    pub fn is_certain(&self) -> bool {
        self.rate.abs() > self.uncertainty && self.rate.abs() <= MOST_DRIFT
    }
}

/// Windows that a stream is cut into; the least round trip of each is used.
const WINDOWS: usize = 20;

/// The drift over exchanges without a step, in order of time. `None` for fewer than 40 exchanges or less than a second.
///
/// The middle of an exchange's bounds misses the offset by at most half of what its round trip exceeds the least one,
/// however lopsided the path is. The slope is the median over all pairs of windows (Theil-Sen).
pub fn drift(exchanges: &[Exchange]) -> Option<Drift> {
    let span = exchanges.last()?.sent.saturating_sub(exchanges.first()?.sent);
    if exchanges.len() < 2 * WINDOWS || span < 1_000_000_000 {
        return None;
    }
    let origin = exchanges.first()?.sent;
    let per_window = exchanges.len().div_ceil(WINDOWS);
    let best: Vec<&Exchange> = exchanges.chunks(per_window).filter_map(|w| w.iter().min_by_key(|e| e.round_trip())).collect();
    let least = best.iter().map(|e| e.round_trip()).min()?;
    let base = best.first()?.middle();
    let points: Vec<(f64, f64)> = best.iter().map(|e| ((e.sent - origin) as f64, e.middle() - base)).collect();
    let mut slopes: Vec<f64> = Vec::new();
    for (i, a) in points.iter().enumerate() {
        slopes.extend(points[i + 1..].iter().filter(|b| b.0 > a.0).map(|b| (b.1 - a.1) / (b.0 - a.0)));
    }
    slopes.sort_by(f64::total_cmp);
    let rate = *slopes.get(slopes.len() / 2)?;
    // Two ends that miss by half the excess each, over the span; doubled, since a steadily filling queue puts the slope
    // exactly at what the typical excess leaves open.
    let mut excess: Vec<i64> = best.iter().map(|e| e.round_trip() - least).collect();
    excess.sort_unstable();
    let typical = excess[excess.len() / 2] as f64;
    Some(Drift { rate, uncertainty: 2.0 * typical / span as f64 })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One exchange each 20 ms; the far clock is `offset(i)` ahead; each direction waits in a queue beside 5 ms of path.
    fn stream(n: i64, offset: impl Fn(i64) -> i64, queue: impl Fn(i64) -> (i64, i64)) -> Vec<Exchange> {
        (0..n)
            .map(|i| {
                let sent = 1_700_000_000_000_000_000 + i * 20_000_000;
                let (there, back) = queue(i);
                let arrives = sent + 5_000_000 + there;
                let leaves = arrives + 20_000;
                let received = leaves + 5_000_000 + back;
                Exchange { sent, far_received: arrives + offset(i), far_sent: leaves + offset(i), received }
            })
            .collect()
    }

    #[test]
    fn queues_alone_prove_no_step() {
        let exchanges = stream(500, |_| 3_600_000_000_000, |i| (i % 50 * 1_000_000, i % 7 * 2_000_000));
        assert_eq!(steps(&exchanges), [0]);
        assert_eq!(steps(&[]), [0usize; 0]);
    }

    #[test]
    fn a_step_larger_than_the_round_trip_is_found_where_it_is() {
        for step in [-30_000_000, 30_000_000] {
            let exchanges = stream(300, |i| if i < 120 { 0 } else { step }, |i| (i % 5 * 100_000, 0));
            assert_eq!(steps(&exchanges), [0, 120], "step of {step} ns");
        }
    }

    #[test]
    fn drift_is_found_beside_queues_in_either_direction() {
        // 40 ppm over 10 s is 0.4 ms; queues of up to 30 ms that empty now and then.
        for ppm in [-40, 40] {
            let exchanges = stream(
                500,
                |i| i * 20 * ppm,
                |i| if i % 9 == 4 { (0, 0) } else { (i * i % 31 * 1_000_000, i * 7 % 13 * 1_000_000) },
            );
            let drift = drift(&exchanges).expect("long enough");
            assert!((drift.rate * 1e6 - ppm as f64).abs() < 1.0 && drift.is_certain(), "{ppm} ppm: {drift:?}");
        }
    }

    #[test]
    fn a_queue_that_only_fills_is_not_taken_for_drift() {
        // The queue grows by 2 or 100 ms over 10 s and is never empty: the offset seems to move by half of it.
        for growth in [4_000, 200_000] {
            let exchanges = stream(500, |_| 0, |i| (i * growth, 0));
            let drift = drift(&exchanges).expect("long enough");
            assert!(!drift.is_certain(), "{drift:?}");
        }
    }

    #[test]
    fn short_streams_have_no_drift() {
        assert_eq!(drift(&stream(39, |_| 0, |_| (0, 0))), None);
        assert_eq!(drift(&[]), None);
    }
}
