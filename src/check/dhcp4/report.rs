//! From what the client saw to readings, facts, flaws and reasons.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::net::Ipv4Addr;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use super::super::maker::Makers;
use super::flaws::refusal;
use super::hold::Log;
use super::servers::{distinct, servers};
use crate::proto::dhcp4::{Answer, Client, Ending, Ignored, Lease, Phase, Times};
use crate::reading::{Outcome, Reading, Status, Target};
use crate::unit::{Family, Interval, Position};
use crate::wire::dhcp4::MessageType;
use crate::wire::dhcp4::option::ClasslessRoute;

/// Answers that go to the record in full: a network has a handful of servers; one that floods must not fill the disk.
const MOST_ANSWERS: usize = 32;

/// What was asked and answered.
pub(super) struct Asked<'a> {
    pub(super) client: &'a Client,
    pub(super) took: Duration,
    pub(super) position: Position,
    /// Frames that the packet socket dropped: the test set's own.
    pub(super) drops: u64,
    /// Of the stations that were met.
    pub(super) makers: &'a Makers,
}

/// The makers of all stations that a client met.
pub(super) async fn makers(client: &Client) -> Makers {
    let servers = client.answers().iter().map(|answer| answer.source_mac);
    Makers::of(servers.chain(client.rivals().iter().map(|rival| rival.owner))).await
}

fn milliseconds(span: Duration) -> f64 {
    span.as_secs_f64() * 1e3
}

impl Asked<'_> {
    /// The outcome, without a reason.
    pub(super) fn describe(&self, status: Status) -> Outcome {
        let mut outcome = Outcome::new(status);
        self.readings(&mut outcome);
        self.facts(&mut outcome);
        self.flaws(&mut outcome);
        outcome
    }

    fn readings(&self, outcome: &mut Outcome) {
        let client = self.client;
        let servers = servers(client.answers().iter());
        let number = |answer: &Answer| servers.iter().position(|s| s.made(answer)).map_or(0, |at| at as u16 + 1);
        let mut timed = BTreeSet::new();
        let of_kind = |kind| client.answers().iter().filter(move |a: &&Answer| a.kind == Some(kind));
        for offer in of_kind(MessageType::Offer) {
            // The first OFFER of each server.
            if let Some(took) = client.took(offer).filter(|_| timed.insert(offer.origin())) {
                let reading = Reading::exact("dhcp4.offer_time", milliseconds(took.longest)).over(Family::Ipv4);
                outcome.readings.push(reading.on(Target::Server(number(offer))).stamped_by(took.stamped_by));
            }
        }
        // Sent more than once in one transaction, an ACK answers the first or a later one: the interval says so.
        for (name, phase) in [("dhcp4.ack_time", Phase::Requesting), ("dhcp4.renewal_time", Phase::Renewing)] {
            let ack = of_kind(MessageType::Ack).find(|a| !a.is_late && a.phase == phase);
            if let Some((ack, took)) = ack.and_then(|a| Some((a, client.took(a)?))) {
                let (low, high) = (milliseconds(took.shortest), milliseconds(took.longest));
                let interval = Interval { low: Some(low), high: Some(high), confidence: 1.0 };
                let reading = Reading::new(name, high, 1, interval).over(Family::Ipv4);
                outcome.readings.push(reading.on(Target::Server(number(ack))).stamped_by(took.stamped_by));
            }
        }
        if let Some(lease) = client.lease() {
            // A lease without end has no figure; the facts say it.
            let seconds = |span: Duration| span.as_secs_f64().round();
            let from_start = |at: fn(&Times) -> Instant| {
                let times = lease.times?;
                Some(seconds(lease.granted?) - seconds(times.expires_at - at(&times)))
            };
            let figures = [
                ("dhcp4.lease_time", lease.granted.map(seconds)),
                ("dhcp4.renew_after", from_start(|times| times.renew_at)),
                ("dhcp4.rebind_after", from_start(|times| times.rebind_at)),
            ];
            for (name, value) in figures {
                outcome.readings.extend(value.map(|value| Reading::exact(name, value).over(Family::Ipv4)));
            }
        }
        // Other stations were looked for where there was an address to look for.
        let rivals = client.rivals().len();
        if client.lease().is_some() || client.sent(MessageType::Inform) > 0 || rivals > 0 {
            outcome.readings.push(Reading::exact("dhcp4.conflicts", rivals as f64).over(Family::Ipv4));
        }
        if !servers.is_empty() {
            outcome.readings.push(Reading::exact("dhcp4.servers", servers.len() as f64).over(Family::Ipv4));
        }
        // Until the first OFFER, or all in vain.
        let discovers = match of_kind(MessageType::Offer).next() {
            Some(first) => client.discovers_before(first),
            None => client.sent(MessageType::Discover),
        };
        if discovers > 0 {
            outcome.readings.push(Reading::exact("dhcp4.discovers_sent", f64::from(discovers)).over(Family::Ipv4));
        }
    }

    fn facts(&self, outcome: &mut Outcome) {
        let client = self.client;
        outcome.fact("mode", "lease");
        let answers = client.answers().iter().take(MOST_ANSWERS).map(|answer| answer_fact(client, answer));
        outcome.fact("answers", answers.collect::<Vec<Value>>());
        let servers = servers(client.answers().iter());
        outcome.fact("servers", servers.iter().map(|server| server.fact(self.makers)).collect::<Vec<Value>>());
        outcome.fact("answers_in_all", client.answers().len());
        let kinds = [MessageType::Discover, MessageType::Request, MessageType::Decline, MessageType::Inform];
        let sent: serde_json::Map<String, Value> =
            kinds.iter().filter(|k| client.sent(**k) > 0).map(|k| (k.name().to_owned(), client.sent(*k).into())).collect();
        outcome.fact("messages_sent", sent);
        outcome.fact("took_ms", milliseconds(self.took).round());
        if let Some(lease) = client.lease() {
            outcome.fact("lease", lease_fact(lease));
        }
        let Ignored { unreadable, tagged, for_others, checksum, fragments, transaction, excess, not_sent } = *client.ignored();
        let passed_over = [
            ("unreadable", unreadable),
            ("tagged", tagged),
            ("for_others", for_others),
            ("checksum_wrong", checksum),
            ("fragments", fragments),
            ("foreign_transaction", transaction),
            ("excess", excess),
            ("own_not_sent", not_sent),
            ("own_drops", self.drops),
        ];
        let passed_over: serde_json::Map<String, Value> =
            passed_over.into_iter().filter(|(_, n)| *n > 0).map(|(name, n)| (name.to_owned(), n.into())).collect();
        if !passed_over.is_empty() {
            outcome.fact("passed_over", passed_over);
        }
    }

    /// Why there is no lease, in words.
    pub(super) fn reason(&self, ending: Ending) -> String {
        let client = self.client;
        let discovers = client.sent(MessageType::Discover);
        let seconds = self.took.as_secs_f64();
        let from = servers(client.answers().iter()).first().map(|s| format!(" ({})", s.identifier())).unwrap_or_default();
        let mut reason = match ending {
            Ending::NoOffer => format!("no DHCP server answered {discovers} DISCOVERs in {seconds:.1} s"),
            Ending::NoUsableOffer => {
                format!(
                    "a DHCP server{from} answered {discovers} DISCOVERs in {seconds:.1} s, but with no OFFER that a client can take"
                )
            }
            Ending::NoAck => {
                let requests = client.sent(MessageType::Request);
                format!("the DHCP server{from} made an OFFER but did not answer {requests} REQUESTs")
            }
            Ending::Refused => format!("the DHCP server{from} refused (NAK) what it had offered"),
            Ending::Conflict => {
                let owner = client.rivals().last().map(|rival| format!(", {}", rival.owner)).unwrap_or_default();
                format!("the address that the DHCP server{from} gave is in use by another station{owner}")
            }
            Ending::Withdrawn => format!("the DHCP server{from} withdrew the lease (NAK) when it was to be renewed"),
            Ending::Expired => format!("the lease of the DHCP server{from} ran out at once"),
            Ending::NoInformation | Ending::Released | Ending::Informed => "the visit was ended".to_owned(),
        };
        let spoilt = client.ignored().checksum + client.ignored().tagged;
        if ending == Ending::NoOffer && spoilt > 0 {
            let _ = write!(reason, "; {spoilt} answers could not be used (wrong checksum or VLAN tag)");
        }
        reason
    }
}

fn answer_fact(client: &Client, answer: &Answer) -> Value {
    let options: Vec<Value> = answer
        .message
        .decoded()
        .iter()
        .map(|o| json!({ "code": o.code, "name": o.name, "value": o.value.to_string() }))
        .collect();
    let repr = &answer.message.repr;
    let address = |a: Ipv4Addr| (!a.is_unspecified()).then(|| a.to_string());
    json!({
        "kind": answer.kind.map_or("unknown", MessageType::name),
        "server": answer.server().to_string(),
        "from": answer.source.to_string(),
        "from_mac": answer.source_mac.to_string(),
        "time_ms": client.took(answer).map(|t| milliseconds(t.longest)),
        "answers_discover": client.discover_number(answer),
        "late": answer.is_late,
        "address": address(repr.yours),
        "next_server": address(repr.next_server),
        "relay": address(repr.relay),
        "options": options,
    })
}

fn route_fact(route: &ClasslessRoute) -> Value {
    let via = (!route.router.is_unspecified()).then(|| route.router.to_string());
    json!({ "to": format!("{}/{}", route.network, route.width), "via": via })
}

fn lease_fact(lease: &Lease) -> Value {
    let seconds_to = |at: Instant, end: Instant| end.saturating_duration_since(at).as_secs();
    json!({
        "address": lease.address.to_string(),
        "prefix": lease.prefix,
        "routes": lease.routes.iter().map(route_fact).collect::<Vec<_>>(),
        "router": lease.router.map(|r| r.to_string()),
        "resolvers": lease.resolvers.iter().map(Ipv4Addr::to_string).collect::<Vec<_>>(),
        "server": lease.server.to_string(),
        "granted_s": lease.granted.map(|g| g.as_secs()),
        // Spans between the moments of the lease: how long before its end it is renewed and rebound.
        "renewed_before_end_s": lease.times.map(|t| seconds_to(t.renew_at, t.expires_at)),
        "rebound_before_end_s": lease.times.map(|t| seconds_to(t.rebind_at, t.expires_at)),
    })
}

/// What became of the lease during the visit, who answered late, and who claimed the address.
pub(super) async fn closing(client: &Client, log: &Log, position: Position) -> Outcome {
    let makers = makers(client).await;
    let asked = Asked { client, took: Duration::ZERO, position, drops: 0, makers: &makers };
    let mut outcome = Outcome::new(Status::Done);
    if log.renewals > 0 {
        outcome.fact("renewals", log.renewals);
    }
    if let Some(error) = &log.refused {
        outcome.fact("renewal_not_applied", error.clone());
    }
    let fresh = || client.answers()[log.answers_before..].iter();
    let lost = match log.lost {
        Some(Ending::Expired) => Some("no server renewed the lease before it ran out".to_owned()),
        Some(Ending::Withdrawn) => {
            let last = fresh().rev().filter(|a| a.kind == Some(MessageType::Nak)).find_map(refusal);
            Some(last.map_or_else(|| "the lease was withdrawn (NAK)".to_owned(), |(_, what)| what))
        }
        _ => None,
    };
    if let Some(what) = lost {
        outcome.flaw("dhcp4-lease-lost", what, None);
    }
    let known = servers(client.answers().iter());
    for late in distinct(fresh().filter(|a| a.kind == Some(MessageType::Offer) && !known.iter().any(|server| server.made(a)))) {
        let what = format!("another DHCP server, {}, made an OFFER{}", late.named(&makers), late.after(client));
        outcome.flaw("dhcp4-second-server-late", what, None);
    }
    let rivals = &client.rivals()[log.rivals_before..];
    if !rivals.is_empty() {
        outcome.readings.push(Reading::exact("dhcp4.conflicts", rivals.len() as f64).over(Family::Ipv4));
        outcome.flaws.extend(rivals.iter().map(|rival| asked.rival(rival)));
    }
    outcome
}
