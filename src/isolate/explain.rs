//! From beliefs to a conclusion that a technician can act on.

use super::catalogue::Fault;
use super::model::{Alternative, Isolation, Observation, Setting, Symptom};
use super::observe::observe;
use super::rank::{Ranking, fit, rank, shows};
use crate::judge::{Judgement, Severity, Verdict};
use crate::reading::Outcome;
use crate::unit::Position;

/// Below this belief nothing is claimed.
const ENOUGH: f64 = 0.5;
/// Explanations below this belief are not worth a line.
const WORTH_SAYING: f64 = 0.05;

/// A rival of another segment with this belief counts,
const RIVAL: f64 = 0.2;
/// when it fits what was seen this well, as a share of the best explanation's fit: then only how often the two occur tells them apart, and a
/// segment is not named by that alone.
const AS_GOOD: f64 = 0.7;

/// Isolates. `outcomes` are the checks by name.
pub fn isolate(setting: &Setting, outcomes: &[(&str, &Outcome)], judgements: &[Judgement]) -> Isolation {
    let position = setting.position;
    let observations = observe(setting, outcomes, judgements);
    let ranking = rank(position, &observations);
    let Some((fault, belief)) = ranking.faults.first().copied() else { return not_sure(&ranking, position, Vec::new()) };
    if ranking.sound >= ENOUGH {
        return sound(&ranking, position, &observations, judgements);
    }
    if belief < ENOUGH || is_a_guess(fault, &ranking, position, &observations) {
        let seen = observations.iter().filter(|o| o.seen).map(|o| o.words.clone()).collect();
        return not_sure(&ranking, position, seen);
    }
    let beside = |(f, b): &&(&'static Fault, f64)| *b >= ENOUGH && explains_more(f, fault, &observations);
    let also: Vec<_> = ranking.faults[1..].iter().filter(beside).map(|(f, b)| alternative(f, *b, position)).collect();
    let alternatives = others(&ranking, position, |f| f.id != fault.id && !also.iter().any(|a| a.fault == f.id));
    Isolation {
        segment: fault.segment(position),
        fault: fault.id.to_owned(),
        title: fault.title.to_owned(),
        confidence: belief,
        because: because(fault, &ranking, &observations),
        next: fault.next.iter().map(|&step| step.to_owned()).collect(),
        also,
        alternatives,
    }
}

/// Whether nothing that was looked at tells the best explanation from one of another segment.
fn is_a_guess(first: &Fault, ranking: &Ranking, position: Position, observations: &[Observation]) -> bool {
    // A rival takes its belief from the first; what only stands beside it takes none.
    if ranking.faults[0].1 > 1.0 - RIVAL {
        return false;
    }
    let beside: Vec<&Fault> = ranking.faults[1..].iter().filter(|(_, b)| *b >= ENOUGH).map(|(f, _)| *f).collect();
    let fit_of = |fault| fit(&[&[fault], beside.as_slice()].concat(), observations);
    let own = fit_of(first);
    let rivals =
        ranking.faults.iter().filter(|(f, b)| (RIVAL..ENOUGH).contains(b) && f.segment(position) != first.segment(position));
    rivals.map(|(f, _)| *f).any(|rival| fit_of(rival) - own >= AS_GOOD.ln())
}

/// Nothing of the catalogue was seen. If a limit is missed all the same, that is said, not smoothed over.
fn sound(ranking: &Ranking, position: Position, observations: &[Observation], judgements: &[Judgement]) -> Isolation {
    let missed: Vec<String> = judgements
        .iter()
        .filter(|j| j.severity == Severity::Must && j.verdict == Verdict::Fail)
        .map(|j| format!("{}: {}", j.criterion, j.because))
        .collect();
    if !missed.is_empty() || observations.is_empty() {
        return not_sure(ranking, position, missed);
    }
    Isolation {
        segment: None,
        fault: "none-found".to_owned(),
        title: "nothing that was looked at speaks for a fault".to_owned(),
        confidence: ranking.sound,
        because: observations.iter().filter(|o| !o.seen && o.symptom != Symptom::EveningHour).map(|o| o.words.clone()).collect(),
        next: Vec::new(),
        also: Vec::new(),
        alternatives: others(ranking, position, |_| true),
    }
}

fn not_sure(ranking: &Ranking, position: Position, because: Vec<String>) -> Isolation {
    Isolation {
        segment: None,
        fault: "not-sure".to_owned(),
        title: "the evidence does not tell where the fault lies".to_owned(),
        confidence: 0.0,
        because,
        next: vec!["repeat the visit one position nearer to the line, at the terminal or modem, and compare".to_owned()],
        also: Vec::new(),
        alternatives: others(ranking, position, |_| true),
    }
}

/// What speaks for the fault: the symptoms that it brings and that were seen, then those absences that tell it from the
/// next explanation.
fn because(fault: &Fault, ranking: &Ranking, observations: &[Observation]) -> Vec<String> {
    let rivals: Vec<&Fault> = ranking.faults.iter().filter(|(f, _)| f.id != fault.id).take(4).map(|(f, _)| *f).collect();
    let seen = observations.iter().filter(|o| o.seen && shows(fault, o.symptom) >= 0.1);
    let absent = observations.iter().filter(|o| {
        let tells = |rival: &&Fault| {
            shows(rival, o.symptom) >= 0.5 && observations.iter().any(|s| s.seen && shows(rival, s.symptom) >= 0.3)
        };
        !o.seen && shows(fault, o.symptom) <= 0.2 && rivals.iter().any(tells)
    });
    seen.chain(absent).map(|o| o.words.clone()).collect()
}

/// True when `fault` brings a symptom that was seen and that `first` hardly brings.
fn explains_more(fault: &Fault, first: &Fault, observations: &[Observation]) -> bool {
    observations.iter().any(|o| o.seen && shows(fault, o.symptom) >= 0.3 && shows(first, o.symptom) < 0.1)
}

fn others(ranking: &Ranking, position: Position, keep: impl Fn(&Fault) -> bool) -> Vec<Alternative> {
    let worth = ranking.faults.iter().filter(|(f, b)| *b >= WORTH_SAYING && keep(f)).take(3);
    worth.map(|(f, b)| alternative(f, *b, position)).collect()
}

fn alternative(fault: &Fault, belief: f64, position: Position) -> Alternative {
    Alternative {
        segment: fault.segment(position),
        fault: fault.id.to_owned(),
        title: fault.title.to_owned(),
        confidence: belief,
        next: fault.next.iter().map(|&step| step.to_owned()).collect(),
    }
}
