//! What a profile says of a SIP service: the domain, how it may be reached, whether an account is needed.

use std::net::IpAddr;

use crate::wire::sip::Transport;

/// Octets of a domain that are taken (RFC 1035 section 2.3.4).
const LONGEST: usize = 253;

/// Whose service, and whether DNS says where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Domain {
    /// Name in small letters, or an address.
    pub host: String,
    /// A port that was named: then no SRV is asked (RFC 3263 section 4.2).
    pub port: Option<u16>,
}

impl Domain {
    /// Reads `example.net`, `sip.example.net:5070`, `192.0.2.1`, `[2001:db8::1]:5060`.
    ///
    /// # Errors
    /// What would be right.
    pub fn parse(text: &str) -> Result<Self, &'static str> {
        const RIGHT: &str = "write the domain of the SIP service, such as voice.example.net, or host:port";
        let uri = crate::wire::sip::address::Uri::parse(&format!("sip:{text}")).ok_or(RIGHT)?;
        let is_label = |label: &str| {
            let is_allowed = |octet: u8| octet.is_ascii_alphanumeric() || octet == b'-';
            (1..=63).contains(&label.len()) && label.bytes().all(is_allowed) && !label.starts_with('-') && !label.ends_with('-')
        };
        let host = uri.host.trim_end_matches('.').to_ascii_lowercase();
        let is_address = host.parse::<IpAddr>().is_ok();
        // A last label of digits alone would be an address (RFC 1123 section 2.1).
        let is_name = host.contains('.') && host.len() <= LONGEST && host.split('.').all(is_label);
        let is_number = host.rsplit('.').next().is_some_and(|last| last.bytes().all(|octet| octet.is_ascii_digit()));
        let is_bare = uri.user.is_none() && uri.port != Some(0) && !text.contains([';', '?']);
        if is_bare && (is_address || (is_name && !is_number)) { Ok(Self { host, port: uri.port }) } else { Err(RIGHT) }
    }

    /// The address, where it is one.
    pub fn address(&self) -> Option<IpAddr> {
        self.host.parse().ok()
    }

    /// As it stands behind the at sign: without the port, which is of the way and not of the account.
    pub fn in_uri(&self) -> String {
        if self.host.contains(':') { format!("[{}]", self.host) } else { self.host.clone() }
    }
}

/// The service as sold.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Service {
    /// Its domain.
    pub domain: Domain,
    /// How it has to be reachable, in the profile's order.
    pub transports: Vec<Transport>,
    /// Whether the visit has to register an account.
    pub needs_account: bool,
    /// PEM of certificate authorities that its certificate is held against; `None` takes those that the test set's system trusts.
    pub authorities: Option<String>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_domain_is_a_name_or_an_address_with_or_without_a_port() {
        for (text, host, port) in [
            ("Voice.Example.net", "voice.example.net", None),
            ("sip.example.net:5070", "sip.example.net", Some(5070)),
            ("192.0.2.1", "192.0.2.1", None),
            ("[2001:db8::1]:5060", "2001:db8::1", Some(5060)),
        ] {
            assert_eq!(Domain::parse(text), Ok(Domain { host: host.to_owned(), port }), "{text}");
        }
        for text in [
            "",
            "localhost",
            "a@example.net",
            "example.net:0",
            "example.net:x",
            "example.net;x",
            "1.2.3",
            "a..net",
            "-a.net",
            "a b.net",
        ] {
            assert!(Domain::parse(text).is_err(), "{text}");
        }
        assert_eq!(Domain::parse("[2001:db8::1]").map(|domain| domain.in_uri()).as_deref(), Ok("[2001:db8::1]"));
    }
}
