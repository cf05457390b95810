//! SSDP: how devices of a home are looked for (UPnP Device Architecture 1.1 section 1, ISO/IEC 29341-1).
//!
//! A search and its answer are the head of an HTTP message in one UDP datagram. This file must not know whom to believe: an
//! answer names any address that its sender likes, and [`super::igd::Endpoint`] says whether that is the gateway's.

use std::fmt;
use std::net::{Ipv4Addr, SocketAddrV4};

/// Group and port on which devices listen (UDA 1.1 section 1.3.2).
pub const GROUP: SocketAddrV4 = SocketAddrV4::new(Ipv4Addr::new(239, 255, 255, 250), 1900);
/// The device that is a gateway to the Internet. A device of a later version answers to an earlier one's name too (UDA 1.1
/// section 1.3.2, "ST").
pub const GATEWAY: &str = "urn:schemas-upnp-org:device:InternetGatewayDevice:1";
/// Time to live of a search to the group (UDA 1.1 section 1.3.2 asks for 2).
pub const HOPS: u32 = 2;

/// Octets of a datagram that are read: answers of real devices take some hundreds.
const MOST_OCTETS: usize = 4096;
/// Fields that are read.
const MOST_FIELDS: usize = 64;

/// A search.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Search {
    /// HOST: the group, or the one device that is asked.
    pub host: SocketAddrV4,
    /// ST: what is looked for.
    pub target: String,
    /// MX: seconds over which devices spread their answers; `None` in a search to one device, which answers at once.
    pub spread_s: Option<u8>,
}

/// An answer to a search.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// LOCATION: URL of the device's description.
    pub location: String,
    /// ST: what was looked for.
    pub target: String,
    /// USN: which device it is; empty where it says none.
    pub name: String,
    /// SERVER: its software, in its own words; empty where it says none.
    pub server: String,
}

/// Why a datagram is not what was expected.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Longer than any answer has to be.
    #[error("{0} octets, {MOST_OCTETS} are read at most")]
    TooLong(usize),
    /// Not text.
    #[error("not text (UTF-8)")]
    NotText,
    /// Another first line.
    #[error("begins with {0:?}")]
    FirstLine(String),
    /// A field that it must have is missing or empty.
    #[error("has no {0}")]
    Missing(&'static str),
}

impl Search {
    /// Reads a search, as a device does.
    ///
    /// # Errors
    /// What it is instead.
    pub fn parse(bytes: &[u8]) -> Result<Self, Error> {
        let head = Head::parse(bytes)?;
        if head.first != "M-SEARCH * HTTP/1.1" {
            return Err(head.foreign());
        }
        head.field("MAN").filter(|man| man.trim_matches('"') == "ssdp:discover").ok_or(Error::Missing("MAN"))?;
        let host = head.field("HOST").and_then(|host| host.parse().ok()).ok_or(Error::Missing("HOST"))?;
        let target = head.field("ST").ok_or(Error::Missing("ST"))?.to_owned();
        Ok(Self { host, target, spread_s: head.field("MX").and_then(|s| s.parse().ok()) })
    }

    /// The datagram; `None` where the target holds what no field can.
    pub fn emit(&self) -> Option<Vec<u8>> {
        is_value(&self.target).then_some(())?;
        let spread = self.spread_s.map_or_else(String::new, |s| format!("MX: {s}\r\n"));
        let Self { host, target, .. } = self;
        let text = format!("M-SEARCH * HTTP/1.1\r\nHOST: {host}\r\nMAN: \"ssdp:discover\"\r\n{spread}ST: {target}\r\n\r\n");
        Some(text.into_bytes())
    }
}

impl Found {
    /// Reads an answer.
    ///
    /// # Errors
    /// What it is instead; a notification or another's search are not answers.
    pub fn parse(bytes: &[u8]) -> Result<Self, Error> {
        let head = Head::parse(bytes)?;
        let mut words = head.first.split_ascii_whitespace();
        if !(words.next().is_some_and(|version| version.starts_with("HTTP/1.")) && words.next() == Some("200")) {
            return Err(head.foreign());
        }
        let location = head.field("LOCATION").ok_or(Error::Missing("LOCATION"))?.to_owned();
        let target = head.field("ST").ok_or(Error::Missing("ST"))?.to_owned();
        let optional = |name| head.field(name).unwrap_or_default().to_owned();
        Ok(Self { location, target, name: optional("USN"), server: optional("SERVER") })
    }

    /// The datagram; `None` where a text holds what no field can.
    pub fn emit(&self) -> Option<Vec<u8>> {
        let Self { location, target, name, server } = self;
        (is_value(location) && is_value(target)).then_some(())?;
        let mut text =
            format!("HTTP/1.1 200 OK\r\nCACHE-CONTROL: max-age=120\r\nEXT:\r\nLOCATION: {location}\r\nST: {target}\r\n");
        for (field, value) in [("SERVER", server), ("USN", name)].into_iter().filter(|(_, value)| !value.is_empty()) {
            is_value(value).then_some(())?;
            text.extend([field, ": ", value, "\r\n"]);
        }
        text.push_str("\r\n");
        Some(text.into_bytes())
    }
}

/// Whether a text can be the value of a field and is read back as it is (RFC 9110 section 5.5).
fn is_value(text: &str) -> bool {
    !text.is_empty() && text.trim() == text && !text.contains(char::is_control)
}

/// First line and fields of an HTTP message.
struct Head<'a> {
    first: &'a str,
    fields: Vec<(&'a str, &'a str)>,
}

impl<'a> Head<'a> {
    fn parse(bytes: &'a [u8]) -> Result<Self, Error> {
        if bytes.len() > MOST_OCTETS {
            return Err(Error::TooLong(bytes.len()));
        }
        let text = std::str::from_utf8(bytes).map_err(|_| Error::NotText)?;
        let mut lines = text.lines();
        let first = lines.next().unwrap_or_default().trim_end();
        let named = lines.take_while(|line| !line.is_empty()).filter_map(|line| line.split_once(':'));
        Ok(Self { first, fields: named.take(MOST_FIELDS).map(|(name, value)| (name.trim(), value.trim())).collect() })
    }

    /// The first field of a name, where it says something.
    fn field(&self, name: &str) -> Option<&'a str> {
        let of_name = self.fields.iter().find(|(is, _)| is.eq_ignore_ascii_case(name));
        of_name.map(|(_, value)| *value).filter(|value| !value.is_empty())
    }

    fn foreign(&self) -> Error {
        Error::FirstLine(self.first.chars().take(40).collect())
    }
}

impl fmt::Display for Found {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} at {}", self.target, self.location)
    }
}

#[cfg(test)]
mod tests;
