//! Chance for tests of what holds on average: the same in every run.

/// xorshift64 (G. Marsaglia, Journal of Statistical Software 8, 2003), begun at a number that is not zero.
pub(crate) struct Chance(pub(crate) u64);

impl Chance {
    /// From 0 to below 1.
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Packets of a line that changes between a good and a bad state (E. N. Gilbert, 1960): loses `share` of them, in runs of `run` on average.
    pub(crate) fn fates(&mut self, share: f64, run: f64, count: u64) -> Vec<bool> {
        let leaves = 1.0 / run;
        let enters = if run > 1.0 { share * leaves / (1.0 - share) } else { share };
        let mut bad = self.uniform() < share;
        let one = |_| {
            bad = if bad && run > 1.0 { self.uniform() >= leaves } else { self.uniform() < enters };
            bad
        };
        (0..count).map(one).collect()
    }
}
