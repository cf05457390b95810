use std::path::Path;

use jiff::Timestamp;
use proptest::prelude::*;
use serde_json::json;

use super::*;
use crate::record::sign::{Signer, check, keys::Keyring};
use crate::record::store;

fn golden(name: &str) -> Record {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/golden/{name}.json"));
    store::read(&path).expect("a kept record")
}

fn copy_of(record: &Record) -> Record {
    let mut signed = record.clone();
    let signer = Signer::from_secret(&[7; 32]);
    signer.sign(&mut signed, Timestamp::UNIX_EPOCH);
    let document = serde_json::to_vec_pretty(&signed).expect("JSON");
    let finding = check(&document, &signed, &Keyring { own: signer.public_key(), trusted: Vec::new() });
    redact(&document, &signed, &finding).expect("a copy")
}

/// A record with addresses and names wherever the network or a person can put them.
fn telling() -> Record {
    let mut record = golden("fail");
    record.agent.host = "annas-laptop".into();
    record.place.circuit = Some("EVB-7731".into());
    record.place.note = Some("ring at Mrs Example, 3rd floor".into());
    record.place.interface = "enx02005e10000a".into();
    let check = &mut record.checks[0].outcome;
    check.reason =
        Some("no answer from 192.0.2.77 (gw.home.example.net) to annas-laptop; 192.168.1.20 is \"Anna's router\"".into());
    check.fact("mac", "02:00:5e:10:00:0a");
    check.fact("addresses", json!(["192.168.1.20", "2001:db8:17::a/64", "fe80::5eff:fe10:a%enx02005e10000a", "127.0.0.1"]));
    check.fact(
        "router",
        json!({ "address": "192.168.1.20", "maker": "Example Valley Devices", "role": "provider-hop", "ttl": 63 }),
    );
    check.fact("search", json!(["home.example.net"]));
    check.flaw(
        "odd",
        "77.2.0.192.in-addr.arpa, 02-00-5E-10-00-0A, 0200.5e10.000a, 2001:0DB8:0017:0000:0000:0000:0000:000A and 02005e10000a",
        None,
    );
    check.flaw("account", "sip:anna@voice.example.net answered [2001:db8:17::a]:5060", None);
    record
}

#[test]
fn the_structure_stays_and_what_tells_whose_line_it_is_goes() {
    let copy = copy_of(&telling());
    let facts = &copy.checks[0].outcome.facts;
    assert_eq!(copy.place.circuit.as_deref(), Some("circuit-1"));
    assert_eq!(copy.agent.host, "host-1");
    let same = facts["router"]["address"].as_str().expect("text");
    assert!(same.starts_with("ipv4-private-"), "{facts:?}");
    assert_eq!(facts["addresses"][0], same, "one address, one placeholder");
    assert_eq!(facts["addresses"][3], "127.0.0.1", "everybody's own");
    assert!(
        facts["addresses"][1].as_str().is_some_and(|text| text.starts_with("ipv6-global-") && text.ends_with("/64")),
        "{facts:?}"
    );
    assert_eq!((&facts["router"]["role"], &facts["router"]["ttl"]), (&json!("provider-hop"), &json!(63)));
    let reason = copy.checks[0].outcome.reason.as_deref().expect("a reason");
    assert!(reason.contains(same) && reason.contains("ipv4-public-") && reason.contains("host-1"), "{reason}");
    let text = serde_json::to_string(&copy).expect("JSON").to_lowercase();
    for told in [
        "anna",
        "evb-7731",
        "mrs example",
        "192.0.2.77",
        "192.168.1.20",
        "20.1.168.192",
        "77.2.0.192",
        "02:00:5e",
        "02-00-5e",
        "0200.5e10",
        "02005e10000a",
        "2001:db8:17",
        "2001:0db8",
        "5eff:fe10",
        "home.example",
        "voice.example",
        "example valley devices",
    ] {
        assert!(!text.contains(told), "{told} is left in {text}");
    }
}

#[test]
fn figures_verdicts_and_the_conclusion_stay() {
    for name in ["pass", "fail", "not-proven", "incomplete", "dead-line"] {
        let (original, copy) = (golden(name), copy_of(&golden(name)));
        assert_eq!((copy.id, copy.verdict, copy.started), (original.id, original.verdict, original.started));
        for (one, other) in original.checks.iter().zip(&copy.checks) {
            assert_eq!(
                (&one.check, &one.outcome.readings, &one.outcome.series),
                (&other.check, &other.outcome.readings, &other.outcome.series)
            );
        }
        assert_eq!(copy.judgements, original.judgements, "{name}");
        assert_eq!(copy.isolation, original.isolation, "{name}");
        // Both judged by this version, which says more than the one that wrote the kept records.
        let (again, now) = (copy.concluded_again().expect("judged again"), original.concluded_again().expect("judged again"));
        assert_eq!((again.verdict, again.judgements), (original.verdict, now.judgements), "{name}");
    }
}

#[test]
fn earlier_visits_in_a_record_are_masked_as_the_record_itself_is() {
    let mut record = golden("pass");
    let mut earlier = telling();
    earlier.checks.truncate(1);
    let mut part = crate::record::Part::of(&earlier, "sha256:77", "unsigned: it bears none, or it was taken off");
    record.continues = vec![part.clone()];
    part.signature = "untouched, signed by the trusted key of `annas-van` (aa)".into();
    record.continues.push(part);
    record.replaced = earlier.checks;
    let copy = copy_of(&record);
    assert_eq!((copy.continues[0].digest.as_str(), copy.continues[1].digest.as_str()), ("left out", "sha256:77"));
    assert_eq!((copy.continues[0].record, copy.continues[0].started), (earlier.id, earlier.started));
    let text = serde_json::to_string(&copy).expect("JSON").to_lowercase();
    for told in ["anna", "evb-7731", "mrs example", "192.168.1.20", "02:00:5e", "home.example"] {
        assert!(!text.contains(told), "{told} is left in {text}");
    }
}

#[test]
fn the_copy_names_its_original_and_is_made_of_none_that_was_altered() {
    let signer = Signer::from_secret(&[7; 32]);
    let mut record = telling();
    signer.sign(&mut record, Timestamp::UNIX_EPOCH);
    let document = serde_json::to_vec(&record).expect("JSON");
    let ring = Keyring { own: signer.public_key(), trusted: Vec::new() };
    let copy = redact(&document, &record, &check(&document, &record, &ring)).expect("a copy");
    let note = copy.redacted.clone().expect("a note");
    assert_eq!(note.original, Some(sha256_words(&Document::parse(&document).expect("JSON").canonical())));
    assert_eq!((note.original_was.as_str(), note.original_key), ("untouched", signer.public_key().map(|key| key.id())));
    assert!(copy.signature.is_none(), "the original's signature would let names be tried out");
    assert!(matches!(redact(&document, &copy, &check(&document, &copy, &ring)), Err(RedactError::Already)));
    record.verdict = crate::judge::Verdict::Pass;
    let altered = serde_json::to_vec(&record).expect("JSON");
    assert!(matches!(redact(&altered, &record, &check(&altered, &record, &ring)), Err(RedactError::Altered(_))));
    let bare = copy_unsigned(&telling());
    assert_eq!(bare.redacted.expect("a note").original, None);
}

#[test]
fn a_fact_that_is_spelled_like_a_word_of_ours_spoils_no_other_field() {
    let mut record = golden("fail");
    let mut words = serde_json::Map::new();
    for word in ["tcp-payload", "far-end", "provider-hop", "not-proven", "access-loss", "twoway.loss_ratio", "IPv4"] {
        words.insert(format!("odd_{}", words.len()), word.into());
    }
    record.checks[0].outcome.fact("odd", Value::Object(words));
    let copy = copy_of(&record);
    assert_eq!((&copy.checks[1..], &copy.judgements), (&record.checks[1..], &record.judgements));
}

fn copy_unsigned(record: &Record) -> Record {
    redact(&serde_json::to_vec(record).expect("JSON"), record, &Finding::Unsigned { why: None }).expect("a copy")
}

/// How an address or a name can stand in a text.
fn in_words(address: &str) -> Vec<String> {
    let plain = address.to_owned();
    vec![
        plain.clone(),
        format!("answered by {plain}."),
        format!("({plain})"),
        format!("{plain}, twice: {plain}"),
        format!("\"{plain}\""),
        format!("x={plain};"),
        format!("{plain}/24 and [{plain}]:53"),
        plain.to_uppercase(),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn no_spelling_of_an_address_or_a_name_is_left(v4 in any::<[u8; 4]>(), v6 in any::<u128>(), mac in any::<[u8; 6]>(), host in "[a-z]{4,9}-[a-z]{2,5}[0-9]{2}", way in 0..8usize, domain in "[a-z]{3,8}\\.[a-z]{3,8}\\.test") {
        let (v4, v6) = (std::net::IpAddr::from(v4), std::net::IpAddr::from(std::net::Ipv6Addr::from(v6)));
        prop_assume!(!forms::is_everybodys(v4) && !forms::is_everybodys(v6.to_canonical()) && mac != [0; 6] && mac != [0xff; 6]);
        let mut record = golden("dead-line");
        record.agent.host = host.clone();
        let mut told: Vec<String> = Vec::new();
        told.extend(forms::spellings(v4));
        told.extend(forms::spellings(v6));
        told.extend(forms::mac_spellings(mac));
        told.push(host.clone());
        told.push(domain.clone());
        let outcome = &mut record.checks[0].outcome;
        // First as facts, so that they are known; then in each spelling, in the middle of a text.
        outcome.fact("address", v4.to_string());
        outcome.fact("addresses", json!([v6.to_string()]));
        outcome.fact("mac", forms::mac_spellings(mac)[0].clone());
        outcome.fact("domain", domain.clone());
        for (index, spelling) in told.iter().enumerate() {
            outcome.flaw("seen", in_words(spelling)[way].clone(), None);
            outcome.fact(&format!("fact_{index}"), in_words(spelling)[(way + 3) % 8].clone());
            outcome.fact("because", in_words(spelling)[(way + 5) % 8].clone());
        }
        let text = serde_json::to_string(&copy_unsigned(&record)).expect("JSON").to_lowercase();
        for spelling in told.iter().filter(|spelling| spelling.len() > 8 || spelling.contains(['.', '-'])) {
            prop_assert!(!text.contains(spelling.as_str()), "{} is left in {}", spelling, text);
        }
    }
}
