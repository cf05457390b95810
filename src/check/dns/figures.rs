//! From what the resolvers did to readings, series, facts and flaws.

use std::net::IpAddr;
use std::time::Duration;

use serde_json::json;

use super::closer::findings;
use super::questions::{Purpose, Question};
use super::run::Examined;
use crate::metric::loss_interval::clopper_pearson;
use crate::metric::quantile;
use crate::proto::dns_probe::Fate;
use crate::reading::{Limit, Outcome, Reading, Series, Status, Target, Unit};
use crate::unit::{Family, StampSource};
use crate::wire::dns::Code;

/// The check's outcome. `own`: the address that the far end sees the agent come from, where known.
pub(super) fn outcome(addresses: &[IpAddr], examined: &[Examined], confidence: f64, own: Option<IpAddr>) -> Outcome {
    let mut outcome = Outcome::new(Status::Done);
    outcome.fact("resolvers", json!(addresses.iter().map(IpAddr::to_string).collect::<Vec<_>>()));
    let mut usable = false;
    for (number, (address, one)) in (1..).zip(addresses.iter().zip(examined)) {
        let target = target_of(number);
        let zone_is_out_of_reach = zone_is_out_of_reach(one);
        let without_zone = zone_is_out_of_reach.then(|| one.outside_zone());
        let one = without_zone.as_ref().unwrap_or(one);
        if zone_is_out_of_reach {
            outcome.flaw(
                "dns-zone-out-of-reach",
                format!(
                    "resolver {address} answers, but finds no name of the far end's zone: those lookups are not held against it"
                ),
                None,
            );
        }
        let tally = Tally::of(one);
        usable |= tally.answered > 0;
        let family = Family::of(*address);
        let readings = readings(one, &tally, confidence).into_iter();
        outcome.readings.extend(readings.map(|reading| reading.on(target.clone()).over(family)));
        outcome.series.push(series(one, target, family));
        flaws(&mut outcome, *address, &tally, one);
        let mut facts = facts(*address, &tally, one);
        if let Some(looked) = &one.looked {
            let closer = findings::readings(looked).into_iter();
            outcome.readings.extend(closer.map(|reading| reading.on(target_of(number)).over(family)));
            findings::flaws(&mut outcome, *address, looked, tally.answered > 0 && !zone_is_out_of_reach);
            facts["closer"] = findings::facts(*address, looked, own);
        }
        if let Some(arrived) = &one.arrived {
            let of_cached = |(question, fate): &(&Question, &Fate)| {
                matches!(question.purpose, Purpose::Priming | Purpose::Cached)
                    && matches!(fate, Fate::Answered(reply, _) if reply.is_usable())
            };
            facts["cache"] = findings::cache(&mut outcome, *address, one.asked().filter(of_cached).count(), arrived);
        }
        outcome.fact(&format!("resolver_{number}"), facts);
    }
    let errors: Vec<&String> = examined.iter().filter_map(|one| one.error.as_ref()).collect();
    if !usable {
        let reason = match errors.first() {
            Some(error) if errors.len() == examined.len() => {
                return Outcome::not_tested(format!("the resolvers can't be asked: {error}"));
            }
            _ => format!("none of {} resolver(s) gave a usable answer", addresses.len()),
        };
        (outcome.status, outcome.reason) = (Status::Failed, Some(reason));
    }
    outcome
}

fn target_of(number: u16) -> Target {
    Target::Resolver(number)
}

/// Whether a resolver can be used and only the far end's zone can't be asked: every lookup of a name of the zone failed, and
/// most of the others did not (most, since the line may lose some). The fault then lies between the resolver and the far end,
/// or at the far end.
fn zone_is_out_of_reach(one: &Examined) -> bool {
    let count = |of_zone: bool| {
        let fates = || one.asked().filter(move |(question, _)| question.is_of_zone == of_zone).map(|(_, fate)| fate);
        let answered = fates().filter(|fate| matches!(fate, Fate::Answered(reply, _) if reply.is_usable())).count();
        (answered, fates().count())
    };
    let ((zone_answered, zone_asked), (answered, asked)) = (count(true), count(false));
    zone_asked > 0 && zone_answered == 0 && 2 * answered > asked
}

/// Counts over all UDP lookups of a resolver.
#[derive(Debug, Default, PartialEq, Eq)]
struct Tally {
    asked: u64,
    /// With an outcome that a user can use: an address or the name's absence.
    answered: u64,
    silent: u64,
    server_failure: u64,
    refused: u64,
    other: u64,
    /// False claims, over UDP and TCP.
    false_answers: Vec<String>,
    not_sent: u64,
}

impl Tally {
    fn of(one: &Examined) -> Self {
        let mut tally = Self::default();
        for (question, fate) in one.questions.iter().zip(&one.fates) {
            match fate {
                Fate::Open => {}
                Fate::NotSent => tally.not_sent += 1,
                Fate::Silent => (tally.asked, tally.silent) = (tally.asked + 1, tally.silent + 1),
                Fate::Answered(reply, _) => {
                    tally.asked += 1;
                    match reply.code {
                        _ if reply.is_usable() => tally.answered += 1,
                        Code::ServerFailure => tally.server_failure += 1,
                        Code::Refused => tally.refused += 1,
                        Code::NoError | Code::NoSuchName | Code::Other(_) => tally.other += 1,
                    }
                    if question.truth.is_belied_by(reply) {
                        tally.false_answers.push(claim(&question.name, reply.code, &reply.addresses));
                    }
                }
            }
        }
        for lookup in &one.over_tcp {
            if let Ok((reply, _)) = &lookup.result
                && lookup.question.truth.is_belied_by(reply)
            {
                tally.false_answers.push(claim(&lookup.question.name, reply.code, &reply.addresses));
            }
        }
        tally
    }

    fn failed(&self) -> u64 {
        self.asked - self.answered
    }
}

fn claim(name: &str, code: Code, addresses: &[IpAddr]) -> String {
    if addresses.is_empty() {
        return format!("{name} {code:?}");
    }
    format!("{name} is at {}", addresses.iter().map(IpAddr::to_string).collect::<Vec<_>>().join(", "))
}

fn readings(one: &Examined, tally: &Tally, confidence: f64) -> Vec<Reading> {
    let mut readings = Vec::new();
    let uncached = Times::of(one, |purpose| purpose == Purpose::Uncached);
    let cached = Times::of(one, |purpose| purpose == Purpose::Cached);
    let mut quantile = |name, times: &Times, q| readings.extend(times.quantile(name, q, confidence));
    quantile("dns.lookup_time_p50", &uncached, 0.5);
    quantile("dns.lookup_time_p95", &uncached, 0.95);
    quantile("dns.cached_time_p50", &cached, 0.5);
    quantile("dns.cached_time_min", &cached, 0.0);
    quantile("dns.tcp_time_p50", &Times::over_tcp(one), 0.5);
    if tally.asked > 0 {
        let value = tally.failed() as f64 / tally.asked as f64;
        let interval = clopper_pearson(tally.failed(), tally.asked, confidence);
        readings.push(Reading::new("dns.failure_ratio", value, tally.asked, interval));
        let mut lies = Reading::exact("dns.false_answers", tally.false_answers.len() as f64);
        lies.samples = tally.asked;
        readings.push(lies);
    }
    if one.receive_drops > 0 {
        let what = format!("the test set's receive queue dropped {} answers", one.receive_drops);
        readings = readings.into_iter().map(|reading| reading.limited_by(Limit::TestSet, what.clone())).collect();
    }
    readings
}

/// Times of lookups of one kind; one without a usable answer counts as infinite (RFC 2681 section 4).
struct Times {
    sorted_ms: Vec<f64>,
    failed: u64,
    stamped_by: StampSource,
}

impl Times {
    fn of(one: &Examined, is_wanted: impl Fn(Purpose) -> bool) -> Self {
        // The weakest that was used; without any time there is no reading either.
        let mut times = Self { sorted_ms: Vec::new(), failed: 0, stamped_by: StampSource::Hardware };
        for (question, fate) in one.questions.iter().zip(&one.fates) {
            match fate {
                _ if !is_wanted(question.purpose) => {}
                Fate::Answered(reply, time) if reply.is_usable() => {
                    if let Some((time, source)) = time {
                        times.sorted_ms.push(ms(*time));
                        times.stamped_by = times.stamped_by.max(*source);
                    }
                }
                Fate::Answered(..) | Fate::Silent => times.failed += 1,
                Fate::Open | Fate::NotSent => {}
            }
        }
        times.sorted_ms.sort_by(f64::total_cmp);
        times
    }

    fn over_tcp(one: &Examined) -> Self {
        let ok = |lookup: &super::run::TcpLookup| lookup.result.as_ref().ok().map(|(_, time)| ms(*time));
        let mut sorted_ms: Vec<f64> = one.over_tcp.iter().filter_map(ok).collect();
        sorted_ms.sort_by(f64::total_cmp);
        let failed = (one.over_tcp.len() - sorted_ms.len()) as u64;
        Self { sorted_ms, failed, stamped_by: StampSource::User }
    }

    fn quantile(&self, name: &'static str, q: f64, confidence: f64) -> Option<Reading> {
        let value = quantile::of_sorted(&self.sorted_ms, self.failed, q)?;
        let interval = quantile::interval_of_sorted(&self.sorted_ms, self.failed, q, confidence);
        let samples = self.sorted_ms.len() as u64 + self.failed;
        value.is_finite().then(|| Reading::new(name, value, samples, interval).stamped_by(self.stamped_by))
    }
}

fn ms(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

fn flaws(outcome: &mut Outcome, address: IpAddr, tally: &Tally, one: &Examined) {
    let asked = tally.asked;
    let mut flaw = |code: &str, count: u64, what: &str| {
        if count > 0 {
            outcome.flaw(code, format!("resolver {address}: {count} of {asked} lookups {what}"), None);
        }
    };
    if asked > 0 && tally.silent == asked {
        flaw("dns-resolver-silent", asked, "were not answered");
    }
    flaw("dns-servfail", tally.server_failure, "ended in SERVFAIL: the resolver can't find out");
    flaw("dns-refused", tally.refused, "were refused: the resolver does not serve this address");
    if let Some(first) = tally.false_answers.first() {
        let count = tally.false_answers.len();
        outcome.flaw("dns-false-answer", format!("resolver {address}: {count} false answer(s), for instance {first}"), None);
    }
    if one.truncated == Some(false) {
        outcome.flaw(
            "dns-no-tcp-fallback",
            format!("resolver {address} cuts an answer over UDP and does not give it over TCP"),
            None,
        );
    }
    if one.large_is_lost {
        outcome.flaw(
            "dns-large-answer-lost",
            format!("resolver {address} answers, but not when the answer is larger than a datagram"),
            None,
        );
    }
    let tcp_failed = one.over_tcp.iter().filter(|lookup| lookup.result.is_err()).count();
    if tcp_failed > 0 && tally.answered > 0 {
        let why = one.over_tcp.iter().find_map(|lookup| lookup.result.as_ref().err()).cloned().unwrap_or_default();
        outcome.flaw(
            "dns-tcp-fails",
            format!("resolver {address} answers over UDP, but {tcp_failed} lookups over TCP failed: {why}"),
            None,
        );
    }
}

fn series(one: &Examined, target: Target, family: Family) -> Series {
    let times = one.fates.iter().map(|fate| match fate {
        Fate::Answered(_, time) => time.map(|(time, _)| ms(time)),
        Fate::Open | Fate::Silent | Fate::NotSent => None,
    });
    let values: Vec<Option<f64>> = times.take(one.sent_after.len()).collect();
    Series {
        name: "dns.lookup_time".to_owned(),
        unit: Unit::Millisecond,
        target: Some(target),
        direction: None,
        family: Some(family),
        load: None,
        at_ms: one.sent_after.iter().map(|after| ms(*after)).collect(),
        values,
    }
}

fn facts(address: IpAddr, tally: &Tally, one: &Examined) -> serde_json::Value {
    json!({
        "address": address.to_string(),
        "asked": tally.asked,
        "answered": tally.answered,
        "silent": tally.silent,
        "servfail": tally.server_failure,
        "refused": tally.refused,
        "other_codes": tally.other,
        "not_sent": tally.not_sent,
        "false_answers": tally.false_answers,
        "strays": one.strays,
        "unreadable": one.unreadable,
        "icmp_errors": one.icmp_errors,
        "over_tcp": one.over_tcp.len(),
        "over_tcp_failed": one.over_tcp.iter().filter(|lookup| lookup.result.is_err()).count(),
        "truncated_then_whole_over_tcp": one.truncated,
        "large_answer_lost": one.large_is_lost,
        "hops": one.hop_limit.map(hops),
        "error": one.error,
    })
}

/// Routers on the way back, from the hop limit that an answer came with: senders begin with 64, 128 or 255 (common practice).
fn hops(left: u8) -> u8 {
    [64, 128, 255].into_iter().find(|start| *start >= left).unwrap_or(255) - left
}

#[cfg(test)]
mod tests {
    use super::super::questions::Truth;
    use super::*;
    use crate::wire::dns::Reply;

    /// `zone` and `others` lookups, of which so many are answered that the name does not exist.
    fn examined(zone: (usize, usize), others: (usize, usize)) -> Examined {
        let mut one = Examined::default();
        for (is_of_zone, (answered, asked)) in [(true, zone), (false, others)] {
            for n in 0..asked {
                let name = format!("{n}.{is_of_zone}.");
                let reply = Reply {
                    id: 1,
                    name: name.clone(),
                    code: Code::NoSuchName,
                    is_truncated: false,
                    addresses: Vec::new(),
                    answers: 0,
                };
                one.questions.push(Question { name, purpose: Purpose::Nonexistent, truth: Truth::NoSuchName, is_of_zone });
                one.fates.push(if n < answered { Fate::Answered(reply, None) } else { Fate::Silent });
                one.sent_after.push(Duration::ZERO);
            }
        }
        one
    }

    #[test]
    fn a_far_end_out_of_reach_is_not_held_against_the_resolver() {
        let here = ["192.0.2.53".parse().unwrap()];
        let rows = [
            ("zone out of reach", examined((0, 40), (4, 4)), true, 0.0, 4),
            ("zone out of reach, and the line loses some", examined((0, 40), (3, 4)), true, 0.25, 4),
            ("silent for all", examined((0, 40), (0, 4)), false, 1.0, 44),
            ("silent for most", examined((3, 40), (4, 4)), false, 37.0 / 44.0, 44),
            ("no zone", examined((0, 0), (4, 4)), false, 0.0, 4),
        ];
        for (row, one, is_named, failure_ratio, samples) in rows {
            let outcome = outcome(&here, &[one], 0.95, None);
            assert_eq!(outcome.flaws.iter().any(|flaw| flaw.code == "dns-zone-out-of-reach"), is_named, "{row}");
            let ratio = outcome.readings.iter().find(|reading| reading.name == "dns.failure_ratio").expect("a ratio");
            assert_eq!((ratio.value, ratio.samples), (failure_ratio, samples), "{row}");
        }
    }
}
