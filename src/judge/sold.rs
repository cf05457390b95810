//! What a sold rate can give as TCP payload: the arithmetic of headers, in numbers and in words.
//!
//! So 'sold 1000, shows 941' is explained instead of judged a fault. TCP segments carry the time-stamp option, as those of
//! common senders do (RFC 7323 section 3.2).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::profile::{Encapsulation, Profile, Technology};
use crate::reading::Unit;
use crate::reading::words::{figure, grouped};
use crate::unit::{Direction, Family, Layer};

/// TCP header and time-stamp option with padding (RFC 9293 section 3.1, RFC 7323 section 3.2).
const TCP: u32 = 20 + 12;
/// UDP header (RFC 768).
const UDP: u32 = 8;
/// Ethernet header (RFC 6349 section 4.1.1).
const ETHERNET: u32 = 14;
/// Frame check sequence (RFC 6349 section 4.1.1).
const FCS: u32 = 4;
/// Preamble with delimiter, and gap (RFC 6349 section 4.1.1).
const PREAMBLE_AND_GAP: u32 = 8 + 12;
/// PPPoE header and PPP protocol number (RFC 2516 section 4).
const PPPOE: u32 = 6 + 2;

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
    let mtu = u32::from(profile.line.mtu);
    let ip = match family {
        Family::Ipv4 => 20,
        Family::Ipv6 => 40,
    };
    let payload = f64::from(mtu.saturating_sub(ip + TCP));
    let octets = match sold.layer {
        Layer::Line => line_octets(&profile.line),
        Layer::Ethernet => f64::from(mtu + inner(&profile.line) + ETHERNET),
        Layer::Ip => f64::from(mtu),
        Layer::UdpPayload => f64::from(mtu.saturating_sub(ip + UDP)),
        Layer::TcpPayload => payload,
    };
    let port_octets = f64::from(mtu + ETHERNET + FCS + PREAMBLE_AND_GAP);
    let sold_mbit = sold.mbit(direction);
    let by_sold = sold_mbit * payload / octets;
    let by_port = profile.line.port_mbit * payload / port_octets;
    let of_sold = match sold.layer {
        Layer::TcpPayload => format!("{} are sold as TCP payload", rate(sold_mbit)),
        layer => format!(
            "{} x {} / {} = {} of TCP payload in what is sold ({layer})",
            rate(sold_mbit),
            grouped(payload),
            grouped(octets),
            rate(by_sold)
        ),
    };
    let (payload_mbit, arithmetic) = if by_port < by_sold {
        let port = format!(
            "the port carries no more than {} x {} / {} = {} of TCP payload",
            rate(profile.line.port_mbit),
            grouped(payload),
            grouped(port_octets),
            rate(by_port)
        );
        (by_port, format!("{port}; {of_sold}"))
    } else {
        (by_sold, of_sold)
    };
    Some(SoldRate { direction, sold_mbit, layer: sold.layer, payload_mbit, arithmetic })
}

/// What the access line adds between IP and Ethernet.
fn inner(line: &Encapsulation) -> u32 {
    4 * u32::from(line.vlan_tags) + if line.pppoe { PPPOE } else { 0 }
}

/// Octets that a full packet takes on the access line.
fn line_octets(line: &Encapsulation) -> f64 {
    let frame = f64::from(u32::from(line.mtu) + inner(line) + ETHERNET + FCS);
    match line.technology {
        Technology::Ethernet => frame + f64::from(PREAMBLE_AND_GAP),
        // GEM and XGEM headers; no preamble or gap is carried (ITU-T G.984.3 and G.9807.1; sizes from memory).
        Technology::Gpon => frame + 5.0,
        Technology::XgsPon => frame + 8.0,
        // Packet transfer mode: flags and check of 4 octets, and 65 octets on the line for 64 (IEEE 802.3 clause 61;
        // from memory).
        Technology::Vdsl2 | Technology::Gfast => (frame + 4.0) * 65.0 / 64.0,
        // Bridged with LLC, without the frame's own check: 10 octets before, 8 of AAL5 behind, filled up to whole cells
        // of 48 octets that take 53 (RFC 2684 sections 5.2 and 6).
        Technology::Adsl => ((frame - f64::from(FCS) + 10.0 + 8.0) / 48.0).ceil() * 53.0,
    }
}

fn rate(mbit: f64) -> String {
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
