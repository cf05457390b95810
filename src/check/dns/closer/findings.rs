//! What a closer look means: readings, facts and flaws. Pure.

use std::net::IpAddr;

use serde_json::{Value, json};

use super::{Absent, LARGE_EDNS, Looked, Signatures, Sized, Times, ms};
use crate::reading::{Outcome, Reading};
use crate::unit::StampSource;
use crate::wire::dns::Code;
use crate::wire::dns::closer::Closer;
use crate::wire::dns::dns64::Prefix;
use crate::wire::dns::facts::{Arrivals, AskedFrom};

/// RFC 8914 section 4: numbers of extended errors that say that validation failed (DNSSEC bogus and its kinds).
const VALIDATION_ERRORS: std::ops::RangeInclusive<u16> = 5..=12;

/// Whether a resolver validates (RFC 4035 section 5.5).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::check::dns) enum Validation {
    /// It refuses a spoiled signature and answers for a good one.
    Validates,
    /// It passes a spoiled signature on, though the parent vouches for the zone's key.
    DoesNot,
    /// Nobody vouches for the zone's key, so that the resolver has nothing to validate by; or it did not answer.
    CannotTell,
}

impl Signatures {
    pub(in crate::check::dns) fn validation(&self) -> Validation {
        let has_address = |answer: &Option<Closer>| answer.as_ref().is_some_and(|answer| !answer.reply.addresses.is_empty());
        let refused = self.bad.as_ref().is_some_and(|answer| answer.reply.code == Code::ServerFailure);
        let vouched = self.parent.as_ref().is_some_and(|answer| answer.has_ds);
        match (has_address(&self.good), refused, has_address(&self.bad)) {
            // A failure alone might be another's: it counts with the word that it was the signature, or with an
            // answer that was found authentic, or where the same kind of name is given unchecked.
            (true, true, _) if self.is_of_signature(has_address(&self.unchecked)) => Validation::Validates,
            (true, false, true) if vouched => Validation::DoesNot,
            _ => Validation::CannotTell,
        }
    }

    fn is_of_signature(&self, is_given_unchecked: bool) -> bool {
        let says = |answer: &Closer| answer.errors.iter().any(|error| VALIDATION_ERRORS.contains(error));
        self.good.as_ref().is_some_and(|good| good.is_authenticated) || self.bad.as_ref().is_some_and(says) || is_given_unchecked
    }
}

/// What a resolver says to the question for the IPv6 address of a name that has none (RFC 4074).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::check::dns) enum Ipv6Answer {
    /// No data, as it is.
    NoData,
    /// The IPv4 address behind the network's prefix (RFC 6147): meant so.
    Translated,
    /// Another address: invented.
    Invented,
    /// The name does not exist: hides its IPv4 address too.
    Denied,
    /// A failure.
    Failed,
    /// Nothing.
    Silent,
}

impl Looked {
    pub(in crate::check::dns) fn prefix(&self) -> Option<Prefix> {
        Prefix::learn(&self.ipv4_only.as_ref()?.ipv6())
    }

    pub(in crate::check::dns) fn ipv6_answer(&self) -> Option<Ipv6Answer> {
        let (answer, inside) = self.ipv6.as_ref()?;
        let Some(answer) = answer else { return Some(Ipv6Answer::Silent) };
        let addresses = answer.ipv6();
        let translated = |address: &IpAddr| self.prefix().is_some_and(|prefix| prefix.holds(*address, *inside));
        Some(match answer.reply.code {
            Code::NoSuchName => Ipv6Answer::Denied,
            Code::NoError if addresses.is_empty() => Ipv6Answer::NoData,
            Code::NoError if addresses.iter().all(translated) => Ipv6Answer::Translated,
            Code::NoError => Ipv6Answer::Invented,
            Code::ServerFailure | Code::Refused | Code::Other(_) => Ipv6Answer::Failed,
        })
    }
}

impl Sized {
    fn words(&self) -> &'static str {
        match (&self.over_udp, &self.over_tcp) {
            (Some(answer), _) if !answer.reply.is_usable() => "failed",
            (Some(answer), _) if !answer.reply.is_truncated => "whole over UDP",
            (Some(_), Some(Ok(_))) => "cut, whole over TCP",
            (Some(_), _) => "cut, lost over TCP",
            (None, Some(Ok(_))) => "lost over UDP, whole over TCP",
            (None, _) => "lost",
        }
    }
}

/// The readings.
pub(in crate::check::dns) fn readings(looked: &Looked) -> Vec<Reading> {
    let mut readings = Vec::new();
    let mut times = |names: [&'static str; 3], times: &Option<Result<Times, Absent>>| {
        let Some(Ok(times)) = times else { return };
        let each = names.into_iter().zip([times.connect, times.handshake, times.lookup]);
        readings.extend(each.map(|(name, time)| Reading::exact(name, ms(time)).stamped_by(StampSource::User)));
    };
    times(["dns.tls_connect_time", "dns.tls_handshake_time", "dns.tls_lookup_time"], &looked.over_tls);
    times(["dns.https_connect_time", "dns.https_handshake_time", "dns.https_lookup_time"], &looked.over_https);
    match looked.signatures.as_ref().map(Signatures::validation) {
        Some(Validation::Validates) => readings.push(Reading::exact("dns.validates", 1.0)),
        Some(Validation::DoesNot) => readings.push(Reading::exact("dns.validates", 0.0)),
        Some(Validation::CannotTell) | None => {}
    }
    readings
}

/// The facts. `own`: the address that the far end sees the agent come from, where known.
pub(in crate::check::dns) fn facts(resolver: IpAddr, looked: &Looked, own: Option<IpAddr>) -> Value {
    let encrypted = |times: &Option<Result<Times, Absent>>| match times {
        Some(Ok(times)) => json!({
            "offered": true,
            "version": times.version,
            "is_true": looked.truth.filter(|_| times.reply.is_usable()).map(|truth| !truth.is_belied_by(&times.reply)),
        }),
        Some(Err(absent)) => json!({ "offered": false, "why": absent.words() }),
        None => Value::Null,
    };
    let designated = |one: &crate::wire::dns::closer::Designated| json!({ "target": one.target, "protocols": one.protocols, "port": one.port, "path": one.path });
    let sizes = looked.sizes.iter().map(|one| json!({ "octets": one.octets, "offered": one.offered, "came": one.words() }));
    json!({
        "asks_from": looked.asked_from.as_ref().map(|asked| asked_from(resolver, asked, own)),
        "validation": looked.signatures.as_ref().map(validation),
        "sizes": sizes.collect::<Vec<_>>(),
        "ipv6_of_ipv4_name": looked.ipv6_answer().map(|answer| format!("{answer:?}").to_lowercase()),
        "dns64_prefix": looked.prefix().map(|prefix| format!("{}/{}", prefix.address, prefix.length)),
        "completes_one_label": looked.one_label.as_ref().map(|answer| !answer.reply.addresses.is_empty()),
        "one_label": looked.one_label.as_ref().map(|answer| format!("{:?}", answer.reply.code)),
        "mistyped_in_domain": looked.mistyped.iter().map(|(domain, answer)| mistyped(domain, answer.as_ref())).collect::<Vec<_>>(),
        "over_tls": encrypted(&looked.over_tls),
        "over_https": encrypted(&looked.over_https),
        "designates": looked.designates.iter().map(designated).collect::<Vec<_>>(),
    })
}

fn mistyped(domain: &str, answer: Option<&Closer>) -> Value {
    json!({
        "domain": domain,
        "code": answer.map(|answer| format!("{:?}", answer.reply.code)),
        "addresses": answer.map(|answer| answer.reply.addresses.iter().map(IpAddr::to_string).collect::<Vec<_>>()),
    })
}

fn asked_from(resolver: IpAddr, asked: &AskedFrom, own: Option<IpAddr>) -> Value {
    json!({
        "address": asked.from.to_string(),
        "is_resolver": asked.from == resolver,
        "is_own_address": own.map(|own| own == asked.from),
        "is_of_provider": is_of_provider(asked.from, own),
        "bits_shared_with_own_address": own.and_then(|own| shared_bits(own, asked.from)),
        "over_tcp": asked.is_over_tcp,
        "edns_octets": asked.edns_octets,
        "wants_signatures": asked.wants_signatures,
        "client_subnet": asked.client_subnet.map(|(address, length)| format!("{address}/{length}")),
        "minimises_names": asked.is_minimised,
    })
}

/// Leading bits that two addresses of one provider share, as a rough guess: no provider's blocks are known here (ours).
const PROVIDER_BITS_V4: u32 = 16;
/// RFC 6177 leaves sizes open; a provider's own allocation is a /32 or shorter (common practice).
const PROVIDER_BITS_V6: u32 = 32;

/// Whether a resolver asks from near the agent's public address. "no" says only that it asks from another block, which a provider may have too.
fn is_of_provider(from: IpAddr, own: Option<IpAddr>) -> &'static str {
    let shared = own.and_then(|own| Some((shared_bits(own, from)?, own.is_ipv4())));
    match shared {
        // From the line's own address: the gateway, or another behind the same translation. It may belong to either.
        Some((32, true) | (128, false)) | None => "unknown",
        Some((bits, true)) if bits >= PROVIDER_BITS_V4 => "yes",
        Some((bits, false)) if bits >= PROVIDER_BITS_V6 => "yes",
        Some(_) => "no",
    }
}

/// Leading bits that two addresses of one IP version have in common.
fn shared_bits(a: IpAddr, b: IpAddr) -> Option<u32> {
    match (a, b) {
        (IpAddr::V4(a), IpAddr::V4(b)) => Some((u32::from(a) ^ u32::from(b)).leading_zeros()),
        (IpAddr::V6(a), IpAddr::V6(b)) => Some((u128::from(a) ^ u128::from(b)).leading_zeros()),
        _ => None,
    }
}

fn validation(signatures: &Signatures) -> Value {
    let one = |answer: &Option<Closer>| {
        let answer = answer.as_ref()?;
        Some(json!({
            "code": format!("{:?}", answer.reply.code),
            "authenticated": answer.is_authenticated,
            "signed": answer.is_signed,
            "extended_errors": answer.errors,
        }))
    };
    json!({
        "validates": match signatures.validation() {
            Validation::Validates => Some(true),
            Validation::DoesNot => Some(false),
            Validation::CannotTell => None,
        },
        "parent_vouches": signatures.parent.as_ref().map(|answer| answer.has_ds),
        "good": one(&signatures.good),
        "bad": one(&signatures.bad),
        "bad_unchecked": one(&signatures.unchecked),
        "unsigned": one(&signatures.plain),
    })
}

/// The flaws. A resolver that answers nothing at all has its flaw elsewhere: `is_answering` false names none here.
pub(in crate::check::dns) fn flaws(outcome: &mut Outcome, resolver: IpAddr, looked: &Looked, is_answering: bool) {
    if !is_answering {
        return;
    }
    let mut flaw = |code: &str, what: String| outcome.flaw(code, format!("resolver {resolver} {what}"), None);
    match looked.ipv6_answer() {
        Some(Ipv6Answer::Denied) => flaw(
            "dns-ipv6-denied",
            "says that a name without an IPv6 address does not exist, which hides its IPv4 address (RFC 4074 section 4.2)"
                .to_owned(),
        ),
        Some(Ipv6Answer::Invented) => {
            flaw("dns-ipv6-invented", "gives a name without an IPv6 address one that is made up".to_owned())
        }
        Some(Ipv6Answer::Failed) => flaw(
            "dns-ipv6-fails",
            "fails when asked for the IPv6 address of a name that has none (RFC 4074 section 4.3)".to_owned(),
        ),
        Some(Ipv6Answer::Silent) => flaw(
            "dns-ipv6-silent",
            "is silent when asked for the IPv6 address of a name that has none: programs wait for it (RFC 4074 section 4.1)"
                .to_owned(),
        ),
        Some(Ipv6Answer::NoData | Ipv6Answer::Translated) | None => {}
    }
    if looked.one_label.as_ref().is_some_and(|answer| !answer.reply.addresses.is_empty()) {
        flaw("dns-one-label-invented", "gives a name of one label, which can't exist, an address".to_owned());
    }
    for (domain, answer) in &looked.mistyped {
        match answer {
            Some(answer) if !answer.reply.addresses.is_empty() => flaw(
                "dns-completion-invented",
                format!(
                    "gives any name below {domain}, by which hosts complete what is typed, an address: mistyped names lead there"
                ),
            ),
            Some(answer) if answer.reply.is_usable() => {}
            // Hosts try the domain first and wait for it, or stop at the failure.
            Some(_) => {
                flaw("dns-completion-fails", format!("fails for names below {domain}, by which hosts complete what is typed"))
            }
            None => flaw(
                "dns-completion-silent",
                format!(
                    "is silent to names below {domain}, by which hosts complete what is typed: each short name costs the wait"
                ),
            ),
        }
    }
    if looked.signatures.as_ref().is_some_and(|signatures| signatures.validation() == Validation::DoesNot) {
        flaw(
            "dns-not-validating",
            "passes on an answer whose signature is spoiled: it does not validate (RFC 4035 section 5.5)".to_owned(),
        );
    }
    let at = |offered| looked.sizes.iter().filter(move |one| one.offered == offered);
    let small_came = at(super::EDNS_OCTETS).any(|one| one.over_udp.is_some());
    let lost: Vec<_> = at(LARGE_EDNS).filter(|one| one.over_udp.is_none()).map(|one| one.octets.to_string()).collect();
    if small_came && !lost.is_empty() {
        flaw(
            "dns-fragments-lost",
            format!(
                "is not heard over UDP when {LARGE_EDNS} octets are offered and the answer has {}, but is with {}: packets that large, or fragments, are dropped on the way",
                lost.join(" or "),
                super::EDNS_OCTETS
            ),
        );
    }
    let no_tcp: Vec<_> =
        looked.sizes.iter().filter(|one| matches!(one.over_tcp, Some(Err(_)))).map(|one| one.octets.to_string()).collect();
    if small_came && !no_tcp.is_empty() {
        flaw("dns-no-tcp-fallback", format!("does not give an answer of {} octets over TCP either", no_tcp.join(" or ")));
    }
    let encrypted = [("TLS", &looked.over_tls), ("HTTPS", &looked.over_https)];
    for (over, times) in encrypted {
        if let (Some(Ok(times)), Some(truth)) = (times, looked.truth)
            && truth.is_belied_by(&times.reply)
        {
            flaw("dns-false-answer", format!("gives a false answer over {over}"));
        }
    }
}

/// What the authority's count says of the cache: fact, and flaw where most of many lookups of one name went on to it.
pub(in crate::check::dns) fn cache(outcome: &mut Outcome, resolver: IpAddr, lookups: usize, arrived: &Arrivals) -> Value {
    // A cluster's members each ask once, and a name may run out once: half is beyond both (ours).
    let keeps = (arrived.queries as usize) * 2 < lookups;
    if lookups >= 10 && !keeps {
        let what = format!(
            "resolver {resolver} keeps no answers: {} of {lookups} lookups of one name went on to the authority",
            arrived.queries
        );
        outcome.flaw("dns-no-cache", what, None);
    }
    let from: Vec<String> = arrived.from.iter().map(IpAddr::to_string).collect();
    json!({ "lookups": lookups, "came_to_authority": arrived.queries, "from": from, "keeps_answers": keeps })
}

#[cfg(test)]
mod tests;
