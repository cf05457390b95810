//! What a technology can physically show: rates from tones, bits and symbols, levels from what its equipment can report.
//!
//! A bound here refuses a slip of the finger (kbit/s for Mbit/s, upstream for downstream); it is no limit of quality.
//! Numbers of tones, bits and symbols are from memory of the ITU-T recommendations named, the products are computed.

use std::ops::RangeInclusive;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::carriage::Technology;
use crate::unit::Direction;

/// Access technology as a modem's page names it: finer than how it carries frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum AccessKind {
    /// ITU-T G.992.1.
    #[serde(rename = "adsl")]
    Adsl,
    /// ITU-T G.992.3.
    #[serde(rename = "adsl2")]
    Adsl2,
    /// ITU-T G.992.5.
    #[serde(rename = "adsl2+")]
    Adsl2Plus,
    /// ITU-T G.993.2.
    #[serde(rename = "vdsl2")]
    Vdsl2,
    /// ITU-T G.9701.
    #[serde(rename = "gfast")]
    Gfast,
    /// ITU-T G.984.
    #[serde(rename = "gpon")]
    Gpon,
    /// ITU-T G.9807.1.
    #[serde(rename = "xgs-pon")]
    XgsPon,
    /// Ethernet to the customer.
    #[serde(rename = "ethernet")]
    Ethernet,
}

impl AccessKind {
    /// The words as typed.
    pub const WORDS: &[(&str, Self)] = &[
        ("adsl", Self::Adsl),
        ("adsl2", Self::Adsl2),
        ("adsl2+", Self::Adsl2Plus),
        ("vdsl2", Self::Vdsl2),
        ("gfast", Self::Gfast),
        ("gpon", Self::Gpon),
        ("xgs-pon", Self::XgsPon),
        ("ethernet", Self::Ethernet),
    ];

    /// The name in the trade's spelling.
    pub fn name(self) -> &'static str {
        match self {
            Self::Adsl => "ADSL",
            Self::Adsl2 => "ADSL2",
            Self::Adsl2Plus => "ADSL2+",
            Self::Vdsl2 => "VDSL2",
            Self::Gfast => "G.fast",
            Self::Gpon => "GPON",
            Self::XgsPon => "XGS-PON",
            Self::Ethernet => "Ethernet",
        }
    }

    /// How it carries frames. ADSL2 and its successor can carry them in packet transfer mode too; cells are the usual way.
    pub fn carriage(self) -> Technology {
        match self {
            Self::Adsl | Self::Adsl2 | Self::Adsl2Plus => Technology::Adsl,
            Self::Vdsl2 => Technology::Vdsl2,
            Self::Gfast => Technology::Gfast,
            Self::Gpon => Technology::Gpon,
            Self::XgsPon => Technology::XgsPon,
            Self::Ethernet => Technology::Ethernet,
        }
    }

    /// True for technologies on copper pairs, whose pages show margin, attenuation and errored seconds.
    pub fn is_copper(self) -> bool {
        matches!(self, Self::Adsl | Self::Adsl2 | Self::Adsl2Plus | Self::Vdsl2 | Self::Gfast)
    }

    /// True for passive optical networks, whose pages show optical power.
    pub fn is_optical(self) -> bool {
        matches!(self, Self::Gpon | Self::XgsPon)
    }

    /// The names of its profiles; empty where it has none.
    pub fn profiles(self) -> &'static [(&'static str, &'static str)] {
        match self {
            Self::Vdsl2 => &[
                ("8a", "8a"),
                ("8b", "8b"),
                ("8c", "8c"),
                ("8d", "8d"),
                ("12a", "12a"),
                ("12b", "12b"),
                ("17a", "17a"),
                ("30a", "30a"),
                ("35b", "35b"),
            ],
            Self::Gfast => &[("106a", "106a"), ("106b", "106b"), ("212a", "212a")],
            _ => &[],
        }
    }

    /// The most that its line can carry; without a known profile that of the widest one. `None` where nothing bounds it.
    pub fn most(self, profile: Option<&str>) -> Option<Most> {
        let copper = |down, up, bits, symbols| {
            Some(Most { down: Tones(down, bits, symbols).mbit(), up: Tones(up, bits, symbols).mbit(), shared: false })
        };
        let shared = |tones, bits, symbols| {
            let mbit = Tones(tones, bits, symbols).mbit();
            Some(Most { down: mbit, up: mbit, shared: true })
        };
        match (self, profile) {
            // 256 or 512 tones of 4.3125 kHz, upstream 32 or (annexes J and M) 64 of them, at most 15 bits each.
            (Self::Adsl, _) => copper(256, 32, 15, 4_000),
            (Self::Adsl2, _) => copper(256, 64, 15, 4_000),
            (Self::Adsl2Plus, _) => copper(512, 64, 15, 4_000),
            // Both directions share the tones up to 8.832, 12, 17.664 and 35.328 MHz; 30a has tones and symbols of twice the
            // width and pace.
            (Self::Vdsl2, Some("8a" | "8b" | "8c" | "8d")) => shared(2_048, 15, 4_000),
            (Self::Vdsl2, Some("12a" | "12b")) => shared(2_783, 15, 4_000),
            (Self::Vdsl2, Some("17a")) => shared(4_096, 15, 4_000),
            (Self::Vdsl2, Some("30a")) => shared(3_479, 15, 8_000),
            (Self::Vdsl2, _) => shared(8_192, 15, 4_000),
            // Both directions share the time; up to 14 bits on tones of 51.75 kHz.
            (Self::Gfast, Some("106a" | "106b")) => shared(2_048, 14, 48_000),
            (Self::Gfast, _) => shared(4_096, 14, 48_000),
            // Nominal rates on the fibre, before error correction and framing.
            (Self::Gpon, _) => Some(Most { down: 2_488.32, up: 1_244.16, shared: false }),
            (Self::XgsPon, _) => Some(Most { down: 9_953.28, up: 9_953.28, shared: false }),
            (Self::Ethernet, _) => None,
        }
    }

    /// Received optical power that the terminal's receiver works at, dBm: class B+ of G.984.2 amendment 1, class N1 of
    /// G.9807.1 (from memory). `None` for copper and Ethernet.
    pub fn receiver_range(self) -> Option<RangeInclusive<f64>> {
        match self {
            Self::Gpon => Some(-27.0..=-8.0),
            Self::XgsPon => Some(-28.0..=-9.0),
            _ => None,
        }
    }
}

impl Technology {
    /// The rate that the standard of a passive optical network sets, Mbit/s on the fibre; the others agree on theirs with the line, or
    /// have the port's.
    pub fn fixed_mbit(self, direction: Direction) -> Option<f64> {
        let kind = match self {
            Self::Gpon => AccessKind::Gpon,
            Self::XgsPon => AccessKind::XgsPon,
            Self::Ethernet | Self::Vdsl2 | Self::Gfast | Self::Adsl => return None,
        };
        kind.most(None).map(|most| match direction {
            Direction::Down => most.down,
            Direction::Up => most.up,
        })
    }
}

/// The most that a line can carry, Mbit/s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Most {
    /// Downstream.
    pub down: f64,
    /// Upstream.
    pub up: f64,
    /// True when the two directions share it, so that their sum is bounded too.
    pub shared: bool,
}

/// Noise margin that equipment can report, dB (ITU-T G.997.1 section 7.5.1; from memory).
pub const MARGIN_DB: RangeInclusive<f64> = -64.0..=63.0;
/// Attenuation that equipment can report, dB (ITU-T G.997.1 section 7.5.1; from memory).
pub const ATTENUATION_DB: RangeInclusive<f64> = 0.0..=127.0;
/// Optical power received that a terminal can tell from darkness and survives, dBm (common practice).
pub const RECEIVED_DBM: RangeInclusive<f64> = -45.0..=5.0;
/// Optical power that a terminal can send, dBm (common practice).
pub const SENT_DBM: RangeInclusive<f64> = -10.0..=15.0;

/// Tones, bits on each, symbols in a second.
struct Tones(u32, u32, u32);

impl Tones {
    fn mbit(&self) -> f64 {
        f64::from(self.0) * f64::from(self.1) * f64::from(self.2) / 1e6
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tops of the bands: tones times their spacing, against the figures that the trade knows.
    #[test]
    fn tones_reach_to_the_top_of_the_band() {
        for (tones, khz, megahertz) in [
            (512, 4.3125, 2.208),
            (2_048, 4.3125, 8.832),
            (4_096, 4.3125, 17.664),
            (8_192, 4.3125, 35.328),
            (3_479, 8.625, 30.0),
            (2_048, 51.75, 105.984),
        ] {
            assert!((f64::from(tones) * khz / 1e3 - megahertz).abs() < 0.01, "{tones} tones");
        }
    }

    #[test]
    fn each_profile_bounds_the_rate_and_a_wider_one_bounds_it_higher() {
        let sum = |kind: AccessKind, profile| kind.most(profile).unwrap().down;
        let wider = ["8a", "12a", "17a", "30a", "35b"].map(|p| sum(AccessKind::Vdsl2, Some(p)));
        assert!(wider.windows(2).all(|pair| pair[0] < pair[1]), "{wider:?}");
        assert_eq!(sum(AccessKind::Vdsl2, None), wider[4]);
        assert!((sum(AccessKind::Adsl2Plus, None) - 30.72).abs() < 1e-9);
        assert!(sum(AccessKind::Gfast, Some("106a")) < sum(AccessKind::Gfast, Some("212a")));
        assert_eq!(AccessKind::Ethernet.most(None), None);
    }
}
