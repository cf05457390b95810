//! A question over plain HTTP whose answer is known, and what follows when another comes: who is in the way, a portal or a proxy.
//!
//! The far end answers a session's question with what it received and from where, signed with a key that never was on this way. So each
//! octet of request and answer can be held against what was sent (RFC 9110, RFC 9112). Pure: it must not know sockets or sessions.

pub mod page;

use std::net::IpAddr;

use super::known::{self, Told, differences};
use crate::wire::stamp::Key;

/// Most octets of a request or an answer.
pub const LONGEST: usize = 16 * 1024;
const HEAD_END: &[u8] = b"\r\n\r\n";

/// The request, octet by octet: what browsers send too, and nothing that a proxy has to touch.
pub fn request(host: &str, id: &str, nonce: &str) -> Vec<u8> {
    format!(
        "GET /known/{id}/{nonce} HTTP/1.1\r\nHost: {host}\r\nUser-Agent: doorstep\r\nAccept: */*\r\nConnection: close\r\n\r\n"
    )
    .into_bytes()
}

/// The part of a request up to its empty line, once that has come.
pub fn head(octets: &[u8]) -> Option<&[u8]> {
    let end = octets.windows(HEAD_END.len()).position(|four| four == HEAD_END)?;
    octets.get(..end + HEAD_END.len())
}

/// Whom a request asks for: identifier and nonce. A proxy may have made the whole address of the path (RFC 9112 section 3.2.2).
pub fn asked(head: &[u8]) -> Option<(&str, &str)> {
    let line = std::str::from_utf8(head).ok()?.lines().next()?;
    let path = line.strip_prefix("GET ")?.split(' ').next()?;
    let (_, rest) = path.split_once("/known/")?;
    let (id, nonce) = rest.split_once('/')?;
    let is_hex = |text: &str| text.len() == 32 && text.chars().all(|c| c.is_ascii_hexdigit());
    (is_hex(id) && is_hex(nonce)).then_some((id, nonce))
}

/// The answer: its head is always the same, its body says what was received.
pub fn answer(key: &Key, nonce: &str, seen: IpAddr, head: &[u8]) -> Vec<u8> {
    let body = known::tell(key, nonce, seen, head);
    let mut answer = answer_head(body.len()).into_bytes();
    answer.extend(body.into_bytes());
    answer
}

fn answer_head(len: usize) -> String {
    format!(
        "HTTP/1.1 200 OK\r\nContent-Type: text/plain\r\nContent-Length: {len}\r\nCache-Control: no-store\r\nConnection: close\r\n\r\n"
    )
}

/// What an answer shows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Finding {
    /// Question and answer arrived as they were sent, from the address that other connections come from.
    Untouched,
    /// Somebody else answers, with a page or a redirect of its own (RFC 8952: a captive portal).
    Portal {
        /// HTTP status.
        status: u16,
        /// Where it sends browsers.
        location: Option<String>,
    },
    /// The far end answers, but somebody in between took part (RFC 9110 section 3.7: an intercepting proxy): how it shows.
    Proxy(Vec<String>),
    /// The far end's answer was changed on the way.
    Altered,
    /// Nothing, or no HTTP.
    NoAnswer,
}

/// A question that was asked.
#[derive(Debug, Clone, Copy)]
pub struct Question<'a> {
    /// Octets of the request.
    pub sent: &'a [u8],
    /// Its nonce.
    pub nonce: &'a str,
    /// The session's key.
    pub key: &'a Key,
    /// This agent's address as the far end sees it over a connection that nobody can read.
    pub seen_elsewhere: IpAddr,
}

impl Question<'_> {
    /// Holds what came back against what was to come.
    pub fn look(&self, octets: &[u8]) -> Finding {
        let Some((status, head, body)) = split(octets) else { return Finding::NoAnswer };
        if let Some(told) = known::told(self.key, self.nonce, body) {
            let marks = self.marks(&told, head);
            return match (marks.is_empty(), body == told.text.as_bytes()) {
                (true, true) => Finding::Untouched,
                // Words that are whole, and more around them.
                (true, false) => Finding::Altered,
                (false, _) => Finding::Proxy(marks),
            };
        }
        if known::is_claimed(body) {
            return Finding::Altered;
        }
        match status {
            200..400 | 511 => Finding::Portal { status, location: header(head, "location").map(str::to_owned) },
            // A portal wants to be read; whoever says that it can't reach the far end stands in between.
            _ => Finding::Proxy(vec![format!("somebody else answers with HTTP status {status}")]),
        }
    }

    /// How somebody in between shows.
    fn marks(&self, told: &Told, answer: &str) -> Vec<String> {
        let mut marks = Vec::new();
        if told.seen != self.seen_elsewhere {
            marks.push(format!("the far end sees {} over plain HTTP, and {} over HTTPS", told.seen, self.seen_elsewhere));
        }
        differences("request", &String::from_utf8_lossy(self.sent), &String::from_utf8_lossy(&told.arrived), &mut marks);
        differences("answer", &answer_head(told.text.len()), answer, &mut marks);
        marks
    }
}

/// Status, head and body of an answer.
fn split(octets: &[u8]) -> Option<(u16, &str, &[u8])> {
    let head_octets = head(octets)?;
    let text = std::str::from_utf8(head_octets).ok()?;
    let status = text.strip_prefix("HTTP/1.")?.get(2..5)?.parse().ok()?;
    Some((status, text, &octets[head_octets.len()..]))
}

/// The value of a header, whatever the case of its name.
fn header<'a>(head: &'a str, name: &str) -> Option<&'a str> {
    head.lines().find_map(|line| line.split_once(':').filter(|(key, _)| key.eq_ignore_ascii_case(name)).map(|(_, v)| v.trim()))
}

/// Where a portal that answers a stranger's question sends it, if that is another host: a far end answers no stranger at all, and a web server of
/// its host sends to itself.
pub fn sends_elsewhere(octets: &[u8], host: &str) -> Option<String> {
    let (status, head, _) = split(octets)?;
    let location = header(head, "location").unwrap_or_default();
    let (_, rest) = location.split_once("://").unwrap_or_default();
    let to = rest.split(['/', '?', '#']).next().unwrap_or_default();
    let is_elsewhere = (300..400).contains(&status) && !to.is_empty() && !to.starts_with(host);
    (is_elsewhere || status == 511).then(|| if location.is_empty() { format!("status {status}") } else { location.to_owned() })
}

#[cfg(test)]
mod tests;
