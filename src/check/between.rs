//! Who is in between: the address that the far end sees, who translates it, how (RFC 4787), and for how long.
//!
//! It asks the far end's view from several ports of its own, and routers by hop limit who they are. What follows is reasoned by
//! [`crate::proto::translation`]; this file asks and writes down. It must not judge: a carrier's translation may be what was sold.

use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::{BoxFuture, join_all};
use serde_json::{Value, json};

use super::asking::{Asker, Heard, Question, TRIES};
use super::{Check, Context, Finished};
use crate::farend::client::{Session, ViewOffer};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::translation::{Between, Sighting, conclude, is_pooled, mapping_depends_on_port, ports_kept};
use crate::reading::{Outcome, Reading, Status};
use crate::unit::{Depth, Family, Interval, Segment};
use crate::wire::address::AddressClass;
use crate::wire::stun::Attribute;

/// Sockets that are compared.
const SOCKETS: usize = 4;
/// Hops that are asked who they are: beyond, routers number themselves as they like.
const HOPS: u8 = 5;
/// Spans after which an answer is awaited, seconds: around the 30 s and 120 s of common translators (common practice) and the
/// two minutes of RFC 4787 REQ-5. Each is one socket of its own; all wait side by side.
const SPANS: &[u16] = &[10, 25, 35, 55, 70, 100, 115, 130, 180];

/// The check.
#[derive(Debug, Clone, Copy)]
pub struct BetweenCheck {
    /// Seconds after which an answer is awaited at depth soak, ascending.
    pub spans: &'static [u16],
}

impl Default for BetweenCheck {
    fn default() -> Self {
        Self { spans: SPANS }
    }
}

impl Check for BetweenCheck {
    fn spec(&self) -> Spec {
        Spec { name: "between", needs: &[Need::FarEnd], gives: &[], class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        let spans = self.spans;
        async move {
            let cancel = context.cancel.clone();
            tokio::select! {
                () = cancel.cancelled() => Outcome::not_tested("the visit was ended early").into(),
                outcome = examine(context, spans) => outcome.into(),
            }
        }
        .boxed()
    }
}

fn cost(volume: &Volume) -> Cost {
    // A filter that holds answers back costs the waiting time of all tries, hops that are silent that of one each.
    let lifetime = if volume.depth == Depth::Soak { SPANS.last().copied().unwrap_or_default() } else { 0 };
    Cost { time: Duration::from_secs(1) + Duration::from_secs(u64::from(lifetime)), octets: 10_000 }
}

async fn examine(context: Context, spans: &[u16]) -> Outcome {
    let Some(session) = context.known.far_end.clone() else { return Outcome::not_tested("no session with the far end") };
    let Some(offer) = session.view.clone() else {
        return Outcome::not_tested(
            "the far end does not tell agents where their packets come from: it is older, or runs without",
        );
    };
    let Some(from) = own_address(&context, &session) else {
        return Outcome::not_tested("the interface has no address of the far end's IP version");
    };
    match look(&context, &offer, from, spans).await {
        Ok(outcome) => outcome,
        Err(error) => Outcome::not_tested(format!("asking the far end on {}: {error}", context.interface.name)),
    }
}

/// The interface's own address of the session's IP version.
pub(super) fn own_address(context: &Context, session: &Session) -> Option<IpAddr> {
    match session.address {
        IpAddr::V4(_) => context.known.ipv4.map(|(address, _)| address.into()),
        IpAddr::V6(_) => context.known.ipv6.map(Into::into),
    }
}

async fn look(context: &Context, offer: &ViewOffer, from: IpAddr, spans: &[u16]) -> std::io::Result<Outcome> {
    let device = context.interface.name.as_str();
    let mut sightings: Vec<Sighting> = Vec::new();
    let mut sockets = Vec::new();
    for _ in 0..SOCKETS {
        let mut asker = Asker::open(offer, from, device)?;
        let first = seen(asker.ask(&Question::default()).await?);
        // A port that a firewall closes costs its waiting time once, not with every socket.
        let second = if sightings.iter().all(|s| s.second.is_some()) {
            seen(asker.ask(&Question { port: 1, ..Question::default() }).await?)
        } else {
            None
        };
        if let Some(first) = first {
            sightings.push(Sighting { local: asker.local(), first, second });
        }
        sockets.push(asker);
        if sightings.is_empty() {
            break;
        }
    }
    if sightings.is_empty() {
        let words = format!("the far end's ports {} and {} answer no UDP", offer.ports[0].port(), offer.ports[1].port());
        return Ok(Outcome::failed(words));
    }
    let filtered = filtering(offer, from, device).await?;
    let hops = hops(offer, from, device).await?;
    let lifetime = if context.effort.depth == Depth::Soak { Some(lifetime(offer, from, device, spans).await?) } else { None };
    Ok(describe(&Seen { context, sightings: &sightings, filtered, hops: &hops, lifetime }))
}

fn seen(heard: Heard) -> Option<SocketAddr> {
    match heard {
        Heard::Answer(answer) => Some(answer.seen),
        _ => None,
    }
}

/// Whether an answer from the port that was never asked is held back (RFC 5780 section 4.4, test 3).
async fn filtering(offer: &ViewOffer, from: IpAddr, device: &str) -> std::io::Result<Option<bool>> {
    let mut asker = Asker::open(offer, from, device)?;
    if seen(asker.ask(&Question::default()).await?).is_none() {
        return Ok(None);
    }
    let other = Question { wishes: vec![Attribute::ChangePort], ..Question::default() };
    Ok(match asker.ask(&other).await? {
        Heard::Answer(_) => Some(false),
        // Held back, unless the line has gone meanwhile.
        Heard::Silence => seen(asker.ask(&Question::default()).await?).map(|_| true),
        Heard::Router { .. } | Heard::NotSent => None,
    })
}

/// The first routers on the way, by the errors that they send when the hop limit ends (RFC 792, RFC 4443 section 3.3).
async fn hops(offer: &ViewOffer, from: IpAddr, device: &str) -> std::io::Result<Vec<Option<IpAddr>>> {
    let mut found = Vec::new();
    for hop in 1..=HOPS {
        let mut asker = Asker::open(offer, from, device)?;
        let question = Question { hops: Some(hop), ..Question::default() };
        match asker.ask_times(&question, TRIES - 1).await? {
            Heard::Answer(_) => break,
            Heard::Router { from, kind: 11, .. } if from.is_ipv4() => found.push(Some(from)),
            Heard::Router { from, kind: 3, .. } if from.is_ipv6() => found.push(Some(from)),
            Heard::Router { .. } | Heard::Silence | Heard::NotSent => found.push(None),
        }
    }
    Ok(found)
}

/// Longest span after which an answer still came, and the shortest after which none did; seconds.
type Lifetime = (Option<u16>, Option<u16>);

async fn lifetime(offer: &ViewOffer, from: IpAddr, device: &str, spans: &[u16]) -> std::io::Result<Lifetime> {
    let waits = spans.iter().map(|span| async move {
        let mut asker = Asker::open(offer, from, device)?;
        // Two answers: translators give a binding that was used both ways its full time.
        for _ in 0..2 {
            if seen(asker.ask(&Question::default()).await?).is_none() {
                return Ok(None);
            }
        }
        let question = Question { wishes: vec![Attribute::Delay(*span)], size: 160, ..Question::default() };
        let Some(transaction) = asker.send(&question) else { return Ok(None) };
        let until = Instant::now() + Duration::from_secs(u64::from(*span) + 2);
        Ok::<_, std::io::Error>(Some((*span, seen(asker.listen(&transaction, until).await?).is_some())))
    });
    let mut results: Vec<(u16, bool)> = Vec::new();
    for result in join_all(waits).await {
        results.extend(result?);
    }
    let lasted = results.iter().filter(|(_, came)| *came).map(|(span, _)| *span).max();
    // A single answer can get lost: the shortest silence counts only above the longest answer.
    let ended =
        results.iter().filter(|(span, came)| !came && lasted.is_none_or(|lasted| *span > lasted)).map(|(span, _)| *span).min();
    Ok((lasted, ended))
}

/// All that was seen.
struct Seen<'a> {
    context: &'a Context,
    sightings: &'a [Sighting],
    filtered: Option<bool>,
    hops: &'a [Option<IpAddr>],
    lifetime: Option<Lifetime>,
}

fn describe(seen: &Seen<'_>) -> Outcome {
    let Seen { context, sightings, filtered, hops, lifetime } = seen;
    let mut outcome = Outcome::new(Status::Done);
    let Some(conclusion) = conclude(sightings, hops, context.position.is_behind_gateway()) else { return outcome };
    let family = Family::of(sightings[0].local.ip());
    let truth = |yes: bool| f64::from(u8::from(yes));
    let mut note = |name: &'static str, value: f64| outcome.readings.push(Reading::exact(name, value).over(family));
    note("between.translators", f64::from(conclusion.translators));
    note("between.carrier_translation", truth(conclusion.between == Between::Carrier));
    if conclusion.between != Between::Nobody {
        let (kept, all) = ports_kept(sightings);
        note("between.port_kept_ratio", kept as f64 / all as f64);
        if let Some(depends) = mapping_depends_on_port(sightings) {
            note("between.mapping_by_port", truth(depends));
        }
    }
    if let Some(filtered) = filtered {
        note("between.filtering_by_port", truth(*filtered));
    }
    if let Some((lasted, ended)) = lifetime {
        let seconds = |n: Option<u16>| n.map(f64::from);
        if let Some(value) = seconds(*lasted).or_else(|| seconds(*ended)) {
            let interval = Interval { low: Some(seconds(*lasted).unwrap_or(0.0)), high: seconds(*ended), confidence: 0.95 };
            let reading = Reading::new("between.binding_lifetime", value, 1, interval).over(family);
            outcome.readings.push(reading.exceeding(ended.is_none()));
        }
    }
    facts(&mut outcome, seen, conclusion.between);
    let segment = match conclusion.between {
        Between::Two => Some(("between-double-nat", Segment::Home)),
        Between::Carrier => Some(("between-carrier-nat", Segment::Network)),
        Between::Nobody | Between::One => None,
    };
    outcome.fact("because", json!(conclusion.because));
    if let Some((code, segment)) = segment {
        outcome.flaw(code, conclusion.because.join("; "), Some(segment));
    }
    outcome
}

fn facts(outcome: &mut Outcome, seen: &Seen<'_>, between: Between) {
    let Seen { sightings, hops, filtered, .. } = seen;
    let class = |address: IpAddr| AddressClass::of(address).words();
    let first = sightings[0];
    outcome.fact("between", between.word());
    outcome.fact("local", json!({ "address": first.local.ip().to_string(), "class": class(first.local.ip()) }));
    outcome.fact("seen", json!({ "address": first.first.ip().to_string(), "class": class(first.first.ip()) }));
    let sockets: Vec<Value> = sightings
        .iter()
        .map(|s| json!({ "local_port": s.local.port(), "seen_as": s.first.to_string(), "seen_at_other_port_as": s.second.map(|a| a.to_string()) }))
        .collect();
    outcome.fact("sockets", sockets);
    let named = |address: &Option<IpAddr>| address.map(|a| json!({ "address": a.to_string(), "class": class(a) }));
    outcome.fact("hops", hops.iter().map(|hop| named(hop).unwrap_or(Value::Null)).collect::<Vec<_>>());
    if between != Between::Nobody {
        // RFC 4787 section 4.1; a second address would tell the first two apart.
        let mapping = mapping_depends_on_port(sightings)
            .map(|depends| if depends { "address and port-dependent" } else { "endpoint-independent or address-dependent" });
        outcome.fact("mapping", mapping);
        outcome.fact("pooling", if is_pooled(sightings) { "arbitrary" } else { "paired" });
    }
    // RFC 4787 section 5.
    let filtering =
        filtered.map(|by_port| if by_port { "address and port-dependent" } else { "endpoint-independent or address-dependent" });
    outcome.fact("filtering", filtering);
}
