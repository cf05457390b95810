//! The formats that are text: a far end's invitation and answers, profiles, records.

use std::fmt::Debug;
use std::path::Path;

use doorstep::farend::api::{
    CallsGrant, CallsRequest, LoadGrant, LoadReport, LoadRequest, Refusal, Secret, SessionGrant, SessionRequest, WayBackGrant,
    WayBackReport,
};
use doorstep::farend::invitation as invited;
use doorstep::record::{Record, store};
use doorstep::unit::{Depth, Direction, Family};
use doorstep::{judge, line, profile as tier, report};
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::seeds::TOKEN;
use super::{show, take};

/// A far end's invitation (TOML): reads back what it writes, and no complaint repeats the token.
pub fn invitation(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match invited::parse(text) {
        Ok(target) => {
            let again = invited::parse(&invited::text(&target).expect("what was read can be written")).expect("and read again");
            assert_eq!(
                (&again.host, again.port, &again.token, again.fingerprint, &again.zone),
                (&target.host, target.port, &target.token, target.fingerprint, &target.zone)
            );
            assert!(!format!("{target:?}").contains(TOKEN));
        }
        Err(what) => assert!(!what.contains(TOKEN), "{what}"),
    }
    if let Some(fingerprint) = invited::parse_fingerprint(text) {
        assert_eq!(invited::parse_fingerprint(&invited::format_fingerprint(&fingerprint)), Some(fingerprint));
    }
}

/// The list of hardware address assignments: a name that is found is short and can be shown.
pub fn oui(mut data: &[u8]) {
    let block = take::<3>(&mut data);
    let list = String::from_utf8_lossy(data);
    if let Some(name) = doorstep::wire::oui::holder(&list, block) {
        assert!(!name.is_empty() && name.chars().count() <= 80 && !name.contains(char::is_control));
    }
}

/// Everything that crosses the control connection (JSON), each type tried on the same octets.
pub fn api(data: &[u8]) {
    both_ways::<SessionRequest>(data);
    both_ways::<LoadRequest>(data);
    both_ways::<Refusal>(data);
    both_ways::<LoadReport>(data);
    both_ways::<WayBackReport>(data);
    both_ways::<CallsRequest>(data);
    if let Some(grant) = both_ways::<CallsGrant>(data) {
        grant.legs.iter().for_each(|leg| secret(&leg.secret));
    }
    both_ways::<WayBackGrant>(data).iter().for_each(|grant| secret(&grant.secret));
    if let Some(grant) = both_ways::<SessionGrant>(data) {
        secret(&grant.session);
        grant.stamp.iter().for_each(|stamp| secret(&stamp.key));
    }
    if let Some(grant) = both_ways::<LoadGrant>(data) {
        grant.secrets.iter().for_each(secret);
    }
}

/// What is read, written and read again is written the same. The types know no equality, their text does.
fn both_ways<T: Serialize + DeserializeOwned + Debug>(data: &[u8]) -> Option<T> {
    let value: T = match serde_json::from_slice(data) {
        Ok(value) => value,
        Err(error) => {
            show(&error);
            return None;
        }
    };
    let written = serde_json::to_string(&value).expect("what was read can be written");
    let again: T = serde_json::from_str(&written).expect("what was written is readable");
    assert_eq!(serde_json::to_string(&again).expect("and can be written"), written);
    Some(value)
}

fn secret(secret: &Secret) {
    assert_eq!(format!("{secret:?}"), "Secret(..)");
    if let Some(octets) = secret.octets() {
        assert_eq!(Secret::from_octets(&octets).expose(), secret.expose().to_lowercase());
    }
}

/// A service tier (TOML): what is valid can be judged by, what is not says where.
pub fn profile(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let read = match tier::parse(text, "hostile") {
        Ok(read) => read,
        Err(error) => {
            if let tier::ProfileError::Invalid { problems, .. } = &error {
                let lines = text.split('\n').count();
                assert!(!problems.is_empty() && problems.iter().all(|p| (1..=lines).contains(&p.line) && p.column >= 1));
            }
            return show(&error);
        }
    };
    assert_eq!(tier::parse(&read.text, "its own text").expect("its own text is valid"), read);
    let (down, up) = read.sold_mbit();
    assert!(down.is_finite() && up.is_finite() && down >= 0.0 && up >= 0.0);
    assert!(read.confidence() > 0.0 && read.confidence() < 1.0);
    std::hint::black_box((read.streams(), read.load_seconds()));
    if let Some(sold) = &read.sold {
        assert_eq!((sold.mbit(Direction::Down), sold.mbit(Direction::Up)), (down, up));
    }
    for family in [Family::Ipv4, Family::Ipv6] {
        for rate in judge::sold_rates(&read, family) {
            // A record holds it as JSON, which has no infinity.
            let written = serde_json::to_string(&rate).expect("a rate can be written");
            assert_eq!(serde_json::from_str::<judge::SoldRate>(&written).expect("and read"), rate);
        }
    }
    for finding in read.statement.iter().flat_map(|statement| judge::statement::rule(statement, &[])) {
        assert_eq!(finding.ruling, judge::statement::Ruling::NotEnough, "nothing was measured: {finding:?}");
    }
    for depth in [Depth::Quick, Depth::Handoff, Depth::Soak] {
        let setting = tier::Setting { depth, ..tier::Setting::default() };
        let judgements = judge::judge(&read, setting, None, &[]);
        std::hint::black_box(judge::overall(&judgements).word());
    }
}

/// Line facts (TOML): what is valid lets expect a finite rate and reads back from its own text, what is not says where.
pub fn line_facts(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let facts = match line::parse(text, "hostile") {
        Ok(facts) => facts,
        Err(error) => return show(&error),
    };
    assert_eq!(line::parse(&facts.text, "its own text").expect("its own text is valid"), facts);
    std::hint::black_box(facts.outcome());
    for family in [Family::Ipv4, Family::Ipv6] {
        for budget in judge::budgets(None, &facts, family) {
            assert!(budget.expected_mbit.is_finite() && budget.expected_mbit <= budget.line_payload_mbit, "{budget:?}");
        }
    }
}

/// A record (JSON): reads back what it writes, can be judged again, and shows no control character on a terminal.
pub fn record(data: &[u8]) {
    let mut read = match store::parse(data, Path::new("hostile.json")) {
        Ok(read) => read,
        Err(error) => return show(&error),
    };
    survives(&read);
    std::hint::black_box(store::file_name(&read));
    rendered(&read);
    match read.concluded_again() {
        Ok(conclusion) => {
            read.judgements = conclusion.judgements;
            read.verdict = conclusion.verdict;
            read.isolation = Some(conclusion.isolation);
            survives(&read);
            rendered(&read);
        }
        Err(error) => show(&error),
    }
    read.conclude(None);
    survives(&read);
    rendered(&read);
}

fn survives(record: &Record) {
    let written = report::json(record);
    let again = store::parse(written.as_bytes(), Path::new("again.json")).expect("what was written is readable");
    assert_eq!(&again, record);
}

fn rendered(record: &Record) {
    let model = report::model::report(record);
    for (width, colour) in [(40, false), (80, true), (200, false)] {
        let text = report::terminal::render(&model, report::terminal::Look { width, colour });
        let foreign = |c: char| c.is_control() && c != '\n' && !(colour && c == '\u{1b}');
        assert!(!text.contains(foreign), "{text:?}");
    }
}
