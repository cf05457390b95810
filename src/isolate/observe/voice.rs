//! Symptoms of speech: a delay that varies more than a listener's buffer holds, and a marking that gets lost.

use super::{Evidence, Findings};
use crate::isolate::model::Symptom;
use crate::reading::{Target, words};

/// More late packets than this are no accident of one moment.
const LATE_SEEN: f64 = 0.002;
/// A stretch must add so much spread before it can be the cause.
const SPREAD_MS: f64 = 20.0;

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    marking(evidence, found);
    let late = evidence.idle("voice.late_ratio");
    let Some(worst) = late.into_iter().max_by(|a, b| a.value.total_cmp(&b.value)) else { return };
    let varies = worst.low.is_some_and(|low| low > LATE_SEEN);
    if !varies && worst.value > 0.0 {
        // A few late ones tell neither way.
        return;
    }
    let way = worst.direction.map(|direction| format!(" ({direction})")).unwrap_or_default();
    found.note(
        Symptom::DelayVaries,
        varies,
        format!("{} of speech packets come too late for a listener's buffer{way}", words::of(worst)),
    );
    if varies {
        spread(evidence, found);
    }
}

/// Where it arises: by what 95 of 100 echoes take above the least, point by point.
fn spread(evidence: &Evidence<'_>, found: &mut Findings) {
    let echo = |target: Target| {
        let of = |name: &str| evidence.idle(name).into_iter().find(|r| r.target.as_ref() == Some(&target)).map(|r| r.value);
        Some((of("echo.round_trip_p95")? - of("echo.round_trip_min")?).max(0.0))
    };
    let stream = |name: &str| evidence.idle(name).first().map(|r| r.value);
    let far =
        echo(Target::FarEnd).or_else(|| Some((stream("twoway.round_trip_p95")? - stream("twoway.round_trip_min")?).max(0.0)));
    let Some(far) = far else { return };
    let behind_gateway = evidence.position.is_behind_gateway();
    let gateway = if behind_gateway { echo(Target::Gateway) } else { Some(0.0) };
    let provider = echo(Target::ProviderHop).or_else(|| if behind_gateway { None } else { echo(Target::Gateway) });
    let mut stretch = |symptom, ms: f64, what: &str| {
        let words = format!("{} ms of {} ms of spread arise {what}", words::significant(ms.max(0.0)), words::significant(far));
        found.note(symptom, ms >= SPREAD_MS && ms >= far / 2.0, words);
    };
    if let (true, Some(gateway)) = (behind_gateway, gateway) {
        stretch(Symptom::VariationInHome, gateway, "before the gateway");
    }
    if let (Some(gateway), Some(provider)) = (gateway, provider) {
        stretch(Symptom::VariationInAccess, provider - gateway, "before the provider's first hop");
    }
    if let Some(provider) = provider {
        stretch(Symptom::VariationInNetwork, far - provider, "behind the provider's first hop");
    }
}

/// Only where a limit was set on it: across a network that promised nothing a marking may get lost.
fn marking(evidence: &Evidence<'_>, found: &mut Findings) {
    if let Some((missed, judgement)) = evidence.limit_missed(|j| j.reading == "voice.marking_kept") {
        found.note(Symptom::MarkingLost, missed, format!("{}: {}", judgement.criterion, judgement.because));
    }
}
