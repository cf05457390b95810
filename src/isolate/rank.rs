//! Weighing explanations: no fault, each fault, and each pair of faults.
//!
//! Every fault brings each of its symptoms independently (a noisy-or: a symptom stays away only if every fault present and
//! chance all fail to bring it), so evidence adds up as log-likelihoods. Symptoms that were not looked at say nothing.
//! Three faults at once are not considered; a visit is repeated after the first is mended. See J. Pearl, Probabilistic
//! Reasoning in Intelligent Systems (1988), section 4.3, for the noisy-or.

use super::catalogue::{self, Fault, stray};
use super::model::{Observation, Symptom};
use crate::unit::Position;

/// Weight of a line without fault in the scale of [`Fault::prior`]: of 10,000.
const SOUND: f64 = 8_000.0;
const LINES: f64 = 10_000.0;

/// Beliefs after the evidence.
#[derive(Debug)]
pub struct Ranking {
    /// That no fault of the catalogue is present.
    pub sound: f64,
    /// The faults that are possible at the position, with the belief that each is present, largest first.
    pub faults: Vec<(&'static Fault, f64)>,
}

/// Weighs.
pub fn rank(position: Position, observations: &[Observation]) -> Ranking {
    let possible: Vec<&'static Fault> = catalogue::all().filter(|f| f.segment(position).is_some()).collect();
    let looked = Looked::at(observations);
    let weighed: Vec<Weighed> = possible.iter().map(|fault| looked.weighed(fault)).collect();
    let mut hypotheses: Vec<(Vec<usize>, f64)> = vec![(Vec::new(), SOUND.ln() + looked.likelihood(&[]))];
    for (i, first) in weighed.iter().enumerate() {
        let prior = possible[i].prior;
        hypotheses.push((vec![i], prior.ln() + looked.likelihood(&[first])));
        for (j, second) in weighed.iter().enumerate().skip(i + 1) {
            let both = (prior * possible[j].prior / LINES).ln();
            hypotheses.push((vec![i, j], both + looked.likelihood(&[first, second])));
        }
    }
    // Subtract the largest before the exponential, so that nothing underflows to zero all over.
    let largest = hypotheses.iter().map(|(_, log)| *log).fold(f64::NEG_INFINITY, f64::max);
    let whole: f64 = hypotheses.iter().map(|(_, log)| (log - largest).exp()).sum();
    let mut beliefs = vec![0.0; possible.len()];
    let mut sound = 0.0;
    for (set, log) in &hypotheses {
        let share = (log - largest).exp() / whole;
        if set.is_empty() {
            sound += share;
        }
        for index in set {
            beliefs[*index] += share;
        }
    }
    let mut faults: Vec<_> = possible.into_iter().zip(beliefs).collect();
    faults.sort_by(|a, b| b.1.total_cmp(&a.1));
    Ranking { sound, faults }
}

/// How well these faults, and no others, fit what was seen: the logarithm of its probability, without their priors.
pub(super) fn fit(faults: &[&Fault], observations: &[Observation]) -> f64 {
    let looked = Looked::at(observations);
    let weighed: Vec<Weighed> = faults.iter().map(|fault| looked.weighed(fault)).collect();
    looked.likelihood(&weighed.iter().collect::<Vec<_>>())
}

/// What was looked for, parted: the absent adds up fault by fault, so that only what was seen is weighed anew for each pair.
struct Looked<'a> {
    seen: Vec<&'a Observation>,
    absent: Vec<&'a Observation>,
    /// For each symptom that was seen: the probability that it does not stray in.
    strays_not: Vec<f64>,
    /// Logarithm of the probability that none of the absent ones strays in.
    none_strays: f64,
}

/// A fault against what was looked for.
struct Weighed {
    /// For each symptom that was seen: the probability that this fault does not bring it.
    stays_away: Vec<f64>,
    /// Logarithm of the probability that it brings none of those that are absent.
    absent: f64,
}

impl<'a> Looked<'a> {
    fn at(observations: &'a [Observation]) -> Self {
        let (seen, absent): (Vec<_>, Vec<_>) = observations.iter().partition(|o| o.seen);
        let strays_not = seen.iter().map(|o| 1.0 - stray(o.symptom)).collect();
        let none_strays = absent.iter().map(|o| (1.0 - stray(o.symptom)).ln()).sum();
        Self { seen, absent, strays_not, none_strays }
    }

    fn weighed(&self, fault: &Fault) -> Weighed {
        let stays_away = |o: &&Observation| 1.0 - shows(fault, o.symptom);
        Weighed {
            stays_away: self.seen.iter().map(stays_away).collect(),
            absent: self.absent.iter().map(|o| stays_away(o).ln()).sum(),
        }
    }

    /// Logarithm of the probability of all that was looked at when exactly these faults are present.
    fn likelihood(&self, faults: &[&Weighed]) -> f64 {
        let comes = |(i, strays_not): (usize, &f64)| {
            let stays_away = faults.iter().map(|fault| fault.stays_away[i]).product::<f64>() * strays_not;
            (1.0 - stays_away).ln()
        };
        let seen: f64 = self.strays_not.iter().enumerate().map(comes).sum();
        seen + self.none_strays + faults.iter().map(|fault| fault.absent).sum::<f64>()
    }
}

/// Probability with which a fault brings a symptom.
pub(super) fn shows(fault: &Fault, symptom: Symptom) -> f64 {
    fault.shows.iter().find(|(s, _)| *s == symptom).map_or(0.0, |(_, p)| *p)
}
