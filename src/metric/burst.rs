//! How losses cluster: loss distance and loss period (RFC 3357), bursts and gaps (RFC 3611 section 4.7.2).
//!
//! Packets come in sending order. Two lines with the same loss ratio can be a usable one with scattered losses and
//! an unusable one with gaps of a second: this tells them apart.

use serde::{Deserialize, Serialize};

/// Loss distances and periods of a stream, RFC 3357.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct LossPattern {
    /// Distance of each lost packet to the one lost before it, in sequence numbers; 0 for the first (section 5.2).
    pub distances: Vec<u64>,
    /// Length of each loss period: consecutive packets lost (section 5.3).
    pub periods: Vec<u64>,
    /// Index of the first packet of each loss period, from 0.
    pub period_starts: Vec<u64>,
    /// Distance from the end of the period before to the start of each; 0 for the first (section 6.4).
    pub between_periods: Vec<u64>,
}

impl LossPattern {
    /// From the fate of each packet in sending order: true is lost.
    pub fn of(lost: impl IntoIterator<Item = bool>) -> Self {
        let mut this = Self::default();
        let mut last_lost: Option<u64> = None;
        for (index, lost) in (0u64..).zip(lost) {
            if !lost {
                continue;
            }
            let distance = last_lost.map_or(0, |last| index - last);
            this.distances.push(distance);
            if let (1, Some(length)) = (distance, this.periods.last_mut()) {
                *length += 1;
            } else {
                this.periods.push(1);
                this.period_starts.push(index);
                this.between_periods.push(distance);
            }
            last_lost = Some(index);
        }
        this
    }

    /// Share of losses that follow another within `delta` packets (section 6.1, noticeable rate); `None` without loss.
    pub fn noticeable_rate(&self, delta: u64) -> Option<f64> {
        let noticeable = self.distances.iter().skip(1).filter(|&&distance| distance <= delta).count();
        (!self.distances.is_empty()).then(|| noticeable as f64 / self.distances.len() as f64)
    }
}

/// What became of a packet at the receiver of a stream with a playout buffer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Fate {
    /// Received in time.
    Received,
    /// Never came.
    Lost,
    /// Came too late or too early for the buffer.
    Discarded,
}

/// Packets of one kind of stretch.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Stretches {
    /// How many stretches.
    pub count: u64,
    /// Packets in them.
    pub packets: u64,
    /// Lost and discarded packets in them.
    pub bad: u64,
}

impl Stretches {
    /// Share of bad packets; zero when there are no packets (RFC 3611 section 4.7.2 reports zero then).
    pub fn density(&self) -> f64 {
        if self.packets == 0 { 0.0 } else { self.bad as f64 / self.packets as f64 }
    }
}

/// Bursts and gaps of a stream, RFC 3611 section 4.7.2.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct BurstGap {
    /// Longest stretches that start and end with a bad packet and hold fewer than Gmin good ones in a row.
    pub bursts: Stretches,
    /// All the rest.
    pub gaps: Stretches,
    /// Lost packets.
    pub lost: u64,
    /// Discarded packets.
    pub discarded: u64,
}

/// The recommended Gmin: a loss rate of at most 1/17 inside a gap (RFC 3611 section 4.7.2).
pub const RECOMMENDED_GMIN: u64 = 16;

impl BurstGap {
    /// Sorts the packets of a stream, in sending order, into bursts and gaps.
    ///
    /// A single bad packet with at least `gmin` good ones on either side belongs to the gap: section 4.7.2 defines the
    /// burst by its first and last bad packet, and appendix A.2 counts an isolated loss to the gap.
    pub fn of(fates: &[Fate], gmin: u64) -> Self {
        let mut this = Self::default();
        let mut previous_end = 0usize;
        let mut burst: Option<(usize, usize, u64)> = None;
        let mut close = |this: &mut Self, found: Option<(usize, usize, u64)>| {
            if let Some((first, last, bad)) = found
                && bad > 1
            {
                this.bursts.count += 1;
                this.bursts.packets += (last - first + 1) as u64;
                this.bursts.bad += bad;
                if first > previous_end {
                    this.gaps.count += 1;
                }
                previous_end = last + 1;
            }
        };
        for (index, fate) in fates.iter().enumerate() {
            match fate {
                Fate::Received => continue,
                Fate::Lost => this.lost += 1,
                Fate::Discarded => this.discarded += 1,
            }
            burst = match burst {
                Some((first, last, bad)) if ((index - last - 1) as u64) < gmin => Some((first, index, bad + 1)),
                ended => {
                    close(&mut this, ended);
                    Some((index, index, 1))
                }
            };
        }
        close(&mut this, burst);
        if fates.len() > previous_end {
            this.gaps.count += 1;
        }
        this.gaps.packets = fates.len() as u64 - this.bursts.packets;
        this.gaps.bad = this.lost + this.discarded - this.bursts.bad;
        this
    }
}

#[cfg(test)]
mod tests;
