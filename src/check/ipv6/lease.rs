//! DHCPv6: asks as the routers' flags say, and turns what servers answer into readings, facts and flaws.

use std::collections::BTreeSet;
use std::net::Ipv6Addr;
use std::ops::ControlFlow;
use std::time::Instant;

use serde_json::{Value, json};

use super::Patience;
use super::routers::lifetime;
use crate::check::{Context, LiveFigure};
use crate::net::drive::Driver;
use crate::net::packet::{Filter, PacketSocket};
use crate::proto::dhcp6::{Answer, Client, Delegated, Ending, Event, Lease, Purpose, Refusal, Settings, Unusable};
use crate::reading::{Outcome, Reading, Target};
use crate::unit::Family;
use crate::unit::digest::hexadecimal;
use crate::wire::dhcp6::{CLIENT_PORT, Item, MessageType};
use crate::wire::ethernet::Mac;

/// A client that has come to its end, or holds a lease.
pub(super) struct Asked {
    pub(super) driver: Driver<PacketSocket>,
    pub(super) client: Client,
    pub(super) ending: Option<Ending>,
}

/// Asks servers for this.
pub(super) async fn ask(context: &Context, source: Ipv6Addr, purpose: Purpose, patience: &Patience) -> Option<Asked> {
    let mut driver = Driver::new(PacketSocket::open(context.interface.index, Filter::Udp6 { port: CLIENT_PORT }, false).ok()?);
    let settings = Settings {
        mac: Mac(context.interface.mac),
        source,
        purpose,
        patience: patience.servers,
        window: patience.window,
        transaction: rand::random::<u32>() & 0x00ff_ffff,
        jitter_per_mille: (0..16).map(|_| rand::random_range(-100..=100)).collect(),
    };
    let mut client = Client::new(settings, Instant::now());
    let run = driver.run(&mut client, |client, event| match event {
        Event::Bound => ControlFlow::Break(None),
        Event::Over(ending) => ControlFlow::Break(Some(ending)),
        Event::Answered(index) => {
            if let Some(answer) = client.answers().get(index) {
                let text = format!("{} from {}", answer.message.kind.name(), answer.from);
                (context.live)(LiveFigure::new(super::NAME, text));
            }
            ControlFlow::Continue(())
        }
        Event::Sent(_) => ControlFlow::Continue(()),
    });
    let ending = tokio::select! {
        ended = run => ended.ok()?,
        () = context.cancel.cancelled() => None,
    };
    Some(Asked { driver, client, ending })
}

/// Servers in the order of their first answer.
fn servers<'a>(answers: impl Iterator<Item = &'a Answer>) -> Vec<String> {
    let mut seen = Vec::new();
    for answer in answers {
        let server = answer.server();
        if !seen.contains(&server) {
            seen.push(server);
        }
    }
    seen
}

/// What servers said to either question.
pub(super) fn describe(outcome: &mut Outcome, lease: Option<&Asked>, information: Option<&Asked>) {
    let all = || lease.into_iter().chain(information);
    let servers = servers(all().flat_map(|asked| asked.client.answers()));
    outcome.readings.push(Reading::exact("ipv6.dhcp_servers", servers.len() as f64).over(Family::Ipv6));
    if servers.len() > 1 {
        let what = format!("{} DHCPv6 servers answered: {}", servers.len(), servers.join("; "));
        outcome.flaw("ipv6-several-dhcp-servers", what, None);
    }
    let mut timed = BTreeSet::new();
    for asked in all() {
        for answer in asked.client.answers().iter().filter(|answer| timed.insert((answer.server(), kind(answer)))) {
            let name = match answer.message.kind {
                MessageType::Advertise => "ipv6.solicit_time",
                MessageType::Reply => "ipv6.reply_time",
                _ => continue,
            };
            if let Some(took) = asked.client.took(answer) {
                let number = servers.iter().position(|server| *server == answer.server()).map_or(0, |at| at as u16 + 1);
                let reading = Reading::exact(name, took.longest.as_secs_f64() * 1e3).over(Family::Ipv6);
                outcome.readings.push(reading.on(Target::Server(number)).stamped_by(took.stamped_by));
            }
        }
    }
    let answers = all().flat_map(|asked| asked.client.answers().iter().map(|answer| answer_fact(&asked.client, answer)));
    let sent: usize = all()
        .map(|asked| {
            let kinds = [MessageType::Solicit, MessageType::Request, MessageType::InformationRequest];
            kinds.iter().map(|kind| asked.client.sent(*kind)).sum::<usize>()
        })
        .sum();
    let unreadable: u64 = all().map(|asked| asked.client.unreadable()).sum();
    let fact = json!({
        "sent": sent,
        "answers": answers.collect::<Vec<_>>(),
        "unreadable": unreadable,
        "ended": lease.and_then(|asked| asked.ending).map(ending_words),
        "lease": lease.and_then(|asked| asked.client.lease()).map(lease_fact),
    });
    outcome.fact("dhcp6", fact);
    for answer in all().flat_map(|asked| asked.client.answers()) {
        odd(outcome, answer);
    }
}

fn kind(answer: &Answer) -> u8 {
    answer.message.kind.number()
}

fn odd(outcome: &mut Outcome, answer: &Answer) {
    let who = format!("the {} of DHCPv6 server {} ({})", answer.message.kind.name(), answer.server(), answer.mac);
    let broken: Vec<String> = answer
        .unusable
        .iter()
        .filter(|reason| !matches!(reason, Unusable::Failed { .. } | Unusable::Nothing))
        .map(ToString::to_string)
        .collect();
    if !broken.is_empty() {
        outcome.flaw("ipv6-dhcp-answer-invalid", format!("{who} must be dropped by clients: it is {}", broken.join(", ")), None);
    }
    if !answer.flaws.is_empty() {
        let why: Vec<String> = answer.flaws.iter().map(ToString::to_string).collect();
        outcome.flaw("ipv6-dhcp-answer-odd", format!("{who} is odd: {}", why.join("; ")), None);
    }
}

/// The delegated prefix, or that there is none. `is_terminal`: plugged in where the customer's gateway would be, which is who
/// prefixes are for; a gateway need not pass one on to the home.
pub(super) fn delegated(outcome: &mut Outcome, lease: Option<&Asked>, is_terminal: bool, has_nothing: bool) {
    let Some(asked) = lease else { return };
    let held = |prefix: f64| Reading::exact("ipv6.prefix_delegated", prefix).over(Family::Ipv6);
    let given = asked.client.lease().map_or(&[][..], |lease| &lease.prefixes);
    // The shortest counts: whoever got several has at least that.
    if let Some(Delegated { len, .. }) = given.iter().min_by_key(|delegated| delegated.len) {
        outcome.readings.push(held(1.0));
        outcome.readings.push(Reading::exact("ipv6.delegated_prefix_length", f64::from(*len)).over(Family::Ipv6));
        return;
    }
    if !is_terminal && !has_nothing {
        return;
    }
    outcome.readings.push(held(0.0));
    let refusal = asked.client.answers().iter().flat_map(|a| Refusal::all(&a.message)).find(|refusal| refusal.is_prefix);
    let why = match refusal {
        Some(refusal) => format!("the server says {}", refusal.told()),
        None if asked.client.answers().is_empty() => "no DHCPv6 server answers".to_owned(),
        None => "no server has one".to_owned(),
    };
    outcome.flaw("ipv6-no-prefix", format!("no IPv6 prefix is delegated: {why}"), None);
}

fn ending_words(ending: Ending) -> &'static str {
    match ending {
        Ending::NoAdvertise => "no server answered the SOLICIT",
        Ending::NothingOffered => "servers answered and had nothing to hand out",
        Ending::NoReply => "the server did not answer the REQUEST",
        Ending::Refused => "the server refused what it had offered",
        Ending::NoInformation => "no server answered the INFORMATION-REQUEST",
        Ending::Informed => "settings came",
        Ending::Released { .. } => "given back",
    }
}

fn lease_fact(lease: &Lease) -> Value {
    let addresses = lease.addresses.iter().map(
        |lent| json!({ "address": lent.address, "preferred_s": lifetime(lent.preferred_s), "valid_s": lifetime(lent.valid_s) }),
    );
    let prefixes = lease.prefixes.iter().map(|given| {
        json!({
            "prefix": format!("{}/{}", given.prefix, given.len),
            "preferred_s": lifetime(given.preferred_s),
            "valid_s": lifetime(given.valid_s),
        })
    });
    json!({
        "server": lease.server.to_string(),
        "from": lease.from,
        "mac": lease.mac.to_string(),
        "rapid_commit": lease.is_rapid,
        "addresses": addresses.collect::<Vec<_>>(),
        "prefixes": prefixes.collect::<Vec<_>>(),
        "refused": lease.refusals.iter().map(Refusal::told).collect::<Vec<_>>(),
    })
}

fn answer_fact(client: &Client, answer: &Answer) -> Value {
    let more = answer.message.items.iter().filter_map(|item| match item {
        Item::Search(domains) => Some(json!({ "search": domains })),
        Item::Aftr(name) => Some(json!({ "aftr": name })),
        Item::SolMaxRt(seconds) => Some(json!({ "sol_max_rt_s": seconds })),
        Item::InfMaxRt(seconds) => Some(json!({ "inf_max_rt_s": seconds })),
        Item::Refresh(seconds) => Some(json!({ "refresh_s": seconds })),
        Item::VendorClass(enterprise, _) => Some(json!({ "vendor_class_of": enterprise })),
        Item::VendorOptions(enterprise, _) => Some(json!({ "vendor_options_of": enterprise })),
        Item::Other(code, octets) => Some(json!({ "option": code, "octets": hexadecimal(octets) })),
        _ => None,
    });
    json!({
        "kind": answer.message.kind.name(),
        "server": answer.server(),
        "from": answer.from,
        "mac": answer.mac.to_string(),
        "took_ms": client.took(answer).map(|took| took.longest.as_secs_f64() * 1e3),
        "preference": answer.message.preference(),
        "rapid_commit": answer.message.is_rapid(),
        "resolvers": answer.message.resolvers(),
        "refused": Refusal::all(&answer.message).iter().map(Refusal::told).collect::<Vec<_>>(),
        "not_taken": answer.unusable.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "options": more.collect::<Vec<_>>(),
    })
}
