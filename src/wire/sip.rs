//! SIP messages (RFC 3261) as an examiner needs them: reading any, writing OPTIONS, REGISTER and answers.
//!
//! Strict on what is judged (start line, framing, counts), lenient on what is only shown (words, unknown headers, odd octets). A call can't
//! be placed with it: [`Method`], all that a request can be written with, has no INVITE. It must not know sockets or time.

pub mod address;
pub mod digest;
pub mod field;
pub mod frame;
pub mod message;
pub mod via;
pub mod write;

#[cfg(test)]
mod tests;
#[cfg(test)]
mod torture;

pub use self::message::{Flaw, Message, Start};

/// Port of SIP over UDP and TCP (RFC 3261 section 19.1.2).
pub const PORT: u16 = 5060;
/// Port of SIP over TLS.
pub const SECURE_PORT: u16 = 5061;
/// Octets of start line and headers that are read; every SIP entity has to take 65 535 octets over UDP, of which a head is a small part.
pub const LONGEST_HEAD: usize = 16 * 1024;
/// Octets of a body that are read.
pub const LONGEST_BODY: usize = 48 * 1024;
/// Headers of a message that are read.
pub const MOST_HEADERS: usize = 200;

/// What can be asked. There is no INVITE, MESSAGE or any other request that would reach a person.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// What a server can do (RFC 3261 section 11).
    Options,
    /// Where an account can be reached (section 10).
    Register,
}

impl Method {
    /// As it stands in a request line.
    pub fn word(self) -> &'static str {
        match self {
            Self::Options => "OPTIONS",
            Self::Register => "REGISTER",
        }
    }
}

/// How messages travel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Transport {
    /// Datagrams.
    Udp,
    /// A stream.
    Tcp,
    /// A stream inside TLS.
    Tls,
}

impl Transport {
    /// As it stands in Via (RFC 3261 section 25.1).
    pub fn word(self) -> &'static str {
        match self {
            Self::Udp => "UDP",
            Self::Tcp => "TCP",
            Self::Tls => "TLS",
        }
    }

    /// Where it is listened to unless something else is said.
    pub fn port(self) -> u16 {
        match self {
            Self::Udp | Self::Tcp => PORT,
            Self::Tls => SECURE_PORT,
        }
    }

    /// Whether what is sent arrives or is told lost.
    pub fn is_reliable(self) -> bool {
        self != Self::Udp
    }
}
