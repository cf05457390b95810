use proptest::prelude::*;
use statrs::distribution::{Beta, ContinuousCDF};

use super::*;

fn bounds(interval: Interval) -> (f64, f64) {
    (interval.low.expect("low"), interval.high.expect("high"))
}

struct Row {
    source: &'static str,
    lost: u64,
    sent: u64,
    confidence: f64,
    low: f64,
    high: f64,
}

const fn row(source: &'static str, lost: u64, sent: u64, confidence: f64, low: f64, high: f64) -> Row {
    Row { source, lost, sent, confidence, low, high }
}

#[test]
fn exact_interval_gives_the_table_values() {
    // The handbook's case is 4 of 20 at 90 %; the others solve its two equations for the counts given.
    const HANDBOOK: &str = "NIST/SEMATECH e-Handbook 7.2.4.1";
    const SOLVED: &str = "solved from the definition in NIST/SEMATECH e-Handbook 7.2.4.1";
    let rows = [
        row(HANDBOOK, 4, 20, 0.90, 0.071354, 0.401028),
        row(SOLVED, 0, 10, 0.95, 0.0, 0.308497),
        row(SOLVED, 1, 10, 0.95, 0.002529, 0.445016),
        row(SOLVED, 5, 10, 0.95, 0.187086, 0.812914),
        row(SOLVED, 0, 100, 0.95, 0.0, 0.036217),
        row(SOLVED, 1, 100, 0.95, 0.000253, 0.054459),
        row(SOLVED, 5, 100, 0.95, 0.016432, 0.112835),
        row(SOLVED, 10, 100, 0.95, 0.049005, 0.176223),
        row(SOLVED, 0, 1000, 0.95, 0.0, 0.003682),
        row(SOLVED, 1, 1000, 0.95, 0.000025, 0.005559),
        row(SOLVED, 3, 1000, 0.95, 0.000619, 0.008742),
        row(SOLVED, 100, 100, 0.95, 0.963783, 1.0),
    ];
    for Row { source, lost, sent, confidence, low, high } in rows {
        let got = bounds(clopper_pearson(lost, sent, confidence));
        assert!((got.0 - low).abs() < 6e-7 && (got.1 - high).abs() < 6e-7, "{source}: {lost}/{sent} gives {got:?}");
    }
}

#[test]
fn exact_interval_satisfies_its_definition_term_by_term() {
    // The two sums of NIST/SEMATECH e-Handbook 7.2.4.1, added up directly.
    let below_or_at = |k: u64, n: u64, p: f64| -> f64 {
        (0..=k)
            .map(|i| {
                let ln_choose: f64 = (0..i).map(|j| ((n - j) as f64).ln() - ((j + 1) as f64).ln()).sum();
                (ln_choose + i as f64 * p.ln() + (n - i) as f64 * (-p).ln_1p()).exp()
            })
            .sum()
    };
    for (lost, sent) in [(1, 7), (4, 20), (9, 500), (30, 3000)] {
        let (low, high) = bounds(clopper_pearson(lost, sent, 0.95));
        assert!((below_or_at(lost, sent, high) - 0.025).abs() < 1e-9, "upper of {lost}/{sent}");
        assert!((below_or_at(lost - 1, sent, low) - 0.975).abs() < 1e-9, "lower of {lost}/{sent}");
    }
}

#[test]
fn exact_interval_agrees_with_a_reference_library_in_its_reliable_range() {
    for (lost, sent) in [(1u64, 30u64), (2, 1000), (17, 4000), (500, 1000), (999, 1000), (3, 100_000)] {
        let (low, high) = bounds(clopper_pearson(lost, sent, 0.95));
        let (k, n) = (lost as f64, sent as f64);
        let want_low = Beta::new(k, n - k + 1.0).expect("beta").inverse_cdf(0.025);
        let want_high = Beta::new(k + 1.0, n - k).expect("beta").inverse_cdf(0.975);
        // The library's search stops at an absolute width of about 1e-10.
        assert!((low - want_low).abs() < 1e-9, "{lost}/{sent} low {low} against {want_low}");
        assert!((high - want_high).abs() < 1e-9, "{lost}/{sent} high {high} against {want_high}");
    }
}

#[test]
fn few_losses_in_a_thousand_million_give_the_poisson_limits() {
    // F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936): 95 % two-sided limits of a count.
    // The binomial differs from the Poisson by about count/sent, 1e-8 here.
    for (count, low, high) in [(1u64, 0.0253, 5.572), (3, 0.6187, 8.767), (10, 4.795, 18.39)] {
        let got = bounds(clopper_pearson(count, 1_000_000_000, 0.95));
        assert!((got.0 * 1e9 - low).abs() < 6e-4 && (got.1 * 1e9 - high).abs() < 6e-3, "{count} in 1e9 gives {got:?}");
    }
}

#[test]
fn huge_counts_of_both_kinds_give_the_normal_limits() {
    // At these counts the normal approximation is off by about 1/sent; the half width itself is near 3e-5.
    let got = bounds(clopper_pearson(500_000_000, 1_000_000_000, 0.95));
    let half = 1.959_963_985 * (0.25f64 / 1e9).sqrt();
    assert!((got.0 - (0.5 - half)).abs() < 5e-9 && (got.1 - (0.5 + half)).abs() < 5e-9, "{got:?}");
}

#[test]
fn nothing_sent_bounds_nothing() {
    assert_eq!(clopper_pearson(0, 0, 0.95), Interval { low: None, high: None, confidence: 0.95 });
    assert_eq!(wilson(0, 0, 0.95).high, None);
    assert_eq!(zero_loss_bound(0, 0.95), 1.0);
}

#[test]
fn score_interval_gives_the_table_values() {
    // Formula of NIST/SEMATECH e-Handbook 7.2.4.1, evaluated at 95 %.
    for (lost, sent, low, high) in
        [(4, 20, 0.08066, 0.41602), (0, 10, 0.0, 0.27753), (1, 100, 0.00177, 0.05449), (10, 100, 0.05523, 0.17437)]
    {
        let got = bounds(wilson(lost, sent, 0.95));
        assert!((got.0 - low).abs() < 6e-6 && (got.1 - high).abs() < 6e-6, "{lost}/{sent} gives {got:?}");
    }
}

#[test]
fn zero_loss_bound_follows_the_rule_of_three() {
    // 1 - 0.05^(1/n), arithmetic.
    for (sent, bound) in [(10, 0.258866), (30, 0.095034), (100, 0.029513), (300, 0.009936), (1000, 0.002991), (3000, 0.000998)] {
        let got = zero_loss_bound(sent, 0.95);
        assert!((got - bound).abs() < 6e-7, "{sent} gives {got}");
        assert!(got < 3.0 / sent as f64);
    }
}

#[test]
fn claims_need_the_known_numbers_of_packets() {
    for (limit, packets) in [(0.01, 299), (0.001, 2_995), (0.0001, 29_956), (0.00001, 299_572)] {
        assert_eq!(samples_to_prove_below(limit, 0.95), Some(packets), "loss below {limit}");
        assert!(zero_loss_bound(packets, 0.95) <= limit);
        assert!(zero_loss_bound(packets - 1, 0.95) > limit);
    }
    assert_eq!(samples_to_prove_below(0.0, 0.95), None);
}

#[test]
fn samples_to_clear_is_where_the_interval_clears() {
    for (ratio, limit) in [(0.0, 0.001), (0.001, 0.005), (0.02, 0.01), (0.0005, 0.001)] {
        let enough = samples_to_clear(ratio, limit, 0.95).expect("reachable");
        let (low, high) = bounds(clopper_pearson((ratio * enough as f64).round() as u64, enough, 0.95));
        assert!(if ratio < limit { high <= limit } else { low > limit }, "{ratio} against {limit}: {enough} give {low}..{high}");
    }
    assert_eq!(samples_to_clear(0.0, 0.001, 0.95), Some(3_688), "ln(0.025)/ln(1-0.001) rounded up");
    assert_eq!(samples_to_clear(0.01, 0.01, 0.95), None);
}

#[test]
fn clustered_losses_count_as_a_smaller_sample() {
    // 40 of 1000 in runs of four, effect 4: ten clusters, so 9 degrees of freedom, t = 2.262157 of the tables against 1.959964; the effect
    // grows to 4 x 1.15418^1.5 = 4.95989. The bounds solve the beta distribution of 8.0647 of 201.62, integrated numerically apart.
    let (low, high) = bounds(clustered(40, 1000, 4.0, 0.95));
    assert!((low - 0.017_495_8).abs() < 1e-6 && (high - 0.077_098_4).abs() < 1e-6, "{low} {high}");
    assert_eq!(clustered(0, 1000, 1.0, 0.95), clopper_pearson(0, 1000, 0.95));
    assert_eq!(clustered(0, 0, 3.0, 0.95).high, None);
    let (low, high) = bounds(clustered(500, 1000, 1000.0, 0.95));
    assert!(low < 0.001 && high > 0.999, "one cluster of loss is one observation: {low} {high}");
}

proptest! {
    #[test]
    fn a_clustered_interval_holds_the_ratio_and_is_no_narrower(sent in 1u64..5_000, share in 0.0f64..=1.0, effect in 1.0f64..50.0) {
        let lost = (share * sent as f64) as u64;
        let p = lost as f64 / sent as f64;
        let (low, high) = bounds(clustered(lost, sent, effect, 0.95));
        prop_assert!(0.0 <= low && low <= p && p <= high && high <= 1.0);
        // Rounding to whole packets moves a bound a little; the width must not shrink by more than that.
        let (plain_low, plain_high) = bounds(clopper_pearson(lost, sent, 0.95));
        prop_assert!(high - low >= (plain_high - plain_low) * 0.8, "{low}..{high} against {plain_low}..{plain_high}");
    }

    #[test]
    fn every_interval_holds_the_ratio_and_nests_with_confidence(sent in 1u64..5_000, share in 0.0f64..=1.0) {
        let lost = (share * sent as f64) as u64;
        let p = lost as f64 / sent as f64;
        let (low, high) = bounds(clopper_pearson(lost, sent, 0.95));
        let (wide_low, wide_high) = bounds(clopper_pearson(lost, sent, 0.99));
        prop_assert!(0.0 <= low && low <= p && p <= high && high <= 1.0);
        prop_assert!(wide_low <= low && high <= wide_high);
        let (low, high) = bounds(wilson(lost, sent, 0.95));
        prop_assert!(0.0 <= low && low <= p + 1e-12 && p <= high + 1e-12 && high <= 1.0);
    }

    #[test]
    fn more_packets_at_the_same_ratio_never_widen_the_interval(lost in 0u64..50, sent in 50u64..500) {
        let (low, high) = bounds(clopper_pearson(lost, sent, 0.95));
        let (low10, high10) = bounds(clopper_pearson(lost * 10, sent * 10, 0.95));
        prop_assert!(low <= low10 && high10 <= high);
    }
}
