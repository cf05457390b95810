//! Statistics on ranks: what repeats of one measurement show without assuming a distribution. Pure.
//!
//! [`change_point`] says when a figure changed, [`trend`] how it drifts, [`signed_rank`] whether it differs between paired hours,
//! [`correlation`] whether it moves with another. The hard thing is that a line's figures resemble their neighbours in time:
//! each of them counts fewer independent samples than there are, by [`neighbour_correlation`].

pub mod change_point;
pub mod correlation;
pub mod signed_rank;
pub mod trend;

/// Largest correlation of neighbours that is corrected for: beyond it a series can't be told from a drift.
const MOST_CORRELATED: f64 = 0.95;

/// Ranks from 1, equal values sharing the mean of theirs.
pub fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut from = 0;
    while from < order.len() {
        let alike = order[from..].iter().take_while(|i| values[**i] == values[order[from]]).count();
        for place in &order[from..from + alike] {
            ranks[*place] = from as f64 + (alike as f64 + 1.0) / 2.0;
        }
        from += alike;
    }
    ranks
}

/// Share of the largest differences that the correlation of neighbours leaves out: those that changes of level make.
const LEFT_OUT: f64 = 0.1;

/// Correlation of a series with itself one step later, from 0 to 0.95, unharmed by changes of its level.
///
/// In an autoregressive series of order 1 differences over two steps have `1 + phi` times the variance of those over one, whatever
/// the level (the idea of S. Chakar, E. Lebarbier, C. Lévy-Leduc and S. Robin, Bernoulli 23 (2017) 1408, who take medians; from memory).
/// A change of level makes one large difference over one step and two over two, which would pass for correlation: the largest tenth
/// is left out of both *(ours: of 48 values a median is too unsure)*. Taken on ranks, so that no single outlier decides.
pub fn neighbour_correlation(ranks: &[f64]) -> f64 {
    let mean_square = |step: usize| {
        let mut squares: Vec<f64> = ranks.windows(step + 1).map(|w| (w[step] - w[0]).powi(2)).collect();
        let kept = ((squares.len() as f64 * (1.0 - LEFT_OUT)).ceil() as usize).max(1);
        if kept < squares.len() {
            squares.select_nth_unstable_by(kept, f64::total_cmp);
            squares.truncate(kept);
        }
        squares.iter().sum::<f64>() / kept as f64
    };
    if ranks.len() < 4 {
        return 0.0;
    }
    let one = mean_square(1);
    if one == 0.0 { 0.0 } else { (mean_square(2) / one - 1.0).clamp(0.0, MOST_CORRELATED) }
}

/// By how much a mean of such a series varies more than one of independent samples: `(1 + phi) / (1 - phi)`.
pub fn inflation(phi: f64) -> f64 {
    (1.0 + phi) / (1.0 - phi)
}

/// The median of values in any order: the mean of the two middle ones for an even number. `None` when empty.
pub fn median(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    let upper = *upper;
    if n % 2 == 1 {
        return Some(upper);
    }
    Some((below.iter().copied().fold(f64::NEG_INFINITY, f64::max) + upper) / 2.0)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A generator of the tests' series: normal by the sum of twelve uniforms.
    pub(crate) struct Noise(pub(crate) u64);

    impl Noise {
        pub(crate) fn uniform(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / (1u64 << 53) as f64
        }

        pub(crate) fn normal(&mut self) -> f64 {
            (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
        }

        /// An autoregressive series of unit variance.
        pub(crate) fn dependent(&mut self, n: usize, phi: f64) -> Vec<f64> {
            let mut x = self.normal();
            let scale = (1.0 - phi * phi).sqrt();
            let step = |_| {
                x = phi * x + scale * self.normal();
                x
            };
            (0..n).map(step).collect()
        }
    }

    #[test]
    fn equal_values_share_their_ranks() {
        assert_eq!(ranks(&[10.0, 30.0, 20.0, 20.0]), [1.0, 4.0, 2.5, 2.5]);
        assert_eq!(ranks(&[]), [0.0; 0]);
        assert_eq!(median(&mut [3.0, 1.0, 2.0, 10.0]), Some(2.5));
        assert_eq!(median(&mut []), None);
    }

    #[test]
    fn neighbours_are_measured_whether_or_not_the_level_changes() {
        for phi in [0.0, 0.3, 0.6, 0.9] {
            let mut series = Noise(11).dependent(4000, phi);
            let plain = neighbour_correlation(&ranks(&series));
            for value in &mut series[2000..] {
                *value += 5.0;
            }
            let stepped = neighbour_correlation(&ranks(&series));
            // Ranks of a normal series are correlated by 6 / pi asin(phi / 2), which makes 0.6 look like 0.57; the estimate itself
            // deviates by some 1.4 / sqrt(4000) = 0.02, three of which are allowed.
            let of_ranks = |phi: f64| 6.0 / std::f64::consts::PI * (phi / 2.0).asin();
            let expected = (1.0 - of_ranks(phi * phi)) / (1.0 - of_ranks(phi)) - 1.0;
            assert!((plain - expected).abs() < 0.06 && (stepped - plain).abs() < 0.03, "{phi}: {plain}, {stepped} with a step");
        }
        assert_eq!(neighbour_correlation(&[1.0; 50]), 0.0);
    }
}
