//! Symptoms of the resolvers.

use super::{Evidence, Findings, reason};
use crate::isolate::model::Symptom;
use crate::reading::{Outcome, Reading, Status, Target, words};

/// A resolver that fails this share of lookups is as good as dead.
const DEAD: f64 = 0.9;

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    let Some(dns) = evidence.ran("dns") else { return };
    if let Some(is_gateway) = resolver_is_gateway(evidence, dns) {
        let words = if is_gateway {
            "the gateway itself is the resolver handed out"
        } else {
            "the resolvers handed out are not the gateway"
        };
        found.note(Symptom::ResolverIsGateway, is_gateway, words);
    }
    let failures = by_resolver(evidence);
    let dead: Vec<_> = failures.iter().filter(|r| r.value >= DEAD).collect();
    if failures.is_empty() {
        if dns.status == Status::Failed {
            found.note(Symptom::AllResolversDead, true, format!("no resolver answers: {}", reason(dns)));
        }
        return;
    }
    let all = dead.len() == failures.len();
    let named = |readings: &[&&Reading]| readings.iter().map(|r| name(r)).collect::<Vec<_>>().join(", ");
    found.note(Symptom::AllResolversDead, all, if all { "no resolver gives usable answers" } else { "names resolve" });
    if failures.len() > 1 && !all {
        let words =
            if dead.is_empty() { "every resolver answers".to_owned() } else { format!("no usable answer from {}", named(&dead)) };
        found.note(Symptom::OneResolverDead, !dead.is_empty(), words);
    }
    if !all {
        let lies: Vec<&Reading> = evidence.readings("dns.false_answers").filter(|r| r.value > 0.0).collect();
        let words = match lies.first() {
            Some(r) => format!("{} false answer(s) from {}", words::of(r), name(r)),
            None => "no false answers".to_owned(),
        };
        found.note(Symptom::ResolverLies, !lies.is_empty(), words);
    }
    if let Some((missed, judgement)) = evidence.limit_missed(|j| j.reading.starts_with("dns.lookup_time")) {
        found.note(Symptom::ResolverSlow, missed, format!("{}: {}", judgement.criterion, judgement.because));
    }
}

/// Whether a name that no cache can hold was resolved: that takes more than the gateway. `None` when none was asked.
pub(super) fn uncached_answer(evidence: &Evidence<'_>) -> Option<bool> {
    let failures = by_resolver(evidence);
    let lies = evidence.readings("dns.false_answers").any(|r| r.value > 0.0);
    if failures.is_empty() {
        return evidence.ran("dns").filter(|o| o.status == Status::Failed).map(|_| false);
    }
    (!lies).then(|| failures.iter().any(|r| r.value < DEAD))
}

fn by_resolver<'a>(evidence: &Evidence<'a>) -> Vec<&'a Reading> {
    evidence.idle("dns.failure_ratio")
}

fn name(reading: &Reading) -> String {
    match &reading.target {
        Some(target @ Target::Resolver(_)) => words::target_words(target),
        _ => "the resolver".to_owned(),
    }
}

/// Whether a resolver handed out is the gateway: by the addresses in the facts of the checks `dns` and `echo`.
fn resolver_is_gateway(evidence: &Evidence<'_>, dns: &Outcome) -> Option<bool> {
    let text = |value: &serde_json::Value| value.as_str().map(str::to_owned);
    let list = dns.facts.get("resolvers")?.as_array()?;
    let resolvers: Vec<String> = list.iter().filter_map(|r| text(r).or_else(|| text(r.get("address")?))).collect();
    let targets = evidence.outcome("echo")?.facts.get("targets")?.as_array()?;
    let is_gateway = |t: &&serde_json::Value| {
        t.get("target").and_then(|t| t.as_array()).is_some_and(|list| list.iter().any(|word| word == "gateway"))
    };
    let gateways: Vec<String> = targets.iter().filter(is_gateway).filter_map(|t| text(t.get("address")?)).collect();
    (!resolvers.is_empty() && !gateways.is_empty()).then(|| resolvers.iter().any(|r| gateways.contains(r)))
}
