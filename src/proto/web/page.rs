//! The address of a page of a public host, as profiles name it: HTTPS only, by name, of the form of RFC 9110 section 4.2.2.

/// Octets of an address that are taken.
const LONGEST: usize = 300;
/// Port of HTTPS.
const SECURE: u16 = 443;

/// A page of a public host.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PublicPage {
    /// The host's name, in small letters.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Path with query, from its first slash on.
    pub path: String,
}

impl PublicPage {
    /// Reads `https://name[:port][/path]`.
    ///
    /// # Errors
    /// What is wrong with it, in words that say what would be right.
    pub fn parse(text: &str) -> Result<Self, &'static str> {
        let rest = text.strip_prefix("https://").ok_or("a page begins with https://")?;
        if text.len() > LONGEST || !text.bytes().all(|octet| octet.is_ascii_graphic()) || text.contains('#') {
            return Err("a page's address has at most 300 visible characters of ASCII and no #");
        }
        let (authority, path) = rest.find(['/', '?']).map_or((rest, ""), |at| rest.split_at(at));
        let (host, port) = match authority.split_once(':') {
            Some((host, port)) => {
                (host, port.parse().ok().filter(|port| *port > 0).ok_or("behind the colon stands a port, 1 to 65535")?)
            }
            None => (authority, SECURE),
        };
        // RFC 1123 section 2.1; a last label of digits alone would be an address.
        let is_label = |label: &str| {
            let is_allowed = |octet: u8| octet.is_ascii_alphanumeric() || octet == b'-';
            (1..=63).contains(&label.len()) && label.bytes().all(is_allowed) && !label.starts_with('-') && !label.ends_with('-')
        };
        let is_address = host.rsplit('.').next().is_some_and(|last| last.bytes().all(|octet| octet.is_ascii_digit()));
        if !host.contains('.') || host.len() > 253 || is_address || !host.split('.').all(is_label) {
            return Err("behind https:// stands a host's full name, such as www.example.net");
        }
        let path = if path.starts_with('/') { path.to_owned() } else { format!("/{path}") };
        Ok(Self { host: host.to_ascii_lowercase(), port, path })
    }

    /// What its request names as host: with the port where it is not the usual one.
    pub fn authority(&self) -> String {
        if self.port == SECURE { self.host.clone() } else { format!("{}:{}", self.host, self.port) }
    }
}

impl std::fmt::Display for PublicPage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "https://{}{}", self.authority(), self.path)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_is_taken_apart_and_put_together_again() {
        for (text, host, port, path) in [
            ("https://www.example.net/", "www.example.net", 443, "/"),
            ("https://WWW.example.net", "www.example.net", 443, "/"),
            ("https://a.example.net:8443/x?y=1", "a.example.net", 8443, "/x?y=1"),
            ("https://a.example.net?y", "a.example.net", 443, "/?y"),
        ] {
            let page = PublicPage::parse(text).expect(text);
            assert_eq!((page.host.as_str(), page.port, page.path.as_str()), (host, port, path), "{text}");
            assert_eq!(PublicPage::parse(&page.to_string()), Ok(page));
        }
    }

    #[test]
    fn what_is_no_public_page_is_refused() {
        let long = format!("https://a.example.net/{}", "x".repeat(LONGEST));
        for text in [
            "http://www.example.net/",
            "https://",
            "https://localhost/",
            "https://192.0.2.1/",
            "https://[2001:db8::1]/",
            "https://a@b.example.net/",
            "https://-a.example.net/",
            "https://a..example.net/",
            "https://a.example.net:0/",
            "https://a.example.net:x/",
            "https://a.example.net/a b",
            "https://a.example.net/\r\nX: y",
            "https://a.example.net/#x",
            &long,
        ] {
            assert!(PublicPage::parse(text).is_err(), "{text}");
        }
    }
}
