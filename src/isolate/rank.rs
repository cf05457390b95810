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
    let mut hypotheses: Vec<(Vec<usize>, f64)> = vec![(Vec::new(), SOUND.ln() + likelihood(&[], observations))];
    for (i, first) in possible.iter().enumerate() {
        hypotheses.push((vec![i], first.prior.ln() + likelihood(&[first], observations)));
        for (j, second) in possible.iter().enumerate().skip(i + 1) {
            let prior = (first.prior * second.prior / LINES).ln();
            hypotheses.push((vec![i, j], prior + likelihood(&[first, second], observations)));
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

/// Logarithm of the probability of all that was looked at when exactly these faults are present.
fn likelihood(faults: &[&Fault], observations: &[Observation]) -> f64 {
    let one = |o: &Observation| {
        let stays_away = faults.iter().map(|f| 1.0 - shows(f, o.symptom)).product::<f64>() * (1.0 - stray(o.symptom));
        if o.seen { (1.0 - stays_away).ln() } else { stays_away.ln() }
    };
    observations.iter().map(one).sum()
}

/// Probability with which a fault brings a symptom.
pub(super) fn shows(fault: &Fault, symptom: Symptom) -> f64 {
    fault.shows.iter().find(|(s, _)| *s == symptom).map_or(0.0, |(_, p)| *p)
}
