//! How the calls of a voice check are made: codec, playout buffer and marking, as a profile asks for them.

use std::time::Duration;

/// Time of speech in a packet: what telephones send by default (RFC 3551 section 4.5, table 1: 20 ms).
pub const PACKET_TIME: Duration = Duration::from_millis(20);

/// What speech is coded with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Codec {
    /// G.711, mu-law: 64 kbit/s.
    #[default]
    G711MuLaw,
    /// G.711, A-law: 64 kbit/s.
    G711ALaw,
    /// G.729 annex A: 8 kbit/s.
    G729A,
}

impl Codec {
    /// The words of a profile.
    pub const WORDS: &[(&str, Self)] =
        &[("g711-mu-law", Self::G711MuLaw), ("g711-a-law", Self::G711ALaw), ("g729a", Self::G729A)];

    /// The word of a profile.
    pub fn word(self) -> &'static str {
        Self::WORDS.iter().find(|(_, codec)| *codec == self).map_or("", |(word, _)| word)
    }

    /// RTP payload type (RFC 3551 table 4).
    pub fn payload_type(self) -> u8 {
        match self {
            Self::G711MuLaw => 0,
            Self::G711ALaw => 8,
            Self::G729A => 18,
        }
    }

    /// The codec of a payload type.
    pub fn by_payload_type(number: u8) -> Option<Self> {
        Self::WORDS.iter().map(|(_, codec)| *codec).find(|codec| codec.payload_type() == number)
    }

    /// Octets of speech in a packet of [`PACKET_TIME`]: 8000 samples a second of one octet, or two frames of 10 octets (RFC 3551
    /// sections 4.5.14 and 4.5.6).
    pub fn octets(self) -> usize {
        match self {
            Self::G711MuLaw | Self::G711ALaw => 160,
            Self::G729A => 20,
        }
    }

    /// Samples in a packet: what the RTP time stamp advances by (8000 a second).
    pub const TICKS: u32 = 160;
}

/// What holds packets back until they are played.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Buffer {
    /// Whether it follows the line.
    pub kind: BufferKind,
    /// How long it holds the first packet (RFC 3611 section 4.7.6, nominal delay).
    pub nominal: Duration,
    /// The longest that it holds one (RFC 3611 section 4.7.6, maximum delay).
    pub most: Duration,
}

/// How a buffer sets its delay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BufferKind {
    /// Once, by the first packet.
    Fixed,
    /// Anew each second, by what came.
    Adaptive,
}

impl Default for Buffer {
    /// Adaptive, 40 ms at first and 120 ms at most *(ours)*.
    fn default() -> Self {
        Self { kind: BufferKind::Adaptive, nominal: Duration::from_millis(40), most: Duration::from_millis(120) }
    }
}

/// The calls of a check.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CallTerms {
    /// Calls at once.
    pub calls: u16,
    /// What they are coded with.
    pub codec: Codec,
    /// Whether the listener conceals lost packets (G.711 appendix I; G.729 always does).
    pub conceals: bool,
    /// The listener's buffer.
    pub buffer: Buffer,
    /// Code point of the packets, 0 to 63.
    pub dscp: u8,
}

impl CallTerms {
    /// Calls at most *(ours)*: what an office's line has.
    pub const MOST_CALLS: u16 = 16;
}

impl Default for CallTerms {
    /// One call with G.711, mu-law, concealed, marked EF (RFC 3246; RFC 4594 section 4.1 has it for telephony).
    fn default() -> Self {
        Self { calls: 1, codec: Codec::default(), conceals: true, buffer: Buffer::default(), dscp: 46 }
    }
}
