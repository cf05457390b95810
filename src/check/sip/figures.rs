//! From what a SIP service showed to readings, facts and flaws.

use std::time::Duration;

use serde_json::{Value, json};

use super::Looked;
use super::reach::Attempt;
use crate::proto::sip::registration::Report;
use crate::proto::sip::service::Service;
use crate::reading::{Outcome, Reading};
use crate::unit::{Family, StampSource};
use crate::wire::sip::Transport;
use crate::wire::sip::message::shown;

fn ms(name: &'static str, time: Duration) -> Reading {
    Reading::exact(name, time.as_secs_f64() * 1e3).stamped_by(StampSource::User)
}

fn truth(name: &'static str, is: bool) -> Reading {
    Reading::exact(name, f64::from(u8::from(is)))
}

pub(super) fn add(outcome: &mut Outcome, service: &Service, looked: &Looked, has_account: bool) {
    let Looked { found, attempts, report } = looked;
    outcome.fact("domain", service.domain.host.clone());
    if let Some(took) = found.took {
        outcome.readings.push(ms("sip.lookup_time", took));
    }
    outcome.fact("naptr", found.has_naptr);
    outcome.fact("srv", found.has_srv);
    let order = found.candidates.iter().map(|candidate| {
        json!({ "transport": candidate.transport.word(), "target": candidate.target, "port": candidate.port,
            "addresses": candidate.addresses.iter().map(ToString::to_string).collect::<Vec<_>>() })
    });
    outcome.fact("order", order.collect::<Vec<Value>>());
    if let Some(why) = &found.why {
        let code = if found.is_unanswered { "sip-no-resolver" } else { "sip-no-server" };
        outcome.flaw(code, format!("for {}: {why}", service.domain.host), None);
    }
    options(outcome, service, attempts);
    match report {
        Some((at, report)) => registered(outcome, &attempts[*at], report),
        None if service.needs_account && !has_account => {
            outcome.fact("registration", "not tested: the profile wants an account, and none was given (--sip-login FILE)");
        }
        None => {}
    }
}

fn options(outcome: &mut Outcome, service: &Service, attempts: &[Attempt]) {
    for attempt in attempts {
        let Some((_, took)) = &attempt.answer else { continue };
        let name = match attempt.transport {
            Transport::Udp => "sip.options_udp_time",
            Transport::Tcp => "sip.options_tcp_time",
            Transport::Tls => "sip.options_tls_time",
        };
        outcome.readings.push(ms(name, *took).over(Family::of(attempt.at.ip())));
    }
    let answers = |transport: Transport| attempts.iter().any(|one| one.transport == transport && one.answer.is_some());
    // What this test set can't speak proves nothing.
    let is_open = |transport: Transport| attempts.iter().any(|one| one.transport == transport && one.is_beyond_us);
    let wanted = service.transports.iter().copied();
    let failed: Vec<Transport> = wanted.filter(|transport| !answers(*transport) && !is_open(*transport)).collect();
    let is_answered = service.transports.iter().any(|transport| answers(*transport));
    if is_answered || !failed.is_empty() {
        outcome.readings.push(truth("sip.answered", is_answered));
        outcome.readings.push(Reading::exact("sip.transports_failed", failed.len() as f64));
    }
    for transport in failed {
        let over = transport.word();
        let whys: Vec<String> = attempts
            .iter()
            .filter(|one| one.transport == transport)
            .map(|one| format!("{}: {}", one.at, one.why.as_deref().unwrap_or("no answer")))
            .collect();
        let why = if whys.is_empty() { "DNS names no server for it".to_owned() } else { whys.join("; ") };
        let code = if is_answered { "sip-transport-failed" } else { "sip-silent" };
        outcome.flaw(code, format!("no answer to OPTIONS over {over}: {why}"), None);
    }
    let certified: Vec<bool> = attempts.iter().filter_map(|attempt| attempt.is_certified).collect();
    if !certified.is_empty() {
        outcome.readings.push(truth("sip.certificate_valid", certified.iter().all(|is| *is)));
    }
    if let Some(attempt) = attempts.iter().find(|attempt| attempt.is_certified == Some(false)) {
        let why = attempt.why.as_deref().unwrap_or_default();
        let what = format!("the certificate at {} is not valid for {}: {why}", attempt.at, service.domain.host);
        outcome.flaw("sip-certificate", what, None);
    }
    outcome.fact("options", attempts.iter().map(fact).collect::<Vec<Value>>());
}

fn fact(attempt: &Attempt) -> Value {
    let ms = |time: Duration| time.as_secs_f64() * 1e3;
    let message = attempt.answer.as_ref().map(|(message, _)| message);
    let via = message.and_then(|message| message.via());
    let seen = via.as_ref().and_then(|via| Some(format!("{}:{}", via.received()?, via.rport()?)));
    let is_translated = via.and_then(|via| Some(via.received()? != attempt.local?.ip()));
    let word = |name: &str| message.and_then(|message| message.first(name)).map(shown);
    json!({
        "transport": attempt.transport.word(),
        "target": attempt.target,
        "at": attempt.at.to_string(),
        "answer": message.map(|message| message.told()),
        "server": word("Server").or_else(|| word("User-Agent")),
        "allows": word("Allow"),
        "seen_as": seen,
        "is_translated": is_translated,
        "connect_ms": attempt.connect.map(ms),
        "tls_ms": attempt.secure.map(ms),
        "sendings": attempt.sendings,
        "certificate_valid": attempt.is_certified,
        "why_not": attempt.why,
    })
}

fn registered(outcome: &mut Outcome, attempt: &Attempt, report: &Report) {
    let over = Family::of(attempt.at.ip());
    outcome.readings.push(truth("sip.registered", report.refusal.is_none()).over(over));
    if let Some(took) = report.bound_after {
        outcome.readings.push(ms("sip.register_time", took).over(over));
    }
    if let Some(seconds) = report.granted {
        outcome.readings.push(Reading::exact("sip.expiry_granted", f64::from(seconds)).over(over));
    }
    if let Some(others) = report.others_before {
        outcome.readings.push(Reading::exact("sip.other_bindings", others as f64).over(over));
    }
    if let Some(refusal) = &report.refusal {
        outcome.flaw(refusal.code(), refusal.to_string(), None);
    }
    if report.is_removed == Some(false) {
        let what = "the binding that this visit made could not be removed; it ends by itself when its time is over";
        outcome.flaw("sip-binding-left", what, None);
    }
    if let (Some(before), Some(after)) = (report.others_before, report.others_after)
        && after < before
    {
        let what = format!(
            "of {before} bindings of other devices {after} are left: the registrar may keep one at a time; see that the customer's device \
             registers again"
        );
        outcome.flaw("sip-bindings-lost", what, None);
    }
    outcome.fact(
        "registration",
        json!({
            "transport": attempt.transport.word(),
            "at": attempt.at.to_string(),
            "challenged_by": report.algorithm,
            "is_challenged": report.is_challenged,
            "requests": report.requests,
            "seen_as": report.seen_as.map(|at| at.to_string()),
            "bound_as": report.bound_as,
            "is_listed": report.is_listed,
            "least_expiry": report.least,
            "is_removed": report.is_removed,
            "others_after": report.others_after,
            "server": report.server,
            "refusal": report.refusal.as_ref().map(ToString::to_string),
        }),
    );
}
