//! Questions of any kind, and all that an answer says beside codes and addresses: signatures, text, encrypted service.
//!
//! For the closer look at one resolver; timed lookups need less ([`super::query`], [`super::parse`]). It must not know sockets.

use std::net::IpAddr;

use hickory_proto::dnssec::rdata::DNSSECRData;
use hickory_proto::op::{Edns, Message, MessageType, OpCode, Query};
use hickory_proto::rr::rdata::opt::EdnsOption;
use hickory_proto::rr::rdata::svcb::{SVCB, SvcParamKey, SvcParamValue};
use hickory_proto::rr::{Name, RData, RecordType};

use super::{EDNS_OCTETS, Flaw, Reply, answer, reply_of};

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// An IPv4 address.
    A,
    /// An IPv6 address (RFC 3596).
    Aaaa,
    /// Text.
    Txt,
    /// The digest of a child zone's key (RFC 4034 section 5).
    Ds,
    /// How a service is reached (RFC 9460).
    Svcb,
    /// Which services a domain has, and where that is told (RFC 3403).
    Naptr,
    /// Which hosts give a service (RFC 2782).
    Srv,
}

impl Kind {
    fn of_library(self) -> RecordType {
        match self {
            Self::A => RecordType::A,
            Self::Aaaa => RecordType::AAAA,
            Self::Txt => RecordType::TXT,
            Self::Ds => RecordType::DS,
            Self::Svcb => RecordType::SVCB,
            Self::Naptr => RecordType::NAPTR,
            Self::Srv => RecordType::SRV,
        }
    }
}

/// A question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question {
    /// Name.
    pub name: String,
    /// What of it.
    pub kind: Kind,
    /// UDP payload offered (RFC 6891).
    pub edns_octets: u16,
    /// DO and AD: signatures, and whether they were found true (RFC 3225, RFC 6840 section 5.7).
    pub wants_signatures: bool,
    /// CD: the answer is wanted even where it is found false (RFC 4035 section 3.2.2).
    pub is_unchecked: bool,
}

impl Question {
    /// Without anything special.
    pub fn new(name: String, kind: Kind) -> Self {
        Self { name, kind, edns_octets: EDNS_OCTETS, wants_signatures: false, is_unchecked: false }
    }
}

/// An encrypted service of the resolver, as it says itself (RFC 9461, RFC 9462).
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Designated {
    /// Its name, which its certificate has.
    pub target: String,
    /// Protocols: "dot", "h2", "h3".
    pub protocols: Vec<String>,
    /// Another port than the protocol's own.
    pub port: Option<u16>,
    /// URI template of DNS over HTTPS.
    pub path: Option<String>,
}

/// One rule of a domain's services (RFC 3403 section 4.1).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Naptr {
    /// Lower ones first.
    pub order: u16,
    /// Lower ones first within an order.
    pub preference: u16,
    /// What kind of record comes next.
    pub flags: String,
    /// Service and protocol.
    pub services: String,
    /// Where to look next, with a final dot.
    pub replacement: String,
}

/// One host of a service (RFC 2782).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Srv {
    /// Lower ones first.
    pub priority: u16,
    /// Share within a priority.
    pub weight: u16,
    /// Port.
    pub port: u16,
    /// Its name with a final dot; the root alone says that there is none.
    pub target: String,
}

/// An answer, read whole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Closer {
    /// What every answer says.
    pub reply: Reply,
    /// Octets of the message.
    pub octets: usize,
    /// AD: the resolver found the signatures true.
    pub is_authenticated: bool,
    /// Whether signatures came with the answer.
    pub is_signed: bool,
    /// Whether a DS record is in the answer.
    pub has_ds: bool,
    /// Strings of the text records of the answer, in order.
    pub texts: Vec<String>,
    /// Extended errors (RFC 8914), by number.
    pub errors: Vec<u16>,
    /// Encrypted services in the answer.
    pub designated: Vec<Designated>,
    /// Rules of services in the answer.
    pub naptrs: Vec<Naptr>,
    /// Hosts of a service in the answer.
    pub srvs: Vec<Srv>,
}

impl Closer {
    /// The IPv6 addresses of the answer.
    pub fn ipv6(&self) -> Vec<IpAddr> {
        self.reply.addresses.iter().copied().filter(IpAddr::is_ipv6).collect()
    }
}

/// The query for a question. `None` when the name can't be a domain name.
pub fn query(id: u16, question: &Question) -> Option<Vec<u8>> {
    let name = Name::from_ascii(&question.name).ok()?;
    let mut message = Message::new(id, MessageType::Query, OpCode::Query);
    message.metadata.recursion_desired = true;
    message.metadata.authentic_data = question.wants_signatures;
    message.metadata.checking_disabled = question.is_unchecked;
    message.add_query(Query::query(name, question.kind.of_library()));
    let mut edns = Edns::new();
    edns.set_max_payload(question.edns_octets).set_dnssec_ok(question.wants_signatures);
    message.set_edns(edns);
    message.to_vec().ok()
}

/// Reads an answer.
///
/// # Errors
/// When the bytes are no answer.
pub fn parse(bytes: &[u8]) -> Result<Closer, Flaw> {
    let message = answer(bytes)?;
    let mut closer = Closer {
        reply: reply_of(&message),
        octets: bytes.len(),
        is_authenticated: message.metadata.authentic_data,
        is_signed: false,
        has_ds: false,
        texts: Vec::new(),
        errors: Vec::new(),
        designated: Vec::new(),
        naptrs: Vec::new(),
        srvs: Vec::new(),
    };
    for record in &message.answers {
        match &record.data {
            RData::TXT(text) => closer.texts.extend(text.txt_data.iter().map(|t| String::from_utf8_lossy(t).into_owned())),
            RData::DNSSEC(DNSSECRData::RRSIG(_)) => closer.is_signed = true,
            RData::DNSSEC(DNSSECRData::DS(_)) => closer.has_ds = true,
            RData::SVCB(service) if service.svc_priority > 0 => closer.designated.push(designated(service)),
            RData::NAPTR(rule) => closer.naptrs.push(Naptr {
                order: rule.order,
                preference: rule.preference,
                flags: String::from_utf8_lossy(&rule.flags).into_owned(),
                services: String::from_utf8_lossy(&rule.services).into_owned(),
                replacement: rule.replacement.to_lowercase().to_ascii(),
            }),
            RData::SRV(host) => closer.srvs.push(Srv {
                priority: host.priority,
                weight: host.weight,
                port: host.port,
                target: host.target.to_lowercase().to_ascii(),
            }),
            _ => {}
        }
    }
    for (_, option) in message.edns.iter().flat_map(|edns| &edns.options().options) {
        // RFC 8914 section 2: option 15, two octets of number, then text.
        if let EdnsOption::Unknown(15, octets) = option
            && let Some(number) = octets.first_chunk()
        {
            closer.errors.push(u16::from_be_bytes(*number));
        }
    }
    Ok(closer)
}

fn designated(service: &SVCB) -> Designated {
    let mut designated = Designated { target: service.target_name.to_lowercase().to_ascii(), ..Designated::default() };
    for (key, value) in &service.svc_params {
        match (key, value) {
            (_, SvcParamValue::Alpn(alpn)) => designated.protocols.clone_from(&alpn.0),
            (_, SvcParamValue::Port(port)) => designated.port = Some(*port),
            // RFC 9461 section 5: key 7 is `dohpath`.
            (SvcParamKey::Key(7) | SvcParamKey::Unknown(7), SvcParamValue::Unknown(octets)) => {
                designated.path = String::from_utf8(octets.0.clone()).ok();
            }
            _ => {}
        }
    }
    designated
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn question(kind: Kind) -> Question {
        Question {
            edns_octets: 4096,
            wants_signatures: true,
            is_unchecked: true,
            ..Question::new("a.example.net".to_owned(), kind)
        }
    }

    #[test]
    fn a_query_has_its_flags_where_the_standards_have_them() {
        let bytes = query(0x1234, &question(Kind::Txt)).unwrap();
        // RFC 4035 section 3.2 and RFC 6895 section 2: RD, then AD and CD; RFC 6891 section 6.1.3: the payload as class, DO on top of the flags.
        assert_eq!(bytes[..12], [0x12, 0x34, 0x01, 0x30, 0, 1, 0, 0, 0, 0, 0, 1]);
        assert_eq!(&bytes[12..], b"\x01a\x07example\x03net\x00\x00\x10\x00\x01\x00\x00\x29\x10\x00\x00\x00\x80\x00\x00\x00");
        assert_eq!(query(1, &Question::new("x".repeat(64), Kind::A)), None);
        assert_eq!(parse(&bytes), Err(Flaw::NotAnAnswer));
    }

    #[test]
    fn an_answer_tells_of_encrypted_service_and_why_it_failed() {
        let mut bytes = query(7, &Question::new("_dns.resolver.arpa".to_owned(), Kind::Svcb)).unwrap();
        bytes.truncate(bytes.len() - 11);
        (bytes[2], bytes[3], bytes[7]) = (0x81, 0xa0, 1);
        // RFC 9460 section 2.2: priority 1, target, then alpn (1) h2, port (3) 8443, dohpath (7).
        let service = b"\x00\x01\x03doh\x04test\x00\x00\x01\x00\x03\x02h2\x00\x03\x00\x02\x20\xfb\x00\x07\x00\x07/q{?dns";
        bytes.extend(b"\xc0\x0c\x00\x40\x00\x01\x00\x00\x00\x3c\x00");
        bytes.push(service.len() as u8);
        bytes.extend(service);
        // RFC 8914 section 2: option 15, code 6 (DNSSEC bogus).
        bytes.extend(b"\x00\x00\x29\x04\xd0\x00\x00\x00\x00\x00\x06\x00\x0f\x00\x02\x00\x06");
        let closer = parse(&bytes).unwrap();
        let want = Designated {
            target: "doh.test.".to_owned(),
            protocols: vec!["h2".to_owned()],
            port: Some(8443),
            path: Some("/q{?dns".to_owned()),
        };
        assert_eq!((closer.designated, closer.errors, closer.is_authenticated), (vec![want], vec![6], true));
        for cut in 0..bytes.len() {
            assert!(parse(&bytes[..cut]).is_err(), "{cut} octets");
        }
    }

    proptest! {
        #[test]
        fn no_octets_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let _ = parse(&bytes);
        }
    }
}
