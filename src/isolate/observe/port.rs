//! Symptoms of the port and of the address.

use super::{Evidence, Findings, reason};
use crate::isolate::model::Symptom;
use crate::judge::Verdict;
use crate::reading::{Status, words};

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    port(evidence, found);
    login(evidence, found);
    address(evidence, found);
}

fn port(evidence: &Evidence<'_>, found: &mut Findings) {
    let Some(link) = evidence.ran("link") else { return };
    let carrier = evidence.readings("link.carrier").next().map_or(link.status == Status::Done, |r| r.value >= 1.0);
    if !carrier {
        found.note(Symptom::NoCarrier, true, format!("the port has no carrier: {}", reason(link)));
        return;
    }
    found.note(Symptom::NoCarrier, false, "the port has carrier");
    if let Some(judged) = evidence.judged(|j| j.reading == "link.speed" && j.value.is_some()).next() {
        // A speed is exact: not proven means that the test set's own limit softened a failure.
        let slow = matches!(judged.verdict, Verdict::Fail | Verdict::NotProven);
        found.note(Symptom::PortTooSlow, slow, format!("{}: {}", judged.criterion, judged.because));
    }
    if let Some(duplex) = evidence.readings("link.full_duplex").next() {
        let half = duplex.value < 1.0;
        found.note(Symptom::HalfDuplex, half, if half { "the port runs half duplex" } else { "the port runs full duplex" });
    }
    let counted: Vec<_> =
        ["link.receive_errors", "link.transmit_errors"].iter().flat_map(|name| evidence.readings(name)).collect();
    if !counted.is_empty() {
        let errors: f64 = counted.iter().map(|r| r.value).sum();
        found.note(Symptom::PortErrors, errors > 0.0, format!("the port counted {} errored frames", words::significant(errors)));
    }
}

fn login(evidence: &Evidence<'_>, found: &mut Findings) {
    let Some(concentrators) = evidence.readings("pppoe.concentrators").next() else { return };
    let offered = concentrators.value >= 1.0;
    let held = evidence.readings("pppoe.address_held").next();
    // Where a login is made, an offer speaks for nothing.
    if held.is_none() {
        let what = format!("{} concentrator(s) offer a PPPoE session", words::of(concentrators));
        found.note(Symptom::PppoeOffered, offered, what);
    }
    if offered {
        match evidence.flaw("pppoe", &["pppoe-session-refused", "pppoe-no-confirmation"]) {
            Some(flaw) => found.note(Symptom::PppoeRefused, true, &flaw.what),
            None => found.note(Symptom::PppoeRefused, false, "a PPPoE session can be opened"),
        }
    }
    let Some(held) = held else { return };
    found.note(Symptom::NoConcentrator, !offered, "a login is to be made by PPPoE");
    let broken = evidence.flaw("pppoe", &["pppoe-no-session", "pppoe-session-lost"]);
    found.note(Symptom::SessionBroken, broken.is_some(), broken.map_or("the session stays", |flaw| &flaw.what));
    match evidence.flaw("pppoe", &["pppoe-login-refused"]) {
        Some(flaw) => found.note(Symptom::AccountRefused, true, &flaw.what),
        None if held.value >= 1.0 => found.note(Symptom::AccountRefused, false, "the account is accepted"),
        None => {}
    }
}

fn address(evidence: &Evidence<'_>, found: &mut Findings) {
    let Some(dhcp) = evidence.ran("dhcp4") else { return };
    let offer = evidence.readings("dhcp4.offer_time").next();
    match (offer, dhcp.status) {
        (None, Status::Failed) => {
            found.note(Symptom::NoOffer, true, format!("no address was offered: {}", reason(dhcp)));
            return;
        }
        (Some(offer), _) => found.note(Symptom::NoOffer, false, format!("an address was offered after {}", words::of(offer))),
        (None, _) => found.note(Symptom::NoOffer, false, "an address was handed out"),
    }
    let refused = dhcp.status == Status::Failed;
    let what = if refused { format!("the lease failed: {}", reason(dhcp)) } else { "the lease was confirmed".to_owned() };
    found.note(Symptom::LeaseRefused, refused, what);
    let second = evidence.flaw("dhcp4", &["dhcp4-second-server", "dhcp4-second-server-late"]);
    if let Some(second) = second.or_else(|| evidence.flaw("ipv6", &["ipv6-several-dhcp-servers"])) {
        found.note(Symptom::SecondServer, true, &second.what);
    } else if let Some(servers) = evidence.readings("dhcp4.servers").next() {
        found.note(Symptom::SecondServer, servers.value > 1.0, format!("{} DHCP server(s) answered", words::of(servers)));
    }
}
