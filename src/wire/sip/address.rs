//! Addresses of people and devices: name and URI of From, To and Contact (RFC 3261 section 19.1, 20.10).

use super::field::{Parameter, parameter, split, unquoted, value};
use super::message::number_of;
use super::via::host_and_port;

/// One element of Contact, or From or To.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address {
    /// Name beside the URI.
    pub name: Option<String>,
    /// The URI, as it stands.
    pub uri: String,
    /// Parameters behind it: of the header, not of the URI.
    pub parameters: Vec<Parameter>,
}

impl Address {
    /// Reads `"Name" <uri>;parameters` or `uri;parameters`, whose parameters belong to the header (section 20.10).
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let mut parts = split(text, ';').into_iter();
        let first = parts.next()?;
        let parameters = parts.map(parameter).collect();
        let (name, uri) = match bracket(first) {
            Some(at) => {
                let name = unquoted(first[..at].trim());
                ((!name.is_empty()).then_some(name), first[at + 1..].split_once('>')?.0.trim())
            }
            None => (None, first),
        };
        let is_uri = !uri.is_empty() && !uri.contains(|c: char| c.is_whitespace() || c.is_control() || c == '"');
        is_uri.then(|| Self { name, uri: uri.to_owned(), parameters })
    }

    /// Seconds that a contact stays, as the registrar says beside it.
    pub fn expires(&self) -> Option<u32> {
        value(&self.parameters, "expires").and_then(number_of)
    }

    /// The URI taken apart; `None` for other schemes than sip and sips.
    pub fn sip_uri(&self) -> Option<Uri> {
        Uri::parse(&self.uri)
    }
}

/// The bracket that begins the URI: outside of quotes.
fn bracket(text: &str) -> Option<usize> {
    let (mut is_quoted, mut is_escaped) = (false, false);
    for (at, c) in text.char_indices() {
        match c {
            _ if is_escaped => is_escaped = false,
            '\\' if is_quoted => is_escaped = true,
            '"' => is_quoted = !is_quoted,
            '<' if !is_quoted => return Some(at),
            _ => {}
        }
    }
    None
}

/// A SIP URI as far as it matters here.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Uri {
    /// sips: only over TLS.
    pub is_secure: bool,
    /// Before the at sign, as it stands.
    pub user: Option<String>,
    /// Host name or address, without brackets.
    pub host: String,
    /// Port.
    pub port: Option<u16>,
}

impl Uri {
    /// Reads one; parameters and headers of it are left out.
    pub fn parse(text: &str) -> Option<Self> {
        let (scheme, rest) = text.split_once(':')?;
        let is_secure = scheme.eq_ignore_ascii_case("sips");
        if !is_secure && !scheme.eq_ignore_ascii_case("sip") {
            return None;
        }
        // A user may hold semicolons and question marks (section 25.1).
        let (user, rest) = rest.rsplit_once('@').map_or((None, rest), |(user, rest)| (Some(user), rest));
        let (host, port) = host_and_port(rest.split([';', '?']).next()?)?;
        Some(Self { is_secure, user: user.map(str::to_owned), host, port })
    }
}
