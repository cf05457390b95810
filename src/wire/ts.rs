//! The MPEG-2 transport stream, ISO/IEC 13818-1: packets of 188 octets that carry several programs.
//!
//! ```text
//! | sync 47 | error 1, unit start 1, priority 1, PID 13 | scrambling 2, adaptation 1, payload 1, counter 4 | adaptation | payload |
//! ```
//!
//! Clauses and tables of ISO/IEC 13818-1 are cited from memory. It knows no picture and no sound. The one catch: a packet of wrong
//! content is still a packet with a PID and a counter, which whoever counts must see; so [`Header`] is read by itself, and what
//! stands behind it may fail alone.

pub mod adaptation;
pub mod framing;
pub mod pcr;
pub mod pes;
pub mod psi;
pub mod section;

pub use adaptation::Adaptation;
pub use pcr::Pcr;

/// Octets of a packet (clause 2.4.3.2).
pub const PACKET_LEN: usize = 188;
/// First octet of each.
pub const SYNC: u8 = 0x47;
/// PID of the program association table.
pub const PAT_PID: u16 = 0;
/// PID of packets that only fill.
pub const NULL_PID: u16 = 0x1fff;
/// Octets of the header.
pub const HEADER_LEN: usize = 4;
/// Octets behind the header.
const ROOM: usize = PACKET_LEN - HEADER_LEN;

/// The first four octets, without the sync octet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Header {
    /// A receiver on the way could not correct this packet.
    pub transport_error: bool,
    /// A PES packet begins here, or the payload begins with a pointer to a section.
    pub unit_start: bool,
    /// Ranks above others of its PID.
    pub priority: bool,
    /// Packet identifier, 13 bits.
    pub pid: u16,
    /// Scrambling control, 2 bits; 0 is in the clear.
    pub scrambling: u8,
    /// There is an adaptation field.
    pub has_adaptation: bool,
    /// There is a payload.
    pub has_payload: bool,
    /// Continuity counter, 4 bits.
    pub counter: u8,
}

impl Header {
    /// Reads it; `None` when the sync octet is another.
    pub fn parse(bytes: &[u8; PACKET_LEN]) -> Option<Self> {
        let [sync, b1, b2, b3, ..] = *bytes;
        (sync == SYNC).then_some(Self {
            transport_error: b1 & 0x80 != 0,
            unit_start: b1 & 0x40 != 0,
            priority: b1 & 0x20 != 0,
            pid: u16::from_be_bytes([b1 & 0x1f, b2]),
            scrambling: b3 >> 6,
            has_adaptation: b3 & 0x20 != 0,
            has_payload: b3 & 0x10 != 0,
            counter: b3 & 0x0f,
        })
    }

    /// Writes it. What exceeds its bits is cut.
    pub fn emit(&self) -> [u8; HEADER_LEN] {
        let bit = |is: bool, place: u8| u8::from(is) << place;
        let [high, low] = self.pid.to_be_bytes();
        let b1 = bit(self.transport_error, 7) | bit(self.unit_start, 6) | bit(self.priority, 5) | high & 0x1f;
        let b3 = self.scrambling << 6 | bit(self.has_adaptation, 5) | bit(self.has_payload, 4) | self.counter & 0x0f;
        [SYNC, b1, low, b3]
    }
}

/// A packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packet<'a> {
    /// The header.
    pub header: Header,
    /// The adaptation field, if there is one.
    pub adaptation: Option<Adaptation<'a>>,
    /// The payload; empty when there is none.
    pub payload: &'a [u8],
}

/// Can't be read behind the header.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Begins with another octet.
    #[error("transport packet begins with {0:02x}, not 47")]
    Sync(u8),
    /// The adaptation field's length does not fit (clause 2.4.3.5: 183 without a payload, else 0 to 182).
    #[error("adaptation field of {length} octets does not fit its packet")]
    Adaptation {
        /// The header, which was read.
        header: Header,
        /// As stated.
        length: u8,
    },
}

impl<'a> Packet<'a> {
    /// Reads a packet.
    ///
    /// # Errors
    /// When it can't be read.
    pub fn parse(bytes: &'a [u8; PACKET_LEN]) -> Result<Self, Error> {
        let header = Header::parse(bytes).ok_or(Error::Sync(bytes[0]))?;
        let rest = &bytes[HEADER_LEN..];
        if !header.has_adaptation {
            let payload = if header.has_payload { rest } else { &[] };
            return Ok(Self { header, adaptation: None, payload });
        }
        let length = rest[0];
        let bad = Error::Adaptation { header, length };
        let (field, payload) = rest[1..].split_at_checked(usize::from(length)).ok_or(bad)?;
        // A field that leaves nothing where a payload is announced, or something where none is.
        if header.has_payload == payload.is_empty() {
            return Err(bad);
        }
        Ok(Self { header, adaptation: Some(Adaptation::parse(field)), payload })
    }
}

/// Appends a packet with as much of `payload` as fits, and returns how many octets that was. What is missing to 188 octets is stuffed in the
/// adaptation field; `header` says neither field nor payload, both follow from the others.
pub fn write(mut header: Header, adaptation: Option<&Adaptation<'_>>, payload: &[u8], out: &mut Vec<u8>) -> usize {
    let mut field = adaptation.map(Adaptation::emit);
    // Length octet and field; what does not fit a packet is cut.
    let most = if payload.is_empty() { ROOM - 1 } else { ROOM - 2 };
    if let Some(field) = &mut field {
        field.truncate(most);
    }
    let taken = payload.len().min(ROOM - field.as_ref().map_or(0, |field| field.len() + 1));
    let missing = ROOM - taken;
    header.has_payload = taken > 0;
    header.has_adaptation = missing > 0;
    out.extend(header.emit());
    if let Some(stuffed) = missing.checked_sub(1) {
        let mut field = field.unwrap_or_default();
        if field.is_empty() && stuffed > 0 {
            // The flags' octet, no flag set.
            field.push(0);
        }
        field.resize(stuffed, 0xff);
        out.push(stuffed as u8);
        out.extend(field);
    }
    out.extend(&payload[..taken]);
    taken
}

/// Appends a packet that only fills (PID 1fff).
pub fn write_null(out: &mut Vec<u8>) {
    out.extend(Header { pid: NULL_PID, has_payload: true, ..Header::default() }.emit());
    out.resize(out.len() + ROOM, 0xff);
}

#[cfg(test)]
mod tests;
