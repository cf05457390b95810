//! Writing requests of the few kinds that there are, and answers to any.
//!
//! What is written holds no line end that its writer did not mean: such characters of a value are left out.

use std::fmt::Write as _;
use std::net::SocketAddr;

use super::via::Via;
use super::{Message, Method};

/// A request, with Content-Length behind the given headers.
pub fn request(method: Method, uri: &str, headers: &[(&str, String)], body: &[u8]) -> Vec<u8> {
    written(
        format!("{} {} SIP/2.0", method.word(), one_line(uri)),
        headers.iter().map(|(name, value)| (*name, value.as_str())),
        body,
    )
}

/// An answer: what a request is known by is repeated (RFC 3261 section 8.2.6), its topmost Via tells where it came from (RFC 3581 section 4).
pub fn response(
    request: &Message,
    from: SocketAddr,
    (status, reason): (u16, &str),
    tag: &str,
    headers: &[(&str, String)],
    body: &[u8],
) -> Vec<u8> {
    let mut all: Vec<(&str, String)> = Vec::new();
    for (number, via) in request.list("Via").enumerate() {
        all.push(("Via", if number == 0 { seen(via, from) } else { via.to_owned() }));
    }
    for name in ["From", "To", "Call-ID", "CSeq"] {
        let Some(value) = request.first(name) else { continue };
        let is_untagged = name == "To" && !value.to_ascii_lowercase().contains(";tag=");
        all.push((name, if is_untagged { format!("{value};tag={tag}") } else { value.to_owned() }));
    }
    all.extend(headers.iter().cloned());
    let all = all.iter().map(|(name, value)| (*name, value.as_str()));
    written(format!("SIP/2.0 {status} {}", one_line(reason)), all, body)
}

/// An element of Via with where it was seen to come from.
fn seen(via: &str, from: SocketAddr) -> String {
    let Some(read) = Via::parse(via) else { return via.to_owned() };
    let port = read.port.map(|port| format!(":{port}")).unwrap_or_default();
    let host = if read.host.contains(':') { format!("[{}]", read.host) } else { read.host.clone() };
    let mut text = format!("SIP/2.0/{} {host}{port}", read.transport);
    let wants_port = read.parameters.iter().any(|(name, value)| name == "rport" && value.is_none());
    for (name, value) in read.parameters.iter().filter(|(name, _)| !matches!(name.as_str(), "rport" | "received")) {
        // Writing to a String cannot fail.
        let _ = match value {
            Some(value) => write!(text, ";{name}={value}"),
            None => write!(text, ";{name}"),
        };
    }
    let source = from.ip().to_canonical();
    if wants_port || super::via::address_of(&read.host) != Some(source) {
        let _ = write!(text, ";received={source}");
    }
    if wants_port {
        let _ = write!(text, ";rport={}", from.port());
    }
    text
}

fn written<'a>(start: String, headers: impl Iterator<Item = (&'a str, &'a str)>, body: &[u8]) -> Vec<u8> {
    let mut head = start;
    head.push_str("\r\n");
    for (name, value) in headers {
        let _ = write!(head, "{name}: {}\r\n", one_line(value));
    }
    let _ = write!(head, "Content-Length: {}\r\n\r\n", body.len());
    [head.as_bytes(), body].concat()
}

fn one_line(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).collect()
}
