//! Who asks: what each request of one conversation has in common, and what is fresh in each (RFC 3261 section 8.1.1).

use std::net::SocketAddr;

use crate::wire::sip::{Method, Transport, write};

/// Begins each branch (section 8.1.1.7).
const COOKIE: &str = "z9hG4bK";

/// One conversation's identity.
#[derive(Debug, Clone)]
pub struct Speaker {
    transport: Transport,
    local: SocketAddr,
    random: u128,
    /// Number of the latest request.
    count: u32,
}

/// A request, and what its answer is known by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    /// Its octets.
    pub octets: Vec<u8>,
    /// Branch of its Via.
    pub branch: String,
    /// Number of CSeq.
    pub count: u32,
    /// Method.
    pub method: Method,
}

impl Speaker {
    /// Speaks from this address; `random` is drawn by the caller and must not be guessable.
    pub fn new(transport: Transport, local: SocketAddr, random: u128) -> Self {
        Self { transport, local, random, count: 0 }
    }

    /// Names this conversation's own contact: no other has it.
    pub fn name(&self) -> String {
        format!("doorstep-{:016x}", (self.random >> 64) as u64)
    }

    /// Where it can be reached.
    pub fn contact(&self) -> String {
        let transport = match self.transport {
            Transport::Udp => "",
            Transport::Tcp => ";transport=tcp",
            Transport::Tls => ";transport=tls",
        };
        format!("<sip:{}@{}{transport}>", self.name(), self.local)
    }

    /// A nonce of its own for the proof of the next request.
    pub fn cnonce(&self) -> String {
        format!("{:016x}{:04x}", (self.random >> 32) as u64, self.count + 1)
    }

    /// The next request.
    pub fn ask(&mut self, method: Method, uri: &str, [from, to]: [&str; 2], more: &[(&str, String)]) -> Request {
        self.count += 1;
        let low = self.random as u64;
        let branch = format!("{COOKIE}{low:016x}{:x}", self.count);
        let mut headers = vec![
            ("Via", format!("SIP/2.0/{} {};branch={branch};rport", self.transport.word(), self.local)),
            ("Max-Forwards", "70".to_owned()),
            ("From", format!("<{from}>;tag={:08x}", (self.random >> 96) as u32)),
            ("To", format!("<{to}>")),
            ("Call-ID", format!("{low:016x}@{}", self.local.ip())),
            ("CSeq", format!("{} {}", self.count, method.word())),
            ("User-Agent", "doorstep".to_owned()),
        ];
        headers.extend(more.iter().cloned());
        Request { octets: write::request(method, uri, &headers, b""), branch, count: self.count, method }
    }
}
