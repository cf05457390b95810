//! From outcomes and judgements to symptoms: seen, looked for and absent, or (left out) not looked at.
//!
//! The hard thing is to leave out: a symptom that could not be looked for must not count as absent.

use super::model::{Observation, Setting, Symptom};
use crate::judge::{Judgement, Verdict};
use crate::reading::names::check_of;
use crate::reading::{Flaw, Outcome, Reading, Status};
use crate::unit::{Family, Load, Position};

mod between;
mod far_end;
mod flaws;
mod line;
mod names;
mod path;
mod port;
mod rates;
mod sip;
mod tv;
mod voice;
mod web;

/// All symptoms that were looked for.
pub fn observe(setting: &Setting, outcomes: &[(&str, &Outcome)], judgements: &[Judgement]) -> Vec<Observation> {
    let evidence = Evidence { position: setting.position, setting, outcomes, judgements };
    let mut found = Findings::default();
    between::observe(&evidence, &mut found);
    line::observe(&evidence, &mut found);
    port::observe(&evidence, &mut found);
    path::observe(&evidence, &mut found);
    names::observe(&evidence, &mut found);
    far_end::observe(&evidence, &mut found);
    flaws::observe(&evidence, &mut found);
    web::observe(&evidence, &mut found);
    sip::observe(&evidence, &mut found);
    tv::observe(&evidence, &mut found);
    voice::observe(&evidence, &mut found);
    rates::observe(&evidence, &mut found);
    hour(&evidence, &mut found);
    found.0
}

/// What observation may look at.
struct Evidence<'a> {
    position: Position,
    setting: &'a Setting,
    outcomes: &'a [(&'a str, &'a Outcome)],
    judgements: &'a [Judgement],
}

/// What was found.
#[derive(Default)]
struct Findings(Vec<Observation>);

impl Findings {
    fn note(&mut self, symptom: Symptom, seen: bool, words: impl Into<String>) {
        self.0.push(Observation { symptom, seen, words: words.into() });
    }
}

impl<'a> Evidence<'a> {
    fn outcome(&self, check: &str) -> Option<&'a Outcome> {
        self.outcomes.iter().find(|(name, _)| *name == check).map(|(_, outcome)| *outcome)
    }

    /// The outcome of a check that looked: done or failed.
    fn ran(&self, check: &str) -> Option<&'a Outcome> {
        self.outcome(check).filter(|o| o.status != Status::NotTested)
    }

    fn readings(&self, name: &str) -> impl Iterator<Item = &'a Reading> {
        let check = check_of(name).to_owned();
        let name = name.to_owned();
        let of_check = self.outcomes.iter().filter(move |(c, _)| *c == check);
        of_check.flat_map(|(_, outcome)| &outcome.readings).filter(move |r| r.name == name)
    }

    /// Readings of the idle line, over IPv4 where there are such: a broken IPv6 is a symptom of its own.
    fn idle(&self, name: &str) -> Vec<&'a Reading> {
        let all: Vec<_> = self.readings(name).filter(|r| r.load.unwrap_or(Load::Idle) == Load::Idle).collect();
        let four: Vec<_> = all.iter().copied().filter(|r| r.family != Some(Family::Ipv6)).collect();
        if four.is_empty() { all } else { four }
    }

    /// A flaw of a check by its code; a check may have left several outcomes (the port's counters come at the end).
    fn flaw(&self, check: &str, codes: &[&str]) -> Option<&'a Flaw> {
        let of_check = self.outcomes.iter().filter(|(name, _)| *name == check);
        of_check.flat_map(|(_, outcome)| &outcome.flaws).find(|f| codes.contains(&f.code.as_str()))
    }

    fn judged(&self, wanted: impl Fn(&Judgement) -> bool) -> impl Iterator<Item = &'a Judgement> {
        self.judgements.iter().filter(move |j| wanted(j))
    }

    /// Whether a limit on these figures is missed: `None` when none was proven either way.
    fn limit_missed(&self, wanted: impl Fn(&Judgement) -> bool) -> Option<(bool, &'a Judgement)> {
        let mut judged: Vec<_> = self.judged(|j| wanted(j) && j.value.is_some()).collect();
        // As for idle figures: IPv4 speaks for the line where it was measured.
        if judged.iter().any(|j| j.family != Some(Family::Ipv6)) {
            judged.retain(|j| j.family != Some(Family::Ipv6));
        }
        let failed = judged.iter().find(|j| j.verdict == Verdict::Fail);
        let passed = judged.iter().find(|j| j.verdict == Verdict::Pass);
        failed.map(|j| (true, *j)).or_else(|| passed.map(|j| (false, *j)))
    }
}

fn reason(outcome: &Outcome) -> &str {
    outcome.reason.as_deref().unwrap_or("no reason was given")
}

/// Whether homes were likely at their lines: residential networks are fullest between six and eleven in the evening (common practice).
fn hour(evidence: &Evidence<'_>, found: &mut Findings) {
    // An hour that nobody noted supports no suspicion.
    match evidence.setting.hour {
        Some(hour) => {
            found.note(Symptom::EveningHour, (18..23).contains(&hour), format!("the visit began in the hour from {hour}:00 on"));
        }
        None if found.0.is_empty() => {}
        None => found.note(Symptom::EveningHour, false, "the record does not tell the hour of the visit"),
    }
}
