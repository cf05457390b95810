//! Packet reordering, RFC 4737: who is reordered, how far, how late, and how long the runs between are.
//!
//! Arrivals come in the order of arrival, first copies only (RFC 4737 section 3.3 counts no duplicates). Sequence
//! numbers must be unwrapped by the caller. Everything is O(n log n), so that a hostile order can't stall the agent.

/// One arrival.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arrival {
    /// Sending order, unwrapped.
    pub sequence: u64,
    /// Time of arrival, in one unit of the caller's choice.
    pub at: i64,
    /// Payload octets.
    pub octets: u64,
}

/// One reordered packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reordered {
    /// Index among the arrivals, from 0.
    pub index: usize,
    /// Its sequence number.
    pub sequence: u64,
    /// Arrivals since the first with a larger sequence number (section 4.2.1).
    pub extent: u64,
    /// Time since that arrival (section 4.2.2).
    pub late_time: i64,
    /// Octets to be held by a receiver that restores the order (section 4.2.3).
    pub byte_offset: u64,
    /// Packets just before it that all have larger numbers: it is n-reordered for every n up to this (section 5.3).
    /// Zero is not n-reordered. Three or more looks like loss to TCP.
    pub n_reordering: u64,
}

/// The reordering of one stream.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Reordering {
    /// Packets received.
    pub received: u64,
    /// The reordered ones, by arrival.
    pub reordered: Vec<Reordered>,
    /// Jumps of the sequence: index of the arrival and numbers skipped (section 3.4). Loss makes them too.
    pub discontinuities: Vec<(usize, u64)>,
    /// Runs of packets in order.
    pub free_runs: FreeRuns,
}

impl Reordering {
    /// Analyses arrivals. `first` is the sequence number expected first.
    pub fn of(arrivals: &[Arrival], first: u64) -> Self {
        let mut this = Self { received: arrivals.len() as u64, ..Self::default() };
        let mut next_expected = first;
        // Largest sequence number among the arrivals up to each index: rising, so that the first larger one is found by bisection.
        let mut running_max: Vec<u64> = Vec::with_capacity(arrivals.len());
        let mut octets_above = OctetsAbove::new(arrivals);
        // Indices whose sequence numbers rise: the top is the nearest earlier arrival with a smaller number.
        let mut smaller_before: Vec<usize> = Vec::new();
        for (index, arrival) in arrivals.iter().enumerate() {
            while smaller_before.last().is_some_and(|&j| arrivals[j].sequence > arrival.sequence) {
                smaller_before.pop();
            }
            if arrival.sequence >= next_expected {
                // Section 3.3: in order. Section 3.4: a discontinuity when it lies beyond what was expected.
                if arrival.sequence > next_expected {
                    this.discontinuities.push((index, arrival.sequence - next_expected));
                }
                next_expected = arrival.sequence + 1;
                this.free_runs.on_arrival(Order::InOrder);
            } else {
                this.free_runs.on_arrival(Order::Reordered);
                let earliest = running_max.partition_point(|&max| max <= arrival.sequence);
                // Only a number below `first` has no larger one before it when it comes first of all.
                if let Some(from) = arrivals[..index].get(earliest) {
                    this.reordered.push(Reordered {
                        index,
                        sequence: arrival.sequence,
                        extent: (index - earliest) as u64,
                        late_time: arrival.at.saturating_sub(from.at),
                        byte_offset: octets_above.sum(arrival.sequence),
                        n_reordering: (index - smaller_before.last().map_or(0, |&j| j + 1)) as u64,
                    });
                }
            }
            running_max.push(running_max.last().map_or(arrival.sequence, |&max| max.max(arrival.sequence)));
            octets_above.add(arrival);
            smaller_before.push(index);
        }
        this
    }

    /// Reordered share of the packets received (section 4.1); `None` when nothing was received.
    pub fn ratio(&self) -> Option<f64> {
        (self.received > 0).then(|| self.reordered.len() as f64 / self.received as f64)
    }

    /// Share of the packets received that is n-reordered (section 5.4, degree of n-reordering).
    pub fn degree(&self, n: u64) -> Option<f64> {
        let hit = self.reordered.iter().filter(|r| n > 0 && r.n_reordering >= n).count();
        (self.received > 0).then(|| hit as f64 / self.received as f64)
    }

    /// Packets between the starts of successive reordering: distance between the discontinuities at which reordered
    /// packets' holes began (section 4.5).
    pub fn gaps(&self) -> Vec<u64> {
        let mut starts: Vec<usize> = self.reordered.iter().map(|r| r.index - r.extent as usize).collect();
        starts.dedup();
        starts.windows(2).map(|pair| (pair[1] - pair[0]) as u64).collect()
    }
}

/// Whether an arrival was in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// Its number was not below the one expected.
    InOrder,
    /// It was below.
    Reordered,
}

/// The counters of RFC 4737 section 4.6: runs of packets in order, ended by a reordered one.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct FreeRuns {
    /// Packets (p).
    pub packets: u64,
    /// Runs that ended with a reordered packet (x).
    pub runs: u64,
    /// Packets in those runs (a), and in the run that is still open.
    pub in_order: u64,
    /// Sum of squares of the lengths of ended runs (q).
    pub squares: u64,
    /// Length of the run that is open (r).
    pub open: u64,
}

impl FreeRuns {
    /// Takes the next arrival.
    pub fn on_arrival(&mut self, order: Order) {
        self.packets += 1;
        match order {
            Order::InOrder => {
                self.open += 1;
                self.in_order += 1;
            }
            Order::Reordered => {
                self.squares += self.open * self.open;
                self.open = 0;
                self.runs += 1;
            }
        }
    }

    /// Mean length of a run, `a/x`; `None` without a reordered packet.
    pub fn mean(&self) -> Option<f64> {
        (self.runs > 0).then(|| self.in_order as f64 / self.runs as f64)
    }

    /// Mean length of the run that an in-order packet lies in, `q/a`.
    pub fn mean_per_packet(&self) -> Option<f64> {
        (self.in_order > 0).then(|| self.squares as f64 / self.in_order as f64)
    }
}

/// Octets of earlier arrivals with a larger sequence number (a Fenwick tree over the ranks of the numbers).
struct OctetsAbove {
    ranks: Vec<u64>,
    tree: Vec<u64>,
    total: u64,
}

impl OctetsAbove {
    fn new(arrivals: &[Arrival]) -> Self {
        let mut ranks: Vec<u64> = arrivals.iter().map(|a| a.sequence).collect();
        ranks.sort_unstable();
        ranks.dedup();
        let tree = vec![0; ranks.len() + 1];
        Self { ranks, tree, total: 0 }
    }

    fn add(&mut self, arrival: &Arrival) {
        self.total += arrival.octets;
        let mut i = self.ranks.partition_point(|&s| s < arrival.sequence) + 1;
        while let Some(node) = self.tree.get_mut(i) {
            *node += arrival.octets;
            i += i & i.wrapping_neg();
        }
    }

    fn sum(&self, sequence: u64) -> u64 {
        let mut at_or_below = 0;
        let mut i = self.ranks.partition_point(|&s| s <= sequence);
        while i > 0 {
            at_or_below += self.tree[i];
            i -= i & i.wrapping_neg();
        }
        self.total - at_or_below
    }
}

#[cfg(test)]
mod tests;
