//! How sure a loss ratio is: exact and score intervals of a binomial share, and how many packets a claim needs.
//!
//! Knows nothing about packets: `lost` of `sent` are events in trials. The hard thing is that the reference way,
//! inverting the beta distribution, must end quickly and be right for one loss in 10^9 as well as for all of ten.

use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::erf::erfc_inv;

use super::incomplete_beta::regularised;
use super::sampling::Sampling;
use crate::unit::Interval;

/// The exact (Clopper-Pearson) two-sided interval of a loss ratio (NIST/SEMATECH e-Handbook of Statistical Methods,
/// 7.2.4.1, "exact intervals for small numbers of failures").
///
/// It never covers less than `confidence`. Both bounds are missing when nothing was sent; more lost than sent counts as
/// all lost. Safe for counts of 10^9.
pub fn clopper_pearson(lost: u64, sent: u64, confidence: f64) -> Interval {
    if sent == 0 {
        return Interval { low: None, high: None, confidence };
    }
    exact(lost.min(sent) as f64, sent as f64, confidence)
}

/// The same for counts that need not be whole.
fn exact(k: f64, n: f64, confidence: f64) -> Interval {
    let tail = (1.0 - confidence) / 2.0;
    // Closed forms: no loss gives 1 - tail^(1/n), all lost gives tail^(1/n).
    let low = match k {
        0.0 => 0.0,
        _ if k >= n => (tail.ln() / n).exp(),
        _ => invert(|p| regularised(k, n - k + 1.0, p), tail, 0.0, k / n),
    };
    let high = match k {
        0.0 => -(tail.ln() / n).exp_m1(),
        _ if k >= n => 1.0,
        _ => invert(|p| regularised(k + 1.0, n - k, p), 1.0 - tail, k / n, 1.0),
    };
    Interval { low: Some(low), high: Some(high), confidence }
}

/// The exact interval for losses that cluster: that of a sample smaller by the design effect
/// ([`super::dependence::design_effect`]), and smaller again since that effect is known from few clusters only.
///
/// E. L. Korn and B. I. Graubard (Survey Methodology 24, 1998; from memory) shrink a sample of clusters by the square of the quantiles' ratio of
/// Student's t, with the clusters less one as its degrees of freedom, and the normal distribution. A stream's clusters are not counted, so the rarer kind of
/// packets by the effect stands for them; and since an effect of 1 is no estimate, the share of the effect that is above 1 is the weight of that step (*ours*).
///
/// With an effect of 1 or less it is [`clopper_pearson`].
pub fn clustered(lost: u64, sent: u64, design_effect: f64, confidence: f64) -> Interval {
    if sent == 0 || design_effect.is_nan() || design_effect <= 1.0 {
        return clopper_pearson(lost, sent, confidence);
    }
    let lost = lost.min(sent);
    let effect = clusters_effect(lost, sent, design_effect, confidence);
    exact(lost as f64 / effect, sent as f64 / effect, confidence)
}

/// What a sample shrinks by for its clusters, with what is added since the design effect is known from few of them only; see [`clustered`].
pub(super) fn clusters_effect(lost: u64, sent: u64, design_effect: f64, confidence: f64) -> f64 {
    if design_effect.is_nan() || design_effect <= 1.0 {
        return 1.0;
    }
    let clusters = (lost.min(sent - lost) as f64 / design_effect).max(2.0);
    let t = StudentsT::new(0.0, 1.0, clusters - 1.0).map_or(f64::INFINITY, |t| t.inverse_cdf(0.5 + confidence / 2.0));
    let ratio = t / normal_quantile_two_sided(confidence);
    design_effect * ratio.powf(2.0 * (1.0 - 1.0 / design_effect))
}

/// The design effect behind an interval of [`clustered`]: the one that gives it its width. 1 for an exact interval, for a narrower one, and where a bound
/// is missing.
pub fn design_effect_behind(lost: u64, sent: u64, interval: Interval) -> f64 {
    let width = |interval: Interval| Some(interval.high? - interval.low?);
    let of = |effect: f64| width(clustered(lost, sent, effect, interval.confidence));
    // The width may be off by rounding, which is no effect.
    let Some(wanted) = width(interval).filter(|wide| of(1.0).is_some_and(|plain| *wide > plain * (1.0 + 1e-9))) else {
        return 1.0;
    };
    let (mut low, mut high) = (1.0, sent.max(1) as f64);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if of(middle).is_some_and(|found| found < wanted) { low = middle } else { high = middle }
    }
    high
}

/// The score (Wilson) interval (NIST/SEMATECH e-Handbook, 7.2.4.1): shorter than the exact one, but it covers
/// `confidence` only on average. Both bounds are missing when nothing was sent.
pub fn wilson(lost: u64, sent: u64, confidence: f64) -> Interval {
    if sent == 0 {
        return Interval { low: None, high: None, confidence };
    }
    let n = sent as f64;
    let p = lost.min(sent) as f64 / n;
    let z = normal_quantile_two_sided(confidence);
    let square = z * z;
    let centre = p + square / (2.0 * n);
    let half = z * (p * (1.0 - p) / n + square / (4.0 * n * n)).sqrt();
    let scale = 1.0 + square / n;
    // At the ends the bound is exactly 0 or 1; rounding must not move it.
    let low = if lost == 0 { 0.0 } else { ((centre - half) / scale).max(0.0) };
    let high = if lost >= sent { 1.0 } else { ((centre + half) / scale).min(1.0) };
    Interval { low: Some(low), high: Some(high), confidence }
}

/// One-sided upper bound of the loss ratio after `sent` packets without any loss: `1 - (1 - confidence)^(1/sent)`,
/// about `3 / sent` at 95 % (the "rule of three"). 1 when nothing was sent.
pub fn zero_loss_bound(sent: u64, confidence: f64) -> f64 {
    if sent == 0 {
        return 1.0;
    }
    -((1.0 - confidence).ln() / sent as f64).exp_m1()
}

/// Packets that must all arrive to claim, one-sided, that the loss ratio is below `limit`.
///
/// `None` when no number is enough (`limit` of zero or less) or the inputs are no probabilities.
pub fn samples_to_prove_below(limit: f64, confidence: f64) -> Option<u64> {
    samples_without_loss(limit, 1.0 - confidence)
}

/// Packets needed until the two-sided interval clears `limit`, if the loss ratio stays at `ratio`.
///
/// What a verdict of "not proven" asks for. `None` when no number up to 10^9 is enough: the ratio stands on the limit.
pub fn samples_to_clear(ratio: f64, limit: f64, sampling: impl Into<Sampling>) -> Option<u64> {
    const MOST: u64 = 1_000_000_000;
    let sampling = sampling.into();
    if !(0.0..=1.0).contains(&ratio) || !(0.0..=1.0).contains(&limit) || ratio == limit {
        return None;
    }
    if ratio == 0.0 && sampling.planned.is_none() {
        return samples_without_loss(limit, (1.0 - sampling.confidence) / 2.0).filter(|&n| n <= MOST);
    }
    let clears = |sent: u64| {
        let interval = sampling.share((ratio * sent as f64).round() as u64, sent, 1.0);
        if ratio < limit { interval.high.is_some_and(|high| high <= limit) } else { interval.low.is_some_and(|low| low > limit) }
    };
    let mut enough = 1;
    while !clears(enough) {
        enough *= 2;
        if enough > MOST {
            return None;
        }
    }
    let mut short = enough / 2;
    while enough - short > 1 {
        let middle = short + (enough - short) / 2;
        if clears(middle) { enough = middle } else { short = middle }
    }
    Some(enough)
}

fn samples_without_loss(limit: f64, tail: f64) -> Option<u64> {
    if limit <= 0.0 || !(0.0..1.0).contains(&tail) || tail == 0.0 {
        return None;
    }
    if limit >= 1.0 {
        return Some(1);
    }
    Some((tail.ln() / (-limit).ln_1p()).ceil().max(1.0) as u64)
}

/// `z` with `P(|Z| <= z) = confidence` for a standard normal `Z`.
pub(super) fn normal_quantile_two_sided(confidence: f64) -> f64 {
    std::f64::consts::SQRT_2 * erfc_inv(1.0 - confidence)
}

/// The `x` in `low..high` where the rising function `f` reaches `target`, by bisection.
pub(super) fn invert(f: impl Fn(f64) -> f64, target: f64, mut low: f64, mut high: f64) -> f64 {
    // 2^-200 is below any count of ours; the relative width ends it long before.
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if high - low <= 1e-13 * high || middle <= low || middle >= high {
            break;
        }
        if f(middle) < target { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests;
