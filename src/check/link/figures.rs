//! From what kernel and driver say to readings, facts and flaws.

use serde_json::json;

use crate::check::Effort;
use crate::metric::tcp;
use crate::net::ethtool::{Driver, Duplex, PortModes};
use crate::net::facts::{Counters, Link};
use crate::reading::{Limit, Outcome, Reading, Status};
use crate::unit::{Direction, Segment};
use crate::wire::ethernet::Mac;

/// A port as it was seen.
#[derive(Debug, Clone, Copy)]
pub(super) struct Port<'a> {
    pub(super) link: &'a Link,
    pub(super) modes: &'a PortModes,
    pub(super) driver: Option<&'a Driver>,
}

/// The outcome at the start of the visit.
pub(super) fn describe(port: &Port<'_>, effort: &Effort) -> Outcome {
    let Port { link, modes, driver } = *port;
    let mut outcome = if link.has_carrier {
        Outcome::new(Status::Done)
    } else {
        Outcome::failed(format!("no carrier on {}: nothing that is switched on is plugged in, or the cable is broken", link.name))
    };
    outcome.readings.push(Reading::exact("link.carrier", f64::from(u8::from(link.has_carrier))));
    outcome.readings.push(Reading::exact("link.mtu", f64::from(link.mtu)));
    facts(&mut outcome, link, modes, driver);
    if !link.has_carrier {
        return outcome;
    }
    if let Some(mbit) = modes.speed_mbit {
        speed(&mut outcome, f64::from(mbit), link.mtu, effort);
    }
    if let Some(duplex) = modes.duplex {
        let full = duplex == Duplex::Full;
        outcome.readings.push(Reading::exact("link.full_duplex", f64::from(u8::from(full))));
        if !full {
            let what = "the port runs half duplex: it can't send and receive at once, and the ends may not agree about it";
            outcome.flaw("link-half-duplex", what, None);
        }
    }
    outcome
}

fn facts(outcome: &mut Outcome, link: &Link, modes: &PortModes, driver: Option<&Driver>) {
    if let Some(mac) = link.mac {
        outcome.fact("mac", Mac(mac).to_string());
    }
    outcome.fact("operational_state", link.operational);
    if let Some(kind) = &link.virtual_kind {
        outcome.fact("virtual_kind", kind.clone());
    }
    if let Some(driver) = driver {
        let adapter = json!({ "driver": driver.name, "firmware": driver.firmware, "bus": driver.bus, "usb": driver.is_usb() });
        outcome.fact("adapter", adapter);
    }
    if let Some(is_negotiated) = modes.is_negotiated {
        outcome.fact("autonegotiation", is_negotiated);
    }
    for (name, list) in [("modes_offered", &modes.own), ("modes_offered_by_partner", &modes.partner)] {
        if !list.is_empty() {
            outcome.fact(name, list.clone());
        }
    }
    outcome.fact("counters_before", counters(&link.counters));
}

/// Speed, and what it leaves of the sold rates: RFC 6349 section 4.1.1.
fn speed(outcome: &mut Outcome, mbit: f64, mtu: u32, effort: &Effort) {
    let payload = tcp::most_payload(mbit * 1e6, mtu, tcp::ETHERNET_OVERHEAD) / 1e6;
    outcome.fact("most_tcp_payload_mbit", (payload * 100.0).round() / 100.0);
    let mut reading = Reading::exact("link.speed", mbit);
    let slower: Vec<String> = [Direction::Down, Direction::Up]
        .into_iter()
        .filter_map(|direction| Some((direction, effort.sold(direction).filter(|sold| mbit < *sold)?)))
        .map(|(direction, sold)| format!("{sold} Mbit/s {direction}"))
        .collect();
    if !slower.is_empty() {
        let sold = slower.join(" and ");
        let what =
            format!("the port runs at {mbit} Mbit/s, which carries at most {payload:.1} Mbit/s of TCP payload; sold are {sold}");
        reading = reading.limited_by(Limit::TestSet, format!("port negotiated {mbit} Mbit/s"));
        outcome.flaw("link-port-slower-than-sold", what, Some(Segment::TestSet));
    }
    outcome.readings.push(reading);
}

fn counters(counters: &Counters) -> serde_json::Value {
    let Counters {
        received_frames,
        received_octets,
        sent_frames,
        sent_octets,
        receive_errors,
        receive_crc_errors,
        receive_length_errors,
        transmit_errors,
        transmit_carrier_errors,
        receive_drops,
        receive_missed,
        transmit_drops,
        collisions,
    } = *counters;
    json!({
        "received_frames": received_frames,
        "received_octets": received_octets,
        "sent_frames": sent_frames,
        "sent_octets": sent_octets,
        "receive_errors": receive_errors,
        "receive_crc_errors": receive_crc_errors,
        "receive_length_errors": receive_length_errors,
        "transmit_errors": transmit_errors,
        "transmit_carrier_errors": transmit_carrier_errors,
        "receive_drops": receive_drops,
        "receive_missed": receive_missed,
        "transmit_drops": transmit_drops,
        "collisions": collisions,
    })
}

/// The outcome at the end of the visit, from what the counters gained.
pub(super) fn counted(gained: &Counters, carrier_changes: u32, has_carrier: bool) -> Outcome {
    let mut outcome = Outcome::new(Status::Done);
    let figures = [
        ("link.receive_errors", gained.receive_errors),
        ("link.transmit_errors", gained.transmit_errors),
        // The two counters don't overlap: thrown away by the kernel, missed by the adapter.
        ("link.receive_drops", gained.receive_drops.saturating_add(gained.receive_missed)),
    ];
    for (name, count) in figures {
        outcome.readings.push(Reading::exact(name, count as f64));
    }
    outcome.fact("counters_during_visit", counters(gained));
    if gained.collisions > 0 {
        let what = format!("{} collisions: only half duplex has them", gained.collisions);
        outcome.flaw("link-collisions", what, None);
    }
    if carrier_changes > 0 || !has_carrier {
        let now = if has_carrier { "has it" } else { "has none" };
        let what = format!("carrier changed {carrier_changes} time(s) during the visit; the port now {now}");
        outcome.flaw("link-carrier-lost", what, None);
    }
    outcome
}
