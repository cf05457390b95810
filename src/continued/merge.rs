//! One record of two visits: whole outcomes first, then figure by figure.
//!
//! The earlier visit's checks come in with the number of their part. Nothing is left out: an outcome that another visit's takes the place of goes to
//! `replaced`, a figure that no longer stands by itself to its check's `set_aside`.

use std::collections::BTreeSet;

use super::figure::{CHANCE, Ruling, Standing, Terms, rule};
use super::{Earlier, confidence, subject};
use crate::compare::CONFIDENCE;
use crate::judge::{self, Judgement, Verdict};
use crate::metric::difference::each_of;
use crate::profile::Profile;
use crate::reading::{Reading, Status, words};
use crate::record::{CheckRecord, MergeNote, Merging, Part, Record, SetAside};
use crate::unit::Load;

/// The record of a visit that goes on with an earlier one, with the evidence of both; to be concluded anew. Neither is changed.
pub fn merged(earlier: &Earlier, later: &Record, profile: Option<&Profile>) -> Record {
    let before = &earlier.record;
    let part = u16::try_from(before.continues.len()).unwrap_or(u16::MAX);
    let of_part = |checks: &[CheckRecord]| -> Vec<CheckRecord> {
        let own = |check: &CheckRecord| CheckRecord { part: check.part.or(Some(part)), ..check.clone() };
        checks.iter().map(own).collect()
    };
    let mut whole = later.clone();
    whole.continues = before.continues.clone();
    whole.continues.push(Part::of(before, &earlier.digest, &earlier.signature));
    whole.merged.clone_from(&before.merged);
    whole.replaced = of_part(&before.replaced);
    whole.line = later.line.clone().or_else(|| before.line.clone());
    let (mut old, mut new) = (of_part(&before.checks), std::mem::take(&mut whole.checks));
    take_places(&mut old, &mut new, &mut whole.replaced);
    let judgements = profile.map_or_else(Vec::new, |profile| before.judged(profile));
    let stated = profile.map_or(CONFIDENCE, Profile::confidence);
    let mut figures =
        Figures { old: &mut old, new: &mut new, judgements: &judgements, confidence: confidence(stated, whole.continues.len()) };
    whole.merged.extend(figures.merge());
    // The later visit's first: where only one outcome of a check is looked at, it is the latest.
    let mut names: Vec<String> = Vec::new();
    for check in before.checks.iter().chain(&later.checks) {
        if !names.contains(&check.check) {
            names.push(check.check.clone());
        }
    }
    whole.checks = new.into_iter().chain(old).collect();
    whole.checks.sort_by_key(|check| names.iter().position(|name| *name == check.check));
    whole
}

/// An outcome that says something of the line: the check ran, and did not fail for what the line is not to blame for.
fn stands(check: &CheckRecord) -> bool {
    match check.outcome.status {
        Status::Done => true,
        Status::Failed => judge::excuse(&check.check, &check.outcome).is_none(),
        Status::NotTested => false,
    }
}

/// Moves to `replaced` what the other visit's outcome of the same check stands for.
fn take_places(old: &mut Vec<CheckRecord>, new: &mut Vec<CheckRecord>, replaced: &mut Vec<CheckRecord>) {
    let names: BTreeSet<String> = new.iter().map(|check| check.check.clone()).collect();
    for name in names {
        let of = |check: &CheckRecord| check.check == name;
        let (old_stands, new_stands) = (old.iter().any(|c| of(c) && stands(c)), new.iter().any(|c| of(c) && stands(c)));
        // What is typed in is a whole: the later takes the place of the earlier.
        if name == "line" {
            replaced.extend(old.extract_if(.., |check| of(check)));
        } else if new_stands || !old_stands {
            replaced.extend(old.extract_if(.., |check| of(check) && !stands(check)));
        } else {
            replaced.extend(new.extract_if(.., |check| of(check)));
        }
    }
}

struct Figures<'a> {
    old: &'a mut Vec<CheckRecord>,
    new: &'a mut Vec<CheckRecord>,
    judgements: &'a [Judgement],
    confidence: f64,
}

/// Where a reading stands: its check and its place there.
type Place = (usize, usize);

impl Figures<'_> {
    fn merge(&mut self) -> Vec<MergeNote> {
        let pairs = pairs(self.old, self.new);
        let undecided = each_of(pairs.len(), CONFIDENCE);
        let mut notes = Vec::new();
        let (mut aside_old, mut aside_new, mut pooled) = (Vec::new(), Vec::new(), Vec::new());
        for (one, other, is_alone) in pairs {
            let (earlier, later) = (&self.old[one.0].outcome, &self.new[other.0].outcome);
            let (first, second) = (&earlier.readings[one.1], &later.readings[other.1]);
            let standing = standing(first, self.judgements);
            let Ruling { what, because, pooled: sum } = if is_alone {
                let chance = if standing == Standing::Open { CHANCE } else { undecided.max(CHANCE) };
                let may_add = subject::alike(second, earlier, later);
                rule(first, second, Terms { standing, may_add, chance, confidence: self.confidence })
            } else {
                let because = "the earlier visits differed already: all stand".to_owned();
                Ruling { what: Merging::BothStand, because, pooled: None }
            };
            if standing != Standing::Unjudged || matches!(what, Merging::Pooled | Merging::BothStand) {
                let (reading, of) = (second.name.clone(), words::selector(second));
                notes.push(MergeNote { reading, of, what, because: because.clone() });
            }
            match what {
                Merging::BothStand => {}
                Merging::Earlier => aside_new.push((other, because)),
                Merging::Later => aside_old.push((one, because)),
                Merging::Pooled => {
                    pooled.extend(sum.map(|sum| (other, sum, because.clone())));
                    aside_old.push((one, because));
                }
            }
        }
        for ((check, place), sum, because) in pooled {
            let part = std::mem::replace(&mut self.new[check].outcome.readings[place], sum);
            self.new[check].set_aside.push(SetAside { reading: part, because });
        }
        set_aside(self.old, aside_old);
        set_aside(self.new, aside_new);
        notes
    }
}

/// Takes readings out of their outcomes.
fn set_aside(checks: &mut [CheckRecord], mut places: Vec<(Place, String)>) {
    // From the back, so that the places before stay what they are.
    places.sort_by_key(|(place, _)| std::cmp::Reverse(*place));
    for ((check, place), because) in places {
        let reading = checks[check].outcome.readings.remove(place);
        checks[check].set_aside.push(SetAside { reading, because });
    }
}

fn is_one_figure(one: &Reading, other: &Reading) -> bool {
    let key = |r: &Reading| (r.target.clone(), r.direction, r.family, Load::filled(r.load));
    one.name == other.name && key(one) == key(other)
}

/// The readings that both have, the first of a kind with the first. The last says whether there is one of the kind in the earlier visits for each in
/// the later: where they left several that differ, none of them is more theirs than another.
fn pairs(old: &[CheckRecord], new: &[CheckRecord]) -> Vec<(Place, Place, bool)> {
    let places = |checks: &[CheckRecord]| -> Vec<Place> {
        let of = |(at, check): (usize, &CheckRecord)| {
            (0..check.outcome.readings.len()).map(move |place| (at, place)).collect::<Vec<_>>()
        };
        checks.iter().enumerate().flat_map(of).collect()
    };
    let at = |checks: &'_ [CheckRecord], place: Place| checks[place.0].outcome.readings[place.1].clone();
    let (ones, others) = (places(old), places(new));
    let mut pairs = Vec::new();
    let mut used = BTreeSet::new();
    for other in &others {
        let reading = at(new, *other);
        let alike = |place: &&Place| is_one_figure(&at(old, **place), &reading);
        let count = ones.iter().filter(alike).count();
        let later = others.iter().filter(|place| is_one_figure(&at(new, **place), &reading)).count();
        if let Some(one) = ones.iter().filter(alike).find(|place| !used.contains(*place)) {
            used.insert(*one);
            pairs.push((*one, *other, count == later));
        }
    }
    pairs
}

fn standing(reading: &Reading, judgements: &[Judgement]) -> Standing {
    let is_decided = |judgement: &Judgement| matches!(judgement.verdict, Verdict::Pass | Verdict::Fail);
    let on_it: Vec<bool> = judgements.iter().filter(|judgement| judgement.is_of(reading)).map(is_decided).collect();
    match on_it.as_slice() {
        [] => Standing::Unjudged,
        all if all.iter().all(|decided| *decided) => Standing::Decided,
        _ => Standing::Open,
    }
}
