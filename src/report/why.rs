//! Why a visit ended as it did: each verdict's chain from packets to basis, and the visit in two paragraphs, one for the customer and one for an engineer.
//! Nothing is said that the record does not hold.

use super::model::delivered;
use crate::reading::{Reading, Sequential, Unit, words};
use crate::record::{Judgement, Record, Severity, Verdict};
use crate::unit::{Direction, Position, Segment, StampSource};

/// What is said.
#[derive(Debug, Clone, PartialEq)]
pub struct Why {
    /// In plain words.
    pub customer: String,
    /// With what a colleague needs to judge the judgement.
    pub engineer: String,
    /// One for each criterion and figure, those that were not met first.
    pub chains: Vec<Chain>,
}

/// How one verdict came about.
#[derive(Debug, Clone, PartialEq)]
pub struct Chain {
    /// The criterion, its severity, and what it was taken on.
    pub name: String,
    /// The verdict.
    pub verdict: Verdict,
    /// From what was measured to where the limit comes from: a word and what stands behind it.
    pub links: Vec<(&'static str, String)>,
}

/// Says why.
pub fn why(record: &Record) -> Why {
    let mut chains: Vec<Chain> = record.judgements.iter().map(|judgement| chain(record, judgement)).collect();
    chains.sort_by_key(|chain| match chain.verdict {
        Verdict::Fail => 0,
        Verdict::NotProven => 1,
        Verdict::NotTested => 2,
        Verdict::Pass => 3,
    });
    Why { customer: customer(record), engineer: engineer(record), chains }
}

fn chain(record: &Record, judgement: &Judgement) -> Chain {
    let Judgement { criterion, severity, reading, verdict, because, basis, remedy, .. } = judgement;
    let of = words::selector_of(
        judgement.target.as_ref(),
        judgement.direction.map(|direction| direction.to_string()),
        judgement.family,
        judgement.load,
    );
    let of = if of.is_empty() { String::new() } else { format!(", {of}") };
    let mut links = vec![("measured", measured(judgement, reading_of(record, judgement)))];
    if let Some(value) = judgement.value {
        let reading = reading_of(record, judgement);
        let whenever = reading.is_some_and(|reading| reading.sequential.is_some() && reading.low != reading.high);
        let whenever = if whenever { "; this holds whenever one stops, a confidence sequence" } else { "" };
        links.push(("certain", interval(judgement, value) + whenever));
    }
    links.push(("limit", limit(judgement)));
    links.push(("so", because.clone()));
    links.push(("basis", basis.clone()));
    links.extend(remedy.clone().map(|remedy| ("to prove it", remedy)));
    Chain { name: format!("{criterion} ({}): {reading}{of}", severity.word()), verdict: *verdict, links }
}

/// The reading that a judgement was about.
fn reading_of<'a>(record: &'a Record, judgement: &Judgement) -> Option<&'a Reading> {
    record.checks.iter().flat_map(|check| &check.outcome.readings).find(|reading| judgement.is_of(reading))
}

fn measured(judgement: &Judgement, reading: Option<&Reading>) -> String {
    let Some(reading) = reading else { return "nothing: there is no such figure in this record".to_owned() };
    let samples = match reading.samples {
        0 | 1 => String::new(),
        n => format!(" from {} samples", words::grouped(n as f64)),
    };
    let ended = reading.sequential.map_or_else(String::new, |Sequential { planned, most }| {
        let grouped = |n: u64| words::grouped(n as f64);
        format!(", taken until the verdicts on them were certain ({} were planned, {} at most)", grouped(planned), grouped(most))
    });
    let by = match reading.stamped_by {
        Some(StampSource::Hardware) => ", stamped by the adapter",
        Some(StampSource::Kernel) => ", stamped by the kernel",
        Some(StampSource::User) => ", stamped by this program",
        None => "",
    };
    let layer = reading.layer.map(|layer| format!(", counted as {layer}")).unwrap_or_default();
    let limits: Vec<String> = reading.limited_by.iter().map(words::limited).collect();
    let limits = if limits.is_empty() { String::new() } else { format!("; bounded by {}", limits.join(" and ")) };
    let check = judgement.reading.split('.').next().unwrap_or_default();
    format!("{}{samples}{ended}{by}{layer}{limits} (how: docs/methods.md, {check})", words::of(reading))
}

fn interval(judgement: &Judgement, value: f64) -> String {
    let figure = |value| words::figure(&judgement.reading, judgement.unit, value);
    let confidence = words::significant(judgement.confidence.unwrap_or(1.0) * 100.0);
    match (judgement.low, judgement.high) {
        (Some(low), Some(high)) if low == high => "known exactly".to_owned(),
        (Some(low), Some(high)) => format!("between {} and {}, at {confidence} %", figure(low), figure(high)),
        (Some(low), None) => format!("{} or more, at {confidence} %; no upper bound", figure(low)),
        (None, Some(high)) => format!("{} or less, at {confidence} %; no lower bound", figure(high)),
        (None, None) => format!("{} has no bounds", figure(value)),
    }
}

fn limit(judgement: &Judgement) -> String {
    let figure = |value| words::figure(&judgement.reading, judgement.unit, value);
    let limits = [
        judgement.limit.at_least.map(|least| format!("at least {}", figure(least))),
        judgement.limit.at_most.map(|most| format!("at most {}", figure(most))),
    ];
    let mut words = limits.into_iter().flatten().collect::<Vec<_>>().join(", ");
    if let Some(computed) = &judgement.limit.computed {
        words = format!("{words}: {computed}");
    }
    words
}

fn musts(record: &Record) -> impl Iterator<Item = &Judgement> {
    record.judgements.iter().filter(|judgement| judgement.severity == Severity::Must)
}

/// Names of the musts with a verdict, each once.
fn named(record: &Record, verdict: Verdict) -> Vec<&str> {
    let mut names: Vec<&str> = Vec::new();
    for judgement in musts(record).filter(|judgement| judgement.verdict == verdict) {
        if !names.contains(&judgement.criterion.as_str()) {
            names.push(&judgement.criterion);
        }
    }
    names
}

fn customer(record: &Record) -> String {
    let place = match record.place.position {
        Position::Ont => "at the optical terminal",
        Position::Modem => "at the modem",
        Position::Gateway => "at the gateway (router)",
        Position::Inside => "inside the home",
    };
    let mut said = vec![format!("On {} your connection was tested {place}.", record.started.strftime("%Y-%m-%d"))];
    said.extend(rates(record));
    let (missed, open) =
        (named(record, Verdict::Fail), [named(record, Verdict::NotProven), named(record, Verdict::NotTested)].concat());
    said.push(match record.verdict {
        Verdict::Pass => "All that the service must give was shown to be there.".to_owned(),
        Verdict::Fail => format!("It does not give all that was sold. What is missed: {}.", missed.join(", ")),
        _ if record.profile.is_none() => "It was measured only, and held against no contract.".to_owned(),
        _ => format!("Not everything could be shown either way. What stays open: {}.", open.join(", ")),
    });
    if let Some(isolation) = record.isolation.as_ref().filter(|_| record.verdict != Verdict::Pass)
        && let Some(segment) = isolation.segment
    {
        let sure = if isolation.confidence >= 0.8 { "Most likely" } else { "Perhaps" };
        let place = match segment {
            Segment::TestSet => "the test equipment itself is the cause, and not your connection",
            Segment::Home => "the cause lies in the home, before the provider's line begins",
            Segment::Access => "the cause lies on the line between the home and the provider",
            Segment::Network => "the cause lies in the network behind the line",
            Segment::FarEnd => "the cause lies at the point that was measured against, and not in your connection",
        };
        said.push(format!("{sure} {place}: {}.", isolation.title));
        said.extend(isolation.next.first().map(|next| format!("Next step: {next}.")));
    }
    said.join(" ")
}

fn rates(record: &Record) -> Option<String> {
    let rate = |mbit| words::figure("throughput.tcp_payload_rate", Unit::MegabitPerSecond, mbit);
    let of = |direction: Direction, word: &str| {
        let sold = record.sold.iter().find(|sold| sold.direction == direction)?;
        let reading = delivered(record, direction)?;
        Some(format!(
            "{word} {} are sold and {} arrived as data (no more than {} can)",
            rate(sold.sold_mbit),
            words::of(reading),
            rate(sold.payload_mbit)
        ))
    };
    let both: Vec<String> = [of(Direction::Down, "down"), of(Direction::Up, "up")].into_iter().flatten().collect();
    if both.is_empty() { None } else { Some(format!("Rates: {}.", both.join("; "))) }
}

fn engineer(record: &Record) -> String {
    let count = |verdict| musts(record).filter(|judgement| judgement.verdict == verdict).count();
    let readings: usize = record.checks.iter().map(|check| check.outcome.readings.len()).sum();
    let tier = record.profile.as_ref().map_or_else(
        || "no tier".to_owned(),
        |profile| format!("tier {} ({})", profile.name, profile.digest.chars().take(19).collect::<String>()),
    );
    let depth = record.plan.as_ref().map(|plan| format!(", depth {}", plan.depth)).unwrap_or_default();
    let mut said = vec![format!(
        "{} checks gave {readings} figures at {} over {}{depth}; agent {} on kernel {}; {tier}.",
        record.checks.len(),
        record.place.position,
        record.place.interface,
        record.agent.version,
        record.agent.kernel
    )];
    if record.profile.is_some() {
        said.push(format!(
            "Of the musts {} passed, {} failed, {} are not proven and {} were not tested; each verdict stands by itself, without a correction for their number.",
            count(Verdict::Pass),
            count(Verdict::Fail),
            count(Verdict::NotProven),
            count(Verdict::NotTested)
        ));
    }
    if let Some(isolation) = &record.isolation {
        let place = isolation.segment.map(|segment| format!(", {segment}")).unwrap_or_default();
        let because =
            if isolation.because.is_empty() { String::new() } else { format!(" It rests on: {}.", isolation.because.join("; ")) };
        let others: Vec<String> = isolation
            .also
            .iter()
            .map(|one| format!("beside it {}", one.fault))
            .chain(
                isolation
                    .alternatives
                    .iter()
                    .map(|one| format!("else {} ({} %)", one.fault, words::significant((one.confidence * 100.0).round()))),
            )
            .collect();
        let others = if others.is_empty() { String::new() } else { format!(" Other explanations: {}.", others.join(", ")) };
        said.push(format!(
            "Isolation: {}{place}, belief {} % by estimated likelihoods.{because}{others}",
            isolation.fault,
            words::significant((isolation.confidence * 100.0).round())
        ));
    }
    let mut oddities: Vec<(&str, usize)> = Vec::new();
    for flaw in record.checks.iter().flat_map(|check| &check.outcome.flaws) {
        match oddities.iter_mut().find(|(code, _)| *code == flaw.code) {
            Some((_, times)) => *times += 1,
            None => oddities.push((&flaw.code, 1)),
        }
    }
    if !oddities.is_empty() {
        let words =
            |(code, times): &(&str, usize)| if *times > 1 { format!("{code} ({times} times)") } else { (*code).to_owned() };
        said.push(format!("Oddities seen: {}.", oddities.iter().map(words).collect::<Vec<_>>().join(", ")));
    }
    said.extend(
        record.incomplete_because.iter().filter(|_| !record.complete).map(|why| format!("The visit is not whole: {why}.")),
    );
    said.join(" ")
}
