//! Readings, series, facts and flaws out of the reports on the targets.
//!
//! The hard thing: a router or gateway that answers echoes late, seldom or not at all does not thereby lose anybody's
//! packets. What a target shows counts as loss of the line only as far as the targets behind it show it too.

use std::net::IpAddr;

use serde_json::{Value, json};

use super::super::probing::OwnFaults;
use super::first_look::Look;
use super::targets::{Aim, ProviderHop};
use crate::metric::quantile::{interval_of_sorted, of_sorted};
use crate::metric::sampling::Sampling;
use crate::proto::echo::{EchoSettings, Fate, TargetReport};
use crate::reading::{Limit, Outcome, Reading, Sequential, Series, Status, Target, Unit};
use crate::unit::{Family, Interval, StampSource};

/// Everything that one run of the check has seen.
#[derive(Clone)]
pub(super) struct Run {
    pub(super) settings: EchoSettings,
    pub(super) plan: Vec<(Family, Aim)>,
    pub(super) reports: Vec<TargetReport>,
    pub(super) faults: OwnFaults,
    pub(super) providers: Vec<(Family, ProviderHop)>,
    pub(super) first_look: Vec<(IpAddr, Look)>,
    pub(super) far_end_session: bool,
    /// Start of the probes after that of the check.
    pub(super) start_ms: f64,
    pub(super) confidence: f64,
    /// Probes that were planned and may be sent, where what they show decides how many are.
    pub(super) sequential: Option<Sequential>,
}

impl Run {
    /// The same with these reports.
    pub(super) fn with(&self, reports: Vec<TargetReport>) -> Self {
        Self { reports, ..self.clone() }
    }

    fn sampling(&self) -> Sampling {
        Sampling { confidence: self.confidence, planned: self.sequential.map(|taken| taken.planned) }
    }
}

/// Share of probes that the test set may fail to send or time before its figures are marked as limited by it.
const OWN_SHARE: f64 = 0.01;

/// Percentiles that are reported.
const QUANTILES: [(&str, f64); 3] = [("echo.round_trip_p50", 0.50), ("echo.round_trip_p95", 0.95), ("echo.round_trip_p99", 0.99)];

/// A target in words.
pub(super) fn name_of(target: &Target) -> &'static str {
    match target {
        Target::Gateway => "gateway",
        Target::ProviderHop => "provider hop",
        Target::FarEnd => "far end",
        Target::Resolver(_)
        | Target::Hop(_)
        | Target::Server(_)
        | Target::Vlan(..)
        | Target::Class(_)
        | Target::Page(_)
        | Target::Channel(_) => "target",
    }
}

/// The same for codes of flaws.
fn slug_of(target: &Target) -> &'static str {
    match target {
        Target::Gateway => "gateway",
        Target::ProviderHop => "provider",
        Target::FarEnd => "far-end",
        Target::Resolver(_)
        | Target::Hop(_)
        | Target::Server(_)
        | Target::Vlan(..)
        | Target::Class(_)
        | Target::Page(_)
        | Target::Channel(_) => "target",
    }
}

/// What a target's missing replies stand for.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Loss {
    /// Loss on the way, as lost and sent.
    OfTheLine(u64, u64),
    /// The target keeps replies back; the way to it loses no more than that to a target behind, as lost and sent.
    Bounded { lost: u64, sent: u64 },
    /// The target answers no echo, but something behind it is reached.
    Silent,
    /// Nothing was sent.
    Nothing,
}

/// The outcome of a run.
pub(super) fn outcome(run: &Run) -> Outcome {
    let answered = run.reports.iter().any(|r| r.answered() > 0);
    let sent = run.reports.iter().any(|r| r.sent() > 0);
    let mut outcome = if answered {
        Outcome::new(Status::Done)
    } else if sent {
        let names: Vec<String> = run.plan.iter().map(|(_, aim)| aim.address.to_string()).collect();
        Outcome::failed(format!("no echo was answered by {}", names.join(", ")))
    } else {
        Outcome::not_tested(format!("no echo could be sent: {}", own_errors(&run.faults)))
    };
    for index in 0..run.plan.len() {
        let loss = loss_of(run, index);
        readings(run, index, loss, &mut outcome);
        flaws(run, index, loss, &mut outcome);
    }
    schedule_error(run, &mut outcome);
    for reading in &mut outcome.readings {
        reading.sequential = run.sequential;
    }
    facts(run, &mut outcome);
    outcome
}

/// The readings of a run that goes on.
pub(super) fn readings_of(run: &Run) -> Vec<Reading> {
    let mut outcome = Outcome::new(Status::Done);
    (0..run.plan.len()).for_each(|index| readings(run, index, loss_of(run, index), &mut outcome));
    outcome.readings
}

fn own_errors(faults: &OwnFaults) -> String {
    faults.send_errors.iter().map(|(what, count)| format!("{what} ({count} times)")).collect::<Vec<_>>().join("; ")
}

fn loss_of(run: &Run, index: usize) -> Loss {
    let report = &run.reports[index];
    let (own_lost, own_sent) = (report.lost(), report.lost() + report.answered());
    if own_sent == 0 {
        return Loss::Nothing;
    }
    let (family, aim) = &run.plan[index];
    // The plan lists each family's targets nearest first.
    let behind = (index + 1..run.plan.len()).filter(|i| run.plan[*i].0 == *family).map(|i| &run.reports[i]);
    let behind: Vec<(u64, u64)> = behind.filter(|r| r.answered() > 0).map(|r| (r.lost(), r.lost() + r.answered())).collect();
    if report.answered() == 0 {
        // An open session with the far end is a witness that packets get there.
        let has_witness = !behind.is_empty() || (run.far_end_session && aim.targets.contains(&Target::FarEnd));
        return if has_witness { Loss::Silent } else { Loss::OfTheLine(own_lost, own_sent) };
    }
    // What passes a target on its way to another was not lost before it, so a significantly smaller loss behind shows
    // that this target keeps replies back. Significantly: the two intervals don't touch.
    let best = behind.into_iter().min_by(|a, b| (a.0 * b.1).cmp(&(b.0 * a.1)));
    if let Some((lost, sent)) = best {
        let own = run.sampling().share(own_lost, own_sent, 1.0);
        let other = run.sampling().share(lost, sent, 1.0);
        if own.low.unwrap_or(0.0) > other.high.unwrap_or(1.0) {
            return Loss::Bounded { lost, sent };
        }
    }
    Loss::OfTheLine(own_lost, own_sent)
}

fn readings(run: &Run, index: usize, loss: Loss, outcome: &mut Outcome) {
    let report = &run.reports[index];
    let (family, aim) = &run.plan[index];
    let mut figures = Vec::new();
    let lost_for_quantiles = match loss {
        Loss::OfTheLine(lost, sent) | Loss::Bounded { lost, sent } => {
            let ratio = lost as f64 / sent as f64;
            figures.push(Reading::new("echo.loss_ratio", ratio, sent, run.sampling().share(lost, sent, 1.0)));
            // Replies that the target itself kept back have no delay, finite or infinite.
            if matches!(loss, Loss::Bounded { .. }) { 0 } else { lost }
        }
        Loss::Silent | Loss::Nothing => 0,
    };
    let mut sorted: Vec<f64> = report
        .probes
        .iter()
        .filter_map(|(_, fate)| match fate {
            Fate::Answered(round_trip) => Some(round_trip.as_secs_f64() * 1e3),
            Fate::Open | Fate::Discarded | Fate::Lost | Fate::Refused => None,
        })
        .collect();
    sorted.sort_by(f64::total_cmp);
    let source = report.stamped_by.unwrap_or(StampSource::User);
    if let Some(least) = sorted.first().copied() {
        // A fact of this run, not an estimate.
        let exact = Interval { low: Some(least), high: Some(least), confidence: 1.0 };
        figures.push(Reading::new("echo.round_trip_min", least, sorted.len() as u64, exact).stamped_by(source));
        let samples = sorted.len() as u64 + lost_for_quantiles;
        for (name, q) in QUANTILES {
            // A lost packet counts as an infinite delay (RFC 2681 section 4); an infinite percentile gives no reading.
            if let Some(value) = of_sorted(&sorted, lost_for_quantiles, q) {
                let interval = interval_of_sorted(&sorted, lost_for_quantiles, q, run.sampling());
                figures.push(Reading::new(name, value, samples, interval).stamped_by(source));
            }
        }
    }
    let limits = own_limits(run, report);
    for target in &aim.targets {
        for figure in &figures {
            let mut reading = figure.clone().on(target.clone()).over(*family);
            for what in &limits {
                reading = reading.limited_by(Limit::TestSet, what.clone());
            }
            outcome.readings.push(reading);
        }
        if report.answered() > 0 {
            outcome.series.push(series(run, report, target, *family));
        }
    }
}

/// What the test set itself did to the figures of a target, when it was more than a trifle.
fn own_limits(run: &Run, report: &TargetReport) -> Vec<String> {
    let asked = match run.sequential {
        None => run.settings.count.max(1) as f64,
        Some(_) => (report.sent() + report.not_sent + report.missed).max(1) as f64,
    };
    let mut limits = Vec::new();
    if run.faults.receive_drops > 0 {
        limits.push(format!("{} packets dropped in the test set's own receive buffer", run.faults.receive_drops));
    }
    if (report.not_sent + report.missed) as f64 > asked * OWN_SHARE {
        limits.push(format!("{} of {asked} probes not sent by the test set", report.not_sent + report.missed));
    }
    if report.discarded() as f64 > report.sent() as f64 * OWN_SHARE {
        limits.push(format!("{} round trips discarded since the test set's clocks disagree", report.discarded()));
    }
    limits
}

fn series(run: &Run, report: &TargetReport, target: &Target, family: Family) -> Series {
    let points = report.probes.iter().filter_map(|(at, fate)| {
        let at_ms = run.start_ms + at.as_secs_f64() * 1e3;
        match fate {
            Fate::Answered(round_trip) => Some((at_ms, Some(round_trip.as_secs_f64() * 1e3))),
            Fate::Lost | Fate::Refused => Some((at_ms, None)),
            Fate::Open | Fate::Discarded => None,
        }
    });
    let (at_ms, values) = points.unzip();
    Series {
        name: "echo.round_trip".to_owned(),
        unit: Unit::Millisecond,
        target: Some(target.clone()),
        direction: None,
        family: Some(family),
        load: None,
        at_ms,
        values,
    }
}

fn flaws(run: &Run, index: usize, loss: Loss, outcome: &mut Outcome) {
    let report = &run.reports[index];
    let Aim { address, targets } = &run.plan[index].1;
    let target = &targets[0];
    let (name, slug) = (name_of(target), slug_of(target));
    match loss {
        Loss::Silent => outcome.flaw(
            &format!("echo-{slug}-silent"),
            format!("{name} {address} does not answer echo, but what lies behind it is reached: no loss of the line"),
            None,
        ),
        Loss::Bounded { .. } => outcome.flaw(
            &format!("echo-{slug}-limits-replies"),
            format!(
                "{name} {address} left {} of {} echoes unanswered that targets behind it do not miss: it limits its replies",
                report.lost(),
                report.sent()
            ),
            None,
        ),
        Loss::OfTheLine(lost, sent) if lost == sent => outcome.flaw(
            &format!("echo-{slug}-unanswered"),
            format!("{name} {address} answered none of {sent} echoes, and nothing behind it answers"),
            None,
        ),
        Loss::OfTheLine(..) | Loss::Nothing => {}
    }
    for refusal in &report.refusals {
        outcome.flaw(
            &format!("echo-{}", refusal.meaning.slug()),
            format!(
                "{} instead of a reply of {name} {address}, says {} ({} times)",
                refusal.meaning.words(),
                refusal.offender,
                refusal.count
            ),
            None,
        );
    }
    let mut counted = |count: u64, code: &str, what: &str| {
        if count > 0 {
            outcome.flaw(code, format!("{name} {address}: {count} {what}"), None);
        }
    };
    counted(report.duplicates, "echo-duplicates", "replies came more than once");
    counted(report.altered, "echo-data-altered", "replies with other data than was sent (RFC 792 asks for the same)");
    counted(report.misaddressed, "echo-reply-misaddressed", "replies from another address than the one asked");
}

/// How far probes of all targets lay behind their schedule: a sample that was meant to be even or random has to be so (RFC 2330 section 11).
fn schedule_error(run: &Run, outcome: &mut Outcome) {
    let all = run.reports.iter().flat_map(|report| &report.behind_schedule);
    let mut sorted: Vec<f64> = all.map(|late| late.as_secs_f64() * 1e3).collect();
    sorted.sort_by(f64::total_cmp);
    if let Some(value) = of_sorted(&sorted, 0, 0.95) {
        let interval = interval_of_sorted(&sorted, 0, 0.95, run.sampling());
        let reading = Reading::new("echo.schedule_error_p95", value, sorted.len() as u64, interval);
        outcome.readings.push(reading.stamped_by(StampSource::User));
    }
}

fn facts(run: &Run, outcome: &mut Outcome) {
    let targets: Vec<Value> =
        run.plan.iter().zip(&run.reports).map(|((family, aim), report)| target_fact(*family, aim, report)).collect();
    outcome.fact("targets", targets);
    // RFC 2681 section 2.8.2 and RFC 7680 section 2.8.2: the loss threshold is to be reported with the figures.
    outcome.fact("waiting_time_ms", run.settings.waiting_time.as_secs_f64() * 1e3);
    if let Some(Sequential { planned, most }) = run.sequential {
        outcome.fact("probes_planned", planned);
        outcome.fact("probes_at_most", most);
    }
    outcome.fact("interval_ms", run.settings.interval.as_secs_f64() * 1e3);
    outcome.fact("schedule", format!("{:?}", run.settings.pattern).to_lowercase());
    outcome.fact("payload_octets", run.settings.payload_len);
    for (family, provider) in &run.providers {
        if let ProviderHop::Unknown(why) = provider {
            let name = if *family == Family::Ipv4 { "provider_hop_unknown_ipv4" } else { "provider_hop_unknown_ipv6" };
            outcome.fact(name, why.clone());
        }
    }
    let looks: Vec<Value> =
        run.first_look.iter().map(|(address, look)| json!({ "address": address, "saw": look.words() })).collect();
    outcome.fact("first_look", looks);
    if !run.faults.send_errors.is_empty() {
        outcome.fact("send_errors", own_errors(&run.faults));
    }
    if run.faults.receive_drops > 0 {
        outcome.fact("receive_drops", run.faults.receive_drops);
    }
}

fn target_fact(family: Family, aim: &Aim, report: &TargetReport) -> Value {
    let refusals: Vec<Value> =
        report.refusals.iter().map(|r| json!({ "from": r.offender, "says": r.meaning.words(), "count": r.count })).collect();
    json!({
        "target": aim.targets,
        "family": family,
        "address": aim.address,
        "sent": report.sent(),
        "answered": report.answered(),
        "lost": report.lost(),
        "late": report.late,
        "duplicates": report.duplicates,
        "altered": report.altered,
        "discarded": report.discarded(),
        "not_sent": report.not_sent,
        "missed": report.missed,
        "refusals": refusals,
        "hop_limit": report.hop_limit.map(|(low, high)| json!([low, high])),
    })
}

#[cfg(test)]
mod tests;
