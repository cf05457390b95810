//! Symptoms of the access line's own figures, where somebody typed them in.

use super::{Evidence, Findings};
use crate::isolate::model::Symptom;
use crate::reading::{Reading, words};

/// A typed rate below this share of what was sold is below it; pages round to a tenth of a Mbit/s.
const BELOW_SOLD: f64 = 0.995;
/// Lines are set up for a margin of 6 dB (common practice); below this one drops at the next disturbance.
const LOW_MARGIN_DB: f64 = 4.0;
/// More errored seconds than one in a hundred are felt (common practice, no published source for all technologies).
const MANY_ERRORS: f64 = 0.01;

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    let smallest = |name: &str| evidence.readings(name).min_by(|a, b| a.value.total_cmp(&b.value));
    let largest = |name: &str| evidence.readings(name).max_by(|a, b| a.value.total_cmp(&b.value));
    if let Some(share) = smallest("line.sold_share") {
        let way = share.direction.map(|d| format!(" {d}")).unwrap_or_default();
        let rate = evidence.readings("line.rate").find(|r| r.direction == share.direction);
        let rate = rate.map_or_else(String::new, |r| format!(" of {}", words::of(r)));
        let per_cent = words::significant(share.value * 100.0);
        let words = format!("the line's rate{way}{rate}, as typed in, can give {per_cent} % of what was sold");
        found.note(Symptom::SyncBelowSold, share.value < BELOW_SOLD, words);
    }
    let mut note = |symptom, reading: Option<&Reading>, seen: fn(f64) -> bool, what: &str| {
        if let Some(reading) = reading {
            let way = reading.direction.map(|d| format!(" {d}")).unwrap_or_default();
            found.note(symptom, seen(reading.value), format!("{what}{way} of {}, as typed in", words::of(reading)));
        }
    };
    note(Symptom::LowMargin, smallest("line.margin"), |db| db < LOW_MARGIN_DB, "a noise margin");
    note(Symptom::LineErrors, largest("line.errored_second_ratio"), |share| share > MANY_ERRORS, "a share of errored seconds");
    match evidence.flaw("line", &["line-optical-level"]) {
        Some(flaw) => found.note(Symptom::LightOutOfRange, true, flaw.what.clone()),
        None => {
            if let Some(power) = smallest("line.received_power") {
                let words = format!("{} of light arrive, as typed in: within the receiver's range", words::of(power));
                found.note(Symptom::LightOutOfRange, false, words);
            }
        }
    }
}
