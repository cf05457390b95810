//! Symptoms of the far end's control session.

use super::{Evidence, Findings, reason};
use crate::isolate::model::Symptom;
use crate::reading::{Outcome, Status};

/// Flaws that tell what a far end that did answer said.
const BUSY: &[&str] = &["farend-busy", "farend-full"];
const REFUSES: &[&str] = &["farend-token-refused", "farend-refused-token", "farend-unauthorized"];
const GONE: &[&str] = &["farend-gone"];
const ANOTHER: &[&str] = &["farend-fingerprint-mismatch", "farend-wrong-fingerprint"];

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    if let Some(farend) = evidence.ran("farend") {
        let said = |codes: &[&str]| farend.flaws.iter().find(|f| codes.contains(&f.code.as_str()));
        let failed = farend.status == Status::Failed;
        let mut one = |symptom, codes: &[&str], absent: &str| match said(codes) {
            Some(flaw) => found.note(symptom, true, flaw.what.clone()),
            None if !failed => found.note(symptom, false, absent),
            None => {}
        };
        one(Symptom::FarEndRefuses, REFUSES, "the far end accepts this agent");
        one(Symptom::FarEndIsAnother, ANOTHER, "the far end is the one that was asked for");
        let silent = failed && !answered(farend);
        let gone = evidence.flaw("throughput", GONE);
        let words = match gone {
            Some(flaw) => format!("the far end went away during the visit: {}", flaw.what),
            None if silent => format!("no session with the far end: {}", reason(farend)),
            None => "the far end answers".to_owned(),
        };
        found.note(Symptom::FarEndSilent, silent || gone.is_some(), words);
    }
    if let (Some(farend), Some(twoway)) = (evidence.ran("farend"), evidence.ran("twoway"))
        && farend.status == Status::Done
    {
        let silent = twoway.status == Status::Failed;
        let words = if silent {
            format!("the far end is in session, but {}", reason(twoway))
        } else {
            "the far end's reflector answers".to_owned()
        };
        found.note(Symptom::ReflectorSilent, silent, words);
    }
    let busy = ["farend", "throughput", "twoway"].iter().find_map(|check| evidence.flaw(check, BUSY));
    match busy {
        Some(flaw) => found.note(Symptom::FarEndBusy, true, flaw.what.clone()),
        None if evidence.ran("farend").is_some_and(|o| o.status == Status::Done) => {
            found.note(Symptom::FarEndBusy, false, "the far end has room");
        }
        None => {}
    }
}

/// True when something answered at the far end's address, whatever it said.
pub(super) fn answered(farend: &Outcome) -> bool {
    farend.flaws.iter().any(|f| [BUSY, REFUSES, ANOTHER].concat().contains(&f.code.as_str()))
}
