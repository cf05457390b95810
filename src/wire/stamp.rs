//! STAMP test packets, RFC 8762, with the extensions of RFC 8972 in [`tlv`]; the shorter packets of RFC 5357 are read too.
//!
//! ```text
//! sender, 44 octets                      reflector, 44 octets
//!  0 sequence number      4               0 sequence number           4
//!  4 timestamp T1         8               4 timestamp T3              8
//! 12 error estimate       2              12 error estimate            2
//! 14 SSID (RFC 8972)      2              14 SSID                      2
//! 16 must be zero        28              16 receive timestamp T2      8
//!                                        24 sender sequence number    4
//!                                        28 sender timestamp T1       8
//!                                        36 sender error estimate     2
//!                                        38 must be zero              2
//!                                        40 sender TTL                1
//!                                        41 must be zero              3
//! ```
//!
//! The authenticated forms (112 octets) spread the same fields over six blocks of 16 octets and end in an HMAC. It knows
//! no socket, no clock and no session. The hard thing: nothing in a packet says which of the two forms it has, so
//! [`Mode::guess`] looks at the octets that one form must keep zero and the other never does.

mod key;
mod time;
pub mod tlv;

use thiserror::Error;

pub use key::Key;
pub use time::{ErrorEstimate, Timestamp, TimestampFormat};

/// The port registered for STAMP and TWAMP test reflectors (RFC 8762 section 4.1).
pub const PORT: u16 = 862;

/// Shortest sender packet that is read: TWAMP, unauthenticated, without padding (RFC 5357 section 4.1.2).
const SHORTEST_SENDER: usize = 14;
/// Shortest reflector packet that is read: TWAMP, unauthenticated (RFC 5357 section 4.2.1).
const SHORTEST_REFLECTED: usize = 41;

/// Which form a packet has. It is agreed beforehand, not carried in the packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Mode {
    /// 44 octets, no protection.
    Unauthenticated,
    /// 112 octets, HMAC-SHA-256 cut to 128 bits.
    Authenticated,
}

impl Mode {
    /// Octets of the base packet; what follows is extra.
    pub fn base_len(self) -> usize {
        match self {
            Self::Unauthenticated => 44,
            Self::Authenticated => key::SIGNED + key::HMAC_LEN,
        }
    }

    /// The form that a sender's packet looks like: authenticated when it is long enough and octets 4 to 15 are zero,
    /// where the other form has its timestamp. A guess for choosing the check, not a proof.
    pub fn guess(bytes: &[u8]) -> Self {
        match bytes.get(4..16) {
            Some(reserved) if bytes.len() >= Self::Authenticated.base_len() && reserved.iter().all(|&b| b == 0) => {
                Self::Authenticated
            }
            _ => Self::Unauthenticated,
        }
    }
}

/// Why a packet can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum Error {
    /// Cut short.
    #[error("STAMP packet of {found} octets is shorter than the {needed} of its form")]
    Short {
        /// Octets needed.
        needed: usize,
        /// Octets found.
        found: usize,
    },
    /// The HMAC is not that of the key.
    #[error("HMAC of the STAMP packet does not match the session's key")]
    Forged,
}

/// What is odd about a packet that can be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Flaw {
    /// An octet that must be zero is not; the offset of the first.
    ReservedNotZero(u16),
    /// The multiplier of an error estimate is zero, which RFC 4656 section 4.1.2 calls invalid.
    ///
    /// That clause would have the packet discarded as corrupt. It is kept here: discarding it would look like loss
    /// on the line, and the fields are readable.
    ErrorMultiplierZero,
    /// Shorter than STAMP's base packet: a TWAMP peer's (RFC 8762 section 4.6).
    ShorterThanStamp(u16),
}

/// A packet that was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parsed<'a, R> {
    /// Its meaning.
    pub repr: R,
    /// Octets after the base packet: TLVs of RFC 8972 or a TWAMP peer's padding.
    pub extra: &'a [u8],
    /// What is odd.
    pub flaws: Vec<Flaw>,
}

/// A sender's test packet (RFC 8762 section 4.2).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sender {
    /// Sequence number, from 0.
    pub sequence: u32,
    /// When it was sent (T1).
    pub timestamp: Timestamp,
    /// How good the sender's clock is, and the format of `timestamp`.
    pub error_estimate: ErrorEstimate,
    /// Session identifier (RFC 8972 section 3); zero when not used.
    pub ssid: u16,
}

/// A reflector's test packet (RFC 8762 section 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reflected {
    /// The reflector's own count of packets sent (stateful), or the sender's number again (stateless).
    pub sequence: u32,
    /// When the reflector sent it (T3).
    pub timestamp: Timestamp,
    /// How good the reflector's clock is, and the format of its two timestamps.
    pub error_estimate: ErrorEstimate,
    /// Session identifier; zero from a reflector that does not know RFC 8972.
    pub ssid: u16,
    /// When the reflector received the sender's packet (T2).
    pub receive_timestamp: Timestamp,
    /// The sender's sequence number.
    pub sender_sequence: u32,
    /// The sender's timestamp (T1).
    pub sender_timestamp: Timestamp,
    /// The sender's error estimate.
    pub sender_error_estimate: ErrorEstimate,
    /// TTL or hop limit with which the sender's packet reached the reflector.
    pub sender_ttl: u8,
}

/// Offsets of the fields in one form.
struct Layout {
    timestamp: usize,
    error: usize,
    ssid: usize,
    receive: usize,
    sender_sequence: usize,
    sender_timestamp: usize,
    sender_error: usize,
    sender_ttl: usize,
    /// Octets that must be zero, as start and end.
    sender_reserved: &'static [(usize, usize)],
    reflected_reserved: &'static [(usize, usize)],
}

impl Mode {
    fn layout(self) -> &'static Layout {
        match self {
            // RFC 8762 figures 2 and 5.
            Self::Unauthenticated => &Layout {
                timestamp: 4,
                error: 12,
                ssid: 14,
                receive: 16,
                sender_sequence: 24,
                sender_timestamp: 28,
                sender_error: 36,
                sender_ttl: 40,
                sender_reserved: &[(16, 44)],
                reflected_reserved: &[(38, 40), (41, 44)],
            },
            // RFC 8762 figures 3 and 6.
            Self::Authenticated => &Layout {
                timestamp: 16,
                error: 24,
                ssid: 26,
                receive: 32,
                sender_sequence: 48,
                sender_timestamp: 64,
                sender_error: 72,
                sender_ttl: 80,
                sender_reserved: &[(4, 16), (28, 96)],
                reflected_reserved: &[(4, 16), (28, 32), (40, 48), (52, 64), (74, 80), (81, 96)],
            },
        }
    }
}

impl Sender {
    /// Reads a sender's packet; with a key the authenticated form, its HMAC checked before anything else
    /// (RFC 8762 section 4.4), without one the unauthenticated form.
    ///
    /// Fourteen octets are enough for the unauthenticated form: a TWAMP sender pads as it likes.
    ///
    /// # Errors
    /// Too short, or the HMAC is wrong.
    pub fn parse<'a>(bytes: &'a [u8], key: Option<&Key>) -> Result<Parsed<'a, Self>, Error> {
        let mode = mode_of(key);
        let base = check(bytes, key, SHORTEST_SENDER)?;
        let layout = mode.layout();
        let repr = Self {
            sequence: be32(base, 0),
            timestamp: Timestamp(be64(base, layout.timestamp)),
            error_estimate: ErrorEstimate::from_bits(be16(base, layout.error)),
            ssid: be16(base, layout.ssid),
        };
        // A TWAMP sender may fill its padding with anything, and a short packet is one: then these octets mean nothing.
        let short = base.len() < mode.base_len();
        let mut flaws = flaws(base, if short { &[] } else { layout.sender_reserved }, mode);
        if repr.error_estimate.multiplier == 0 {
            flaws.push(Flaw::ErrorMultiplierZero);
        }
        let repr = if short { Self { ssid: 0, ..repr } } else { repr };
        Ok(Parsed { repr, extra: &bytes[base.len()..], flaws })
    }

    /// Writes the base packet over the start of `buffer`, octets that must be zero included, and signs it with a key.
    ///
    /// # Panics
    /// When `buffer` is shorter than the base packet of the form.
    pub fn emit(&self, key: Option<&Key>, buffer: &mut [u8]) {
        let mode = mode_of(key);
        let layout = mode.layout();
        let base = &mut buffer[..mode.base_len()];
        base.fill(0);
        put(base, 0, &self.sequence.to_be_bytes());
        put(base, layout.timestamp, &self.timestamp.0.to_be_bytes());
        put(base, layout.error, &self.error_estimate.to_bits().to_be_bytes());
        put(base, layout.ssid, &self.ssid.to_be_bytes());
        if let Some(key) = key {
            key.sign_base(base);
        }
    }
}

impl Reflected {
    /// Reads a reflector's packet; with a key the authenticated form, else the unauthenticated one, of which a TWAMP
    /// reflector's 41 octets are enough.
    ///
    /// # Errors
    /// Too short, or the HMAC is wrong.
    pub fn parse<'a>(bytes: &'a [u8], key: Option<&Key>) -> Result<Parsed<'a, Self>, Error> {
        let mode = mode_of(key);
        let base = check(bytes, key, SHORTEST_REFLECTED)?;
        let layout = mode.layout();
        let repr = Self {
            sequence: be32(base, 0),
            timestamp: Timestamp(be64(base, layout.timestamp)),
            error_estimate: ErrorEstimate::from_bits(be16(base, layout.error)),
            ssid: be16(base, layout.ssid),
            receive_timestamp: Timestamp(be64(base, layout.receive)),
            sender_sequence: be32(base, layout.sender_sequence),
            sender_timestamp: Timestamp(be64(base, layout.sender_timestamp)),
            sender_error_estimate: ErrorEstimate::from_bits(be16(base, layout.sender_error)),
            sender_ttl: base.get(layout.sender_ttl).copied().unwrap_or(0),
        };
        let mut flaws = flaws(base, layout.reflected_reserved, mode);
        if repr.error_estimate.multiplier == 0 {
            flaws.push(Flaw::ErrorMultiplierZero);
        }
        Ok(Parsed { repr, extra: &bytes[base.len()..], flaws })
    }

    /// Writes the base packet over the start of `buffer`, octets that must be zero included, and signs it with a key.
    ///
    /// # Panics
    /// When `buffer` is shorter than the base packet of the form.
    pub fn emit(&self, key: Option<&Key>, buffer: &mut [u8]) {
        let mode = mode_of(key);
        let layout = mode.layout();
        let base = &mut buffer[..mode.base_len()];
        base.fill(0);
        put(base, 0, &self.sequence.to_be_bytes());
        put(base, layout.timestamp, &self.timestamp.0.to_be_bytes());
        put(base, layout.error, &self.error_estimate.to_bits().to_be_bytes());
        put(base, layout.ssid, &self.ssid.to_be_bytes());
        put(base, layout.receive, &self.receive_timestamp.0.to_be_bytes());
        put(base, layout.sender_sequence, &self.sender_sequence.to_be_bytes());
        put(base, layout.sender_timestamp, &self.sender_timestamp.0.to_be_bytes());
        put(base, layout.sender_error, &self.sender_error_estimate.to_bits().to_be_bytes());
        put(base, layout.sender_ttl, &[self.sender_ttl]);
        if let Some(key) = key {
            key.sign_base(base);
        }
    }
}

fn mode_of(key: Option<&Key>) -> Mode {
    if key.is_some() { Mode::Authenticated } else { Mode::Unauthenticated }
}

/// The base packet's octets, at most [`Mode::base_len`], proven long enough and genuine.
fn check<'a>(bytes: &'a [u8], key: Option<&Key>, shortest: usize) -> Result<&'a [u8], Error> {
    let mode = mode_of(key);
    let needed = if key.is_some() { mode.base_len() } else { shortest };
    if bytes.len() < needed {
        return Err(Error::Short { needed, found: bytes.len() });
    }
    let base = &bytes[..bytes.len().min(mode.base_len())];
    match key {
        Some(key) if !key.verifies_base(base) => Err(Error::Forged),
        _ => Ok(base),
    }
}

fn flaws(base: &[u8], reserved: &[(usize, usize)], mode: Mode) -> Vec<Flaw> {
    let mut found = Vec::new();
    if base.len() < mode.base_len() {
        found.push(Flaw::ShorterThanStamp(base.len() as u16));
    }
    let dirty = reserved.iter().flat_map(|&(from, to)| from..to).find(|&at| base.get(at).is_some_and(|&b| b != 0));
    found.extend(dirty.map(|at| Flaw::ReservedNotZero(at as u16)));
    found
}

/// Two octets at an offset; zero where the packet ends before (only the unused fields of a TWAMP peer's short packet).
fn be16(bytes: &[u8], at: usize) -> u16 {
    bytes.get(at..at + 2).map_or(0, |b| u16::from_be_bytes([b[0], b[1]]))
}

fn be32(bytes: &[u8], at: usize) -> u32 {
    u32::from(be16(bytes, at)) << 16 | u32::from(be16(bytes, at + 2))
}

fn be64(bytes: &[u8], at: usize) -> u64 {
    u64::from(be32(bytes, at)) << 32 | u64::from(be32(bytes, at + 4))
}

fn put(base: &mut [u8], at: usize, octets: &[u8]) {
    base[at..at + octets.len()].copy_from_slice(octets);
}

#[cfg(test)]
mod tests;
