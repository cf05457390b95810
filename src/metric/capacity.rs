//! Maximum IP-layer capacity from sub-intervals (RFC 9097 sections 5 and 6). Pure.

/// What a receiver got in one sub-interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SubIntervalCount {
    /// IP-layer bits, header and payload, of packets that were received.
    pub bits: f64,
    /// Seconds that it lasted.
    pub seconds: f64,
    /// Packets received.
    pub received: u64,
    /// Packets lost.
    pub lost: u64,
}

impl SubIntervalCount {
    /// IP-layer capacity of the sub-interval in bits per second: `C = n0 / dt` (section 5.3).
    pub fn rate(&self) -> f64 {
        if self.seconds > 0.0 { self.bits / self.seconds } else { 0.0 }
    }

    /// Share of its packets that were lost.
    pub fn loss_ratio(&self) -> f64 {
        let sent = self.received + self.lost;
        if sent == 0 { 0.0 } else { self.lost as f64 / sent as f64 }
    }
}

/// The sub-interval with the largest rate among those that lose no more than `most_loss` of them (section 6.3: each performance
/// criterion must be met in the one that is chosen). `None` when none does, or all are empty.
pub fn maximum(intervals: &[SubIntervalCount], most_loss: impl Fn(&SubIntervalCount) -> f64) -> Option<usize> {
    let eligible = intervals.iter().enumerate().filter(|(_, one)| one.bits > 0.0 && one.loss_ratio() <= most_loss(one));
    eligible.max_by(|(_, a), (_, b)| a.rate().total_cmp(&b.rate())).map(|(at, _)| at)
}

/// Rate over all sub-intervals in bits per second; `None` without any.
pub fn mean(intervals: &[SubIntervalCount]) -> Option<f64> {
    let seconds: f64 = intervals.iter().map(|one| one.seconds).sum();
    (seconds > 0.0).then(|| intervals.iter().map(|one| one.bits).sum::<f64>() / seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Packets of 1250 octets at the IP layer, per second.
    fn seconds(counts: &[(u64, u64)]) -> Vec<SubIntervalCount> {
        counts
            .iter()
            .map(|(received, lost)| SubIntervalCount {
                bits: *received as f64 * 10_000.0,
                seconds: 1.0,
                received: *received,
                lost: *lost,
            })
            .collect()
    }

    /// RFC 9097 sections 5 and 6, figures worked out by hand.
    #[test]
    fn the_largest_sub_interval_counts_if_it_meets_the_criterion() {
        let clean = seconds(&[(9000, 0), (10_000, 0), (10_000, 0), (9900, 0)]);
        assert_eq!(clean.iter().map(|one| one.rate() / 1e6).collect::<Vec<_>>(), [90.0, 100.0, 100.0, 99.0]);
        assert_eq!(maximum(&clean, |_| 0.0).map(|at| clean[at].rate()), Some(100e6));
        let lossy = seconds(&[(9000, 0), (10_000, 3), (10_000, 1), (9900, 0)]);
        assert_eq!(maximum(&lossy, |_| 0.0).map(|at| lossy[at].rate()), Some(99e6));
        assert_eq!(maximum(&lossy, |_| 0.01).map(|at| lossy[at].rate()), Some(100e6));
        assert_eq!(mean(&clean), Some(97.25e6));
        assert_eq!((maximum(&[], |_| 1.0), mean(&[])), (None, None));
        assert_eq!(maximum(&seconds(&[(0, 0), (1, 99)]), |_| 0.5), None);
    }
}
