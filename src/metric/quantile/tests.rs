use proptest::prelude::*;
use statrs::statistics::{Data, OrderStatistics};

use super::*;

fn sorted(values: &[f64]) -> Vec<f64> {
    let mut values = values.to_vec();
    values.sort_by(f64::total_cmp);
    values
}

#[test]
fn percentiles_follow_the_definition_of_rfc_2330_section_11_3() {
    let sample = sorted(&[-2.0, 7.0, 7.0, 4.0, 18.0, -5.0]);
    for (q, want) in [(0.50, 4.0), (0.25, -2.0), (1.00, 18.0)] {
        assert_eq!(of_sorted(&sample, 0, q), Some(want), "RFC 2330 section 11.3, {q}");
    }
    // Even size: mean of the two central values, same section.
    assert_eq!(median_of_sorted(&sample, 0), Some(5.5));
}

#[test]
fn lost_packets_count_as_infinite_as_in_rfc_2681_section_4() {
    // {100, 110, lost, 90, 500} ms: 50th percentile 110; {100, 110, lost, 90} ms: median 105, minimum 90.
    assert_eq!(of_sorted(&sorted(&[100.0, 110.0, 90.0, 500.0]), 1, 0.5), Some(110.0));
    let sample = sorted(&[100.0, 110.0, 90.0]);
    assert_eq!(median_of_sorted(&sample, 1), Some(105.0));
    assert_eq!(sample[0], 90.0);
    // "the inverse percentile of 103 ms is 50 %": two of four at or below it.
    assert_eq!(sample.iter().filter(|&&x| x <= 103.0).count() * 2, 4);
    assert_eq!(of_sorted(&sample, 1, 0.99), None, "a tail that reaches the lost has no finite value");
    assert_eq!(of_sorted(&[], 0, 0.5), None, "an empty sample has no percentile");
    assert_eq!(median_of_sorted(&sample, 3), None);
}

#[test]
fn ranks_do_not_slip_by_binary_rounding() {
    for n in [100u64, 300, 1000, 10_000] {
        for percent in 1..=100u64 {
            let want = (n * percent).div_ceil(100);
            assert_eq!(nearest_rank(n, percent as f64 / 100.0), Some(want), "{percent} % of {n}");
        }
    }
    assert_eq!(nearest_rank(1_000, 0.999), Some(999));
    assert_eq!(nearest_rank(0, 0.5), None);
}

#[test]
fn order_statistic_ranks_are_the_table_values() {
    // Solved from the binomial distribution (David and Nagaraja, Order Statistics, section 7.1), two-sided 95 %.
    let rows = [
        (10, 0.50, Some(2), Some(9), 0.9785),
        (20, 0.50, Some(6), Some(15), 0.9586),
        (25, 0.50, Some(8), Some(18), 0.9567),
        (50, 0.50, Some(18), Some(33), 0.9672),
        (100, 0.50, Some(40), Some(61), 0.9648),
        (100, 0.90, Some(84), Some(96), 0.9557),
        (100, 0.95, Some(90), Some(100), 0.9826),
        (200, 0.95, Some(184), Some(197), 0.9672),
        (1000, 0.95, Some(936), Some(964), 0.9581),
        (1000, 0.99, Some(983), Some(997), 0.9761),
        (100, 0.99, Some(97), None, f64::NAN),
        (300, 0.99, Some(293), None, f64::NAN),
    ];
    for (n, q, low, high, coverage) in rows {
        let got = rank_interval(n, q, 0.95);
        assert_eq!((got.low, got.high), (low, high), "n {n}, q {q}");
        assert!(coverage.is_nan() || (got.coverage - coverage).abs() < 6e-5, "n {n}, q {q}: coverage {}", got.coverage);
        assert!(got.coverage >= 0.95);
    }
}

#[test]
fn the_smallest_samples_that_bound_a_quantile_from_above_are_known() {
    // Two-sided 95 %: 6, 36, 72, 368 samples make the maximum an upper bound (q^n <= 0.025).
    for (q, n) in [(0.5, 6), (0.9, 36), (0.95, 72), (0.99, 368)] {
        assert_eq!(rank_interval(n, q, 0.95).high, Some(n), "q {q}");
        assert_eq!(rank_interval(n - 1, q, 0.95).high, None, "q {q}");
    }
    // One-sided 95 % is two-sided 90 %: 5, 29, 59, 299, 2995.
    for (q, n) in [(0.5, 5), (0.9, 29), (0.95, 59), (0.99, 299), (0.999, 2_995)] {
        assert_eq!(rank_interval(n, q, 0.90).high, Some(n), "q {q}");
        assert_eq!(rank_interval(n - 1, q, 0.90).high, None, "q {q}");
    }
}

#[test]
fn samples_without_clusters_get_the_plain_ranks_and_clusters_wider_ones() {
    // Alternating halves above and below the median: no clusters. The same in blocks of 25: few observations.
    let alternating: Vec<_> = (0..200).map(|i| Some(f64::from(i % 2) * 1000.0 + f64::from(i))).collect();
    let blocks: Vec<_> = (0..200).map(|i| Some(f64::from(i / 25 % 2) * 1000.0 + f64::from(i))).collect();
    let plain = rank_interval(200, 0.5, 0.95);
    for (series, wider) in [(&alternating, false), (&blocks, true)] {
        let finite = sorted(&series.iter().copied().flatten().collect::<Vec<_>>());
        let got = ranks_of_series(series, &finite, 0.5, 0.95);
        if wider {
            assert!(got.low < plain.low || got.low.is_none(), "{got:?}");
            assert!(got.high > plain.high || got.high.is_none(), "{got:?}");
        } else {
            assert_eq!(got, plain);
        }
    }
    let nothing = interval_of_series(&[], 0.5, 0.95);
    assert_eq!((nothing.low, nothing.high), (None, None));
    assert_eq!(interval_of_series(&[None; 50], 0.5, 0.95).low, None);
}

#[test]
fn a_queue_that_rises_and_falls_and_drops_is_bounded_from_above_as_often_as_promised() {
    // A queue that a loss-based sender fills (invented): a ramp of 20 to 40 ms, 97 samples long, that starts anywhere, and
    // half a percent of lost samples. All samples above the 95th percentile follow each other.
    let (length, lost) = (97.0, 0.005);
    let mut seed = 3_u64;
    let mut uniform = move || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 11) as f64 / (1u64 << 53) as f64
    };
    let truth = 20.0 + 20.0 * 0.95 / (1.0 - lost);
    let (runs, mut bounded, mut held) = (1000, 0, 0);
    for _ in 0..runs {
        let phase = uniform();
        let series: Vec<Option<f64>> =
            (0..300).map(|n| (uniform() >= lost).then(|| 20.0 + 20.0 * (phase + f64::from(n) / length).fract())).collect();
        if let Some(high) = interval_of_series(&series, 0.95, 0.95).high {
            bounded += 1;
            held += u32::from(high >= truth);
        }
    }
    assert!(bounded > runs * 9 / 10, "{bounded} of {runs} have a bound at all");
    // 97.5 % are promised; of 1000 runs 15 fewer is three standard deviations (binomial).
    assert!(held + 15 >= bounded * 975 / 1000, "{held} of {bounded} bounds hold {truth}");
}

#[test]
fn no_samples_bound_nothing() {
    let got = rank_interval(0, 0.5, 0.95);
    assert_eq!((got.low, got.high), (None, None));
    let histogram = DelayHistogram::new();
    assert_eq!(histogram.quantile(0.5), None);
    assert_eq!(histogram.quantile_interval(0.5, 0.95), Interval { low: None, high: None, confidence: 0.95 });
}

#[test]
fn histogram_quantiles_agree_with_a_sort_and_a_reference_library() {
    // Skewed delays around 20 ms with a long tail, made by a fixed recurrence (invented data).
    let mut state = 12_345u64;
    let mut histogram = DelayHistogram::new();
    let mut exact = Vec::new();
    for _ in 0..20_000 {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let uniform = (state >> 11) as f64 / (1u64 << 53) as f64;
        let ns = (20e6 - 3e6 * (1.0 - uniform).ln()) as u64;
        histogram.record(ns);
        exact.push(ns as f64 / 1e6);
    }
    let exact = sorted(&exact);
    let mut reference = Data::new(exact.clone());
    for q in [0.001, 0.05, 0.5, 0.9, 0.95, 0.99, 0.999, 1.0] {
        let got = histogram.quantile(q).expect("finite");
        let by_sort = of_sorted(&exact, 0, q).expect("finite");
        assert!((got / by_sort - 1.0).abs() <= 5.1e-4, "quantile {q}: {got} against {by_sort}");
        // The library interpolates between neighbours; at 20 000 samples that moves less than 1 % even in the tail.
        let library = reference.quantile(q);
        assert!((got / library - 1.0).abs() < 0.01, "quantile {q}: {got} against {library}");
        let (ours, wanted) = (histogram.quantile_interval(q, 0.95), interval_of_sorted(&exact, 0, q, 0.95));
        for (a, b) in [(ours.low, wanted.low), (wanted.high, ours.high)] {
            assert_eq!(a.is_some(), b.is_some());
            if let (Some(a), Some(b)) = (a, b) {
                assert!(a <= b && b / a < 1.0011, "quantile {q}: {ours:?} must enclose {wanted:?} closely");
            }
        }
    }
    assert_eq!(histogram.min(), Some(exact[0]));
    assert_eq!(histogram.max(), exact.last().copied());
    assert!((histogram.mean().expect("mean") - exact.iter().sum::<f64>() / exact.len() as f64).abs() < 1e-9);
}

#[test]
fn histogram_takes_any_delay_without_clamping() {
    let mut histogram = DelayHistogram::new();
    for ns in [0, 1, 999, 3_600_000_000_000, u64::MAX / 2, u64::MAX] {
        histogram.record(ns);
    }
    assert_eq!(histogram.len(), 6);
    assert_eq!(histogram.lost(), 0);
    assert_eq!((histogram.min(), histogram.max()), (Some(0.0), Some(u64::MAX as f64 / 1e6)));
}

#[test]
fn histogram_counts_lost_as_infinite_and_merges() {
    let (mut one, mut two) = (DelayHistogram::new(), DelayHistogram::new());
    for ns in [100_000_000, 110_000_000] {
        one.record(ns);
    }
    one.record_lost();
    two.record(90_000_000);
    two.record(500_000_000);
    one.merge(&two);
    assert_eq!((one.len(), one.lost()), (4, 1));
    // RFC 2681 section 4, the same stream as above.
    assert!((one.quantile(0.5).expect("finite") - 110.0).abs() < 0.06);
    assert_eq!(one.quantile(0.95), None);
    assert_eq!((one.min(), one.max()), (Some(90.0), Some(500.0)));
}

proptest! {
    #[test]
    fn histogram_never_strays_from_the_sort(values in prop::collection::vec(0u64..10_000_000_000, 1..300), q in 0.0f64..=1.0, lost in 0u64..5) {
        let mut histogram = DelayHistogram::new();
        for &ns in &values { histogram.record(ns); }
        for _ in 0..lost { histogram.record_lost(); }
        let exact = sorted(&values.iter().map(|&ns| ns as f64 / 1e6).collect::<Vec<_>>());
        match (histogram.quantile(q), of_sorted(&exact, lost, q)) {
            (Some(a), Some(b)) => prop_assert!((a - b).abs() <= 5.1e-4 * b + 1e-6, "{a} against {b}"),
            (a, b) => prop_assert_eq!(a, b),
        }
    }
}
