use super::*;
use crate::unit::{CallTerms, Codec};

const NONE: Impairment = Impairment { factor: 0.0, robustness: 4.3 };

fn at(one_way_ms: f64) -> Rating {
    rate(&Inputs { one_way_ms, impairment: NONE, lost_share: 0.0, burst_ratio: 1.0 })
}

#[test]
fn the_default_parameters_give_the_published_default_rating() {
    // G.107: R = 93.2 with all parameters at their defaults; the parts worked out from the formulas.
    let default = at(0.0);
    assert!((default.r - 93.2).abs() < 0.05, "{default:?}");
    for (found, want) in [(default.basic, 94.77), (default.simultaneous, 1.41), (default.listener_echo, 0.15)] {
        assert!((found - want).abs() < 0.01, "{default:?}");
    }
    assert_eq!((default.talker_echo, default.absolute_delay, default.equipment), (0.0, 0.0, 0.0));
    assert!((mean_opinion_score(default.r) - 4.41).abs() < 0.005);
}

#[test]
fn delay_takes_what_the_formulas_of_section_7_4_give() {
    // One-way delay, Idte, Idle, Idd, R, MOS: worked out with an implementation of its own (formulas from memory).
    for (ms, talker, listener, absolute, r, mos) in [
        (0.0, 0.00, 0.15, 0.0, 93.21, 4.41),
        (50.0, 1.02, 0.58, 0.0, 91.76, 4.38),
        (100.0, 1.96, 0.73, 0.0, 90.66, 4.36),
        (150.0, 2.81, 0.84, 0.16, 89.54, 4.33),
        (200.0, 3.57, 0.94, 3.04, 85.81, 4.22),
        (250.0, 4.24, 1.02, 8.92, 79.18, 3.99),
        (300.0, 4.83, 1.09, 14.76, 72.67, 3.72),
        (400.0, 5.81, 1.23, 24.07, 62.25, 3.22),
        (500.0, 6.56, 1.35, 30.64, 54.80, 2.83),
        (600.0, 7.16, 1.47, 35.25, 49.48, 2.55),
    ] {
        let found = at(ms);
        let figures = [found.talker_echo, found.listener_echo, found.absolute_delay, found.r, mean_opinion_score(found.r)];
        for (figure, want) in figures.into_iter().zip([talker, listener, absolute, r, mos]) {
            assert!((figure - want).abs() < 0.011, "{ms} ms: {figures:?}, not {want}");
        }
    }
}

#[test]
fn delay_never_raises_the_rating_but_for_what_the_formula_of_the_echo_has_at_its_start() {
    let mut before = at(0.0).r;
    for tenth in 1..=10_000 {
        let now = at(f64::from(tenth) / 10.0).r;
        // Idte begins at 1 ms (section 7.4), where its formula gives -0.109, and is above zero from 5 ms on.
        let rise = if tenth <= 50 { 0.11 } else { 1e-9 };
        assert!(now <= before + rise && before - now < 0.02, "{tenth}: {before} to {now}");
        before = now;
    }
}

#[test]
fn ratings_become_opinion_scores_as_in_annex_b() {
    // The table of annex B from memory: its 4.03 at R = 80 is not the rounded value of its own formula, 4.024.
    for (r, want) in [(93.2, 4.41), (90.0, 4.34), (80.0, 4.03), (70.0, 3.60), (60.0, 3.10), (50.0, 2.58)] {
        assert!((mean_opinion_score(r) - want).abs() < 0.01, "{r}");
    }
    for (r, want) in
        [(100.0, 4.5), (95.0, 4.441), (40.0, 2.064), (30.0, 1.609), (20.0, 1.252), (10.0, 1.035), (6.5, 1.0), (5.0, 1.0)]
    {
        assert!((mean_opinion_score(r) - want).abs() < 0.001, "{r}");
    }
    assert_eq!([-20.0, 0.0, 100.0, 130.0].map(mean_opinion_score), [1.0, 1.0, 4.5, 4.5]);
}

/// The closed inverse of annex B's polynomial, for scores of 1 to 4.5 (G.107 appendix I, from memory).
fn rating_of(score: f64) -> f64 {
    let under = -903_522.0 + 1_113_960.0 * score - 202_500.0 * score * score;
    let h = (15.0 * under.max(0.0).sqrt()).atan2(18_566.0 - 6_750.0 * score) / 3.0;
    20.0 / 3.0 * (8.0 - 226_f64.sqrt() * (h + std::f64::consts::FRAC_PI_3).cos())
}

#[test]
fn opinion_scores_become_ratings_again() {
    for tenth in 70..=1000 {
        let r = f64::from(tenth) / 10.0;
        let back = rating_of(mean_opinion_score(r));
        assert!((back - r).abs() < 0.1, "{r}: {back}");
    }
}

#[test]
fn loss_of_each_codec_gives_the_scores_of_its_impairment() {
    // MOS with R = 93.2 - Ie,eff, random loss: worked out from the formulas.
    let codecs = [(Codec::G711MuLaw, false), (Codec::G711MuLaw, true), (Codec::G729A, true)];
    for (percent, want) in
        [(0.0, [4.41, 4.41, 4.10]), (1.0, [3.83, 4.33, 3.95]), (5.0, [2.17, 3.92, 3.34]), (20.0, [1.12, 2.63, 2.02])]
    {
        for ((codec, conceals), want) in codecs.into_iter().zip(want) {
            let impairment = Impairment::of(&CallTerms { codec, conceals, ..CallTerms::default() });
            let rated = rate(&Inputs { one_way_ms: 0.0, impairment, lost_share: percent / 100.0, burst_ratio: 1.0 });
            let found = mean_opinion_score(rated.r);
            assert!((found - want).abs() < 0.01, "{codec:?} {percent} %: {found}, not {want}");
        }
    }
}

#[test]
fn satisfaction_begins_at_its_bounds() {
    for (r, want) in
        [(90.0, "users very satisfied"), (89.9, "users satisfied"), (70.0, "some users dissatisfied"), (-5.0, "not recommended")]
    {
        assert_eq!(satisfaction(r), want);
    }
}
