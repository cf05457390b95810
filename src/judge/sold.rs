//! What a sold rate can give as TCP payload: the arithmetic of headers, in numbers and in words.
//!
//! So 'sold 1000, shows 941' is explained instead of judged a fault. TCP segments carry the time-stamp option, as those of
//! common senders do (RFC 7323 section 3.2).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::line::carriage::in_words;
use crate::line::{Encapsulation, FullPacket, TcpOptions};
use crate::profile::Profile;
use crate::reading::Unit;
use crate::reading::words::{figure, grouped};
use crate::unit::{Direction, Family, Layer};

/// A sold rate of one direction and what of it can arrive as TCP payload.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SoldRate {
    /// Which way.
    pub direction: Direction,
    /// As sold, in Mbit/s at `layer`.
    pub sold_mbit: f64,
    /// The layer that the contract counts.
    pub layer: Layer,
    /// The largest TCP payload rate in Mbit/s that it can give at this port.
    pub payload_mbit: f64,
    /// How that was computed.
    pub arithmetic: String,
}

/// The sold rates of a profile over one IP version; empty when nothing was sold by rate.
pub fn sold_rates(profile: &Profile, family: Family) -> Vec<SoldRate> {
    [Direction::Down, Direction::Up].into_iter().filter_map(|direction| sold_rate(profile, direction, family)).collect()
}

/// One direction.
pub(super) fn sold_rate(profile: &Profile, direction: Direction, family: Family) -> Option<SoldRate> {
    let sold = profile.sold.as_ref()?;
    let by_sold = of_sold(profile, direction, family)?;
    let by_port = of_port(&profile.line, family);
    let (payload_mbit, arithmetic) = if by_port.mbit < by_sold.mbit {
        (by_port.mbit, format!("{}; {}", by_port.words, by_sold.words))
    } else {
        (by_sold.mbit, by_sold.words)
    };
    Some(SoldRate { direction, sold_mbit: sold.mbit(direction), layer: sold.layer, payload_mbit, arithmetic })
}

/// A rate of TCP payload and the arithmetic that led to it.
#[derive(Debug, Clone)]
pub(super) struct Term {
    pub(super) mbit: f64,
    pub(super) words: String,
}

/// What of the sold rate is TCP payload; `None` when no rate was sold.
pub(super) fn of_sold(profile: &Profile, direction: Direction, family: Family) -> Option<Term> {
    let sold = profile.sold.as_ref()?;
    let sold_mbit = sold.mbit(direction);
    let packet = FullPacket::new(&profile.line, family, TcpOptions::TimeStamps);
    Some(match sold.layer {
        Layer::TcpPayload => Term { mbit: sold_mbit, words: format!("{} are sold as TCP payload", rate(sold_mbit)) },
        layer => {
            let share = share(&packet, packet.octets(layer), sold_mbit);
            Term { words: format!("{} of TCP payload in what is sold ({layer})", share.words), ..share }
        }
    })
}

/// What of the sold rate is IP, in packets of full size, and no more than the port carries; `None` when no rate was sold.
pub(super) fn ip_rate(profile: &Profile, direction: Direction, family: Family) -> Option<Term> {
    let sold = profile.sold.as_ref()?;
    let packet = FullPacket::new(&profile.line, family, TcpOptions::TimeStamps);
    let ip = packet.octets(Layer::Ip);
    let term = |mbit: f64, octets: f64, end: &str| {
        let result = mbit * ip / octets;
        let words = format!("{} x {} / {} = {} {end}", rate(mbit), in_words(ip), in_words(octets), rate(result));
        Term { mbit: result, words }
    };
    let sold_mbit = sold.mbit(direction);
    let by_sold = match sold.layer {
        Layer::Ip => Term { mbit: sold_mbit, words: format!("{} are sold at the IP layer", rate(sold_mbit)) },
        Layer::TcpPayload => term(sold_mbit, f64::from(packet.payload()), "of IP in what is sold (TCP payload)"),
        layer => term(sold_mbit, packet.octets(layer), &format!("of IP in what is sold ({layer})")),
    };
    let by_port = term(profile.line.port_mbit, packet.port_octets(), "of IP at most through the port");
    let is_port = by_port.mbit < by_sold.mbit;
    Some(if is_port { Term { words: format!("{}; {}", by_port.words, by_sold.words), ..by_port } } else { by_sold })
}

/// What of the port's rate is TCP payload.
pub(super) fn of_port(line: &Encapsulation, family: Family) -> Term {
    let packet = FullPacket::new(line, family, TcpOptions::TimeStamps);
    let share = share(&packet, packet.port_octets(), line.port_mbit);
    Term { words: format!("the port carries no more than {} of TCP payload", share.words), ..share }
}

/// What of a line's own rate is TCP payload.
pub(super) fn of_line(line: &Encapsulation, line_mbit: f64, name: &str, family: Family) -> Term {
    let packet = FullPacket::new(line, family, TcpOptions::TimeStamps);
    let share = share(&packet, packet.octets(Layer::Line), line_mbit);
    Term { words: format!("the {name} line gives {} of TCP payload", share.words), ..share }
}

/// `100 Mbit/s x 1,440 / 1,492 = 96.5 Mbit/s`.
fn share(packet: &FullPacket<'_>, octets: f64, mbit: f64) -> Term {
    let payload = f64::from(packet.payload());
    let result = mbit * payload / octets;
    let words = format!("{} x {} / {} = {}", rate(mbit), grouped(payload), in_words(octets), rate(result));
    Term { mbit: result, words }
}

pub(super) fn rate(mbit: f64) -> String {
    figure("throughput.tcp_payload_rate", Unit::MegabitPerSecond, mbit)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::parse;

    fn profile(layer: &str, down: f64, line: &str) -> Profile {
        let text = format!(
            "name = \"t\"\ntitle = \"t\"\n[sold]\ndown = {down}\nup = 1\nlayer = \"{layer}\"\nbasis = \"x\"\n[line]\n{line}\n\
             [[criterion]]\nname = \"c\"\nreading = \"link.mtu\"\nat_least = 1\nseverity = \"must\"\nbasis = \"x\"\n"
        );
        parse(&text, "test").unwrap_or_else(|error| panic!("{error}"))
    }

    /// IEEE 802.3: a packet of 1500 octets takes 1538 of a port's (preamble 8, header 14, FCS 4, gap 12).
    #[test]
    fn a_rate_of_ip_is_the_one_sold_unless_the_port_is_in_the_way() {
        let rate = |profile: &Profile| ip_rate(profile, Direction::Down, Family::Ipv4).unwrap().mbit;
        let line = "technology = \"ethernet\"\nport = 1000\nvlan_tags = 0\npppoe = false";
        assert_eq!(rate(&profile("ip", 250.0, line)), 250.0);
        assert!((rate(&profile("ip", 1000.0, line)) - 1000.0 * 1500.0 / 1538.0).abs() < 1e-9);
        // 1460 octets of payload less 12 of the time-stamp option.
        assert!((rate(&profile("tcp-payload", 100.0, line)) - 100.0 * 1500.0 / 1448.0).abs() < 1e-9);
    }

    /// Octets of payload and on the line are from RFC 6349 section 4.1.1 (Ethernet), RFC 2516 and RFC 2684; the shares are
    /// worked out by hand from them, with the 12 octets of the time-stamp option taken off the payload.
    #[test]
    fn shares_of_payload_agree_with_hand_computed_ones() {
        for (layer, line, family, want) in [
            ("line", "", Family::Ipv4, 1448.0 / 1538.0),
            ("line", "", Family::Ipv6, 1428.0 / 1538.0),
            ("line", "vlan_tags = 1", Family::Ipv4, 1448.0 / 1542.0),
            ("line", "pppoe = true", Family::Ipv4, 1440.0 / 1538.0),
            ("line", "pppoe = true\nvlan_tags = 1", Family::Ipv4, 1440.0 / 1542.0),
            ("line", "mtu = 9000", Family::Ipv4, 8948.0 / 9038.0),
            ("line", "technology = \"gpon\"", Family::Ipv4, 1448.0 / 1523.0),
            ("line", "technology = \"vdsl2\"\npppoe = true\nvlan_tags = 1", Family::Ipv4, 1440.0 / (1526.0 * 65.0 / 64.0)),
            ("line", "technology = \"adsl\"\npppoe = true", Family::Ipv4, 1440.0 / (32.0 * 53.0)),
            ("ethernet", "", Family::Ipv4, 1448.0 / 1514.0),
            ("ip", "", Family::Ipv4, 1448.0 / 1500.0),
            ("ip", "pppoe = true", Family::Ipv4, 1440.0 / 1492.0),
            ("tcp-payload", "", Family::Ipv4, 1.0),
        ] {
            let got = sold_rates(&profile(layer, 100.0, line), family)[0].payload_mbit / 100.0;
            assert!((got - want).abs() < 1e-12, "{layer} {line} {family:?}: {got} for {want}");
        }
    }

    #[test]
    fn the_port_is_named_where_it_is_the_smaller_limit() {
        let rate = &sold_rates(&profile("ip", 1000.0, "port = 1000"), Family::Ipv4)[0];
        assert_eq!(
            rate.arithmetic,
            "the port carries no more than 1000 Mbit/s x 1,448 / 1,538 = 941.5 Mbit/s of TCP payload; \
             1000 Mbit/s x 1,448 / 1,500 = 965.3 Mbit/s of TCP payload in what is sold (IP)"
        );
    }

    #[test]
    fn sold_100_shows_94_on_a_port_of_100() {
        let rate = &sold_rates(&profile("ip", 100.0, "port = 100"), Family::Ipv4)[0];
        assert!((rate.payload_mbit - 94.148).abs() < 0.001, "{rate:?}");
    }
}
