//! Symptoms of TV channels that are more than a flaw's name.

use super::path::lossy;
use super::{Evidence, Findings};
use crate::isolate::model::Symptom;
use crate::reading::{Reading, Target, words};

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
    beside(evidence, found);
}

/// What other packets lost in the same seconds.
fn beside(evidence: &Evidence<'_>, found: &mut Findings) {
    let all = evidence.idle("multicast.beside_loss_ratio");
    // Who answers nothing at all has lost nothing: it is silent.
    let to = |target: Target| all.iter().find(|r| r.target.as_ref() == Some(&target) && r.value < 1.0).copied();
    let figure = |reading: &Reading, point: &str| {
        format!("{} of {} lost to the {point} while TV was received", words::of(reading), words::grouped(reading.samples as f64))
    };
    let far = to(Target::FarEnd);
    let far_lossy = far.and_then(lossy);
    if let (Some(far), Some(seen)) = (far, far_lossy) {
        found.note(Symptom::LossBesideTvLine, seen, figure(far, "far end"));
    }
    let gateway = if evidence.position.is_behind_gateway() { to(Target::Gateway) } else { None };
    match (gateway, gateway.and_then(lossy), far_lossy) {
        // RFC 1812 section 4.3.2.8: it may keep answers back.
        (Some(gateway), Some(true), Some(false)) => {
            let words = format!("{}, but none behind it: it limits its answers and loses nothing", figure(gateway, "gateway"));
            found.note(Symptom::LossBesideTvHome, false, words);
        }
        (Some(gateway), Some(seen), _) => found.note(Symptom::LossBesideTvHome, seen, figure(gateway, "gateway")),
        _ => {}
    }
}
