//! The regularised incomplete beta function and the binomial distribution, for counts up to 10^9 and beyond.
//!
//! The exact intervals of this room invert it by bisection. The hard thing is the size of the counts: differences of
//! logarithms of the gamma function lose six digits at 10^9, so the leading factor is taken by the saddle-point form of
//! the binomial probability, and the continued fraction may take as many steps as it needs (about the square root of
//! the larger count).

use std::f64::consts::PI;

use statrs::function::gamma::ln_gamma;

/// `I_x(a, b)` for `a, b > 0` and `0 <= x <= 1`. Counts shrunk by a design effect are not whole.
///
/// Continued fraction 8.17.22 of the NIST Digital Library of Mathematical Functions, evaluated by the modified Lentz method.
pub(super) fn regularised(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    // DLMF 8.17.4: the fraction converges quickly on one side of the mean, so use the mirror image on the other.
    if x > (a + 1.0) / (a + b + 2.0) { 1.0 - fraction(b, a, 1.0 - x) } else { fraction(a, b, x) }
}

/// Probability of at most `k` events in `n` trials of probability `p`.
pub(super) fn binomial_cdf(k: u64, n: u64, p: f64) -> f64 {
    if k >= n {
        return 1.0;
    }
    regularised((n - k) as f64, k as f64 + 1.0, 1.0 - p)
}

/// Steps after which the fraction is taken as it stands; counts of 10^9 need about 10^5.
const MAX_STEPS: u32 = 4_000_000;

fn fraction(a: f64, b: f64, x: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let nonzero = |v: f64| if v.abs() < TINY { TINY } else { v };
    let mut c = 1.0;
    let mut d = 1.0 / nonzero(1.0 - (a + b) * x / (a + 1.0));
    let mut h = d;
    for step in 1..MAX_STEPS {
        let m = f64::from(step);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / nonzero(1.0 + even * d);
        c = nonzero(1.0 + even / c);
        h *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / nonzero(1.0 + odd * d);
        c = nonzero(1.0 + odd / c);
        let change = d * c;
        h *= change;
        if (change - 1.0).abs() < 1e-15 {
            break;
        }
    }
    // x^a (1-x)^b / (a B(a,b)) = b/(a+b) times the binomial probability of a in a+b trials.
    (b / (a + b) * binomial_probability(a, a + b, x) * h).clamp(0.0, 1.0)
}

/// Probability of exactly `k` events in `n` trials, saddle-point form (C. Loader, "Fast and accurate computation of
/// binomial probabilities", 2000): no cancellation however large the counts.
fn binomial_probability(k: f64, n: f64, p: f64) -> f64 {
    let rest = n - k;
    let exponent =
        stirling_error(n) - stirling_error(k) - stirling_error(rest) - deviance(k, n * p) - deviance(rest, n * (1.0 - p));
    exponent.exp() * (n / (2.0 * PI * k * rest)).sqrt()
}

/// `ln(n!)` less Stirling's approximation. The series is DLMF 5.11.1; below 16 it is taken from the gamma function itself.
fn stirling_error(n: f64) -> f64 {
    if n < 16.0 {
        return ln_gamma(n + 1.0) - ((n + 0.5) * n.ln() - n + 0.5 * (2.0 * PI).ln());
    }
    let square = n * n;
    (1.0 / 12.0 - (1.0 / 360.0 - (1.0 / 1260.0 - (1.0 / 1680.0 - 1.0 / 1188.0 / square) / square) / square) / square) / n
}

/// `x ln(x/m) + m - x`, without cancellation when `x` is near `m`.
fn deviance(x: f64, m: f64) -> f64 {
    if (x - m).abs() < 0.1 * (x + m) {
        let v = (x - m) / (x + m);
        let mut sum = (x - m) * v;
        let mut term = 2.0 * x * v;
        let mut odd = 3.0;
        loop {
            term *= v * v;
            let next = sum + term / odd;
            if next == sum {
                return next;
            }
            sum = next;
            odd += 2.0;
        }
    }
    x * (x / m).ln() + m - x
}

#[cfg(test)]
mod tests {
    use statrs::function::beta::beta_reg;

    use super::*;

    #[test]
    fn agrees_with_a_reference_library_where_that_is_reliable() {
        for a in [1.0, 2.0, 5.0, 17.0, 100.0] {
            for b in [1.0, 3.0, 40.0, 200.0] {
                for x in [1e-6, 0.01, 0.2, 0.5, 0.9, 0.999] {
                    let (ours, theirs) = (regularised(a, b, x), beta_reg(a, b, x));
                    assert!((ours - theirs).abs() < 1e-11, "I_{x}({a}, {b}): {ours} against {theirs}");
                }
            }
        }
    }

    #[test]
    fn binomial_cdf_is_the_sum_of_its_probabilities() {
        for (n, p) in [(10u64, 0.3), (40, 0.01), (25, 0.5)] {
            let mut sum = 0.0;
            for k in 0..=n {
                let choose: f64 = (0..k).map(|i| (n - i) as f64 / (i + 1) as f64).product();
                sum += choose * f64::powi(p, k as i32) * f64::powi(1.0 - p, (n - k) as i32);
                assert!((binomial_cdf(k, n, p) - sum).abs() < 1e-12, "P(X <= {k}) of {n}, {p}");
            }
        }
    }

    #[test]
    fn the_median_of_a_symmetric_huge_distribution_is_one_half() {
        let half = regularised(5e8, 5e8, 0.5);
        assert!((half - 0.5).abs() < 1e-9, "{half}");
    }
}
