//! One message: start line, headers with folding and compact names, body (RFC 3261 section 7).

use std::str::FromStr;

use super::address::Address;
use super::field::split;
use super::via::Via;
use super::{LONGEST_BODY, LONGEST_HEAD, MOST_HEADERS};

/// Ends the head.
pub(super) const HEAD_END: &[u8] = b"\r\n\r\n";
/// Compact names (RFC 3261 section 7.3.3; RFC 6665, RFC 3515, RFC 3892 for the last three).
const COMPACT: [(&str, &str); 13] = [
    ("v", "Via"),
    ("f", "From"),
    ("t", "To"),
    ("m", "Contact"),
    ("i", "Call-ID"),
    ("l", "Content-Length"),
    ("c", "Content-Type"),
    ("e", "Content-Encoding"),
    ("k", "Supported"),
    ("s", "Subject"),
    ("o", "Event"),
    ("r", "Refer-To"),
    ("b", "Referred-By"),
];

/// First line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Start {
    /// Somebody asks.
    Request {
        /// Method, as it stands.
        method: String,
        /// Whom it is for.
        uri: String,
    },
    /// Somebody answers.
    Response {
        /// 100 to 699.
        status: u16,
        /// In the server's words.
        reason: String,
    },
}

/// A message that was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// First line.
    pub start: Start,
    /// Names (compact ones written out) and values (unfolded), in order.
    pub headers: Vec<(String, String)>,
    /// What follows the empty line.
    pub body: Vec<u8>,
}

/// Why octets are no message.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Flaw {
    /// No empty line ends the head.
    #[error("the head does not end")]
    HeadOpen,
    /// More than is read.
    #[error("{0} is longer than is read")]
    TooLong(&'static str),
    /// The first line is neither request nor status line of SIP/2.0.
    #[error("the first line is none of SIP/2.0")]
    StartLine,
    /// A line of the head is no header.
    #[error("line {0} is no header")]
    Header(usize),
    /// Content-Length is no number, or there are two.
    #[error("the content's length is no number, or there are two")]
    ContentLength,
    /// On a stream nothing but Content-Length tells where a message ends (RFC 3261 section 20.14).
    #[error("on a stream a message has to tell its content's length")]
    NoContentLength,
    /// The body is shorter than its length.
    #[error("the content is shorter than its length")]
    Cut,
}

impl Message {
    /// Reads a datagram. What lies beyond Content-Length is left out; without one the body goes to the end (RFC 3261 section 18.3).
    ///
    /// # Errors
    /// When the octets are no message.
    pub fn parse(octets: &[u8]) -> Result<Self, Flaw> {
        let (mut message, head) = Self::parse_head(octets)?;
        let body = &octets[head..];
        let length = message.content_length()?.unwrap_or(body.len());
        if length > LONGEST_BODY {
            return Err(Flaw::TooLong("the content"));
        }
        message.body = body.get(..length).ok_or(Flaw::Cut)?.to_vec();
        Ok(message)
    }

    /// Reads the head alone; with it, where the body begins. Empty lines before the start line are passed over (section 7.5).
    pub(super) fn parse_head(octets: &[u8]) -> Result<(Self, usize), Flaw> {
        let lead = octets.iter().take_while(|octet| matches!(octet, b'\r' | b'\n')).count();
        let rest = &octets[lead..];
        let searched = &rest[..rest.len().min(LONGEST_HEAD)];
        let Some(end) = searched.windows(HEAD_END.len()).position(|four| four == HEAD_END) else {
            return Err(if rest.len() >= LONGEST_HEAD { Flaw::TooLong("the head") } else { Flaw::HeadOpen });
        };
        let head = String::from_utf8_lossy(&rest[..end]);
        let mut lines = head.split("\r\n");
        let start = start_line(lines.next().unwrap_or_default()).ok_or(Flaw::StartLine)?;
        let mut headers: Vec<(String, String)> = Vec::new();
        for (number, line) in (2..).zip(lines) {
            if line.starts_with([' ', '\t']) {
                // Folding (section 7.3.1): line end and leading space count as one space.
                let (_, value) = headers.last_mut().ok_or(Flaw::Header(number))?;
                value.push(' ');
                value.push_str(line.trim());
                continue;
            }
            let (name, value) = line.split_once(':').ok_or(Flaw::Header(number))?;
            let name = name.trim_end_matches([' ', '\t']);
            if !is_token(name) {
                return Err(Flaw::Header(number));
            }
            if headers.len() == MOST_HEADERS {
                return Err(Flaw::TooLong("the list of headers"));
            }
            headers.push((whole_name(name).to_owned(), value.trim().to_owned()));
        }
        headers.iter_mut().for_each(|(_, value)| *value = value.trim().to_owned());
        Ok((Self { start, headers, body: Vec::new() }, lead + end + HEAD_END.len()))
    }

    /// Content-Length; `None` where there is none.
    pub(super) fn content_length(&self) -> Result<Option<usize>, Flaw> {
        let mut lengths = self.all("Content-Length");
        let Some(text) = lengths.next() else { return Ok(None) };
        let is_number = !text.is_empty() && text.bytes().all(|octet| octet.is_ascii_digit());
        let length = text.parse().ok().filter(|_| is_number).ok_or(Flaw::ContentLength)?;
        if lengths.any(|other| other != text) { Err(Flaw::ContentLength) } else { Ok(Some(length)) }
    }

    /// Every value of a header, as it stands.
    pub fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.headers.iter().filter(move |(known, _)| known.eq_ignore_ascii_case(name)).map(|(_, value)| value.as_str())
    }

    /// The first value of a header.
    pub fn first<'a>(&'a self, name: &'a str) -> Option<&'a str> {
        self.all(name).next()
    }

    /// Every element of a header that is a comma list.
    pub fn list<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.all(name).flat_map(|value| split(value, ','))
    }

    /// The topmost Via, which whoever sent the request wrote.
    pub fn via(&self) -> Option<Via> {
        Via::parse(self.list("Via").next()?)
    }

    /// Every contact; one that can't be read is left out.
    pub fn contacts(&self) -> Vec<Address> {
        self.list("Contact").filter_map(Address::parse).collect()
    }

    /// Number and method of CSeq (section 20.16: below 2^31).
    pub fn cseq(&self) -> Option<(u32, &str)> {
        let (number, method) = self.first("CSeq")?.split_once([' ', '\t'])?;
        Some((number_of(number).filter(|n| *n < 1 << 31)?, method.trim()))
    }

    /// A header that is a number of seconds: Expires, Min-Expires, Retry-After (which may have words behind it).
    pub fn seconds(&self, name: &str) -> Option<u32> {
        number_of(self.first(name)?.split([' ', '\t', ';', '(']).next()?)
    }

    /// Status of an answer.
    pub fn status(&self) -> Option<u16> {
        match &self.start {
            Start::Response { status, .. } => Some(*status),
            Start::Request { .. } => None,
        }
    }

    /// The answer's first line without the protocol: `403 Forbidden`; of a request, its method.
    pub fn told(&self) -> String {
        match &self.start {
            Start::Response { status, reason } => format!("{status} {}", shown(reason)),
            Start::Request { method, .. } => shown(method),
        }
    }
}

/// Words of a stranger as they may be shown: no control characters, at most 120.
pub fn shown(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(120).collect()
}

/// Digits alone, as SIP writes numbers.
pub(super) fn number_of<T: FromStr>(text: &str) -> Option<T> {
    text.bytes().all(|octet| octet.is_ascii_digit()).then(|| text.parse().ok())?
}

fn start_line(line: &str) -> Option<Start> {
    if let Some(rest) = strip_version(line) {
        let (digits, reason) = rest.strip_prefix(' ')?.split_once(' ')?;
        let status = number_of(digits).filter(|status| digits.len() == 3 && (100..700).contains(status))?;
        return Some(Start::Response { status, reason: reason.to_owned() });
    }
    // One space between the parts, and none inside (section 7.1).
    let mut parts = line.split(' ');
    let (method, uri, version) = (parts.next()?, parts.next()?, parts.next()?);
    let is_whole = parts.next().is_none() && is_token(method) && !uri.is_empty() && !uri.contains(['\t', '<', '>']);
    (is_whole && strip_version(version) == Some("")).then(|| Start::Request { method: method.to_owned(), uri: uri.to_owned() })
}

/// The version counts in any case (section 7.1).
fn strip_version(text: &str) -> Option<&str> {
    let (version, rest) = text.split_at_checked("SIP/2.0".len())?;
    version.eq_ignore_ascii_case("SIP/2.0").then_some(rest)
}

/// Section 25.1.
fn is_token(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|octet| octet.is_ascii_alphanumeric() || b"-.!%*_+`'~".contains(&octet))
}

fn whole_name(name: &str) -> &str {
    COMPACT.iter().find(|(compact, _)| compact.eq_ignore_ascii_case(name)).map_or(name, |(_, whole)| whole)
}
