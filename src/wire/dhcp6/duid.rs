//! DHCP unique identifiers (RFC 8415 section 11): opaque to everyone but a reader.

use std::fmt;

use crate::wire::ethernet::Mac;

/// An identifier, as its octets.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Duid(pub Vec<u8>);

/// Shortest and longest without the two octets of the type (section 11.1).
const LENGTHS: std::ops::RangeInclusive<usize> = 1..=128;

impl Duid {
    /// Of a hardware address alone: DUID-LL on Ethernet (section 11.4).
    pub fn of_mac(mac: Mac) -> Self {
        Self([&[0, 3, 0, 1][..], &mac.0].concat())
    }

    /// Whether its length is one that the standard allows.
    pub fn has_sound_length(&self) -> bool {
        self.0.len().checked_sub(2).is_some_and(|rest| LENGTHS.contains(&rest))
    }

    /// The hardware address that it was made of, where it is of Ethernet.
    pub fn mac(&self) -> Option<Mac> {
        let ([0, 1, 0, 1, _, _, _, _, octets @ ..] | [0, 3, 0, 1, octets @ ..]) = self.0.as_slice() else { return None };
        Some(Mac(octets.try_into().ok()?))
    }

    /// What it is made of, by its type.
    fn kind(&self) -> &'static str {
        match self.0.as_slice() {
            [0, 1, ..] => "hardware address and time",
            [0, 2, ..] => "enterprise number",
            [0, 3, ..] => "hardware address",
            [0, 4, ..] => "UUID",
            _ => "unknown kind",
        }
    }
}

impl fmt::Display for Duid {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (number, octet) in self.0.iter().enumerate() {
            let colon = if number == 0 { "" } else { ":" };
            write!(f, "{colon}{octet:02x}")?;
        }
        write!(f, " ({})", self.kind())
    }
}
