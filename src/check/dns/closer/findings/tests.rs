use std::net::Ipv4Addr;

use super::*;
use crate::reading::Status;
use crate::wire::dns::Reply;

fn heard(code: Code, addresses: &[&str]) -> Closer {
    Closer {
        reply: Reply {
            id: 1,
            name: "a.".to_owned(),
            code,
            is_truncated: false,
            addresses: addresses.iter().map(|address| address.parse().unwrap()).collect(),
            answers: addresses.len(),
        },
        octets: 100,
        is_authenticated: false,
        is_signed: false,
        has_ds: false,
        texts: Vec::new(),
        errors: Vec::new(),
        naptrs: Vec::new(),
        srvs: Vec::new(),
        designated: Vec::new(),
    }
}

#[test]
fn a_resolver_is_judged_by_a_spoiled_signature_only_where_the_parent_vouches_for_the_zone() {
    let given = || Some(heard(Code::NoError, &["198.18.0.1"]));
    let failed = || Some(heard(Code::ServerFailure, &[]));
    let vouched = || Some(Closer { has_ds: true, ..heard(Code::NoError, &[]) });
    let rows = [
        ("refuses bad, gives it unchecked", given(), failed(), given(), None, Validation::Validates),
        ("refuses both: may be another fault", given(), failed(), failed(), None, Validation::CannotTell),
        ("refuses good too", failed(), failed(), failed(), vouched(), Validation::CannotTell),
        ("passes bad on, vouched for", given(), given(), given(), vouched(), Validation::DoesNot),
        ("passes bad on, nobody vouches", given(), given(), given(), Some(heard(Code::NoError, &[])), Validation::CannotTell),
        ("silent for bad", given(), None, given(), vouched(), Validation::CannotTell),
    ];
    for (row, good, bad, unchecked, parent, want) in rows {
        assert_eq!(Signatures { good, bad, unchecked, plain: None, parent }.validation(), want, "{row}");
    }
    let authentic = Some(Closer { is_authenticated: true, ..heard(Code::NoError, &["198.18.0.1"]) });
    let signatures = Signatures { good: authentic, bad: failed(), ..Signatures::default() };
    assert_eq!(signatures.validation(), Validation::Validates, "AD on the good one is enough (RFC 4035 section 3.2.3)");
}

#[test]
fn an_ipv6_address_is_invented_unless_it_is_the_networks_translation() {
    let inside = Ipv4Addr::new(198, 18, 0, 1);
    let of = |answer: Option<Closer>, ipv4_only: &[&str]| {
        let ipv4_only = Some(heard(Code::NoError, ipv4_only));
        Looked { ipv6: Some((answer, inside)), ipv4_only, ..Looked::default() }.ipv6_answer().unwrap()
    };
    let prefix = ["64:ff9b::192.0.0.170"];
    assert_eq!(of(Some(heard(Code::NoError, &[])), &[]), Ipv6Answer::NoData);
    assert_eq!(of(Some(heard(Code::NoError, &["64:ff9b::198.18.0.1"])), &prefix), Ipv6Answer::Translated);
    assert_eq!(of(Some(heard(Code::NoError, &["64:ff9b::198.18.0.1"])), &[]), Ipv6Answer::Invented);
    assert_eq!(of(Some(heard(Code::NoError, &["64:ff9b::198.18.0.2"])), &prefix), Ipv6Answer::Invented);
    assert_eq!(of(Some(heard(Code::NoSuchName, &[])), &[]), Ipv6Answer::Denied);
    assert_eq!(of(Some(heard(Code::ServerFailure, &[])), &[]), Ipv6Answer::Failed);
    assert_eq!(of(None, &[]), Ipv6Answer::Silent);
}

#[test]
fn a_cache_that_passes_most_lookups_on_is_named() {
    let arrived = |queries| Arrivals { queries, from: vec!["192.0.2.53".parse().unwrap()] };
    let resolver = "192.0.2.53".parse().unwrap();
    for (queries, lookups, is_flaw) in [(1, 31, false), (15, 31, false), (16, 31, true), (31, 31, true), (3, 3, false)] {
        let mut outcome = Outcome::new(Status::Done);
        cache(&mut outcome, resolver, lookups, &arrived(queries));
        assert_eq!(outcome.flaws.iter().any(|flaw| flaw.code == "dns-no-cache"), is_flaw, "{queries} of {lookups}");
    }
}

/// Addresses of the documentation and benchmarking blocks (RFC 5737, RFC 3849, RFC 2544), invented as neighbours.
#[test]
fn a_resolver_is_taken_for_the_providers_only_where_it_asks_from_the_same_block() {
    for (from, own, want) in [
        ("198.51.7.53", Some("198.51.100.2"), "yes"),
        ("198.50.100.53", Some("198.51.100.2"), "no"),
        ("198.51.100.2", Some("198.51.100.2"), "unknown"),
        ("2001:db8:ff::53", Some("2001:db8::2"), "yes"),
        ("2001:db9::53", Some("2001:db8::2"), "no"),
        ("2001:db8::53", Some("198.51.100.2"), "unknown"),
        ("198.51.100.53", None, "unknown"),
    ] {
        let own = own.map(|own| own.parse().unwrap());
        assert_eq!(is_of_provider(from.parse().unwrap(), own), want, "{from} seen from {own:?}");
    }
}

#[test]
fn shared_bits_are_those_of_the_prefix() {
    let at = |text: &str| text.parse::<IpAddr>().unwrap();
    assert_eq!(shared_bits(at("192.0.2.1"), at("192.0.3.1")), Some(23));
    assert_eq!(shared_bits(at("2001:db8::1"), at("2001:db8::1")), Some(128));
    assert_eq!(shared_bits(at("192.0.2.1"), at("2001:db8::1")), None);
}
