//! From what the client saw to readings, facts, flaws and reasons.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::net::Ipv4Addr;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use super::hold::Log;
use crate::net::configure;
use crate::proto::dhcp4::{Answer, Client, Ending, Ignored, Lease};
use crate::reading::{Outcome, Reading, Status, Target};
use crate::unit::{Family, Interval, Position, Segment};
use crate::wire::dhcp4::MessageType;
use crate::wire::dhcp4::option::code;

/// Answers that go to the record in full: a network has a handful of servers; one that floods must not fill the disk.
const MOST_ANSWERS: usize = 32;
/// Flaws of answers that go to the record.
const MOST_FLAWS: usize = 64;

/// What was asked and answered.
pub(super) struct Asked<'a> {
    pub(super) client: &'a Client,
    pub(super) took: Duration,
    pub(super) position: Position,
    /// Frames that the packet socket dropped: the test set's own.
    pub(super) drops: u64,
}

/// Puts a lease on the port: address with what is left of the lease for its lifetime, default route.
pub(super) async fn onto_port(index: u32, lease: &Lease) -> std::io::Result<()> {
    let left = lease.times.map(|times| times.expires_at.saturating_duration_since(Instant::now()));
    configure::set_address(index, lease.address, lease.prefix, left).await?;
    if let Some(router) = lease.router {
        configure::set_default_route(index, router).await?;
    }
    Ok(())
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

    /// Servers in the order of their first answer.
    fn servers(&self) -> Vec<Ipv4Addr> {
        servers(self.client.answers().iter())
    }

    fn readings(&self, outcome: &mut Outcome) {
        let client = self.client;
        let servers = self.servers();
        let number = |server: Ipv4Addr| servers.iter().position(|s| *s == server).map_or(0, |at| at as u16 + 1);
        let mut timed = BTreeSet::new();
        let of_kind = |kind| client.answers().iter().filter(move |a: &&Answer| a.kind == Some(kind));
        for offer in of_kind(MessageType::Offer) {
            // The first OFFER of each server.
            if let Some(took) = client.took(offer).filter(|_| timed.insert(offer.server())) {
                let reading = Reading::exact("dhcp4.offer_time", milliseconds(took.longest)).over(Family::Ipv4);
                outcome.readings.push(reading.on(Target::Server(number(offer.server()))).stamped_by(took.stamped_by));
            }
        }
        if let Some(lease) = client.lease() {
            let ack = of_kind(MessageType::Ack).find(|a| !a.is_late);
            if let Some(took) = ack.and_then(|a| client.took(a)) {
                // Sent more than once in one transaction, an ACK answers the first or a later one: the interval says so.
                let (low, high) = (milliseconds(took.shortest), milliseconds(took.longest));
                let interval = Interval { low: Some(low), high: Some(high), confidence: 1.0 };
                let reading = Reading::new("dhcp4.ack_time", high, 1, interval).over(Family::Ipv4);
                outcome.readings.push(reading.on(Target::Server(number(lease.server))).stamped_by(took.stamped_by));
            }
            // A lease without end has no figure; the facts say it.
            if let Some(granted) = lease.granted {
                outcome.readings.push(Reading::exact("dhcp4.lease_time", granted.as_secs_f64()).over(Family::Ipv4));
            }
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

    /// Where a server's fault lies: behind the gateway's LAN port the gateway is the server.
    fn segment(&self) -> Option<Segment> {
        self.position.is_behind_gateway().then_some(Segment::Home)
    }

    fn flaws(&self, outcome: &mut Outcome) {
        let client = self.client;
        let servers = self.servers();
        if let [_, _, ..] = servers[..] {
            let list: Vec<String> = servers.iter().map(Ipv4Addr::to_string).collect();
            let what = format!("{} DHCP servers answered: {}", servers.len(), list.join(", "));
            outcome.flaw("dhcp4-second-server", what, self.segment());
        }
        let mut told = BTreeSet::new();
        for answer in client.answers() {
            let kind = answer.kind.map_or("answer", MessageType::name);
            for flaw in &answer.flaws {
                let what = format!("{kind} of {}: {flaw}", answer.server());
                if told.len() < MOST_FLAWS && told.insert(what.clone()) {
                    outcome.flaw(flaw.code(), what, self.segment());
                }
            }
            if answer.kind == Some(MessageType::Nak) && !answer.is_late {
                let words = answer.message.decoded().into_iter().find(|d| d.code == code::MESSAGE);
                let words = words.map(|d| format!(": {}", d.value)).unwrap_or_default();
                outcome.flaw(
                    "dhcp4-refused",
                    format!("{} refused the address that it had offered{words}", answer.server()),
                    self.segment(),
                );
            }
        }
        if client.sent(MessageType::Decline) > 0 {
            outcome.flaw(
                "dhcp4-address-in-use",
                "an address was handed out that another station uses (RFC 5227)",
                self.segment(),
            );
        }
        if client.ignored().checksum > 0 {
            let what = format!("{} answers with a wrong IPv4 or UDP checksum", client.ignored().checksum);
            outcome.flaw("dhcp4-checksum-wrong", what, None);
        }
        if client.ignored().tagged > 0 {
            let what = format!(
                "{} answers with a VLAN tag: the port is in another network than the server takes it to be",
                client.ignored().tagged
            );
            outcome.flaw("dhcp4-answer-tagged", what, None);
        }
    }

    /// Why there is no lease, in words.
    pub(super) fn reason(&self, ending: Ending) -> String {
        let client = self.client;
        let discovers = client.sent(MessageType::Discover);
        let seconds = self.took.as_secs_f64();
        let from = self.servers().first().map(|s| format!(" ({s})")).unwrap_or_default();
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
            Ending::Conflict => format!("the address that the DHCP server{from} gave is in use by another station"),
            Ending::Expired | Ending::Withdrawn => format!("the lease of the DHCP server{from} was lost at once"),
            Ending::NoInformation | Ending::Released | Ending::Informed => "the visit was ended".to_owned(),
        };
        let spoilt = client.ignored().checksum + client.ignored().tagged;
        if ending == Ending::NoOffer && spoilt > 0 {
            let _ = write!(reason, "; {spoilt} answers could not be used (wrong checksum or VLAN tag)");
        }
        reason
    }
}

/// Distinct servers in order of appearance, late ones left out.
fn servers<'a>(answers: impl Iterator<Item = &'a Answer>) -> Vec<Ipv4Addr> {
    let mut all = Vec::new();
    for answer in answers.filter(|a| !a.is_late && matches!(a.kind, Some(MessageType::Offer | MessageType::Ack))) {
        if !all.contains(&answer.server()) {
            all.push(answer.server());
        }
    }
    all
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

fn lease_fact(lease: &Lease) -> Value {
    let seconds_to = |at: Instant, end: Instant| end.saturating_duration_since(at).as_secs();
    json!({
        "address": lease.address.to_string(),
        "prefix": lease.prefix,
        "router": lease.router.map(|r| r.to_string()),
        "resolvers": lease.resolvers.iter().map(Ipv4Addr::to_string).collect::<Vec<_>>(),
        "server": lease.server.to_string(),
        "granted_s": lease.granted.map(|g| g.as_secs()),
        // Spans between the moments of the lease: how long before its end it is renewed and rebound.
        "renewed_before_end_s": lease.times.map(|t| seconds_to(t.renew_at, t.expires_at)),
        "rebound_before_end_s": lease.times.map(|t| seconds_to(t.rebind_at, t.expires_at)),
    })
}

/// What became of the lease during the visit, and who answered late.
pub(super) fn closing(client: &Client, log: &Log) -> Outcome {
    let mut outcome = Outcome::new(Status::Done);
    if log.renewals > 0 {
        outcome.fact("renewals", log.renewals);
    }
    if let Some(error) = &log.refused {
        outcome.fact("renewal_not_applied", error.clone());
    }
    let lost = match log.lost {
        Some(Ending::Expired) => Some("no server renewed the lease before it ran out"),
        Some(Ending::Withdrawn) => Some("the server withdrew the lease (NAK) when it was to be renewed"),
        _ => None,
    };
    if let Some(what) = lost {
        outcome.flaw("dhcp4-lease-lost", what, None);
    }
    let known = servers(client.answers().iter());
    let fresh = client.answers().iter().skip(log.answers_before);
    for late in fresh.filter(|a| a.kind == Some(MessageType::Offer) && !known.contains(&a.server())) {
        let after = client.took(late).map(|t| format!(" after {:.1} s", t.longest.as_secs_f64())).unwrap_or_default();
        let what = format!("another DHCP server, {}, made an OFFER{after}", late.server());
        outcome.flaw("dhcp4-second-server-late", what, None);
    }
    outcome
}
