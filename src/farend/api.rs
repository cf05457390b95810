//! Types that cross the control connection, for both sides.
//!
//! Versioned like the record: agent and far end will be of different ages. Unknown fields are ignored, new fields have a
//! default, and each side says the oldest and newest protocol that it speaks. No token is in any of these types: it goes
//! in the `Authorization` header.

mod calls;

use serde::{Deserialize, Serialize};

use crate::unit::Direction;
use crate::unit::digest::{from_hexadecimal, hexadecimal};

pub use calls::{CallGrant, CallStream, CallsGrant, CallsRequest};

/// The protocol of this build.
pub const PROTOCOL: u32 = 1;
/// The oldest protocol that this build still speaks.
pub const OLDEST_PROTOCOL: u32 = 1;
/// Octets of the secret that opens a data connection.
pub const SECRET_LEN: usize = 32;
/// Parts of the far end's page, beside the page itself.
pub const PAGE_PARTS: usize = 12;
/// Length of a bucket of the receiver's series, in milliseconds.
pub const BUCKET_MS: u64 = 100;

/// A word that must not be shown: a session's identifier, a key, a data connection's secret. Hexadecimal; `Debug` hides it.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Secret(String);

impl Secret {
    /// From octets.
    pub fn from_octets(octets: &[u8]) -> Self {
        Self(hexadecimal(octets))
    }

    /// From digits that were typed or read; [`Secret::octets`] tells whether they are any.
    pub fn from_digits(digits: String) -> Self {
        Self(digits)
    }

    /// The octets; `None` when the peer sent something else than pairs of hexadecimal digits.
    pub fn octets(&self) -> Option<Vec<u8>> {
        from_hexadecimal(&self.0)
    }

    /// The digits, for a request's path.
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret(..)")
    }
}

/// Asks for a session: `POST /v1/sessions`.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct SessionRequest {
    /// Newest protocol that the agent speaks.
    pub protocol: u32,
    /// Oldest protocol that the agent speaks.
    pub oldest: u32,
}

/// A session.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct SessionGrant {
    /// Protocol that both speak.
    pub protocol: u32,
    /// Identifier in later requests; unguessable.
    pub session: Secret,
    /// The agent's address as the far end sees it.
    pub seen_as: std::net::IpAddr,
    /// Seconds without a request after which the session ends by itself.
    pub idle_s: u64,
    /// TCP port of the data connections.
    pub data_port: u16,
    /// The STAMP reflector, if there is one.
    #[serde(default)]
    pub stamp: Option<StampGrant>,
    /// The view of this agent's addresses, if there is one.
    #[serde(default)]
    pub view: Option<ViewGrant>,
    /// Maximum segment size that the SYN of this connection asked for when it arrived, where the far end could see it.
    #[serde(default)]
    pub segment_size: Option<u16>,
    /// Whether it does capacity tests.
    #[serde(default)]
    pub capacity: bool,
    /// Whether it sends and receives trains of packets.
    #[serde(default)]
    pub trains: bool,
    /// Whether it probes the way back to the agent.
    #[serde(default)]
    pub way_back: bool,
    /// Whether it takes part in test calls.
    #[serde(default)]
    pub calls: bool,
    /// Whether it has large and small objects over HTTP/2.
    #[serde(default)]
    pub objects: bool,
    /// The known answer over plain HTTP, if there is one.
    #[serde(default)]
    pub known: Option<KnownGrant>,
    /// The known answer over SIP, UDP and TCP, if there is one.
    #[serde(default)]
    pub sip: Option<KnownGrant>,
    /// The zone that the far end is the authority of, if there is one.
    #[serde(default)]
    pub zone: Option<String>,
    /// Other addresses that the far end listens at, of either IP version.
    #[serde(default)]
    pub also_at: Vec<std::net::IpAddr>,
    /// Version of the far end's program.
    pub version: String,
}

/// Use of the STAMP reflector.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct StampGrant {
    /// UDP port.
    pub port: u16,
    /// Session identifier (RFC 8972 section 3).
    pub ssid: u16,
    /// Key of authenticated packets, hexadecimal.
    pub key: Secret,
}

/// Use of the view: two UDP ports that tell where a packet came from.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct ViewGrant {
    /// The two ports.
    pub ports: [u16; 2],
    /// Number of the session in requests.
    pub session: u16,
    /// Key that signs requests and answers, hexadecimal.
    pub key: Secret,
}

/// Use of a known answer: a question over plain HTTP, or over SIP, whose answer tells what arrived.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct KnownGrant {
    /// Port: of TCP for plain HTTP, of UDP and TCP for SIP.
    pub port: u16,
    /// Names the session in questions, hexadecimal; no secret, it travels openly.
    pub id: String,
    /// Key that signs answers, hexadecimal.
    pub key: Secret,
}

/// Asks to fill the line: `POST /v1/sessions/{session}/loads`.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct LoadRequest {
    /// Which way the data goes.
    pub direction: Direction,
    /// Parallel TCP streams.
    pub streams: u16,
    /// Milliseconds that each sender sends.
    pub time_ms: u64,
    /// Octets that all streams may move together.
    pub max_octets: u64,
    /// Rate that is expected, Mbit/s, for the far end's capacity; zero takes all of it.
    pub expected_mbit: f64,
}

/// A load is admitted.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct LoadGrant {
    /// Identifier for [`LoadReport`].
    pub load: String,
    /// One single-use secret per stream, hexadecimal: the first octets of its data connection.
    pub secrets: Vec<Secret>,
}

/// The far end's side of a load: `POST /v1/sessions/{session}/loads/{load}/finish`.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct LoadReport {
    /// One per stream that the far end sent.
    #[serde(default)]
    pub sent: Vec<StreamSent>,
    /// One per stream that the far end received.
    #[serde(default)]
    pub received: Vec<StreamReceived>,
    /// Share of busy time of the far end's busiest core meanwhile, 0 to 1.
    #[serde(default)]
    pub cpu_busy: Option<f64>,
}

/// What a sender of one stream did.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct StreamSent {
    /// Octets handed to the kernel.
    pub octets: u64,
    /// Octets that the kernel sent, those sent again included; missing on kernels that don't say.
    #[serde(default)]
    pub octets_sent: Option<u64>,
    /// Octets that the kernel sent again.
    #[serde(default)]
    pub octets_retransmitted: Option<u64>,
    /// Congestion control of the socket.
    pub congestion_control: String,
    /// Smallest round trip that TCP saw, milliseconds.
    #[serde(default)]
    pub min_round_trip_ms: Option<f64>,
    /// Share of the busy time in which the receiver's window held the stream back.
    #[serde(default)]
    pub receive_window_limited: Option<f64>,
    /// Share of the busy time in which the sender's own buffer held the stream back.
    #[serde(default)]
    pub send_buffer_limited: Option<f64>,
    /// The stream ended before its time: why.
    #[serde(default)]
    pub broken_off: Option<String>,
}

/// What the receiver of one stream got.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct StreamReceived {
    /// Octets that the application read.
    pub octets: u64,
    /// Octets per [`BUCKET_MS`] since the load's first stream opened.
    pub buckets: Vec<u64>,
    /// The stream ended otherwise than by its sender's close: why.
    #[serde(default)]
    pub broken_off: Option<String>,
    /// The sender's close did not come in time: what a line delivers late may still have been under way.
    #[serde(default)]
    pub unclosed: bool,
}

/// A capacity test is admitted; asked for as a [`LoadRequest`] of one stream: `POST /v1/sessions/{session}/capacity`.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct CapacityGrant {
    /// Identifier for [`CapacityReport`].
    pub load: String,
    /// UDP port of its set-up.
    pub port: u16,
    /// Number of the key.
    pub number: u8,
    /// The shared key of this one test, hexadecimal.
    pub key: Secret,
}

/// The far end's side of a capacity test: `POST /v1/sessions/{session}/capacity/{load}/finish`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct CapacityReport {
    /// Whether the test ran to its end.
    pub complete: bool,
    /// Datagrams of load that it sent.
    #[serde(default)]
    pub sent: Option<u64>,
    /// Datagrams that it was too late to send.
    #[serde(default)]
    pub left_out: Option<u64>,
    /// Times that its kernel had no room for more.
    #[serde(default)]
    pub no_room: u64,
    /// Datagrams of load that it received.
    #[serde(default)]
    pub received: Option<u64>,
    /// Datagrams that its own receive queue dropped.
    #[serde(default)]
    pub dropped: u64,
    /// Feedback reports without and with a sign of congestion.
    #[serde(default)]
    pub signs: Option<(u32, u32)>,
    /// Highest rate that it asked for, Mbit/s at the IP layer.
    #[serde(default)]
    pub highest_mbit: Option<f64>,
    /// Share of busy time of the far end's busiest core meanwhile, 0 to 1.
    #[serde(default)]
    pub cpu_busy: Option<f64>,
}

/// Asks for a train of packets: `POST /v1/sessions/{session}/trains`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TrainRequest {
    /// Which way it goes.
    pub direction: Direction,
    /// Octets of UDP payload of each packet.
    pub payload_octets: u16,
    /// Packets.
    pub packets: u32,
    /// Nanoseconds from packet to packet.
    pub spacing_ns: u32,
}

impl TrainRequest {
    /// Milliseconds that it takes.
    pub fn time_ms(&self) -> u64 {
        (u64::from(self.packets) * u64::from(self.spacing_ns)).div_ceil(1_000_000)
    }

    /// Octets of UDP payload in all.
    pub fn octets(&self) -> u64 {
        u64::from(self.packets) * u64::from(self.payload_octets)
    }

    /// Its rate at the IP layer (IPv6 and UDP headers), Mbit/s.
    pub fn mbit(&self) -> f64 {
        (f64::from(self.payload_octets) + 48.0) * 8e3 / f64::from(self.spacing_ns.max(1))
    }
}

/// A train is admitted.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct TrainGrant {
    /// Identifier for its end.
    pub load: String,
    /// UDP port that waits for the opening.
    pub port: u16,
    /// Secret of the opening, hexadecimal; it opens once.
    pub secret: Secret,
}

/// Probes of the way back are admitted: `POST /v1/sessions/{session}/way-back`.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct WayBackGrant {
    /// UDP port that waits for the opening.
    pub port: u16,
    /// Secret of the opening, hexadecimal; it opens once.
    pub secret: Secret,
}

/// What they found: `POST /v1/sessions/{session}/way-back/finish`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct WayBackReport {
    /// Whether the opening came from the session's own address; nothing was sent otherwise.
    pub opened: bool,
    /// Hops counted from the far end, to the agent or to the last that answered.
    #[serde(default)]
    pub hops: Vec<WayBackHop>,
    /// Hops to the agent, itself the last; missing when no probe arrived.
    #[serde(default)]
    pub length: Option<u8>,
    /// Who did not carry the probes on.
    #[serde(default)]
    pub refused_by: Option<std::net::IpAddr>,
    /// Errors that quoted too little to tell whose they are.
    #[serde(default)]
    pub unplaced: u32,
}

/// One hop of the way back.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct WayBackHop {
    /// TTL or hop limit of its probes.
    pub hop: u8,
    /// Probes sent.
    pub sent: u32,
    /// Of these answered.
    pub answered: u32,
    /// Routers that answered; none where the agent itself did.
    #[serde(default)]
    pub addresses: Vec<WayBackAddress>,
    /// Round trip of each answer from the far end, milliseconds.
    #[serde(default)]
    pub round_trips_ms: Vec<f64>,
}

/// A router on the way back.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WayBackAddress {
    /// Its address as the far end sees it.
    pub address: std::net::IpAddr,
    /// Its answers.
    pub answers: u32,
}

/// Objects of a load over HTTP/2 are admitted; asked for as a [`LoadRequest`]: `POST /v1/sessions/{session}/objects`.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct ObjectsGrant {
    /// Names the load in the objects' paths; unguessable.
    pub load: Secret,
}

/// The far end's side of it: `POST /v1/sessions/{session}/objects/{load}/finish`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ObjectsReport {
    /// Octets of large objects handed to the connections, or received over them.
    #[serde(default)]
    pub octets: u64,
    /// Share of busy time of the far end's busiest core meanwhile, 0 to 1.
    #[serde(default)]
    pub cpu_busy: Option<f64>,
}

/// Why the far end refuses.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RefusalCode {
    /// The token is unknown or was withdrawn.
    Token,
    /// No protocol that both speak.
    Protocol,
    /// Too many sessions.
    Full,
    /// Another load runs, or a limit of the session is reached.
    Busy,
    /// No such session or load; it may have ended by itself.
    Unknown,
    /// The request makes no sense.
    Request,
    /// A code of a newer far end.
    #[serde(other)]
    Other,
}

/// A refusal: the body of each answer that is not a success.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Refusal {
    /// Kind.
    pub code: RefusalCode,
    /// In words.
    pub message: String,
    /// Seconds after which it may be tried again.
    #[serde(default)]
    pub retry_after_s: Option<u64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_grant_of_an_older_far_end_is_read_without_what_it_does_not_offer() {
        let text = "{\"protocol\":1,\"session\":\"5a\",\"seen_as\":\"198.51.100.2\",\"idle_s\":900,\"data_port\":8621,\"version\":\"0.1.0\"}";
        let grant: SessionGrant = serde_json::from_str(text).unwrap();
        assert!(grant.view.is_none() && grant.segment_size.is_none() && grant.stamp.is_none());
    }
}
