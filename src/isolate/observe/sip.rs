//! Symptoms of a voice line's SIP service.

use super::{Evidence, Findings};
use crate::isolate::model::Symptom;
use crate::reading::Status;

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    let is = |name: &str| evidence.readings(name).map(|reading| reading.value > 0.0).reduce(|one, other| one && other);
    let why =
        |codes: &[&str], words: &str| evidence.flaw("sip", codes).map_or_else(|| words.to_owned(), |flaw| flaw.what.clone());
    // Where names or the far end fail too, the silence says nothing of this service.
    let is_apart = evidence.flaw("sip", &["sip-no-resolver"]).is_none()
        && evidence.ran("farend").is_none_or(|outcome| outcome.status == Status::Done);
    let is_registered = is("sip.registered");
    // Some servers answer OPTIONS to nobody, and register all the same.
    let is_answered = is("sip.answered").map(|answered| answered || is_registered == Some(true));
    if let Some(answered) = is_answered.filter(|answered| *answered || is_apart) {
        let words = if answered {
            "the voice service answers".to_owned()
        } else {
            why(&["sip-no-server", "sip-silent"], "nothing answers")
        };
        found.note(Symptom::VoiceServiceSilent, !answered, words);
        // Of a service that is not there, the account says nothing.
        if let Some(registered) = is_registered.filter(|_| answered) {
            let codes = ["sip-account-refused", "sip-forbidden", "sip-account-unknown", "sip-refused", "sip-unavailable"];
            let words = if registered {
                "the registrar takes the account".to_owned()
            } else {
                why(&codes, "the account was not registered")
            };
            found.note(Symptom::VoiceAccountRefused, !registered, words);
        }
    }
    let rewritten = evidence.flaw("sip", &["sip-rewritten"]);
    match (rewritten, is("sip.rewritten")) {
        (Some(flaw), _) => found.note(Symptom::SipRewritten, true, flaw.what.clone()),
        (None, Some(false)) => found.note(Symptom::SipRewritten, false, "SIP arrives at the far end as it was sent"),
        (None, _) => {}
    }
}
