//! What a record leaves to prove, which checks that takes, and how large a sample of each.

use super::subject::is_count;
use crate::judge::{Judgement, Severity, ToProve, Verdict, samples_needed};
use crate::plan::Sizes;
use crate::reading::{Reading, words};
use crate::record::{Merging, Record};

/// What a check can do for a figure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ability {
    /// Samples behind the figure at the record's depth, where that is known before.
    pub usual: Option<u64>,
    /// By how much the sample can be enlarged at most, 1 or more.
    pub most: f64,
}

/// A limit that is neither met nor missed.
#[derive(Debug, Clone, PartialEq)]
pub struct Open {
    /// Name of the criterion.
    pub criterion: String,
    /// What follows from it.
    pub severity: Severity,
    /// The reading, and what it was taken on.
    pub figure: String,
    /// Not proven or not tested.
    pub verdict: Verdict,
    /// What is done about it.
    pub course: Course,
}

/// What a visit that goes on does about an open limit.
#[derive(Debug, Clone, PartialEq)]
pub enum Course {
    /// Runs a check; `first` has to change before, or it finds what it has found.
    Run {
        /// The check.
        check: String,
        /// What has to change.
        first: Vec<String>,
    },
    /// Runs a check with so many samples.
    Sample {
        /// The check.
        check: String,
        /// Enough if the figure stays what it is, those of the earlier visits included where counts are added.
        needs: u64,
        /// There are.
        has: u64,
        /// Taken now.
        takes: u64,
        /// Whether those of the earlier visits count too.
        adds: bool,
    },
    /// Nothing: what would prove it is no check, in words.
    None(String),
}

impl Course {
    /// The check that is run.
    pub fn check(&self) -> Option<&str> {
        match self {
            Self::Run { check, .. } | Self::Sample { check, .. } => Some(check),
            Self::None(_) => None,
        }
    }

    /// Whether the sample that is taken is as large as it needs to be.
    pub fn is_enough(&self) -> bool {
        match self {
            Self::Sample { needs, has, takes, adds, .. } => takes + if *adds { *has } else { 0 } >= *needs,
            Self::Run { .. } => true,
            Self::None(_) => false,
        }
    }
}

/// What is left, and what is asked of the checks.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// The open limits, in the tier's order.
    pub open: Vec<Open>,
    /// The checks, each once.
    pub checks: Vec<String>,
    /// How large their samples are.
    pub sizes: Sizes,
    /// The confidence that the visit is held to.
    pub confidence: f64,
}

impl Wanted {
    /// Whether something that is typed in would settle a limit.
    pub fn asks_to_type_in(&self, judgements: &[Judgement]) -> bool {
        judgements.iter().any(|judgement| is_open(judgement) && judgement.to_prove.contains(&ToProve::TypeIn))
    }
}

/// Plans what goes on with a record that is judged so. `ability` tells what the check behind a reading of a name can do, `None` where there
/// is no such check.
pub fn wanted(record: &Record, judgements: &[Judgement], confidence: f64, ability: impl Fn(&str) -> Option<Ability>) -> Wanted {
    let mut wanted = Wanted { open: Vec::new(), checks: Vec::new(), sizes: Sizes::NONE, confidence };
    for judgement in judgements.iter().filter(|judgement| is_open(judgement)) {
        let course = course(record, judgement, confidence, ability(&judgement.reading), &mut wanted.sizes);
        if let Some(check) = course.check().filter(|check| !wanted.checks.iter().any(|known| known == check)) {
            wanted.checks.push(check.to_owned());
        }
        let of = words::selector_of(
            judgement.target.as_ref(),
            judgement.direction.map(|direction| direction.to_string()),
            judgement.family,
            judgement.load,
        );
        let figure = words::named(&judgement.reading, &of);
        let (criterion, severity, verdict) = (judgement.criterion.clone(), judgement.severity, judgement.verdict);
        wanted.open.push(Open { criterion, severity, figure, verdict, course });
    }
    wanted
}

fn is_open(judgement: &Judgement) -> bool {
    matches!(judgement.verdict, Verdict::NotProven | Verdict::NotTested)
}

fn course(record: &Record, judgement: &Judgement, confidence: f64, ability: Option<Ability>, sizes: &mut Sizes) -> Course {
    let remedy = judgement.remedy.clone().unwrap_or_else(|| "nothing is known that would prove it".to_owned());
    let Some(check) = judgement.to_prove.iter().find_map(ToProve::check).map(str::to_owned) else { return Course::None(remedy) };
    let Some(ability) = ability else { return Course::None(format!("this version has no check {check}")) };
    let figure = reading_of(record, judgement);
    if let Some(reading) = figure
        && differs_already(record, reading)
    {
        return Course::None("the earlier visits differ beyond chance: watch the line, or make a new visit".to_owned());
    }
    let is_sample = judgement.to_prove.iter().any(|step| matches!(step, ToProve::Sample { .. }));
    let needs = figure.filter(|_| is_sample).and_then(|reading| samples_needed(reading, &judgement.limit, confidence));
    let (Some(reading), Some(needs)) = (figure, needs) else {
        let first = judgement.to_prove.iter().filter_map(|step| match step {
            ToProve::First { what, .. } => Some(what.clone()),
            _ => None,
        });
        return Course::Run { check, first: first.collect() };
    };
    let (has, adds) = (reading.samples, is_count(&reading.name));
    let usual = ability.usual.unwrap_or(has).max(1);
    let more = if adds { needs.saturating_sub(has) } else { needs };
    let factor = (rounded_up(more) as f64 / usual as f64).clamp(1.0, ability.most);
    let takes = sized(usual, factor);
    // Of what is not added a sample that is too small again proves nothing.
    if !adds && takes < needs {
        return Course::None(format!(
            "{check} takes {} at most at this depth, and {} would prove it: make a visit at a greater depth, or watch the line",
            words::grouped(takes as f64),
            words::grouped(needs as f64)
        ));
    }
    sizes.enlarge(&check, factor);
    Course::Sample { check, needs, has, takes, adds }
}

fn reading_of<'a>(record: &'a Record, judgement: &Judgement) -> Option<&'a Reading> {
    record.checks.iter().flat_map(|check| &check.outcome.readings).find(|reading| judgement.is_of(reading))
}

fn differs_already(record: &Record, reading: &Reading) -> bool {
    let of = words::selector(reading);
    let is_it =
        |note: &crate::record::MergeNote| note.reading == reading.name && note.of == of && note.what == Merging::BothStand;
    record.merged.iter().any(is_it)
}

/// The sample that [`Sizes`] makes of a usual one with this factor.
fn sized(usual: u64, factor: f64) -> u64 {
    let mut sizes = Sizes::NONE;
    sizes.enlarge("", factor);
    sizes.count("", usual)
}

/// To tens, upwards.
fn rounded_up(n: u64) -> u64 {
    n.div_ceil(10) * 10
}
