//! Via: which way a request went, and where it was seen to come from (RFC 3261 section 20.42, RFC 3581).

use std::net::IpAddr;

use super::field::{Parameter, parameter, split, value};
use super::message::number_of;

/// One element of Via.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Via {
    /// Transport, as it stands.
    pub transport: String,
    /// Host of `sent-by`.
    pub host: String,
    /// Port of `sent-by`.
    pub port: Option<u16>,
    /// Parameters in order.
    pub parameters: Vec<Parameter>,
}

impl Via {
    /// Reads one element: `SIP/2.0/UDP host:port;branch=...`, spaces allowed around the slashes.
    pub fn parse(text: &str) -> Option<Self> {
        let mut parts = split(text, ';').into_iter();
        let mut protocol = parts.next()?.splitn(3, '/').map(str::trim);
        let (name, version) = (protocol.next()?, protocol.next()?);
        let (transport, sent_by) = protocol.next()?.split_once([' ', '\t'])?;
        if !name.eq_ignore_ascii_case("SIP") || version != "2.0" {
            return None;
        }
        let (host, port) = host_and_port(sent_by.trim())?;
        Some(Self { transport: transport.to_owned(), host, port, parameters: parts.map(parameter).collect() })
    }

    /// Names the transaction (section 17.1.3).
    pub fn branch(&self) -> Option<&str> {
        value(&self.parameters, "branch")
    }

    /// Where the request was seen to come from, where that is not what `sent-by` says (section 18.2.1).
    pub fn received(&self) -> Option<IpAddr> {
        value(&self.parameters, "received").and_then(address_of)
    }

    /// The port that it was seen to come from (RFC 3581 section 4).
    pub fn rport(&self) -> Option<u16> {
        value(&self.parameters, "rport").and_then(number_of)
    }
}

/// An address with or without the brackets of IPv6.
pub(super) fn address_of(text: &str) -> Option<IpAddr> {
    text.trim_start_matches('[').trim_end_matches(']').parse().ok()
}

/// `host`, `host:port`, `[2001:db8::1]:port`; spaces around the colon are allowed.
pub(super) fn host_and_port(text: &str) -> Option<(String, Option<u16>)> {
    let (host, rest) = match text.strip_prefix('[') {
        Some(inner) => {
            let (host, rest) = inner.split_once(']')?;
            (host, rest.trim())
        }
        None => text.find(':').map_or((text, ""), |at| text.split_at(at)),
    };
    let port = match rest.strip_prefix(':') {
        Some(digits) => Some(number_of(digits.trim())?),
        None if rest.is_empty() => None,
        None => return None,
    };
    let host = host.trim();
    let is_host = !host.is_empty() && !host.contains(|c: char| c.is_whitespace() || c.is_control());
    is_host.then(|| (host.to_owned(), port))
}
