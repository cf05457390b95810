//! How a figure drifts: the median of all slopes between two points, with its interval, and Kendall's test of it.

use statrs::distribution::{ContinuousCDF, Normal};

use super::{inflation, neighbour_correlation, ranks};
use crate::unit::Interval;

/// Fewest points that say anything of a trend *(ours)*.
pub const FEWEST: usize = 8;

/// A trend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Change of y per unit of x: the median slope (H. Theil 1950, P. K. Sen, JASA 63 (1968) 1379).
    pub slope: f64,
    /// Limits of it.
    pub interval: Interval,
    /// Kendall's tau-b, from -1 to 1.
    pub tau: f64,
    /// Two-sided probability of such a tau without a trend (M. G. Kendall; normal approximation with ties).
    pub p: f64,
}

/// Of points in the order of `x`, which rises; `None` for fewer than [`FEWEST`].
///
/// The variance of Kendall's sum is widened by how much neighbours resemble each other once the slope is taken off (the idea of K. H. Hamed and
/// A. R. Rao, Journal of Hydrology 204 (1998) 182, with a correlation of order 1): a slow wander is no trend, and a plain trend no wander. Of n points there are n (n - 1) / 2 slopes: hand in
/// medians of days or hours.
pub fn theil_sen(points: &[(f64, f64)], confidence: f64) -> Option<Trend> {
    let n = points.len();
    if n < FEWEST {
        return None;
    }
    let slope = of(points, confidence, 1.0)?.slope;
    let beside: Vec<f64> = points.iter().map(|(x, y)| y - slope * x).collect();
    let widened = inflation(neighbour_correlation(&ranks(&beside)));
    of(points, confidence, widened)
}

fn of(points: &[(f64, f64)], confidence: f64, widened: f64) -> Option<Trend> {
    let n = points.len();
    let mut slopes = Vec::with_capacity(n * (n - 1) / 2);
    let mut score = 0i64;
    for (i, first) in points.iter().enumerate() {
        for later in &points[i + 1..] {
            if later.0 > first.0 {
                slopes.push((later.1 - first.1) / (later.0 - first.0));
                score += i64::from(later.1 > first.1) - i64::from(later.1 < first.1);
            }
        }
    }
    let pairs = slopes.len();
    if pairs == 0 {
        return None;
    }
    let (x_ties, y_ties) = (ties(points.iter().map(|p| p.0)), ties(points.iter().map(|p| p.1)));
    let all = n as f64;
    let term = |t: f64| t * (t - 1.0) * (2.0 * t + 5.0);
    let spread: f64 = x_ties.iter().chain(&y_ties).map(|t| term(*t)).sum();
    let variance = ((term(all) - spread) / 18.0).max(0.0) * widened;
    let normal = Normal::standard();
    let reach = normal.inverse_cdf(0.5 + confidence / 2.0) * variance.sqrt();
    let mut at = |rank: f64| {
        let place = rank.clamp(0.0, pairs as f64 - 1.0) as usize;
        *slopes.select_nth_unstable_by(place, f64::total_cmp).1
    };
    let low = at(((pairs as f64 - reach) / 2.0).round() - 1.0);
    let high = at(((pairs as f64 + reach) / 2.0).round());
    let middle = pairs / 2;
    let slope = if pairs % 2 == 1 { at(middle as f64) } else { (at(middle as f64 - 1.0) + at(middle as f64)) / 2.0 };
    let untied = |ties: &[f64]| all * (all - 1.0) / 2.0 - ties.iter().map(|t| t * (t - 1.0) / 2.0).sum::<f64>();
    let scale = (untied(&x_ties) * untied(&y_ties)).sqrt();
    let tau = if scale > 0.0 { score as f64 / scale } else { 0.0 };
    // Continuity: the score moves in steps of two.
    let z = (score.unsigned_abs() as f64 - 1.0).max(0.0) / variance.sqrt();
    let p = if variance > 0.0 { 2.0 * normal.sf(z) } else { 1.0 };
    Some(Trend { slope, interval: Interval { low: Some(low), high: Some(high), confidence }, tau, p: p.min(1.0) })
}

/// Sizes of the groups of equal values.
fn ties(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.chunk_by(|a, b| a == b).map(|group| group.len() as f64).filter(|t| *t > 1.0).collect()
}

#[cfg(test)]
mod tests {
    use super::super::tests::Noise;
    use super::*;

    /// The five values are those of M. Hollander and D. A. Wolfe, Nonparametric Statistical Methods, section 9.1 (from memory). By hand: of the
    /// ten slopes two rise and eight fall, and the middle two are -0.0575 and -0.055.
    #[test]
    fn the_handbook_s_cloud_seeding() {
        let points = [(1.0, 1.26), (2.0, 1.27), (3.0, 1.12), (4.0, 1.16), (5.0, 1.03)];
        let trend = of(&points, 0.95, 1.0).expect("a trend");
        assert!((trend.slope + 0.05625).abs() < 1e-9, "{}", trend.slope);
        // K = -6 of 10 pairs.
        assert!((trend.tau + 0.6).abs() < 1e-12);
    }

    #[test]
    fn intervals_cover_the_slope_though_neighbours_resemble_each_other() {
        // 95 % of 400 are 380, deviation 4.4; the correlation is an estimate itself, so 350 are asked for.
        let covered = |phi: f64| {
            let holds = |seed: &u64| {
                let noise = Noise(seed * 31 + 7).dependent(90, phi);
                let points: Vec<(f64, f64)> = noise.iter().enumerate().map(|(i, e)| (i as f64, 0.02 * i as f64 + e)).collect();
                let Interval { low, high, .. } = theil_sen(&points, 0.95).expect("enough points").interval;
                low.is_some_and(|low| low <= 0.02) && high.is_some_and(|high| high >= 0.02)
            };
            (0..400u64).filter(holds).count()
        };
        for phi in [0.0, 0.5] {
            let covered = covered(phi);
            assert!(covered >= 350, "{phi}: {covered} of 400");
        }
    }

    #[test]
    fn too_few_points_and_points_at_one_moment_have_no_trend() {
        assert_eq!(theil_sen(&[(0.0, 1.0); 3], 0.95), None);
        assert_eq!(theil_sen(&[(0.0, 1.0); 20], 0.95), None);
        let still = theil_sen(&(0..20).map(|i| (f64::from(i), 4.0)).collect::<Vec<_>>(), 0.95).expect("a level");
        assert_eq!((still.slope, still.tau, still.p), (0.0, 0.0, 1.0));
    }
}
