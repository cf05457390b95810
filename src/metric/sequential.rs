//! Intervals that hold at every number of samples at once, so that one may stop when they show enough.
//!
//! An ordinary interval is right for a number of samples that was fixed beforehand: who looks again and again and stops when it clears a limit
//! is wrong far more often than it says. A confidence sequence covers the true share at all numbers of samples together (J. Ville 1939, H. Robbins,
//! Annals of Mathematical Statistics 41, 1970; S. R. Howard, A. Ramdas, J. McAuliffe and J. Sekhon, "Time-uniform, nonparametric, nonasymptotic
//! confidence sequences", Annals of Statistics 49, 2021; all three from memory): for a share `p` and a weight `w` over other shares that was fixed
//! beforehand, the likelihood of what was seen under `w` over that under `p` is a martingale with mean one, so that it ever reaches `1/t` with a probability of
//! at most `t`. What it has not refuted so far is the interval. With a beta distribution as `w` the likelihood has a closed form (beta-binomial).
//!
//! The two bounds have weights of their own, each at half of what the confidence leaves, so that either end is wrong as seldom as that of an ordinary
//! two-sided interval. Quantiles come by the same: whether a sample lies above the quantile is such a trial, with a share that is known (S. R. Howard and
//! A. Ramdas, "Sequential estimation of quantiles", Bernoulli 28, 2022; from memory).
//!
//! For one limit and one alternative Wald's test (A. Wald, Annals of Mathematical Statistics 16, 1945) ends sooner, but it has to know both; these intervals know neither, so
//! that a record can be judged again. No test that is wrong so seldom ends before Wald's.
//!
//! The hard thing is dependence: like all intervals here these count packets as trials of their own, and clusters make them count for less.
//! A stream that is short may not have shown its clusters yet; an upper bound therefore waits ([`UPPER_FROM`]) and takes some for granted ([`LEAST_EFFECT`]).

use statrs::function::gamma::ln_gamma;

use super::loss_interval::{clusters_effect, invert};
use super::quantile::RankInterval;
use crate::unit::Interval;

/// Share of the plan from which on there is an upper bound *(ours)*: that little is lost shows with time, and losses that come seldom but many at once have
/// not shown themselves at once. With it such a line passes about as seldom as by a number of packets that was fixed (`docs/methods.md` has the table).
pub const UPPER_FROM: f64 = 0.75;
/// Packets that each hit stands for at least where a share is bounded from above *(ours)*: a sample without any hit does not show whether they would cluster.
pub const LEAST_EFFECT: f64 = 1.2;

/// The weight over other shares: a beta distribution, beside a part that is left to all shares ([`Weight::ANY`]).
#[derive(Debug, Clone, Copy)]
struct Weight {
    a: f64,
    b: f64,
    any: f64,
}

impl Weight {
    /// For the lower bound: all shares (Jeffreys), so that a bad one shows within few samples.
    const ANY: Self = Self { a: 0.5, b: 0.5, any: 0.0 };

    /// For the upper bound of a share that nobody knows: mostly small ones, of the size that a plan of so many samples is made to tell from none.
    fn small(planned: u64) -> Self {
        Self { a: 0.5, b: planned.max(1) as f64, any: 0.1 }
    }

    /// For the upper bound of a quantile: shares around the one that lies above it.
    fn around(p: f64) -> Self {
        Self { a: 0.5, b: 0.5 * (1.0 - p) / p, any: 0.0 }
    }
}

/// What so many hits and misses tell against a share.
struct Evidence {
    /// Logarithm of their likelihood under the weight.
    weighed: f64,
    hits: f64,
    misses: f64,
}

impl Evidence {
    fn new(hits: f64, of: f64, Weight { a, b, any }: Weight) -> Self {
        let misses = of - hits;
        let under = |a, b| ln_beta(a + hits, b + misses) - ln_beta(a, b);
        let weighed = under(a, b);
        // Likelihoods under two weights add up by their parts; the larger one is taken out, so that neither vanishes.
        let weighed = if any > 0.0 {
            let other = under(Weight::ANY.a, Weight::ANY.b);
            let larger = weighed.max(other);
            larger + ((1.0 - any) * (weighed - larger).exp() + any * (other - larger).exp()).ln()
        } else {
            weighed
        };
        Self { weighed, hits, misses }
    }

    /// Logarithm of the likelihood under the weight over that under the share `p`.
    fn against(&self, p: f64) -> f64 {
        let under = |events: f64, chance: f64| if events > 0.0 { events * chance } else { 0.0 };
        self.weighed - under(self.hits, p.ln()) - under(self.misses, (-p).ln_1p())
    }
}

fn ln_beta(a: f64, b: f64) -> f64 {
    ln_gamma(a) + ln_gamma(b) - ln_gamma(a + b)
}

/// Evidence that refutes a share on one side.
fn threshold(confidence: f64) -> f64 {
    -((1.0 - confidence) / 2.0).ln()
}

/// The confidence sequence of a share at this moment: `hits` of `of` trials by now, `planned` of which were meant to be taken, and a design effect
/// ([`super::dependence::design_effect`]) that makes them count for less.
///
/// All of its intervals, from the first trial to the last, hold the true share with `confidence` together, each end by itself with half of what that leaves; that is
/// proven for trials that are independent. `high` is missing before [`UPPER_FROM`] of the plan, both are without a trial.
pub fn share(hits: u64, of: u64, design_effect: f64, planned: u64, confidence: f64) -> Interval {
    if of == 0 {
        return Interval { low: None, high: None, confidence };
    }
    let hits = hits.min(of);
    let effect = clusters_effect(hits, of, design_effect, confidence);
    let threshold = threshold(confidence);
    let (hits, of) = (hits as f64, of as f64);
    let low = lowest(hits / effect, of / effect, threshold);
    let high = (of >= UPPER_FROM * planned as f64).then(|| {
        let effect = effect.max(LEAST_EFFECT);
        highest(hits / effect, of / effect, Weight::small(planned), threshold)
    });
    Interval { low: Some(low), high, confidence }
}

fn lowest(hits: f64, of: f64, threshold: f64) -> f64 {
    if hits == 0.0 {
        return 0.0;
    }
    // Evidence falls up to the share that was seen.
    let evidence = Evidence::new(hits, of, Weight::ANY);
    invert(|p| -evidence.against(p), -threshold, 0.0, hits / of)
}

fn highest(hits: f64, of: f64, weight: Weight, threshold: f64) -> f64 {
    if hits >= of {
        return 1.0;
    }
    let evidence = Evidence::new(hits, of, weight);
    invert(|p| evidence.against(p), threshold, hits / of, 1.0)
}

/// The ranks (from 1) whose samples bound quantile `q` at this moment, among `n` samples that count for `n / design_effect`; as for [`share`], all such intervals hold
/// it together. Ranks are of all `n`. The coverage is the confidence: there is no better figure for all moments together.
pub fn rank_interval(n: u64, design_effect: f64, q: f64, planned: u64, confidence: f64) -> RankInterval {
    let (above, count, effect) = (1.0 - q, n as f64, design_effect.max(1.0));
    // If the quantile lay below the sample at rank l, n - (l - 1) or more would lie above it.
    let low = last(n, |l| {
        let hits = (n - (l - 1)) as f64;
        hits > above * count && Evidence::new(hits / effect, count / effect, Weight::ANY).against(above) >= threshold(confidence)
    });
    // If it lay above the sample at rank u, no more than n - u would be as large.
    let high = first(n, |u| are_too_few(n - u, n, effect, above, planned, confidence));
    RankInterval { low, high, coverage: confidence }
}

/// Whether so few hits, which cluster by this effect, refute that their share is `p`; never before there may be an upper bound. For quantiles.
pub(super) fn are_too_few(hits: u64, of: u64, design_effect: f64, p: f64, planned: u64, confidence: f64) -> bool {
    let effect = design_effect.max(LEAST_EFFECT);
    let (hits, of) = (hits as f64, of as f64);
    let is_told = of >= UPPER_FROM * planned as f64;
    is_told && hits < p * of && Evidence::new(hits / effect, of / effect, Weight::around(p)).against(p) >= threshold(confidence)
}

/// The last of the ranks 1 to `n` for which `holds`, where it holds for all before one that it holds for.
fn last(n: u64, holds: impl Fn(u64) -> bool) -> Option<u64> {
    let (mut yes, mut no) = (0, n + 1);
    while no - yes > 1 {
        let middle = yes + (no - yes) / 2;
        if holds(middle) { yes = middle } else { no = middle }
    }
    (yes > 0).then_some(yes)
}

/// The first for which it holds, where it holds for all behind one that it holds for.
fn first(n: u64, holds: impl Fn(u64) -> bool) -> Option<u64> {
    let rank = last(n, |rank| !holds(rank)).map_or(1, |rank| rank + 1);
    (rank <= n).then_some(rank)
}

#[cfg(test)]
mod tests;
