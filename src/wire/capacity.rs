//! Packets of the UDP protocol for IP-layer capacity (RFC 9946): set-up, activation, load, status and null.
//!
//! ```text
//! control packets and status:  | identifier (2) | ... | mode (1) | time (4) | digest (32) | key number (1) | 0 | checksum (2) |
//! ```
//!
//! Pure: octets in, a packet out, and back. Layouts, sizes and identifiers are those of the RFC; the values of requests and
//! responses, the derivation of keys and the packet that only opens a path (null) are from memory of its text.

mod control;
mod key;
mod load;
mod status;
#[cfg(test)]
mod tests;

pub use control::{Activation, ActivationResponse, Null, Setup, SetupResponse};
pub use key::{CapacityKeys, SharedKey};
pub use load::{Load, Stop};
pub use status::{Delays, SendingRate, Status, SubInterval};

/// The UDP port of set-up (RFC 9946 section 12.1).
pub const PORT: u16 = 24_601;
/// The version that is spoken.
pub const VERSION: u16 = 20;
/// How long a stamp of a signed packet may differ from the receiver's clock, seconds (from memory).
pub const CLOCK_TOLERANCE_S: u32 = 150;

/// Octets of a signed packet's end: mode, time, digest, key number, a reserved octet, checksum.
const TRAILER: usize = 41;

/// Why octets are no packet of this protocol.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CapacityError {
    /// Fewer octets than its kind has.
    #[error("cut off")]
    Short,
    /// Another identifier.
    #[error("not a packet of this kind")]
    Identifier,
    /// A checksum that does not fit.
    #[error("the checksum does not fit")]
    Checksum,
}

/// The end of a packet that may be signed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Trailer {
    /// 0: not signed; 1: set-up and activation are; 2: status too.
    pub mode: u8,
    /// Seconds since 1970 when it was signed.
    pub unix_time: u32,
    /// Which key.
    pub key: u8,
}

/// Writes fields one behind the other.
struct Writer(Vec<u8>);

impl Writer {
    fn new(identifier: u16) -> Self {
        Self(identifier.to_be_bytes().to_vec())
    }

    fn u8(mut self, value: u8) -> Self {
        self.0.push(value);
        self
    }

    fn u16(mut self, value: u16) -> Self {
        self.0.extend(value.to_be_bytes());
        self
    }

    fn u32(mut self, value: u32) -> Self {
        self.0.extend(value.to_be_bytes());
        self
    }

    fn u64(mut self, value: u64) -> Self {
        self.0.extend(value.to_be_bytes());
        self
    }

    /// Mode, time and key number, with an empty digest and no checksum (RFC 9946: zero when it is not used).
    fn trailer(mut self, trailer: Trailer) -> Vec<u8> {
        self = self.u8(trailer.mode).u32(trailer.unix_time);
        self.0.extend([0; 32]);
        self.u8(trailer.key).u8(0).u16(0).0
    }
}

/// Reads fields one behind the other; the length was proven before, and what lies behind reads as zero.
struct Reader<'a>(&'a [u8]);

impl<'a> Reader<'a> {
    /// Proves identifier, length and, where `sums`, the checksum.
    fn new(octets: &'a [u8], identifier: u16, len: usize, sums: bool) -> Result<Self, CapacityError> {
        let whole = octets.get(..len).ok_or(CapacityError::Short)?;
        if whole[..2] != identifier.to_be_bytes() {
            return Err(CapacityError::Identifier);
        }
        let written = u16::from_be_bytes([whole[len - 2], whole[len - 1]]);
        if sums && written != 0 && super::checksum::internet(whole) != 0 {
            return Err(CapacityError::Checksum);
        }
        Ok(Self(&whole[2..]))
    }

    fn take<const N: usize>(&mut self) -> [u8; N] {
        let mut out = [0; N];
        let (now, rest) = self.0.split_at(N.min(self.0.len()));
        out[..now.len()].copy_from_slice(now);
        self.0 = rest;
        out
    }

    fn u8(&mut self) -> u8 {
        self.take::<1>()[0]
    }

    fn u16(&mut self) -> u16 {
        u16::from_be_bytes(self.take())
    }

    fn u32(&mut self) -> u32 {
        u32::from_be_bytes(self.take())
    }

    fn u64(&mut self) -> u64 {
        u64::from_be_bytes(self.take())
    }

    fn trailer(&mut self) -> Trailer {
        let (mode, unix_time) = (self.u8(), self.u32());
        self.take::<32>();
        Trailer { mode, unix_time, key: self.u8() }
    }
}

/// A time as the packets carry it: seconds and nanoseconds since 1970. Out of range reads as zero.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct WireTime {
    /// Seconds.
    pub seconds: u32,
    /// Nanoseconds.
    pub nanos: u32,
}

impl WireTime {
    /// From nanoseconds since 1970.
    pub fn from_unix_ns(ns: i64) -> Self {
        let ns = u64::try_from(ns).unwrap_or(0);
        // Seconds wrap in 2106; only differences of times are used.
        Self { seconds: (ns / 1_000_000_000) as u32, nanos: (ns % 1_000_000_000) as u32 }
    }

    /// Nanoseconds since 1970.
    pub fn unix_ns(self) -> i64 {
        i64::from(self.seconds) * 1_000_000_000 + i64::from(self.nanos.min(999_999_999))
    }

    /// Whether there is one.
    pub fn is_set(self) -> bool {
        self != Self::default()
    }
}
