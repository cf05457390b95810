//! What a far end's zone says in text of those who ask it: written there, read by the check.
//!
//! Strings of the form `key=value` in a TXT record (RFC 1035 section 3.3.14; RFC 1464 has the form). Whoever reads them has
//! them from a resolver, so anything may have become of them: what is missing or no value makes the whole unreadable, keys
//! that are not known are left aside.

use std::net::IpAddr;

/// Sizes in octets of the answers below `tOCTETS` of the zone: one that passes everywhere, one that fits an Ethernet packet
/// and no EDNS size that is usual now, and one that needs fragments (RFC 9715 section 3).
pub const TEXT_OCTETS: [u16; 3] = [1200, 1400, 3000];

/// Where a question reached the authority from, and how.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AskedFrom {
    /// Address that the query came from.
    pub from: IpAddr,
    /// Whether it came over TCP.
    pub is_over_tcp: bool,
    /// UDP payload that the resolver takes; `None` without EDNS.
    pub edns_octets: Option<u16>,
    /// DO: it wants signatures.
    pub wants_signatures: bool,
    /// The client's network that it passed on (RFC 7871): address and prefix length.
    pub client_subnet: Option<(IpAddr, u8)>,
    /// Whether it asked for the name above first (RFC 9156).
    pub is_minimised: bool,
}

impl AskedFrom {
    /// As strings.
    pub fn to_texts(&self) -> Vec<String> {
        let Self { from, is_over_tcp, edns_octets, wants_signatures, client_subnet, is_minimised } = self;
        let mut texts = vec![
            format!("from={from}"),
            format!("tcp={}", u8::from(*is_over_tcp)),
            format!("do={}", u8::from(*wants_signatures)),
            format!("minimised={}", u8::from(*is_minimised)),
        ];
        texts.extend(edns_octets.map(|octets| format!("edns={octets}")));
        texts.extend(client_subnet.map(|(address, length)| format!("subnet={address}/{length}")));
        texts
    }

    /// From strings; `None` when they say something else.
    pub fn read(texts: &[String]) -> Option<Self> {
        let edns_octets = value(texts, "edns").map(str::parse).transpose().ok()?;
        let subnet = |text: &str| {
            let (address, length) = text.split_once('/')?;
            Some((address.parse().ok()?, length.parse().ok()?))
        };
        let client_subnet = match value(texts, "subnet") {
            Some(text) => Some(subnet(text)?),
            None => None,
        };
        Some(Self {
            from: value(texts, "from")?.parse().ok()?,
            is_over_tcp: flag(texts, "tcp")?,
            edns_octets,
            wants_signatures: flag(texts, "do")?,
            client_subnet,
            is_minimised: flag(texts, "minimised")?,
        })
    }
}

/// How often a name was asked for at the authority.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Arrivals {
    /// Queries that came.
    pub queries: u32,
    /// Addresses that the first of them came from.
    pub from: Vec<IpAddr>,
}

impl Arrivals {
    /// As strings.
    pub fn to_texts(&self) -> Vec<String> {
        let from = self.from.iter().map(|address| format!("from={address}"));
        std::iter::once(format!("queries={}", self.queries)).chain(from).collect()
    }

    /// From strings; `None` when they say something else.
    pub fn read(texts: &[String]) -> Option<Self> {
        let from = texts.iter().filter_map(|text| text.strip_prefix("from="));
        let from = from.map(|text| text.parse().ok()).collect::<Option<_>>()?;
        Some(Self { queries: value(texts, "queries")?.parse().ok()?, from })
    }
}

fn value<'a>(texts: &'a [String], key: &str) -> Option<&'a str> {
    texts.iter().find_map(|text| text.strip_prefix(key)?.strip_prefix('='))
}

fn flag(texts: &[String], key: &str) -> Option<bool> {
    match value(texts, key)? {
        "0" => Some(false),
        "1" => Some(true),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_is_written_is_read(
            from: IpAddr, tcp: bool, edns: Option<u16>, wants: bool, subnet: Option<(IpAddr, u8)>, minimised: bool, queries: u32,
        ) {
            let asked = AskedFrom {
                from,
                is_over_tcp: tcp,
                edns_octets: edns,
                wants_signatures: wants,
                client_subnet: subnet,
                is_minimised: minimised,
            };
            prop_assert_eq!(AskedFrom::read(&asked.to_texts()), Some(asked));
            let arrivals = Arrivals { queries, from: vec![from; 2] };
            prop_assert_eq!(Arrivals::read(&arrivals.to_texts()), Some(arrivals));
        }

        #[test]
        fn other_text_is_not_taken_for_it(texts in proptest::collection::vec("[a-z=/0-9.]{0,20}", 0..6)) {
            let (_, _) = (AskedFrom::read(&texts), Arrivals::read(&texts));
        }
    }

    #[test]
    fn what_is_missing_or_no_value_is_unreadable() {
        let texts = |list: &[&str]| list.iter().map(|text| (*text).to_owned()).collect::<Vec<_>>();
        let whole = ["from=192.0.2.1", "tcp=0", "do=1", "minimised=0"];
        assert!(AskedFrom::read(&texts(&whole)).is_some());
        for (at, spoiled) in [(0, "from=here"), (1, "tcp=2"), (2, "d=1"), (3, "minimised=")] {
            let mut other = whole;
            other[at] = spoiled;
            assert_eq!(AskedFrom::read(&texts(&other)), None, "{spoiled}");
        }
        assert_eq!(AskedFrom::read(&texts(&[&whole[..], &["subnet=192.0.2.0"]].concat())), None);
    }
}
