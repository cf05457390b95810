//! From interval to interval: when goodput stands, when responsiveness stands, and how sure the figure is.
//!
//! Draft-ietf-ippm-responsiveness, sections "Final Algorithm" and "Confidence of Test-Results". Pure: what an interval moved and what its
//! probes took comes in, what to do next goes out.

use std::collections::VecDeque;

use super::{Figures, Trips};

/// Parameters of the draft, section "Test Parameters".
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Terms {
    /// Intervals of the moving average (MAD).
    pub window: usize,
    /// Length of an interval in seconds (ID).
    pub interval: f64,
    /// Standard deviation as a share of the average, below which a figure stands (SDT).
    pub tolerance: f64,
    /// Load-generating connections at most (MNP).
    pub connections: usize,
    /// Probes a second at most (MPS); half of them are foreign.
    pub probes: f64,
    /// Share of the line that probes may take (PTC).
    pub share: f64,
    /// Intervals after which the search gives up; the draft leaves the time limit to who tests.
    pub intervals: usize,
}

impl Default for Terms {
    /// MAD 4, ID 1 s, SDT 5 %, MNP 16, MPS 100, PTC 5 %; at most 20 intervals *(ours)*.
    fn default() -> Self {
        Self { window: 4, interval: 1.0, tolerance: 0.05, connections: 16, probes: 100.0, share: 0.05, intervals: 20 }
    }
}

/// Octets of a foreign and a self probe, as the draft estimates them (section "Measuring Responsiveness").
const PAIR_OCTETS: f64 = 5000.0 + 1000.0;

impl Terms {
    /// Pairs of a foreign and a self probe a second, on a line of this goodput in bits per second.
    pub fn pairs(&self, goodput: f64) -> f64 {
        (self.share * goodput / (PAIR_OCTETS * 8.0)).min(self.probes / 2.0)
    }
}

/// What the search does next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// Another connection, another interval.
    AddConnection,
    /// Another interval; there are as many connections as there may be.
    Wait,
    /// The figure is found.
    End,
}

/// How sure a stage's figure is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sureness {
    /// Fewer intervals than the moving average wants.
    Low,
    /// Enough intervals, but the figure did not stand.
    Medium,
    /// The figure stood.
    High,
}

impl Sureness {
    /// The draft's word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
        }
    }
}

/// The search.
#[derive(Debug, Clone)]
pub struct Search {
    terms: Terms,
    /// Octets of the last intervals.
    octets: VecDeque<f64>,
    /// Moving averages of goodput.
    averages: Vec<f64>,
    /// Interval at whose end goodput stood.
    filled_at: Option<usize>,
    trips: VecDeque<Trips>,
    /// Combined responsiveness at the end of each interval since.
    figures: Vec<f64>,
    stood: bool,
    connections: usize,
    intervals: usize,
}

/// What the search found.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Moving average of goodput at the end, bits per second.
    pub goodput: f64,
    /// How sure that is.
    pub goodput_sureness: Sureness,
    /// Probes of the last intervals, of which the figure is made.
    pub trips: Trips,
    /// The figure; `None` without probes.
    pub figures: Option<Figures>,
    /// How sure it is.
    pub sureness: Sureness,
    /// The combined figure of each of the last intervals alone, for its spread.
    pub each: Vec<f64>,
    /// Load-generating connections at the end.
    pub connections: usize,
    /// Intervals that ran.
    pub intervals: usize,
}

impl Search {
    /// Begins with one connection (INP).
    pub fn new(terms: Terms) -> Self {
        Self {
            terms,
            octets: VecDeque::new(),
            averages: Vec::new(),
            filled_at: None,
            trips: VecDeque::new(),
            figures: Vec::new(),
            stood: false,
            connections: 1,
            intervals: 0,
        }
    }

    /// The parameters.
    pub fn terms(&self) -> &Terms {
        &self.terms
    }

    /// Goodput now, bits per second, over as many intervals as there were.
    pub fn goodput(&self) -> f64 {
        let time = self.terms.interval * self.octets.len().max(1) as f64;
        self.octets.iter().sum::<f64>() * 8.0 / time
    }

    /// Whether the line is in working conditions.
    pub fn is_filled(&self) -> bool {
        self.filled_at.is_some()
    }

    /// Takes what an interval moved, and the probes that came back in it.
    pub fn on_interval(&mut self, octets: u64, trips: Trips) -> Next {
        let window = self.terms.window;
        self.intervals += 1;
        keep(&mut self.octets, octets as f64, window);
        keep(&mut self.trips, trips, window);
        if self.filled_at.is_none() {
            if self.octets.len() == window {
                self.averages.push(self.goodput());
            }
            if self.stands(&self.averages) {
                self.filled_at = Some(self.intervals);
            }
        } else if let Some(figures) = self.pooled().figures() {
            self.figures.push(figures.combined);
            self.stood = self.stands(&self.figures);
        }
        if self.stood || self.intervals >= self.terms.intervals {
            Next::End
        } else if self.connections < self.terms.connections {
            self.connections += 1;
            Next::AddConnection
        } else {
            Next::Wait
        }
    }

    /// What was found until now.
    pub fn found(&self) -> Found {
        let trips = self.pooled();
        let of = |count: usize, stood: bool| match (stood, count >= self.terms.window) {
            (true, _) => Sureness::High,
            (false, true) => Sureness::Medium,
            (false, false) => Sureness::Low,
        };
        Found {
            goodput: self.goodput(),
            goodput_sureness: of(self.intervals, self.is_filled()),
            figures: trips.figures(),
            trips,
            sureness: of(self.figures.len(), self.stood),
            each: self.trips.iter().filter_map(|one| one.figures()).map(|one| one.combined).collect(),
            connections: self.connections,
            intervals: self.intervals,
        }
    }

    fn pooled(&self) -> Trips {
        self.trips.iter().fold(Trips::default(), |mut all, one| {
            all.add(one);
            all
        })
    }

    /// Whether the last values spread less than the tolerance of the newest.
    fn stands(&self, values: &[f64]) -> bool {
        let Some(last) = values.len().checked_sub(self.terms.window).map(|from| &values[from..]) else { return false };
        let Some(current) = last.last().filter(|value| **value > 0.0) else { return false };
        deviation(last) < self.terms.tolerance * current
    }
}

/// Standard deviation of values as they are, not of what they are drawn from: the draft speaks of these values.
fn deviation(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / n).sqrt()
}

fn keep<T>(values: &mut VecDeque<T>, value: T, most: usize) {
    if values.len() == most {
        values.pop_front();
    }
    values.push_back(value);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trips(ms: f64) -> Trips {
        Trips { connect: vec![ms], secure: vec![ms], request: vec![ms], loaded: vec![ms] }
    }

    /// A line of 8 Mbit/s from the first interval on: the fourth gives the first moving average over all four, the seventh the fourth
    /// average, and four figures later the search ends, with a connection more each interval.
    #[test]
    fn a_steady_line_is_found_after_the_windows_of_both_stages() {
        let mut search = Search::new(Terms::default());
        let nexts: Vec<Next> = (0..11).map(|_| search.on_interval(1_000_000, trips(100.0))).collect();
        assert_eq!(nexts[..10], [Next::AddConnection; 10]);
        assert_eq!(nexts[10], Next::End);
        let found = search.found();
        assert_eq!((found.goodput, found.connections, found.intervals), (8e6, 11, 11));
        assert_eq!((found.goodput_sureness, found.sureness), (Sureness::High, Sureness::High));
        assert!((found.figures.unwrap().combined - 600.0).abs() < 1e-9 && found.each.len() == 4);
    }

    #[test]
    fn a_line_that_never_stands_still_ends_at_the_limit_and_is_less_sure() {
        let mut search = Search::new(Terms { intervals: 12, connections: 3, ..Terms::default() });
        let mut last = Next::AddConnection;
        for at in 0..12u64 {
            last = search.on_interval(1_000_000 << (2 * (at / 4 % 2)), trips(100.0));
        }
        assert_eq!(last, Next::End);
        assert_eq!((search.found().goodput_sureness, search.found().sureness), (Sureness::Medium, Sureness::Low));
        assert_eq!(search.found().connections, 3);
        // Goodput stands, responsiveness halves each time.
        let mut search = Search::new(Terms { intervals: 14, ..Terms::default() });
        for at in 0..14 {
            search.on_interval(1_000_000, trips(10.0 * 2f64.powi(at)));
        }
        assert_eq!((search.found().goodput_sureness, search.found().sureness), (Sureness::High, Sureness::Medium));
    }

    #[test]
    fn a_dead_line_is_no_figure() {
        let mut search = Search::new(Terms::default());
        while search.on_interval(0, Trips::default()) != Next::End {}
        assert_eq!((search.found().figures, search.found().goodput), (None, 0.0));
        assert_eq!(search.found().sureness, Sureness::Low);
        assert!(!search.is_filled());
    }

    /// The draft's own sum: 100 probes a second take 300 kB, 2400 kbit/s; from 48 Mbit/s on that is less than 5 %.
    #[test]
    fn probes_take_no_more_than_their_share_of_the_line() {
        let terms = Terms::default();
        assert_eq!(terms.pairs(1e9), 50.0);
        assert_eq!(terms.pairs(48e6), 50.0);
        assert_eq!(terms.pairs(9.6e6), 10.0);
    }

    #[test]
    fn the_window_takes_the_deviation_of_its_values() {
        assert_eq!(deviation(&[2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0]), 2.0);
    }
}
