//! PPPoE readiness: which access concentrators offer sessions on this port, how fast, and whether one can be opened.
//!
//! No credentials: a session is opened as far as discovery goes (RFC 2516) and closed at once. It must not know packets or
//! states ([`crate::proto::pppoe`]). Nobody answers on a line that hands out addresses by DHCP; that is no failure of this
//! check, and a tier that is sold over PPPoE says so by a limit on `pppoe.concentrators`.

use std::collections::BTreeSet;
use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use serde_json::{Value, json};

use super::{Check, Context, Finished, LiveFigure};
use crate::net::drive::Driver;
use crate::net::packet::{Filter, PacketSocket};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::pppoe::{Discovery, Echo, Ending, Event, Offer, Settings, Then, Verdict};
use crate::proto::round_trip::Settled;
use crate::reading::{Outcome, Reading, Status};
use crate::unit::Depth;
use crate::wire::ethernet::Mac;
use crate::wire::pppoe::{DISCOVERY, tag};

/// PPP payload of a full Ethernet frame's worth, which needs RFC 4638 on both sides.
const FULL_PAYLOAD: u16 = 1500;
/// For the confirmation of a session: servers answer from memory, within milliseconds (common practice); two requests fit.
const CONFIRMATION: Duration = Duration::from_millis(2500);
/// What a cancelled check may still take to close what it opened.
const CLOSING: Duration = Duration::from_millis(500);

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct PppoeCheck;

/// How long the first offer is waited for, and others behind it.
fn patience(depth: Depth) -> (Duration, Duration) {
    match depth {
        // PADI at 0 and 1 s.
        Depth::Quick => (Duration::from_millis(2000), Duration::from_millis(500)),
        // And at 3 s.
        Depth::Handoff => (Duration::from_millis(5000), Duration::from_millis(1500)),
        // And at 7 and 15 s.
        Depth::Soak => (Duration::from_secs(20), Duration::from_secs(4)),
    }
}

impl Check for PppoeCheck {
    fn spec(&self) -> Spec {
        Spec { name: "pppoe", needs: &[Need::Carrier], gives: &[], class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        async move { Finished::from(examine(context).await) }.boxed()
    }
}

fn cost(volume: &Volume) -> Cost {
    // A dozen short frames.
    Cost { time: patience(volume.depth).0, octets: 2000 }
}

async fn examine(context: Context) -> Outcome {
    let socket = match PacketSocket::open(context.interface.index, Filter::EtherType(DISCOVERY), false) {
        Ok(socket) => socket,
        Err(error) => return Outcome::not_tested(format!("opening a packet socket: {error}")),
    };
    let mut driver = Driver::new(socket);
    let (patience, window) = patience(context.effort.depth);
    let settings = Settings {
        mac: Mac(context.interface.mac),
        patience,
        window,
        confirmation: CONFIRMATION,
        then: Then::OpenAndClose,
        service: Vec::new(),
        max_payload: Some(FULL_PAYLOAD),
        run: rand::random(),
    };
    let mut discovery = Discovery::new(settings, Instant::now());
    let watch = |discovery: &mut Discovery, event| match event {
        Event::Over(ending) => ControlFlow::Break(ending),
        Event::Offered(_) => {
            let text = format!("{} offer(s)", discovery.offers().len());
            (context.live)(LiveFigure { check: "pppoe", text });
            ControlFlow::Continue(())
        }
    };
    let ran = tokio::select! {
        ran = driver.run(&mut discovery, watch) => Some(ran),
        () = context.cancel.cancelled() => None,
    };
    let ending = match ran {
        Some(Ok(ending)) => ending,
        Some(Err(error)) => return Outcome::not_tested(format!("the port can't be read: {error}")),
        // What was opened is closed before the check ends.
        None => {
            discovery.end(Instant::now());
            let closing = tokio::time::timeout(CLOSING, driver.run(&mut discovery, watch)).await;
            closing.ok().and_then(Result::ok).unwrap_or(Ending::Offered)
        }
    };
    if discovery.requests_sent().0 == 0 {
        let why = driver.last_failure().map_or_else(|| "ended early".to_owned(), |error| format!("sending: {error}"));
        return Outcome::not_tested(why);
    }
    describe(&discovery, ending)
}

fn describe(discovery: &Discovery, ending: Ending) -> Outcome {
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
    outcome.fact("session", session_fact(ending, discovery.verdict()));
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

fn text(octets: Option<&Vec<u8>>) -> String {
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

fn session_fact(ending: Ending, verdict: Option<&Verdict>) -> Value {
    let words = match ending {
        Ending::NoOffer => "nobody offers one",
        Ending::Offered => "not asked for",
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
