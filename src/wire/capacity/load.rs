//! The load packet's header; what lies behind it is filling.

use super::{CapacityError, Reader, WireTime, Writer};

const LOAD: u16 = 0xbeef;

/// How far the end of a test has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Stop {
    /// It goes on.
    #[default]
    Active,
    /// This side wants to end (1).
    Wanted,
    /// Both do (2).
    Agreed,
}

impl Stop {
    pub(super) fn from_octet(octet: u8) -> Self {
        match octet {
            0 => Self::Active,
            1 => Self::Wanted,
            _ => Self::Agreed,
        }
    }

    pub(super) fn octet(self) -> u8 {
        match self {
            Self::Active => 0,
            Self::Wanted => 1,
            Self::Agreed => 2,
        }
    }
}

/// A load packet's header (32 octets).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Load {
    /// How far the end has come.
    pub stop: Stop,
    /// The sender of load hears no status any more.
    pub hears_nothing: bool,
    /// Number, from 1.
    pub sequence: u32,
    /// Octets of UDP payload, this header among them.
    pub payload: u16,
    /// Status packets that were missed.
    pub status_errors: u16,
    /// When the last status packet that was received was sent.
    pub status_sent: WireTime,
    /// When this packet was sent.
    pub sent: WireTime,
    /// Milliseconds from that status packet's arrival to this packet.
    pub held_ms: u16,
}

impl Load {
    /// Octets.
    pub const LEN: usize = 32;

    /// Reads one; the checksum, which may cover it alone, is not looked at: UDP's covers more.
    ///
    /// # Errors
    /// [`CapacityError`].
    pub fn parse(octets: &[u8]) -> Result<Self, CapacityError> {
        let mut read = Reader::new(octets, LOAD, Self::LEN, false)?;
        Ok(Self {
            stop: Stop::from_octet(read.u8()),
            hears_nothing: read.u8() != 0,
            sequence: read.u32(),
            payload: read.u16(),
            status_errors: read.u16(),
            status_sent: WireTime { seconds: read.u32(), nanos: read.u32() },
            sent: WireTime { seconds: read.u32(), nanos: read.u32() },
            held_ms: read.u16(),
        })
    }

    /// Its octets.
    pub fn emit(&self) -> [u8; Self::LEN] {
        let written = Writer::new(LOAD)
            .u8(self.stop.octet())
            .u8(u8::from(self.hears_nothing))
            .u32(self.sequence)
            .u16(self.payload)
            .u16(self.status_errors)
            .u32(self.status_sent.seconds)
            .u32(self.status_sent.nanos)
            .u32(self.sent.seconds)
            .u32(self.sent.nanos)
            .u16(self.held_ms)
            .u16(0)
            .0;
        let mut octets = [0; Self::LEN];
        octets.copy_from_slice(&written);
        octets
    }

    /// Writes the number into octets that a header was written to: nothing else differs within a train.
    pub fn renumber(octets: &mut [u8], sequence: u32) {
        if let Some(place) = octets.get_mut(4..8) {
            place.copy_from_slice(&sequence.to_be_bytes());
        }
    }
}
