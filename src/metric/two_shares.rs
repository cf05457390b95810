//! Whether one share is smaller than another, exactly: Fisher's test of a table of two rows.
//!
//! It knows no packets.

use statrs::function::gamma::ln_gamma;

/// The chance of so few hits in the first of two samples, or fewer, when both have the same true share: the one-sided exact test
/// of R. A. Fisher (The Design of Experiments, 1935) on the hypergeometric distribution.
///
/// `hits` and `trials` of the first and the second sample; more hits than trials count as all. 1 when there is nothing to tell.
pub fn chance_of_so_few(first: (u64, u64), second: (u64, u64)) -> f64 {
    let ((a, n), (b, m)) = ((first.0.min(first.1), first.1), (second.0.min(second.1), second.1));
    let hits = a + b;
    // X of the `hits` fall into the first sample.
    let least = hits.saturating_sub(m);
    let whole = ln_choose(n + m, hits);
    let sum: f64 = (least..=a).map(|x| (ln_choose(n, x) + ln_choose(m, hits - x) - whole).exp()).sum();
    sum.min(1.0)
}

fn ln_choose(n: u64, k: u64) -> f64 {
    ln_gamma(n as f64 + 1.0) - ln_gamma(k as f64 + 1.0) - ln_gamma((n - k) as f64 + 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fisher's lady tasting tea, with eight cups of which four had the milk first: all right by chance in 1 of 70 cases, three of
    /// four right or better in 17 of 70 (textbook).
    #[test]
    fn the_lady_tasting_tea() {
        assert!((chance_of_so_few((0, 4), (4, 4)) - 1.0 / 70.0).abs() < 1e-12);
        assert!((chance_of_so_few((1, 4), (3, 4)) - 17.0 / 70.0).abs() < 1e-12);
        assert!((chance_of_so_few((4, 4), (0, 4)) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn nothing_to_tell_is_certain() {
        for (first, second) in [((0, 0), (0, 0)), ((0, 5), (0, 5)), ((5, 5), (5, 5)), ((0, 0), (3, 7))] {
            assert!((chance_of_so_few(first, second) - 1.0).abs() < 1e-12, "{first:?} {second:?}");
        }
        assert!(chance_of_so_few((9, 5), (0, 5)) > 0.99, "more hits than trials");
        assert!(chance_of_so_few((10, 10_000), (9_000, 10_000)) < 1e-100);
    }
}
