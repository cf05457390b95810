//! Responsiveness in round trips per minute: draft-ietf-ippm-responsiveness (work in progress). Pure: it must not know connections.
//!
//! [`Trips`] sums what probes took to a figure, [`search`] decides from interval to interval when the line is in working conditions
//! and when the figure stands. Times are milliseconds.

pub mod search;

/// Share of the samples that the trimmed mean keeps: TMP of the draft, section "Test Parameters".
pub const KEPT: f64 = 0.95;
/// Milliseconds of a minute.
const MINUTE: f64 = 60_000.0;

/// What the probes of a stretch of time took, milliseconds.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Trips {
    /// TCP handshakes of foreign probes (`tcp_f`).
    pub connect: Vec<f64>,
    /// Their TLS handshakes per round trip of the handshake (`tls_f`); empty where there is no TLS.
    pub secure: Vec<f64>,
    /// Their requests, from sending to the end of the answer (`http_f`).
    pub request: Vec<f64>,
    /// Requests on load-generating connections (`http_l`).
    pub loaded: Vec<f64>,
}

/// The figures that trips give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Round trips per minute on connections of their own.
    pub foreign: f64,
    /// Round trips per minute on the connections that fill the line.
    pub loaded: f64,
    /// The mean of both.
    pub combined: f64,
}

/// Mean of the samples without the largest: the lowest 95 % are kept, at least one. `None` of nothing.
///
/// Draft, section "Aggregating the Measurements": a single-sided trimmed mean at the 95th percentile.
pub fn trimmed_mean(samples: &[f64], kept: f64) -> Option<f64> {
    let mut sorted = samples.to_vec();
    sorted.sort_by(f64::total_cmp);
    // 0.95 x 20 is a hair below 19 in binary.
    let count = ((sorted.len() as f64 * kept + 1e-9).floor() as usize).max(1);
    let kept = sorted.get(..count)?;
    Some(kept.iter().sum::<f64>() / count as f64)
}

/// Round trips per minute of a round trip's time: 60 000 / ms.
pub fn per_minute(round_trip_ms: f64) -> Option<f64> {
    (round_trip_ms > 0.0).then(|| MINUTE / round_trip_ms)
}

impl Trips {
    /// Foreign, loaded and combined responsiveness; `None` until there is a sample of each kind.
    ///
    /// Draft, section "Aggregating the Measurements": where no TLS is used its term falls away and is not zero.
    pub fn figures(&self) -> Option<Figures> {
        let mean = |samples: &[f64]| trimmed_mean(samples, KEPT);
        let parts: Vec<f64> = [mean(&self.connect), mean(&self.secure), mean(&self.request)].into_iter().flatten().collect();
        if self.connect.is_empty() || self.request.is_empty() {
            return None;
        }
        let foreign = per_minute(parts.iter().sum::<f64>() / parts.len() as f64)?;
        let loaded = per_minute(mean(&self.loaded)?)?;
        Some(Figures { foreign, loaded, combined: f64::midpoint(foreign, loaded) })
    }

    /// Adds the trips of another stretch.
    pub fn add(&mut self, other: &Self) {
        self.connect.extend(&other.connect);
        self.secure.extend(&other.secure);
        self.request.extend(&other.request);
        self.loaded.extend(&other.loaded);
    }
}

/// How a figure feels, in words of our own; the bounds are the draft's.
pub fn word(per_minute: f64) -> &'static str {
    match per_minute {
        ..300.0 => "sluggish: round trips above 200 ms",
        ..1000.0 => "noticeable: round trips of 60 to 200 ms",
        ..6000.0 => "prompt: round trips of 10 to 60 ms",
        _ => "immediate: round trips within 10 ms",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand from the draft's formulas: tcp 20, tls 25, http 30, loaded 50 ms give 2400, 1200 and 1800; without TLS
    /// (20 and 30 ms) the foreign part is 2400 as well.
    #[test]
    fn the_formulas_give_the_worked_values() {
        let mut trips = Trips { connect: vec![20.0], secure: vec![25.0], request: vec![30.0], loaded: vec![50.0] };
        assert_eq!(trips.figures(), Some(Figures { foreign: 2400.0, loaded: 1200.0, combined: 1800.0 }));
        trips.secure.clear();
        assert_eq!(trips.figures().unwrap().foreign, 2400.0);
        trips.loaded.clear();
        assert_eq!(trips.figures(), None);
    }

    #[test]
    fn the_trimmed_mean_of_1_to_100_is_that_of_1_to_95() {
        let samples: Vec<f64> = (1..=100).rev().map(f64::from).collect();
        assert_eq!(trimmed_mean(&samples, KEPT), Some(48.0));
        assert_eq!(trimmed_mean(&samples[..20], KEPT), Some(f64::midpoint(81.0, 99.0)));
        assert_eq!(trimmed_mean(&[7.0], KEPT), Some(7.0));
        assert_eq!(trimmed_mean(&[], KEPT), None);
    }

    #[test]
    fn sixty_milliseconds_are_a_thousand_round_trips_a_minute_and_bands_meet_at_the_draft_s_bounds() {
        assert_eq!(per_minute(60.0), Some(1000.0));
        assert_eq!(per_minute(0.0), None);
        let words = [299.9, 300.0, 1000.0, 6000.0].map(|rpm| word(rpm).split_once(':').unwrap().0);
        assert_eq!(words, ["sluggish", "noticeable", "prompt", "immediate"]);
    }
}
