//! Symptoms of TV channels that are more than a flaw's name.

use super::{Evidence, Findings};
use crate::isolate::model::Symptom;

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    let Some(multicast) = evidence.ran("multicast") else { return };
    // Silence is a sign where it is proven to be longer than queries lie apart, or where channels are missing too.
    let silent = multicast.facts.iter().find(|(name, _)| name.starts_with("no_querier_heard"));
    let is_missing = evidence.flaw("multicast", &["multicast-not-arriving"]).is_some();
    match (evidence.flaw("multicast", &["multicast-no-querier"]), silent) {
        (Some(flaw), _) => found.note(Symptom::TvNoQuerier, true, flaw.what.clone()),
        (None, Some((_, what))) if is_missing => {
            found.note(Symptom::TvNoQuerier, true, what.as_str().unwrap_or("nobody asks for memberships").to_owned());
        }
        (None, Some(_)) => {}
        (None, None) => found.note(Symptom::TvNoQuerier, false, "somebody asks for memberships"),
    }
    if let Some((missed, judgement)) = evidence.limit_missed(|j| j.reading == "multicast.stream_loss_ratio") {
        found.note(Symptom::TvLoss, missed, format!("{}: {}", judgement.criterion, judgement.because));
    }
}
