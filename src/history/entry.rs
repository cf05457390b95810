//! What is kept of a record: its head, its figures, its delays as sketches, and the digests that a chain is made of. Pure.

use std::fmt::Write as _;

use ring::digest::{Context, SHA256};

use super::{Figure, Kept, Line, Millis, Service, Visit};
use crate::metric::quantile::DelayHistogram;
use crate::reading::{Limit, Outcome, Reading, Series, Status, Target, Unit};
use crate::record::{CheckRecord, Record, Verdict};
use crate::unit::digest::{hexadecimal, sha256};
use crate::unit::{Load, Segment};

/// A SHA-256.
pub type Digest = [u8; 32];

/// Above this share of packets lost a line counts as not available (ITU-T Y.1540 section 7, threshold c1 = 0.20).
pub const UNAVAILABLE_ABOVE: f64 = 0.20;

/// What is kept of one record.
#[derive(Debug, Clone)]
pub struct Entry {
    /// The visit.
    pub visit: Visit,
    /// Its figures, in their order; one each.
    pub readings: Vec<Kept>,
    /// Its delays sample by sample, as sketches.
    pub sketches: Vec<(Figure, DelayHistogram)>,
    /// The document itself, as JSON.
    pub document: Vec<u8>,
    /// The tier's text; the visit names its digest.
    pub tier: Option<String>,
    /// Whether the record has given up its raw series: the same visit as before with another digest.
    pub is_without_series: bool,
}

impl Entry {
    /// Of a record.
    pub fn of(record: &Record) -> Self {
        let document = serde_json::to_vec(record).unwrap_or_default();
        let isolation = record.isolation.as_ref();
        let profile = record.profile.as_ref();
        let facts = record.line.as_ref().and_then(|line| serde_json::to_string(&line.facts).ok());
        let visit = Visit {
            id: record.id,
            line: Line::new(record.place.circuit.as_deref(), record.place.position),
            started: record.started,
            finished: record.finished,
            complete: record.complete,
            depth: record.plan.as_ref().map(|plan| plan.depth).unwrap_or_default(),
            profile: profile.map(|profile| profile.name.clone()).unwrap_or_default(),
            profile_digest: profile.map(|profile| profile.digest.clone()).unwrap_or_default(),
            verdict: record.verdict,
            service: service(record),
            segment: isolation.and_then(|isolation| isolation.segment),
            fault: isolation.map(|isolation| isolation.fault.clone()).unwrap_or_default(),
            confidence: isolation.map_or(0.0, |isolation| isolation.confidence),
            line_facts: facts.unwrap_or_default(),
            record_digest: hexadecimal(&sha256(&document)),
        };
        let series = own(record).flat_map(|check| &check.outcome.series);
        let sketches = series.filter(|series| series.unit == Unit::Millisecond).filter_map(sketch).collect();
        let tier = profile.map(|profile| profile.text.clone());
        Self { visit, readings: readings(record), sketches, document, tier, is_without_series: record.series_given_up }
    }
}

/// The checks of the record's own visit. What it took over from an earlier one is kept with that one, at its own time.
fn own(record: &Record) -> impl Iterator<Item = &CheckRecord> {
    record.checks.iter().chain(&record.replaced).filter(|check| check.part.is_none())
}

/// The readings as this visit measured them, one of each figure: of two the later.
fn readings(record: &Record) -> Vec<Kept> {
    let mut kept = std::collections::BTreeMap::new();
    let standing = own(record).flat_map(|check| &check.outcome.readings);
    // Where counts were added to those of an earlier visit, its own part is among these.
    let aside = own(record).flat_map(|check| &check.set_aside).map(|aside| &aside.reading);
    for reading in standing.chain(aside) {
        let verdicts = record.judgements.iter().filter(|judgement| judgement.is_of(reading)).map(|judgement| judgement.verdict);
        let figure = Figure::of(reading);
        let Reading { unit, confidence, samples, exceeds, .. } = *reading;
        // Without the sign of a zero, which SQLite does not keep.
        let (value, low, high) = (reading.value + 0.0, reading.low.map(|low| low + 0.0), reading.high.map(|high| high + 0.0));
        let verdict = verdicts.max_by_key(|verdict| severity(*verdict));
        let mut limited: Vec<Limit> = reading.limited_by.iter().map(|limit| limit.side).collect();
        limited.sort_by_key(|side| side.word());
        limited.dedup();
        let limited = Some(limited);
        kept.insert(figure.clone(), Kept { figure, unit, value, low, high, confidence, samples, exceeds, verdict, limited });
    }
    kept.into_values().collect()
}

fn severity(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::Pass => 0,
        Verdict::NotTested => 1,
        Verdict::NotProven => 2,
        Verdict::Fail => 3,
    }
}

/// Delays in whole nanoseconds; `None` for a series that holds a negative one, which is no delay.
fn sketch(series: &Series) -> Option<(Figure, DelayHistogram)> {
    let mut sketch = DelayHistogram::new();
    for value in &series.values {
        match value {
            Some(ms) if *ms >= 0.0 && *ms < 1e10 => sketch.record((ms * 1e6).round() as u64),
            Some(_) => return None,
            None => sketch.record_lost(),
        }
    }
    let Series { name, target, direction, family, load, .. } = series;
    let load = Load::filled(*load);
    let figure = Figure { name: name.clone(), target: target.clone(), direction: *direction, family: *family, load };
    (!sketch.is_empty() || sketch.lost() > 0).then_some((figure, sketch))
}

/// Whether the line carried packets: judged by what went beyond it. A fault of the test set or the far end says nothing of the line.
fn service(record: &Record) -> Service {
    let segment = record.isolation.as_ref().and_then(|isolation| isolation.segment);
    if matches!(segment, Some(Segment::TestSet | Segment::FarEnd)) {
        return Service::Unknown;
    }
    let of = |names: &'static [&str]| {
        own(record).filter(move |check| names.contains(&check.check.as_str())).map(|check| &check.outcome)
    };
    // Of the ways to one place the worse counts, of several places the one that is heard best: a place that is silent is not the line.
    let mut lost = std::collections::BTreeMap::new();
    for reading in of(&["twoway", "echo"]).flat_map(|outcome| &outcome.readings).filter(|reading| is_way_out(reading)) {
        let worst = lost.entry((&reading.name, &reading.target, reading.family)).or_insert(reading.value);
        *worst = reading.value.max(*worst);
    }
    let lost = lost.into_values().reduce(f64::min);
    if let Some(lost) = lost {
        return if lost > UNAVAILABLE_ABOVE { Service::Down } else { Service::Up };
    }
    let ended = |status: Status| move |outcome: &Outcome| outcome.status == status;
    let beyond: &[&str] = &["farend", "dns", "twoway", "echo", "web"];
    if of(beyond).any(ended(Status::Done)) {
        Service::Up
    } else if of(beyond).any(ended(Status::Failed)) || of(&["link", "dhcp4", "pppoe"]).any(ended(Status::Failed)) {
        Service::Down
    } else {
        Service::Unknown
    }
}

/// Loss of an idle line toward the far end or a provider's hop.
fn is_way_out(reading: &Reading) -> bool {
    let idle = reading.load.is_none_or(|load| load == Load::Idle);
    let out = matches!(reading.target, None | Some(Target::FarEnd | Target::ProviderHop));
    idle && out && ["twoway.loss_ratio", "echo.loss_ratio"].contains(&reading.name.as_str())
}

/// Digest of the figures, in their order: one line each, floating-point numbers by their bits, so that nothing is rounded. Each comes with its figure as
/// JSON, which whoever digests many visits has at hand.
pub fn figures_digest<'a>(readings: impl IntoIterator<Item = (&'a str, &'a Kept)>) -> Digest {
    let mut context = Context::new(&SHA256);
    let mut line = String::new();
    for (figure, kept) in readings {
        line.clear();
        line.extend([figure, " ", kept.unit.symbol()]);
        for value in [Some(kept.value), kept.low, kept.high, Some(kept.confidence)] {
            // Writing to memory does not fail.
            let _ = match value {
                Some(value) => write!(line, " {:016x}", value.to_bits()),
                None => write!(line, " -"),
            };
        }
        let verdict = kept.verdict.map_or("-", Verdict::word);
        let _ = write!(line, " {} {} {verdict}", kept.samples, kept.exceeds);
        // Visits of earlier forms have no word on what bounded their figures, and keep their digests.
        if let Some(limited) = &kept.limited {
            line.extend([" bounded:", &limits_text(limited)]);
        }
        line.push('\n');
        context.update(line.as_bytes());
    }
    let mut out = [0; 32];
    out.copy_from_slice(context.finish().as_ref());
    out
}

/// Whose limits bounded a figure, as it is kept: names with blanks between.
pub(super) fn limits_text(limits: &[Limit]) -> String {
    limits.iter().map(|side| side.word()).collect::<Vec<_>>().join(" ")
}

/// The same read back; names of later versions are left out.
pub(super) fn limits_of(text: &str) -> Vec<Limit> {
    text.split(' ').filter_map(|word| Limit::ALL.into_iter().find(|side| side.word() == word)).collect()
}

/// Digest of an entry: the one before it, its place, the visit and its figures. One that is missing or altered breaks every later one.
pub fn entry_digest(previous: Digest, sequence: i64, visit: &Visit, figures: Digest) -> Digest {
    let millis = |at: Option<jiff::Timestamp>| at.map_or(Millis::MIN, jiff::Timestamp::as_millisecond);
    // Moments as they are kept, in milliseconds.
    let head = serde_json::json!([
        "doorstep-history/1",
        hexadecimal(&previous),
        sequence,
        visit.id,
        visit.line,
        millis(Some(visit.started)),
        millis(visit.finished),
        visit.complete,
        visit.depth,
        visit.profile,
        visit.profile_digest,
        visit.verdict,
        visit.service,
        visit.segment,
        visit.fault,
        visit.confidence.to_bits(),
        visit.line_facts,
        visit.record_digest,
        hexadecimal(&figures),
    ]);
    sha256(head.to_string().as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_digest_of_figures_is_over_one_line_each_as_it_always_was() {
        let figure = Figure { name: "dns.lookup_time_p50".to_owned(), target: None, direction: None, family: None, load: None };
        let kept = Kept {
            figure,
            unit: Unit::Millisecond,
            value: 1.5,
            low: None,
            high: Some(-2.0),
            confidence: 0.95,
            samples: 20,
            exceeds: false,
            verdict: Some(Verdict::NotProven),
            limited: None,
        };
        let text = r#"{"name":"dns.lookup_time_p50"}"#;
        assert_eq!(serde_json::to_string(&kept.figure).unwrap(), text);
        // Bits of IEEE 754 binary64, written by hand: 1.5 is 3ff8..., -2 is c000..., 0.95 is 3fee6666 66666666.
        let line = format!("{text} ms 3ff8000000000000 - c000000000000000 3fee666666666666 20 false not-proven\n");
        assert_eq!(figures_digest([(text, &kept)]), sha256(line.as_bytes()));
        assert_eq!(figures_digest([(text, &kept), (text, &kept)]), sha256(line.repeat(2).as_bytes()));
    }
}
