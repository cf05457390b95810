//! The closed form against other ways to the same number, and what is promised at all moments together against simulation. Seeds are fixed.

#![allow(clippy::print_stdout, reason = "figures that the test saw are shown with --no-capture")]

use super::*;
use crate::metric::dependence::design_effect;
use crate::metric::loss_interval::{clopper_pearson, clustered, samples_to_clear};
use crate::metric::sampling::Sampling;
use crate::unit::Stretch;
use crate::unit::chance::Chance;

/// The most that chance makes of so many at a share, but for 1 in 30,000: four deviations of the binomial.
fn at_most(of: u32, share: f64) -> u32 {
    let n = f64::from(of);
    (n * share + 4.0 * (n * share * (1.0 - share)).sqrt()) as u32
}

/// References: the mixture as an integral over shares, taken numerically (tanh-sinh, 30 digits, mpmath 1.3), without the closed form.
#[test]
fn the_closed_form_is_the_integral() {
    for (hits, of, p, weight, want) in [
        (0.0, 1000.0, 0.005, Weight::small(1000), 4.563_344_601_05),
        (3.0, 1000.0, 0.01, Weight::small(1000), 1.234_813_481_89),
        (12.0, 250.0, 0.02, Weight::ANY, 0.616_090_039_109),
        (40.0, 1000.0, 0.05, Weight::around(0.05), -1.239_471_975_5),
    ] {
        let got = Evidence::new(hits, of, weight).against(p);
        assert!((got - want).abs() < 1e-9, "{hits} of {of} at {p}: {got} instead of {want}");
    }
}

/// References: where that same integral reaches ln 40, by a root finder (mpmath 1.3).
#[test]
fn bounds_lie_where_the_integral_reaches_the_threshold() {
    let bounds = |hits, of| share(hits, of, 1.0, 1000, 0.95);
    for (hits, of, want) in [(12, 250, 0.013_609_251_16), (60, 1000, 0.035_406_913_66)] {
        assert!((bounds(hits, of).low.unwrap() - want).abs() < 1e-10, "{hits} of {of}: {:?}", bounds(hits, of));
    }
    for (hits, want) in [(0, 0.004_901_264_167_6), (3, 0.014_527_895_404), (30, 0.063_324_505_977)] {
        assert!((bounds(hits, 1000).high.unwrap() - want).abs() < 1e-10, "{hits} of 1000: {:?}", bounds(hits, 1000));
    }
}

/// The martingale step by step: what the weight foretells of each trial (by the rule of succession) over what the share does.
#[test]
fn the_closed_form_is_the_product_of_what_was_foretold() {
    let mut chance = Chance(5);
    let (p, weight) = (0.1, Weight { a: 0.5, b: 3.0, any: 0.0 });
    let (mut hits, mut log) = (0.0, 0.0);
    for of in 0..400 {
        let foretold = (weight.a + hits) / (weight.a + weight.b + f64::from(of));
        let hit = chance.uniform() < 0.15;
        log += if hit { (foretold / p).ln() } else { ((1.0 - foretold) / (1.0 - p)).ln() };
        hits += f64::from(u8::from(hit));
        assert!((log - Evidence::new(hits, f64::from(of + 1), weight).against(p)).abs() < 1e-9, "after {of}");
    }
}

#[test]
fn edges_hold() {
    let none = share(0, 0, 1.0, 100, 0.95);
    assert_eq!((none.low, none.high), (None, None));
    assert_eq!(share(0, 500, 1.0, 100, 0.95).low, Some(0.0));
    assert_eq!(share(500, 500, 1.0, 100, 0.95).high, Some(1.0));
    // All lost: at least so much is.
    assert!(share(500, 500, 1.0, 100, 0.95).low.unwrap() > 0.97);
    // Before three quarters of the plan nothing is said to be small.
    assert_eq!(share(0, 749, 1.0, 1000, 0.95).high, None);
    assert!(share(0, 750, 1.0, 1000, 0.95).high.is_some());
    assert_eq!(rank_interval(749, 1.0, 0.95, 1000, 0.95).high, None);
    let ranks = rank_interval(1000, 1.0, 0.95, 1000, 0.95);
    let (low, high) = (ranks.low.unwrap(), ranks.high.unwrap());
    assert!(low < 936 && low > 900 && high > 963 && high < 985, "wider than the ordinary 936 to 964: {ranks:?}");
    assert_eq!(rank_interval(0, 1.0, 0.95, 1000, 0.95).low, None);
    // Clusters widen both.
    let (plain, wide) = (share(30, 1000, 1.0, 1000, 0.95), share(30, 1000, 4.0, 1000, 0.95));
    assert!(wide.low < plain.low && wide.high > plain.high, "{plain:?} {wide:?}");
    // A share far above what the plan is made to tell from none has an upper bound of use too: an ordinary one is 0.0062.
    let common = share(75, 15_000, 1.0, 15_000, 0.95);
    assert!(common.high.unwrap() < 0.009, "{common:?}");
    // Counts of 10^9 are no matter.
    let many = share(1_000_000, 1_000_000_000, 1.0, 1_000_000_000, 0.95);
    assert!(many.low.unwrap() > 0.000_99 && many.high.unwrap() < 0.001_01, "{many:?}");
}

/// Wald's test ends after ln 40 / -ln(1 - 0.005) = 736 packets without loss, knowing the limit and that the alternative is none at all: no sequential test of such
/// errors can pass sooner. This one does not know the limit.
#[test]
fn a_loss_free_line_is_shown_not_much_later_than_the_least_there_is() {
    let (handoff, soak) = (Sampling::sequential(0.95, 1000), Sampling::sequential(0.95, 15_000));
    assert_eq!(samples_to_clear(0.0, 0.005, 0.95), Some(736));
    let needs = samples_to_clear(0.0, 0.005, handoff).unwrap();
    assert!((737..=1000).contains(&needs), "{needs}");
    assert_eq!(samples_to_clear(0.0, 0.001, soak), Some(11_250), "three quarters of its plan");
    assert!(samples_to_clear(0.06, 0.005, handoff).unwrap() < 100);
}

/// Whether the true share leaves the bounds below and above at any moment. A lower bound is highest right after a hit, an upper one lowest right
/// before one: no other moment has to be looked at.
fn ever_wrong(hits: &[bool], mut is_wrong: impl FnMut(u64, u64) -> (bool, bool)) -> (bool, bool) {
    let (mut seen, mut wrong) = (0, (false, false));
    for (at, hit) in (0_u64..).zip(hits) {
        if *hit || at as usize + 1 == hits.len() {
            for (seen, of) in [(seen, at), (seen + u64::from(*hit), at + 1)] {
                let (low, high) = is_wrong(seen, of);
                wrong = (wrong.0 || low, wrong.1 || high);
            }
        }
        seen += u64::from(*hit);
    }
    wrong
}

#[test]
fn whenever_one_stops_the_share_is_held_and_by_an_ordinary_interval_it_is_not() {
    const STREAMS: u32 = 1000;
    let (p, planned) = (0.02, 1000);
    let mut chance = Chance(20_261_127);
    let (mut low, mut high, mut ordinary) = (0, 0, 0);
    for _ in 0..STREAMS {
        let lost = chance.fates(p, 1.0, 4 * planned);
        let outside = |interval: Interval| (interval.low.is_some_and(|low| low > p), interval.high.is_some_and(|high| high < p));
        let wrong = ever_wrong(&lost, |hits, of| outside(share(hits, of, 1.0, planned, 0.95)));
        (low, high) = (low + u32::from(wrong.0), high + u32::from(wrong.1));
        let wrong = ever_wrong(&lost, |hits, of| outside(clopper_pearson(hits, of, 0.95)));
        ordinary += u32::from(wrong.0 || wrong.1);
    }
    println!("of {STREAMS} streams: above it {low}, below it {high}; ordinary intervals {ordinary}");
    assert!(low <= at_most(STREAMS, 0.025) && high <= at_most(STREAMS, 0.025), "{low} {high}");
    assert!(ordinary > STREAMS / 8, "{ordinary}: then this test shows nothing");
}

#[test]
fn whenever_one_stops_the_quantile_is_held() {
    const STREAMS: u32 = 500;
    let (q, planned) = (0.95, 500);
    let mut chance = Chance(7);
    let (mut low, mut high) = (0, 0);
    for _ in 0..STREAMS {
        let above = chance.fates(1.0 - q, 1.0, 4 * planned);
        let wrong = ever_wrong(&above, |above, of| {
            let (ranks, below) = (rank_interval(of, 1.0, q, planned, 0.95), of - above);
            // The quantile lies behind so many samples: the one at a rank up to that is no larger, the others are.
            (ranks.low.is_some_and(|rank| rank > below), ranks.high.is_some_and(|rank| rank <= below))
        });
        (low, high) = (low + u32::from(wrong.0), high + u32::from(wrong.1));
    }
    println!("of {STREAMS} streams: above it {low}, below it {high}");
    assert!(low <= at_most(STREAMS, 0.025) && high <= at_most(STREAMS, 0.025), "{low} {high}");
}

/// Wrong verdicts on a line that stands on its limit: by a number of packets that is fixed, and by looks until it is certain.
struct Wrong {
    fails: u32,
    passes: u32,
}

fn on_its_limit(limit: f64, run: f64, planned: u64, streams: u32) -> (Wrong, Wrong) {
    let mut chance = Chance(20_261_127);
    let (mut fixed, mut sequential) = (Wrong { fails: 0, passes: 0 }, Wrong { fails: 0, passes: 0 });
    let count = |wrong: &mut Wrong, interval: Interval| {
        let fails = interval.low.is_some_and(|low| low > limit);
        let passes = interval.high.is_some_and(|high| high <= limit);
        wrong.fails += u32::from(fails);
        wrong.passes += u32::from(passes);
        fails || passes
    };
    for _ in 0..streams {
        let lost = chance.fates(limit, run, Stretch::USUAL.most_of(planned));
        let seen = |of: u64| {
            let lost = &lost[..of as usize];
            (lost.iter().filter(|lost| **lost).count() as u64, design_effect(lost.iter().copied()))
        };
        let (hits, effect) = seen(planned);
        count(&mut fixed, clustered(hits, planned, effect, 0.95));
        let mut of = 0;
        while of < lost.len() as u64 {
            of = Stretch::USUAL.next_look(planned, of);
            let (hits, effect) = seen(of);
            if count(&mut sequential, share(hits, of, effect, planned, 0.95)) {
                break;
            }
        }
    }
    (fixed, sequential)
}

/// Losses in runs: a line on its limit never fails wrongly more often than stated, and passes wrongly about as often as by a fixed number of packets, which is
/// more than stated where runs are long and few: neither has seen how they cluster (docs/methods.md has the table).
#[test]
fn losses_in_runs_are_treated_no_worse_than_by_a_fixed_number() {
    const STREAMS: u32 = 1000;
    for (planned, limit) in [(300, 0.02), (1000, 0.005), (1000, 0.02)] {
        for run in [1.0, 2.0, 4.0] {
            let (fixed, sequential) = on_its_limit(limit, run, planned, STREAMS);
            println!(
                "{planned} packets, limit {limit}, runs of {run}: wrong fails {} fixed, {} sequential; wrong passes {} fixed, {} sequential",
                fixed.fails, sequential.fails, fixed.passes, sequential.passes
            );
            assert!(sequential.fails <= at_most(STREAMS, 0.025), "{limit}, {run}: {}", sequential.fails);
            let as_fixed = f64::from(fixed.passes) / f64::from(STREAMS);
            let allowed = if run > 2.0 { 1.6 * as_fixed } else { as_fixed }.max(0.025);
            assert!(sequential.passes <= at_most(STREAMS, allowed), "{limit}, {run}: {}", sequential.passes);
        }
    }
}
