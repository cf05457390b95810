//! Test calls: what is asked for, and what each is known by.

use serde::{Deserialize, Serialize};

use super::Secret;
use crate::proto::voice::Stream;

/// Asks for test calls: `POST /v1/sessions/{session}/calls`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CallsRequest {
    /// RTP payload type of what they are coded with (RFC 3551).
    pub payload_type: u8,
    /// Packets of each, each way.
    pub packets: u16,
    /// Code point of each call's packets; as many calls as there are.
    pub dscps: Vec<u8>,
}

/// They are admitted.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct CallsGrant {
    /// Identifier for their end: `POST /v1/sessions/{session}/calls/{calls}/finish`, answered as [`crate::wire::call`] has it.
    pub calls: String,
    /// One for each call.
    pub legs: Vec<CallGrant>,
}

/// One call.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct CallGrant {
    /// UDP port that waits for the opening.
    pub port: u16,
    /// Secret of the opening, hexadecimal; it opens once.
    pub secret: Secret,
    /// What the far end sends.
    pub from_far_end: CallStream,
    /// What the agent is to send.
    pub from_agent: CallStream,
}

/// What one stream's packets are known by (RFC 3550 section 5.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct CallStream {
    /// Synchronisation source.
    pub ssrc: u32,
    /// Sequence number of the first packet.
    pub first_sequence: u16,
    /// Time stamp of the first packet.
    pub first_timestamp: u32,
}

impl From<Stream> for CallStream {
    fn from(Stream { ssrc, first_sequence, first_timestamp }: Stream) -> Self {
        Self { ssrc, first_sequence, first_timestamp }
    }
}

impl From<CallStream> for Stream {
    fn from(CallStream { ssrc, first_sequence, first_timestamp }: CallStream) -> Self {
        Self { ssrc, first_sequence, first_timestamp }
    }
}
