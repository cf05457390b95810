//! From what working conditions gave to readings, series and facts, and what else than the line could have bounded them.

use serde_json::json;

use super::Tested;
use crate::check::Effort;
use crate::metric::mean;
use crate::metric::responsiveness::search::Sureness;
use crate::metric::responsiveness::{KEPT, trimmed_mean, word};
use crate::reading::{Limit, LimitedBy, Outcome, Reading, Series, Unit};
use crate::unit::{Interval, Layer, Load};

/// A core that is busy for this share of the time has no more to give.
const CPU_LIMIT: f64 = 0.95;

/// Adds what one direction found.
pub(super) fn add(outcome: &mut Outcome, effort: &Effort, tested: &Tested) {
    let Tested { direction, family, working, .. } = tested;
    let found = &working.found;
    let load = Load::from(*direction);
    let limits = limits(tested);
    let mut readings = Vec::new();
    if let Some(figures) = found.figures {
        let interval = interval(found.sureness, &found.each, figures.combined, effort.confidence);
        let none = Interval { low: None, high: None, confidence: effort.confidence };
        let samples = |values: &[f64]| values.len() as u64;
        let all = samples(&found.trips.request) + samples(&found.trips.loaded);
        readings.push(Reading::new("responsiveness.round_trips_per_minute", figures.combined, all, interval));
        let parts = [
            ("responsiveness.foreign_round_trips", figures.foreign, &found.trips.request),
            ("responsiveness.loaded_round_trips", figures.loaded, &found.trips.loaded),
        ];
        readings.extend(parts.map(|(name, value, of)| Reading::new(name, value, samples(of), none)));
    }
    let times = [
        ("responsiveness.connect_time", &found.trips.connect),
        ("responsiveness.tls_time", &found.trips.secure),
        ("responsiveness.request_time", &found.trips.request),
        ("responsiveness.loaded_request_time", &found.trips.loaded),
    ];
    for (name, values) in times {
        if let Some(mean) = trimmed_mean(values, KEPT) {
            let interval = Interval { low: None, high: None, confidence: effort.confidence };
            readings.push(Reading::new(name, mean, values.len() as u64, interval));
        }
    }
    let goodput: Vec<f64> = working.goodput.iter().map(|bits| bits / 1e6).collect();
    let last = &goodput[goodput.len().saturating_sub(found.each.len().max(1))..];
    let interval = mean::of_batches(last, effort.confidence);
    readings.push(Reading::new("responsiveness.goodput", found.goodput / 1e6, last.len() as u64, interval).at(Layer::TcpPayload));
    for reading in &mut readings {
        reading.limited_by.extend(limits.iter().cloned());
    }
    outcome.readings.extend(readings.into_iter().map(|one| one.toward(*direction).over(*family).under(load)));
    outcome.fact(
        &format!("working_{direction}"),
        json!({
            "confidence": found.sureness.word(),
            "goodput_confidence": found.goodput_sureness.word(),
            "felt_as": found.figures.map(|figures| word(figures.combined)),
            "connections": found.connections,
            "intervals": found.intervals,
            "probes_failed": working.probes_failed,
        }),
    );
    outcome.series.push(Series {
        name: "responsiveness.goodput".to_owned(),
        unit: Unit::MegabitPerSecond,
        target: None,
        direction: Some(*direction),
        family: Some(*family),
        load: Some(load),
        at_ms: (1..=goodput.len()).map(|at| at as f64 * 1e3).collect(),
        values: goodput.into_iter().map(Some).collect(),
    });
}

/// Bounds of the figure from those of the last intervals alone; none where the draft calls the confidence low.
fn interval(sureness: Sureness, each: &[f64], value: f64, confidence: f64) -> Interval {
    if sureness == Sureness::Low {
        return Interval { low: None, high: None, confidence };
    }
    // The figure of all their probes together is not the mean of theirs: the interval holds both.
    let Interval { low, high, .. } = mean::of_batches(each, confidence);
    Interval { low: low.map(|low| low.min(value).max(0.0)), high: high.map(|high| high.max(value)), confidence }
}

/// Busy cores make each handshake slower: the line may be better than the figure.
fn limits(tested: &Tested) -> Vec<LimitedBy> {
    let sides = [(Limit::TestSet, tested.cpu_busy), (Limit::FarEnd, tested.report.as_ref().and_then(|report| report.cpu_busy))];
    let busy = sides.into_iter().filter_map(|(side, busy)| Some((side, busy.filter(|busy| *busy >= CPU_LIMIT)?)));
    busy.map(|(side, busy)| LimitedBy { side, what: format!("its busiest core was at {:.0} %", busy * 100.0) }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_of_low_confidence_has_no_bounds_and_bounds_hold_the_figure() {
        assert_eq!(interval(Sureness::Low, &[1.0, 2.0, 3.0, 4.0], 2.0, 0.95).low, None);
        let bounds = interval(Sureness::High, &[600.0, 600.0, 600.0, 600.0], 590.0, 0.95);
        assert_eq!((bounds.low, bounds.high), (Some(590.0), Some(600.0)));
    }
}
