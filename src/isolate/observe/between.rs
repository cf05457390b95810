//! Symptoms of what stands between: address translators, and links that carry no large packets.

use super::{Evidence, Findings};
use crate::isolate::model::Symptom;
use crate::reading::words;

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    if let Some(translators) = evidence.readings("between.translators").next() {
        match evidence.flaw("between", &["between-double-nat"]) {
            Some(flaw) => found.note(Symptom::DoubleTranslation, true, flaw.what.clone()),
            None => found.note(Symptom::DoubleTranslation, false, format!("{} address translators seen", words::of(translators))),
        }
    }
    // What a provider may do is a matter of what was sold.
    if let Some((missed, judgement)) = evidence.limit_missed(|j| j.reading == "between.carrier_translation") {
        let flaw = evidence.flaw("between", &["between-carrier-nat"]).filter(|_| missed);
        let words = flaw.map_or_else(|| format!("{}: {}", judgement.criterion, judgement.because), |flaw| flaw.what.clone());
        found.note(Symptom::CarrierTranslation, missed, words);
    }
    let worst = evidence.readings("mtu.blackhole").max_by(|a, b| a.value.total_cmp(&b.value));
    let swallows = worst.is_some_and(|r| r.value > 0.0);
    if worst.is_some() {
        let flaws = evidence.ran("mtu").into_iter().flat_map(|mtu| &mtu.flaws).filter(|flaw| flaw.code == "mtu-blackhole");
        let said: Vec<&str> = flaws.map(|flaw| flaw.what.as_str()).collect();
        let words = if said.is_empty() { "large packets arrive, or routers say why not".to_owned() } else { said.join("; ") };
        found.note(Symptom::MtuBlackhole, swallows, words);
    }
    // Where packets vanish, the size at which they begin to is no finding of its own.
    if let Some((missed, judgement)) = evidence.limit_missed(|j| j.reading == "mtu.path_mtu").filter(|_| !swallows) {
        found.note(Symptom::SmallMtu, missed, format!("{}: {}", judgement.criterion, judgement.because));
    }
}
