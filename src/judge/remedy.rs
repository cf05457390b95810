//! What it would take to turn 'not proven' or 'not tested' into a verdict: in words, and as data that a visit can be planned from.
//!
//! Both are made together, so that they can't say two things.

use super::verdict::{Limits, ToProve};
use crate::metric::difference::Estimate;
use crate::metric::loss_interval;
use crate::metric::sampling::Sampling;
use crate::reading::names::check_of;
use crate::reading::{Limit, Reading, words};
use crate::unit::Interval;

/// More samples than this are no advice for a visit: at 100 a second they take a day.
const MOST_SAMPLES: u64 = 10_000_000;

/// What is to be done.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Remedy {
    /// In words.
    pub(super) words: String,
    /// Step by step.
    pub(super) steps: Vec<ToProve>,
}

/// What to do to prove a figure that lies across its limit or was bounded by something else.
pub(super) fn of(reading: &Reading, limit: &Limits) -> Remedy {
    if reading.limited_by.is_empty() {
        return more_samples(reading, limit);
    }
    let (mut words, mut steps) = (Vec::new(), Vec::new());
    for limited in &reading.limited_by {
        let what = &limited.what;
        words.push(match limited.side {
            Limit::TestSet => format!("repeat with a test set that is not the limit ({what})"),
            Limit::FarEnd => format!("repeat when the far end is free, or against another one ({what})"),
            Limit::CrossTraffic => format!("repeat while nothing else uses the line ({what})"),
        });
        steps.push(ToProve::First { what: what.clone(), side: Some(limited.side) });
    }
    steps.push(ToProve::Run { check: check_of(&reading.name).to_owned() });
    Remedy { words: words.join("; "), steps }
}

/// Run a check; `first` is what kept it from running.
pub(super) fn run(check: &str, first: Option<String>) -> Remedy {
    let run = ToProve::Run { check: check.to_owned() };
    match first {
        None => Remedy { words: format!("run the check {check}"), steps: vec![run] },
        Some(what) => Remedy {
            words: format!("run the check {check} once this no longer stands in the way: {what}"),
            steps: vec![ToProve::First { what, side: None }, run],
        },
    }
}

/// Run a check again that ran and had no such figure; `reason` is what it said of itself.
pub(super) fn without_figure(check: &str, reason: Option<&str>) -> Remedy {
    let what = reason.map_or_else(
        || format!("find out why the check {check} had no such figure here"),
        |reason| format!("find out why the check {check} had no such figure here ({reason})"),
    );
    let steps = vec![ToProve::First { what: what.clone(), side: None }, ToProve::Run { check: check.to_owned() }];
    Remedy { words: format!("{what}, then run it again"), steps }
}

/// See first to whom a check's failure may be due, then run it again.
pub(super) fn after(check: &str, side: Limit) -> Remedy {
    let what = match side {
        Limit::TestSet => "mend what is wrong at the test set",
        Limit::FarEnd => "find out whether the far end is up",
        Limit::CrossTraffic => "see that nothing else uses the line",
    };
    let first = ToProve::First { what: what.to_owned(), side: Some(side) };
    let words = match side {
        Limit::FarEnd => "find out first whether the far end is up, then repeat the visit".to_owned(),
        _ => format!("{what} first, then repeat the visit"),
    };
    Remedy { words, steps: vec![first, ToProve::Run { check: check.to_owned() }] }
}

/// Type in what nobody measures.
pub(super) fn type_it_in() -> Remedy {
    let words = "type in what the modem's page shows: repeat the visit with --line ask".to_owned();
    Remedy { words, steps: vec![ToProve::TypeIn] }
}

fn more_samples(reading: &Reading, limit: &Limits) -> Remedy {
    let what = sample_words(&reading.name);
    let check = check_of(&reading.name).to_owned();
    let now = words::grouped(reading.samples as f64);
    if reading.low.is_none() && reading.high.is_none() && words::quantile(&reading.name).is_none() {
        let words =
            "no number of samples proves it, since this figure has no interval: set the limit on another figure".to_owned();
        return Remedy { words, steps: vec![ToProve::OtherLimit] };
    }
    match samples_needed(reading, limit, reading.confidence) {
        Some(wanted) if wanted <= MOST_SAMPLES => {
            let samples = rounded_up(wanted.max(reading.samples + 1));
            let words = format!("take {} {what} instead of {now}", words::grouped(samples as f64));
            Remedy { words, steps: vec![ToProve::Sample { check, samples, has: reading.samples }] }
        }
        _ => {
            let words = format!(
                "no visit can take enough {what}: the figure stands too close to the limit ({now} now); watch the line over a longer time"
            );
            Remedy { words, steps: vec![ToProve::Watch { check }] }
        }
    }
}

/// Samples after which an interval of this confidence clears the limit, if the figure stays what it is; `None` where no number is known to do.
pub fn samples_needed(reading: &Reading, limit: &Limits, confidence: f64) -> Option<u64> {
    let nearest = nearest_limit(reading, limit)?;
    // As its samples were taken: more of them would be taken so too.
    let sampling = Sampling { confidence, planned: reading.sequential.map(|taken| taken.planned) };
    if reading.name.ends_with("_ratio") && reading.value <= 1.0 {
        let plain = loss_interval::samples_to_clear(reading.value, nearest, sampling)?;
        return Some((plain as f64 * clustering(reading, sampling)).ceil() as u64);
    }
    let Estimate { low, high, .. } = Estimate { value: reading.value, low: reading.low, high: reading.high }
        .at_confidence(reading.confidence.clamp(0.5, 0.999), confidence);
    let widened = match (words::quantile(&reading.name), low, high) {
        // A bound is missing: first, enough samples that the largest (or smallest) of them bounds the quantile.
        // Where there are already as many, they cluster or some never came back; how many are enough can't be told from
        // here, and twice as many is the next step.
        (Some(q), low, high) if low.is_none() || high.is_none() => {
            let independent = samples_to_bound(q, sampling)?;
            return Some(if independent > reading.samples { independent } else { 2 * reading.samples });
        }
        (_, Some(low), Some(high)) => {
            let half = if nearest > reading.value { high - reading.value } else { reading.value - low };
            half / (nearest - reading.value).abs()
        }
        _ => return None,
    };
    // The width of an interval falls with the square root of the number of samples.
    let factor = widened * widened;
    (factor.is_finite() && reading.samples > 0).then(|| (reading.samples as f64 * factor.max(1.0)).ceil() as u64)
}

/// By how much wider, squared, the reading's interval is than that of as many independent samples: losses that come in
/// bursts make each sample count for less (design effect). 1 when it is no wider.
fn clustering(reading: &Reading, sampling: Sampling) -> f64 {
    let hits = (reading.value * reading.samples as f64).round() as u64;
    let plain = sampling.share(hits, reading.samples, 1.0);
    let width = |low: Option<f64>, high: Option<f64>| Some(high? - low?);
    match (width(reading.low, reading.high), width(plain.low, plain.high)) {
        (Some(wide), Some(plain)) if plain > 0.0 => (wide / plain).powi(2).max(1.0),
        _ => 1.0,
    }
}

/// The limit that the interval lies across: the one that is nearest to the value.
fn nearest_limit(reading: &Reading, limit: &Limits) -> Option<f64> {
    let across = |l: &f64| {
        let interval = Interval { low: reading.low, high: reading.high, confidence: reading.confidence };
        interval.low.is_none_or(|low| low <= *l) && interval.high.is_none_or(|high| high >= *l)
    };
    let distance = |l: &f64| (l - reading.value).abs();
    [limit.at_least, limit.at_most].into_iter().flatten().filter(across).min_by(|a, b| distance(a).total_cmp(&distance(b)))
}

/// The smallest number of samples with both bounds of quantile `q` finite (order statistics).
pub(super) fn samples_to_bound(q: f64, sampling: Sampling) -> Option<u64> {
    let bounded = |n: u64| {
        let ranks = sampling.ranks(n, 1.0, q);
        ranks.low.is_some() && ranks.high.is_some()
    };
    let mut enough = 2;
    while !bounded(enough) {
        enough *= 2;
        if enough > MOST_SAMPLES {
            return None;
        }
    }
    let mut short = enough / 2;
    while enough - short > 1 {
        let middle = short + (enough - short) / 2;
        if bounded(middle) { enough = middle } else { short = middle }
    }
    Some(enough)
}

/// Two significant digits, upwards: nobody plans 2,996 packets.
fn rounded_up(n: u64) -> u64 {
    let mut step = 1;
    while n / step >= 100 {
        step *= 10;
    }
    n.div_ceil(step) * step
}

fn sample_words(name: &str) -> &'static str {
    match check_of(name) {
        "dns" => "lookups",
        "twoway" => "test packets",
        "echo" | "path" => "echo requests",
        _ => "samples",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Reading;

    fn loss(lost: u64, sent: u64) -> Reading {
        Reading::new("twoway.loss_ratio", lost as f64 / sent as f64, sent, loss_interval::clopper_pearson(lost, sent, 0.95))
    }

    fn remedy(reading: &Reading, limit: &Limits) -> String {
        of(reading, limit).words
    }

    fn needed(reading: &Reading, limit: &Limits) -> Option<u64> {
        samples_needed(reading, limit, reading.confidence)
    }

    fn at_most(value: f64) -> Limits {
        Limits { at_most: Some(value), ..Limits::default() }
    }

    #[test]
    fn a_loss_free_stream_needs_as_many_packets_as_the_zero_loss_bound_says() {
        // ln(0.025) / ln(1 - 0.001) = 3687.04: the exact two-sided interval at 95 % with no loss.
        assert_eq!(remedy(&loss(0, 500), &at_most(0.001)), "take 3,700 test packets instead of 500");
    }

    #[test]
    fn a_quantile_without_an_upper_bound_needs_enough_samples_to_have_one() {
        // The largest of n is a two-sided 95 % bound of the 95th percentile from n = 72 on: 0.95^72 = 0.0249 < 0.025.
        let reading = Reading::new("twoway.round_trip_p95", 20.0, 30, Interval { low: Some(18.0), high: None, confidence: 0.95 });
        assert_eq!(remedy(&reading, &at_most(30.0)), "take 72 test packets instead of 30");
    }

    #[test]
    fn where_enough_samples_still_give_no_bound_twice_as_many_are_asked_for() {
        let reading =
            Reading::new("twoway.round_trip_p95", 20.0, 375, Interval { low: Some(18.0), high: None, confidence: 0.95 });
        assert_eq!(remedy(&reading, &at_most(30.0)), "take 750 test packets instead of 375");
    }

    #[test]
    fn twice_the_distance_asks_for_four_times_the_samples() {
        let reading =
            Reading::new("dns.lookup_time_p50", 90.0, 20, Interval { low: Some(80.0), high: Some(110.0), confidence: 0.95 });
        assert_eq!(remedy(&reading, &at_most(100.0)), "take 80 lookups instead of 20");
    }

    #[test]
    fn losses_in_bursts_ask_for_as_many_more_samples_as_their_interval_is_wider_squared() {
        let plain = loss(2, 1000);
        let (low, high) = (plain.low.unwrap(), plain.high.unwrap());
        let wide = Reading { low: Some(low), high: Some(low + 2.0 * (high - low)), ..plain.clone() };
        let (one, four) = (needed(&plain, &at_most(0.005)).unwrap(), needed(&wide, &at_most(0.005)).unwrap());
        assert!((four as f64 / one as f64 - 4.0).abs() < 0.01, "{one} {four}");
    }

    /// ln(0.0125) / ln(1 - 0.001) = 4379.8: one end of an interval of 97.5 %.
    #[test]
    fn a_higher_confidence_needs_more_samples() {
        assert_eq!(samples_needed(&loss(0, 500), &at_most(0.001), 0.975), Some(4380));
        // 2.2414 deviations instead of 1.9600 (any table of the normal distribution): 20 samples x 4 x (2.2414 / 1.9600)^2.
        let reading =
            Reading::new("dns.lookup_time_p50", 90.0, 20, Interval { low: Some(80.0), high: Some(110.0), confidence: 0.95 });
        assert_eq!(samples_needed(&reading, &at_most(100.0), 0.975), Some(105));
    }

    #[test]
    fn the_data_say_what_the_words_say() {
        let sample = |samples, has| vec![ToProve::Sample { check: "twoway".to_owned(), samples, has }];
        assert_eq!(of(&loss(0, 500), &at_most(0.001)).steps, sample(3700, 500));
        assert_eq!(of(&loss(5, 1000), &at_most(0.005)).steps, [ToProve::Watch { check: "twoway".to_owned() }]);
        let bounded = loss(0, 500).limited_by(Limit::TestSet, "its queue overflowed");
        let first = ToProve::First { what: "its queue overflowed".to_owned(), side: Some(Limit::TestSet) };
        assert_eq!(of(&bounded, &at_most(0.001)).steps, [first, ToProve::Run { check: "twoway".to_owned() }]);
    }

    #[test]
    fn a_figure_without_an_interval_is_not_told_to_stand_too_close() {
        let open = Interval { low: None, high: None, confidence: 1.0 };
        let told = of(&Reading::new("twoway.longest_loss", 40.0, 1000, open), &at_most(100.0));
        assert_eq!(told.steps, [ToProve::OtherLimit]);
        assert!(told.words.contains("no interval"), "{}", told.words);
    }

    #[test]
    fn a_figure_on_the_limit_itself_is_told_to_be_out_of_reach() {
        assert!(remedy(&loss(5, 1000), &at_most(0.005)).starts_with("no visit can take enough test packets"));
    }
}
