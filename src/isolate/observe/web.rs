//! Symptoms of who stands in the way of plain HTTP.

use super::{Evidence, Findings};
use crate::isolate::model::Symptom;

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    let portal = ["web", "farend"].into_iter().find_map(|check| evidence.flaw(check, &["web-captive-portal"]));
    let proxy = evidence.flaw("web", &["web-transparent-proxy", "web-altered"]);
    let looked = evidence.readings("web.captive_portal").next().is_some();
    let absent = "the far end's answer over plain HTTP arrives as it was sent";
    for (symptom, flaw) in [(Symptom::CaptivePortal, portal), (Symptom::TransparentProxy, proxy)] {
        match flaw {
            Some(flaw) => found.note(symptom, true, flaw.what.clone()),
            None if looked => found.note(symptom, false, absent.to_owned()),
            None => {}
        }
    }
}
