//! The agent's side of the control connection.

use std::net::IpAddr;

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
}
