//! What it would take to turn 'not proven' into a verdict, in numbers.

use super::verdict::Limits;
use crate::metric::loss_interval;
use crate::metric::sampling::Sampling;
use crate::reading::{Limit, Reading, words};
use crate::unit::Interval;

/// More samples than this are no advice for a visit: at 100 a second they take a day.
const MOST_SAMPLES: u64 = 10_000_000;

/// What to do to prove a figure that lies across its limit or was bounded by something else.
pub(super) fn remedy(reading: &Reading, limit: &Limits) -> String {
    let mut advice: Vec<String> = Vec::new();
    for limited in &reading.limited_by {
        advice.push(match limited.side {
            Limit::TestSet => format!("repeat with a test set that is not the limit ({})", limited.what),
            Limit::FarEnd => format!("repeat when the far end is free, or against another one ({})", limited.what),
            Limit::CrossTraffic => format!("repeat while nothing else uses the line ({})", limited.what),
        });
    }
    if advice.is_empty() {
        advice.push(more_samples(reading, limit));
    }
    advice.join("; ")
}

fn more_samples(reading: &Reading, limit: &Limits) -> String {
    let what = sample_words(&reading.name);
    let now = words::grouped(reading.samples as f64);
    match needed(reading, limit) {
        Some(wanted) if wanted <= MOST_SAMPLES => {
            let wanted = words::grouped(rounded_up(wanted.max(reading.samples + 1)) as f64);
            format!("take {wanted} {what} instead of {now}")
        }
        _ => format!(
            "no visit can take enough {what}: the figure stands too close to the limit ({now} now); watch the line over a longer time"
        ),
    }
}

/// Samples after which the interval clears the limit, if the figure stays what it is.
fn needed(reading: &Reading, limit: &Limits) -> Option<u64> {
    let nearest = nearest_limit(reading, limit)?;
    // As its samples were taken: more of them would be taken so too.
    let sampling = Sampling { confidence: reading.confidence, planned: reading.sequential.map(|taken| taken.planned) };
    if reading.name.ends_with("_ratio") && reading.value <= 1.0 {
        let plain = loss_interval::samples_to_clear(reading.value, nearest, sampling)?;
        return Some((plain as f64 * clustering(reading, sampling)).ceil() as u64);
    }
    let widened = match (words::quantile(&reading.name), reading.low, reading.high) {
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
    match name.split_once('.').map_or(name, |(check, _)| check) {
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

    #[test]
    fn a_figure_on_the_limit_itself_is_told_to_be_out_of_reach() {
        assert!(remedy(&loss(5, 1000), &at_most(0.005)).starts_with("no visit can take enough test packets"));
    }
}
