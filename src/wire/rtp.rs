//! RTP: the header of real-time media, RFC 3550 section 5.1.
//!
//! ```text
//! | version 2 bits, padding 1, extension 1, CSRC count 4 | marker 1, payload type 7 | sequence 2 | timestamp 4 | SSRC 4 |
//! | CSRC 4 each | extension: profile 2, words 2, data | payload | padding, its last octet says how much |
//! ```
//!
//! One header for voice and television. It knows no payload; [`fec`] recognises repair packets. The one catch: nothing but the
//! version tells RTP from anything else, so a caller that does not know what a port carries looks at more than one packet.

pub mod fec;

/// Octets of the fixed header.
pub const HEADER_LEN: usize = 12;
/// Payload type of an MPEG-2 transport stream (RFC 3551 table 5).
pub const MP2T: u8 = 33;
/// Clock of that payload's time stamps, per second (RFC 3551 table 5, RFC 2250 section 2).
pub const MP2T_CLOCK: u32 = 90_000;
/// The only version in use.
const VERSION: u8 = 2;

/// The fixed part of the header.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Header {
    /// Marks an event that the payload's format defines: the end of a frame, the begin of a talkspurt.
    pub marker: bool,
    /// Payload type, 0 to 127.
    pub payload_type: u8,
    /// Sequence number.
    pub sequence: u16,
    /// When the first octet of the payload was sampled, in the payload's clock.
    pub timestamp: u32,
    /// Synchronisation source.
    pub ssrc: u32,
}

/// A header extension (RFC 3550 section 5.3.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Extension<'a> {
    /// Which extension it is.
    pub profile: u16,
    /// Its data, a whole number of 32-bit words.
    pub data: &'a [u8],
}

/// A packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packet<'a> {
    /// The fixed part.
    pub header: Header,
    /// Contributing sources, at most 15, as they stand in the packet.
    pub csrc: &'a [[u8; 4]],
    /// The extension, if there is one.
    pub extension: Option<Extension<'a>>,
    /// The payload, without padding.
    pub payload: &'a [u8],
    /// Octets of padding behind it, the one that counts them included; 0 for none.
    pub padding: u8,
}

/// Can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Ends inside its header, CSRC list or extension.
    #[error("RTP packet of {0} octets ends inside its header")]
    Truncated(usize),
    /// Another version: no RTP.
    #[error("RTP version is {0}, not 2")]
    Version(u8),
    /// More padding than there is payload, or none where some is announced.
    #[error("RTP padding of {padding} octets in a payload of {len}")]
    Padding {
        /// As the last octet says.
        padding: u8,
        /// Octets behind the header.
        len: usize,
    },
}

impl Header {
    /// Appends the fixed part, without CSRC, extension or padding. A payload type above 127 loses its top bit.
    pub fn write(&self, out: &mut Vec<u8>) {
        self.write_with(0, out);
    }

    /// Header and payload.
    pub fn emit(&self, payload: &[u8]) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(HEADER_LEN + payload.len());
        self.write(&mut bytes);
        bytes.extend(payload);
        bytes
    }

    fn write_with(&self, flags: u8, out: &mut Vec<u8>) {
        out.push(VERSION << 6 | flags);
        out.push(u8::from(self.marker) << 7 | self.payload_type & 0x7f);
        out.extend(self.sequence.to_be_bytes());
        out.extend(self.timestamp.to_be_bytes());
        out.extend(self.ssrc.to_be_bytes());
    }
}

impl<'a> Packet<'a> {
    /// Reads a packet.
    ///
    /// # Errors
    /// When it can't be read.
    pub fn parse(bytes: &'a [u8]) -> Result<Self, Error> {
        let truncated = Error::Truncated(bytes.len());
        let (fixed, rest) = bytes.split_first_chunk::<HEADER_LEN>().ok_or(truncated)?;
        let [flags, kind, s0, s1, t0, t1, t2, t3, c0, c1, c2, c3] = *fixed;
        if flags >> 6 != VERSION {
            return Err(Error::Version(flags >> 6));
        }
        let header = Header {
            marker: kind & 0x80 != 0,
            payload_type: kind & 0x7f,
            sequence: u16::from_be_bytes([s0, s1]),
            timestamp: u32::from_be_bytes([t0, t1, t2, t3]),
            ssrc: u32::from_be_bytes([c0, c1, c2, c3]),
        };
        let (csrc, rest) = rest.split_at_checked(usize::from(flags & 0x0f) * 4).ok_or(truncated)?;
        let (csrc, _) = csrc.as_chunks::<4>();
        let (extension, rest) = if flags & 0x10 != 0 {
            let ([p0, p1, l0, l1], rest) = rest.split_first_chunk::<4>().ok_or(truncated)?;
            let words = u16::from_be_bytes([*l0, *l1]);
            let (data, rest) = rest.split_at_checked(usize::from(words) * 4).ok_or(truncated)?;
            (Some(Extension { profile: u16::from_be_bytes([*p0, *p1]), data }), rest)
        } else {
            (None, rest)
        };
        let padding = if flags & 0x20 != 0 { rest.last().copied().unwrap_or(0) } else { 0 };
        let bad = Error::Padding { padding, len: rest.len() };
        if flags & 0x20 != 0 && padding == 0 {
            return Err(bad);
        }
        let len = rest.len().checked_sub(usize::from(padding)).ok_or(bad)?;
        Ok(Self { header, csrc, extension, payload: &rest[..len], padding })
    }

    /// Contributing sources.
    pub fn contributors(&self) -> impl Iterator<Item = u32> + use<'a> {
        self.csrc.iter().map(|octets| u32::from_be_bytes(*octets))
    }

    /// Writes it. Sources beyond 15 are left out, an extension is cut to whole words that its length can count.
    pub fn emit(&self) -> Vec<u8> {
        let csrc = &self.csrc[..self.csrc.len().min(15)];
        let flags = u8::from(self.padding > 0) << 5 | u8::from(self.extension.is_some()) << 4 | csrc.len() as u8;
        let mut bytes = Vec::with_capacity(HEADER_LEN + csrc.len() * 4 + self.payload.len());
        self.header.write_with(flags, &mut bytes);
        bytes.extend(csrc.as_flattened());
        if let Some(extension) = self.extension {
            let words = (extension.data.len() / 4).min(usize::from(u16::MAX));
            bytes.extend(extension.profile.to_be_bytes());
            bytes.extend((words as u16).to_be_bytes());
            bytes.extend(&extension.data[..words * 4]);
        }
        bytes.extend(self.payload);
        if let Some(zeroes) = self.padding.checked_sub(1) {
            bytes.resize(bytes.len() + usize::from(zeroes), 0);
            bytes.push(self.padding);
        }
        bytes
    }
}

/// Whether octets look like a packet of the control protocol, where both share a port (RFC 5761 section 4).
pub fn is_control(bytes: &[u8]) -> bool {
    matches!(bytes, [flags, kind, _, _, ..] if flags >> 6 == VERSION && (192..=223).contains(kind))
}

#[cfg(test)]
mod tests;
