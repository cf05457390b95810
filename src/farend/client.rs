//! The agent's side of the control connection.

use std::net::IpAddr;

use crate::wire::stamp::Key;

/// Where the far end is and how to be let in.
#[derive(Clone)]
pub struct FarEndTarget {
    /// Host name or address.
    pub host: String,
    /// Control port (HTTPS).
    pub port: u16,
    /// Token that the far end's host handed out. Never in a record or log.
    pub token: String,
    /// SHA-256 of the far end's certificate, 32 octets.
    pub fingerprint: [u8; 32],
    /// Zone that the far end is the authority of, if it offers one.
    pub zone: Option<String>,
}

impl std::fmt::Debug for FarEndTarget {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("FarEndTarget").field("host", &self.host).field("port", &self.port).finish_non_exhaustive()
    }
}

/// An open session with the far end.
#[derive(Debug)]
pub struct Session {
    /// Address that the control connection reached.
    pub address: IpAddr,
    /// The reflector for two-way measurement, if the far end runs one.
    pub stamp: Option<StampOffer>,
}

/// What an agent needs to use the far end's STAMP reflector.
#[derive(Debug, Clone)]
pub struct StampOffer {
    /// UDP port at the session's address.
    pub port: u16,
    /// Session identifier (RFC 8972 section 3); zero for none.
    pub ssid: u16,
    /// Key of authenticated packets; with one, they are used.
    pub key: Option<Key>,
}
