//! How an access line carries an IP packet: the octets of a full packet on each layer.
//!
//! Pure arithmetic, held against published frame rates and hand-computed shares in its tests. It knows no rates.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::reading::words::grouped;
use crate::unit::{Family, Layer};

/// How the service is carried between handoff and provider.
#[derive(Debug, Clone, PartialEq)]
pub struct Encapsulation {
    /// Access technology.
    pub technology: Technology,
    /// Rate of the handoff port, Mbit/s; default 1000 (common practice at gateways, modems and terminals).
    pub port_mbit: f64,
    /// VLAN tags on the access line, 0 to 2; default 0.
    pub vlan_tags: u8,
    /// True when the service is carried in PPPoE (RFC 2516); default false.
    pub pppoe: bool,
    /// Largest IP packet, octets; default 1500, or 1492 with PPPoE (RFC 2516 section 7).
    pub mtu: u16,
    /// What is put into ATM cells, where there are cells; default bridged Ethernet with LLC.
    pub atm: Atm,
}

impl Default for Encapsulation {
    fn default() -> Self {
        Self { technology: Technology::Ethernet, port_mbit: 1000.0, vlan_tags: 0, pppoe: false, mtu: 1500, atm: Atm::default() }
    }
}

/// Access technology, by how it carries frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Technology {
    /// Ethernet all the way.
    Ethernet,
    /// Passive optical network, ITU-T G.984.
    Gpon,
    /// Passive optical network, ITU-T G.9807.1.
    XgsPon,
    /// ITU-T G.993.2 in packet transfer mode.
    Vdsl2,
    /// ITU-T G.9701 in packet transfer mode.
    Gfast,
    /// ITU-T G.992.5 and older, in ATM cells.
    Adsl,
}

impl Technology {
    /// The words of profiles.
    pub const WORDS: &[(&str, Self)] = &[
        ("ethernet", Self::Ethernet),
        ("gpon", Self::Gpon),
        ("xgs-pon", Self::XgsPon),
        ("vdsl2", Self::Vdsl2),
        ("gfast", Self::Gfast),
        ("adsl", Self::Adsl),
    ];
}

/// What is put into AAL5 frames on an ATM line (RFC 2684, RFC 2364).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Atm {
    /// Ethernet frames without their own check, behind LLC, OUI, PID and two octets of padding (RFC 2684 section 5.2).
    #[default]
    BridgedLlc,
    /// The same with the frame's check (PID 0x0001).
    BridgedLlcFcs,
    /// PPP on a circuit of its own (RFC 2364 section 4).
    PppVc,
    /// PPP behind LLC (RFC 2364 section 5).
    PppLlc,
    /// IP packets behind LLC (RFC 2684 section 5.1).
    RoutedLlc,
}

impl Atm {
    /// The words as typed.
    pub const WORDS: &[(&str, Self)] = &[
        ("bridged-llc", Self::BridgedLlc),
        ("bridged-llc-fcs", Self::BridgedLlcFcs),
        ("ppp-vc", Self::PppVc),
        ("ppp-llc", Self::PppLlc),
        ("routed-llc", Self::RoutedLlc),
    ];

    /// Octets of the AAL5 payload around what is carried: headers without the trailer.
    fn header(self) -> u32 {
        match self {
            Self::BridgedLlc | Self::BridgedLlcFcs => 10,
            Self::PppVc => 2,
            Self::PppLlc => 6,
            Self::RoutedLlc => 8,
        }
    }
}

/// What a TCP segment carries beside its header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TcpOptions {
    /// Nothing.
    None,
    /// The time stamps of common senders, with padding 12 octets (RFC 7323 section 3.2).
    TimeStamps,
}

/// A packet as large as the line carries, full of TCP payload.
#[derive(Debug, Clone, Copy)]
pub struct FullPacket<'a> {
    line: &'a Encapsulation,
    family: Family,
    options: TcpOptions,
}

impl<'a> FullPacket<'a> {
    /// A packet of the line's MTU.
    pub fn new(line: &'a Encapsulation, family: Family, options: TcpOptions) -> Self {
        Self { line, family, options }
    }

    /// Octets of TCP payload; zero when the headers leave nothing.
    pub fn payload(&self) -> u32 {
        self.mtu().saturating_sub(self.ip_header() + TCP + self.option_octets())
    }

    /// Octets that the packet takes, counted at a layer; on the line with all that goes with it, which may be a fraction.
    pub fn octets(&self, layer: Layer) -> f64 {
        match layer {
            Layer::Line => self.on_the_line(),
            Layer::Ethernet => f64::from(self.mtu() + self.inner() + ETHERNET),
            Layer::Ip => f64::from(self.mtu()),
            Layer::UdpPayload => f64::from(self.mtu().saturating_sub(self.ip_header() + UDP)),
            Layer::TcpPayload => f64::from(self.payload()),
        }
    }

    /// Octets of the frame with its check at the handoff port, where neither tag nor PPPoE is.
    pub fn port_frame(&self) -> u32 {
        self.mtu() + ETHERNET + FCS
    }

    /// Octets that this frame takes at the port, with preamble and gap.
    pub fn port_octets(&self) -> f64 {
        f64::from(self.port_frame() + PREAMBLE_AND_GAP)
    }

    /// The sum that [`FullPacket::octets`] makes for the line, in words: `1,492 IP + 8 PPPoE + ... = 1,522`.
    pub fn sum_in_words(&self) -> String {
        let Encapsulation { technology, vlan_tags, pppoe, mtu, atm, port_mbit: _ } = self.line;
        let ethernet = *technology != Technology::Adsl || matches!(atm, Atm::BridgedLlc | Atm::BridgedLlcFcs);
        let checked = ethernet && (*technology != Technology::Adsl || *atm == Atm::BridgedLlcFcs);
        let mut parts = vec![(u32::from(*mtu), "IP")];
        if ethernet {
            parts.extend(pppoe.then_some((PPPOE, "PPPoE")));
            parts.extend((*vlan_tags > 0).then_some((TAG * u32::from(*vlan_tags), "VLAN")));
            parts.push((ETHERNET, "Ethernet"));
        }
        parts.extend(checked.then_some((FCS, "frame check")));
        let (more, name) = self.own();
        parts.extend((more > 0).then_some((more, name)));
        let sum: u32 = parts.iter().map(|(octets, _)| octets).sum();
        let terms: Vec<String> = parts.iter().map(|(octets, what)| format!("{} {what}", whole(*octets))).collect();
        let tail = match technology {
            Technology::Vdsl2 | Technology::Gfast => format!(", x 65 / 64 = {}", in_words(self.on_the_line())),
            Technology::Adsl => {
                let cells = self.cells();
                format!(", filled up to {cells} cells of 48, each {CELL} on the line = {}", whole(cells * CELL))
            }
            _ => String::new(),
        };
        format!("{} = {} octets{tail}", terms.join(" + "), whole(sum))
    }

    /// How the payload comes from the MTU, in words.
    pub fn payload_in_words(&self) -> String {
        let ip = match self.family {
            Family::Ipv4 => "IPv4",
            Family::Ipv6 => "IPv6",
        };
        let options = match self.options {
            TcpOptions::None => String::new(),
            TcpOptions::TimeStamps => format!(" - {TIME_STAMPS} TCP time stamps"),
        };
        format!(
            "{} - {} {ip} - {TCP} TCP{options} = {} octets of TCP payload",
            whole(self.mtu()),
            self.ip_header(),
            whole(self.payload())
        )
    }

    fn mtu(&self) -> u32 {
        u32::from(self.line.mtu)
    }

    fn ip_header(&self) -> u32 {
        match self.family {
            Family::Ipv4 => 20,
            Family::Ipv6 => 40,
        }
    }

    fn option_octets(&self) -> u32 {
        match self.options {
            TcpOptions::None => 0,
            TcpOptions::TimeStamps => TIME_STAMPS,
        }
    }

    /// What the access line adds between IP and Ethernet.
    fn inner(&self) -> u32 {
        TAG * u32::from(self.line.vlan_tags) + if self.line.pppoe { PPPOE } else { 0 }
    }

    fn frame(&self) -> u32 {
        self.mtu() + self.inner() + ETHERNET + FCS
    }

    /// What the technology adds to a frame before it is coded, with its name.
    fn own(&self) -> (u32, &'static str) {
        match self.line.technology {
            Technology::Ethernet => (PREAMBLE_AND_GAP, "preamble and gap"),
            // No preamble or gap is carried (ITU-T G.984.3 and G.9807.1; sizes from memory).
            Technology::Gpon => (5, "GEM header"),
            Technology::XgsPon => (8, "XGEM header"),
            // Flags and check (IEEE 802.3 clause 61; from memory).
            Technology::Vdsl2 | Technology::Gfast => (4, "PTM flags and check"),
            Technology::Adsl => (self.line.atm.header() + AAL5, "LLC or PPP and AAL5"),
        }
    }

    fn on_the_line(&self) -> f64 {
        match self.line.technology {
            Technology::Ethernet | Technology::Gpon | Technology::XgsPon => f64::from(self.frame() + self.own().0),
            // 65 octets on the line for 64 (IEEE 802.3 clause 61; from memory).
            Technology::Vdsl2 | Technology::Gfast => f64::from(self.frame() + self.own().0) * 65.0 / 64.0,
            Technology::Adsl => f64::from(self.cells() * CELL),
        }
    }

    /// Whole cells that the packet fills (RFC 2684 section 4).
    fn cells(&self) -> u32 {
        let carried = match self.line.atm {
            Atm::BridgedLlc => self.frame() - FCS,
            Atm::BridgedLlcFcs => self.frame(),
            Atm::PppVc | Atm::PppLlc | Atm::RoutedLlc => self.mtu(),
        };
        (carried + self.own().0).div_ceil(CELL_PAYLOAD)
    }
}

/// Octets in words: `1,549.8`; the coding of a line makes fractions of them.
pub fn in_words(octets: f64) -> String {
    let tenths = (octets * 10.0).round() as u64;
    let tail = if tenths.is_multiple_of(10) { String::new() } else { format!(".{}", tenths % 10) };
    format!("{}{tail}", whole(u32::try_from(tenths / 10).unwrap_or(u32::MAX)))
}

fn whole(octets: u32) -> String {
    grouped(f64::from(octets))
}

/// Whole frames that a port of so many Mbit/s carries in a second, for frames of so many octets with their check
/// (RFC 2544 appendix B, RFC 5180 appendix A.1).
pub fn frame_rate(port_mbit: f64, frame: u32) -> f64 {
    (port_mbit * 1e6 / (8.0 * f64::from(frame + PREAMBLE_AND_GAP))).floor()
}

/// TCP header (RFC 9293 section 3.1).
const TCP: u32 = 20;
/// Time-stamp option with padding (RFC 7323 section 3.2).
const TIME_STAMPS: u32 = 12;
/// UDP header (RFC 768).
const UDP: u32 = 8;
/// Ethernet header (RFC 6349 section 4.1.1).
const ETHERNET: u32 = 14;
/// Frame check sequence (RFC 6349 section 4.1.1).
const FCS: u32 = 4;
/// Preamble with delimiter, and gap (RFC 6349 section 4.1.1).
const PREAMBLE_AND_GAP: u32 = 8 + 12;
/// VLAN tag (IEEE 802.1Q).
const TAG: u32 = 4;
/// PPPoE header and PPP protocol number (RFC 2516 section 4).
const PPPOE: u32 = 6 + 2;
/// Trailer of AAL5 (RFC 2684 section 4).
const AAL5: u32 = 8;
/// Octets of a cell, and what it carries.
const CELL: u32 = 53;
const CELL_PAYLOAD: u32 = 48;

#[cfg(test)]
mod tests;
