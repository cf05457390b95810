//! What discovery found, as readings, facts and flaws. It must not know sockets or states.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use crate::proto::pppoe::{Discovery, Echo, Ending, Offer, Verdict};
use crate::proto::round_trip::Settled;
use crate::reading::{Outcome, Reading, Status};
use crate::wire::ethernet::Mac;
use crate::wire::pppoe::tag;

/// What discovery found.
pub(super) fn describe(discovery: &Discovery, ending: Ending) -> Outcome {
    let mut outcome = Outcome::new(Status::Done);
    let usable: Vec<&Offer> = discovery.offers().iter().filter(|offer| offer.is_usable()).collect();
    let concentrators: BTreeSet<Mac> = usable.iter().map(|offer| offer.from).collect();
    outcome.readings.push(Reading::exact("pppoe.concentrators", concentrators.len() as f64));
    let first = usable.iter().find_map(|offer| match discovery.offer_time(offer) {
        Some(Settled::RoundTrip(time, source)) => Some((time, source)),
        _ => None,
    });
    let confirmation = match discovery.confirmation_time() {
        Some(Settled::RoundTrip(time, source)) if ending == Ending::Opened => Some((time, source)),
        _ => None,
    };
    for (name, time) in [("pppoe.offer_time", first), ("pppoe.session_time", confirmation)] {
        outcome.readings.extend(time.map(|(time, source)| Reading::exact(name, time.as_secs_f64() * 1e3).stamped_by(source)));
    }
    let offers: Vec<Value> = discovery.offers().iter().map(|offer| offer_fact(discovery, offer)).collect();
    let (initiations, requests) = discovery.requests_sent();
    outcome.fact("offers", offers);
    outcome.fact("initiations_sent", initiations);
    outcome.fact("requests_sent", requests);
    outcome.fact("packets_ignored", discovery.ignored());
    outcome.fact("session", session_fact(ending, discovery.verdict(), discovery.kept().is_some()));
    flaws(&mut outcome, discovery, ending, concentrators.len());
    outcome
}

fn flaws(outcome: &mut Outcome, discovery: &Discovery, ending: Ending, concentrators: usize) {
    let asked = discovery.offers().iter().find(|offer| offer.is_usable());
    let who = asked.map_or_else(String::new, |offer| format!("{} ({})", text(offer.names.first()), offer.from));
    match ending {
        Ending::Refused => {
            let why = discovery.verdict().map(|verdict| reasons(&verdict.errors)).unwrap_or_default();
            outcome.flaw("pppoe-session-refused", format!("concentrator {who} offers a session and then refuses it{why}"), None);
        }
        Ending::NoConfirmation => {
            outcome.flaw("pppoe-no-confirmation", format!("concentrator {who} offers a session and does not open it"), None);
        }
        Ending::NoOffer | Ending::Offered | Ending::Opened => {}
    }
    if concentrators > 1 {
        let what = format!("{concentrators} concentrators offer sessions: a host takes whichever answers first");
        outcome.flaw("pppoe-several-concentrators", what, None);
    }
    for offer in discovery.offers() {
        let who = format!("concentrator {} ({})", text(offer.names.first()), offer.from);
        if let Some(vlan) = offer.vlan {
            outcome.flaw("pppoe-answer-tagged", format!("{who} answers in VLAN {vlan} what was asked without a tag"), None);
        }
        if !offer.errors.is_empty() {
            outcome.flaw("pppoe-offer-error", format!("{who} answers with an error{}", reasons(&offer.errors)), None);
        }
        let odd = oddities(offer);
        if !odd.is_empty() {
            outcome.flaw("pppoe-offer-odd", format!("{who}: {}", odd.join("; ")), None);
        }
    }
}

/// What the standard has otherwise.
fn oddities(offer: &Offer) -> Vec<String> {
    let mut odd: Vec<String> = offer.flaws.iter().map(ToString::to_string).collect();
    let mut add = |is_odd: bool, what: &str| odd.extend(is_odd.then(|| what.to_owned()));
    add(offer.echo == Echo::Missing, "Host-Uniq is not returned (RFC 2516 appendix A)");
    add(offer.echo == Echo::Foreign, "Host-Uniq is not ours (RFC 2516 appendix A)");
    add(offer.names.len() != 1, "an offer has exactly one AC-Name (RFC 2516 section 5.2)");
    add(offer.services.is_empty(), "the Service-Name that was asked for is not returned (RFC 2516 section 5.2)");
    odd
}

fn reasons(errors: &[(u16, String)]) -> String {
    let one = |(number, text): &(u16, String)| match text.as_str() {
        "" => tag::name(*number).to_owned(),
        text => format!("{}: {text}", tag::name(*number)),
    };
    if errors.is_empty() { String::new() } else { format!(" ({})", errors.iter().map(one).collect::<Vec<_>>().join("; ")) }
}

pub(super) fn text(octets: Option<&Vec<u8>>) -> String {
    let text: String = octets.map(|octets| String::from_utf8_lossy(octets).chars().take(100).collect()).unwrap_or_default();
    if text.is_empty() {
        "without a name".to_owned()
    } else {
        text.chars().map(|c| if c.is_control() { '?' } else { c }).collect()
    }
}

fn offer_fact(discovery: &Discovery, offer: &Offer) -> Value {
    let time_ms = match discovery.offer_time(offer) {
        Some(Settled::RoundTrip(time, _)) => Some(time.as_secs_f64() * 1e3),
        _ => None,
    };
    let texts = |list: &[Vec<u8>]| list.iter().map(|octets| text(Some(octets))).collect::<Vec<_>>();
    json!({
        "mac": offer.from.to_string(),
        "names": texts(&offer.names),
        "services": texts(&offer.services),
        "time_ms": time_ms,
        "cookie_octets": offer.cookie.as_ref().map(Vec::len),
        "relayed": offer.relay.is_some(),
        "max_payload": offer.max_payload,
        "tags": offer.tags.iter().map(|number| tag::name(*number)).collect::<Vec<_>>(),
        "vlan": offer.vlan,
        "errors": offer.errors.iter().map(|(number, text)| json!({ "tag": tag::name(*number), "text": text })).collect::<Vec<_>>(),
    })
}

fn session_fact(ending: Ending, verdict: Option<&Verdict>, is_kept: bool) -> Value {
    let words = match ending {
        Ending::NoOffer => "nobody offers one",
        Ending::Offered => "not asked for",
        Ending::Opened if is_kept => "opened, and the visit runs over it",
        Ending::Opened => "opened and closed",
        Ending::Refused => "refused",
        Ending::NoConfirmation => "asked for and not answered",
    };
    json!({
        "ended": words,
        "number": verdict.map(|verdict| verdict.session),
        "max_payload": verdict.and_then(|verdict| verdict.max_payload),
        "errors": verdict.map(|v| v.errors.iter().map(|(n, text)| json!({ "tag": tag::name(*n), "text": text })).collect::<Vec<_>>()),
    })
}
