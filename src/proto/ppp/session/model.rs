//! What a session is told and tells: settings, phases, times, addresses, events.

use std::net::Ipv4Addr;
use std::time::{Duration, Instant};

use crate::proto::ppp::Login;
use crate::proto::round_trip::Settled;
use crate::wire::ethernet::Mac;

/// What the session is to be.
#[derive(Debug, Clone)]
pub struct Settings {
    /// This host.
    pub own: Mac,
    /// The concentrator.
    pub peer: Mac,
    /// The session's number.
    pub number: u16,
    /// Largest information that this side takes.
    pub mru: u16,
    /// The account; `None` ends as refused when it is asked for.
    pub login: Option<Login>,
    /// Random.
    pub magic: u32,
    /// Random; for the link-local address.
    pub interface_identifier: [u8; 8],
    /// For all phases together.
    pub patience: Duration,
}

/// How far it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Phase {
    /// LCP.
    Link,
    /// PAP or CHAP.
    Login,
    /// IPCP and IPV6CP.
    Network,
    /// Usable.
    Open,
    /// Being closed.
    Closing,
    /// Over.
    Over,
}

impl Phase {
    /// In words, for what did not get further.
    pub fn words(self) -> &'static str {
        match self {
            Self::Link => "agreeing on the link (LCP)",
            Self::Login => "the login",
            Self::Network => "getting an address (IPCP)",
            Self::Open => "being open",
            Self::Closing | Self::Over => "closing",
        }
    }
}

/// When each phase ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Times {
    /// The first LCP packet was wanted.
    pub begun: Instant,
    /// The peer's first packet.
    pub peer_spoke: Option<Instant>,
    /// LCP open.
    pub link: Option<Instant>,
    /// Accepted, or nothing asked.
    pub login: Option<Instant>,
    /// IPCP open.
    pub ipv4: Option<Instant>,
    /// IPV6CP open.
    pub ipv6: Option<Instant>,
}

/// What the session gave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Addresses {
    /// This host's IPv4 address.
    pub own: Ipv4Addr,
    /// The concentrator's.
    pub peer: Option<Ipv4Addr>,
    /// Resolvers.
    pub dns: Vec<Ipv4Addr>,
    /// Interface identifiers of both sides, where IPv6 is up.
    pub ipv6: Option<([u8; 8], [u8; 8])>,
    /// Largest IP packet toward the peer: the smaller of what both sides take.
    pub mtu: u16,
}

/// Something that happened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// A phase was reached.
    Reached(Phase),
    /// An LCP echo was answered; its number as [`super::Session::echo`] gave it.
    Answered(usize),
    /// It is over.
    Over(Ending),
}

/// Why it is over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ending {
    /// We closed it.
    Closed,
    /// The login was refused, with the peer's words.
    Refused(String),
    /// The peer closed it in this phase, with its words.
    ClosedByPeer(Phase, String),
    /// Nothing came of this phase in time.
    NoAnswer(Phase),
    /// The peer sends our own magic number back: the line is a loop.
    Looped,
}

/// One LCP echo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Echo {
    /// Octets of the request's PPP information.
    pub octets: usize,
    /// Octets of the answer's, once it came.
    pub answered: Option<usize>,
    /// Its round trip.
    pub time: Settled,
}
