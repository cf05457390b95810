//! DNS messages (RFC 1035) as an examiner needs them: a query, what an answer says, and the names of a far end's zone.
//!
//! The library codes the bytes; this file says what matters of them. It must not know sockets or time.

pub mod closer;
pub mod dns64;
pub mod facts;

use std::net::{IpAddr, Ipv4Addr};

use hickory_proto::op::{Edns, Message, MessageType, OpCode, Query, ResponseCode};
use hickory_proto::rr::{Name, RData, RecordType};

/// UDP payload offered by EDNS (RFC 6891; RFC 9715 section 3: small enough not to be fragmented).
pub const EDNS_OCTETS: u16 = 1232;

/// The outcome of a lookup, as the server states it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Code {
    /// NOERROR.
    NoError,
    /// NXDOMAIN: the name does not exist.
    NoSuchName,
    /// SERVFAIL: the server could not find out.
    ServerFailure,
    /// REFUSED: the server does not want to.
    Refused,
    /// Another one.
    Other(u16),
}

/// What an answer says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reply {
    /// Transaction.
    pub id: u16,
    /// Name that was asked for, lower case with a final dot; empty when the question is missing.
    pub name: String,
    /// Outcome.
    pub code: Code,
    /// TC: more would not fit.
    pub is_truncated: bool,
    /// Addresses of the answer section.
    pub addresses: Vec<IpAddr>,
    /// Records of the answer section.
    pub answers: usize,
}

impl Reply {
    /// Whether a user can use it: an answer, or the word that the name does not exist (RFC 9520 section 2 counts the rest as
    /// failures to resolve).
    pub fn is_usable(&self) -> bool {
        matches!(self.code, Code::NoError | Code::NoSuchName)
    }
}

/// Why a message can't be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Flaw {
    /// The bytes are no DNS message.
    #[error("not a DNS message: {0}")]
    Unreadable(String),
    /// A query where an answer was expected.
    #[error("a query, not an answer")]
    NotAnAnswer,
}

/// A query for the IPv4 address of a name, recursion desired, with EDNS. `None` when the name can't be a domain name.
pub fn query(id: u16, name: &str) -> Option<Vec<u8>> {
    let name = Name::from_ascii(name).ok()?;
    let mut message = Message::new(id, MessageType::Query, OpCode::Query);
    message.metadata.recursion_desired = true;
    message.add_query(Query::query(name, RecordType::A));
    let mut edns = Edns::new();
    edns.set_max_payload(EDNS_OCTETS);
    message.set_edns(edns);
    message.to_vec().ok()
}

/// Reads an answer.
///
/// # Errors
/// When the bytes are no answer.
pub fn parse(bytes: &[u8]) -> Result<Reply, Flaw> {
    answer(bytes).map(|message| reply_of(&message))
}

fn answer(bytes: &[u8]) -> Result<Message, Flaw> {
    let message = Message::from_vec(bytes).map_err(|error| Flaw::Unreadable(error.to_string()))?;
    if message.metadata.message_type == MessageType::Response { Ok(message) } else { Err(Flaw::NotAnAnswer) }
}

fn reply_of(message: &Message) -> Reply {
    let addresses = message.answers.iter().filter_map(|record| match &record.data {
        RData::A(a) => Some(IpAddr::V4(a.0)),
        RData::AAAA(a) => Some(IpAddr::V6(a.0)),
        _ => None,
    });
    Reply {
        id: message.metadata.id,
        name: message.queries.first().map(|q| q.name().to_lowercase().to_ascii()).unwrap_or_default(),
        code: match message.metadata.response_code {
            ResponseCode::NoError => Code::NoError,
            ResponseCode::NXDomain => Code::NoSuchName,
            ResponseCode::ServFail => Code::ServerFailure,
            ResponseCode::Refused => Code::Refused,
            other => Code::Other(u16::from(other)),
        },
        is_truncated: message.metadata.truncation,
        addresses: addresses.collect(),
        answers: message.answers.len(),
    }
}

/// The address that a far end's zone gives to a unique label: 198.18.0.0/15 (benchmarking, RFC 2544 appendix C.2.2) with the
/// low 17 bits of the label's FNV-1a hash (IETF draft-eastlake-fnv, 32 bits). Both the zone and the check compute it, so an
/// altered answer shows.
pub fn address_of_label(label: &str) -> Ipv4Addr {
    let hash =
        label.bytes().fold(0x811c_9dc5_u32, |hash, byte| (hash ^ u32::from(byte.to_ascii_lowercase())).wrapping_mul(0x0100_0193));
    Ipv4Addr::from(0xc612_0000 | (hash & 0x0001_ffff))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_query_has_the_octets_of_rfc_1035() {
        let bytes = query(0x1234, "a.example.net").unwrap();
        // Header (RFC 1035 section 4.1.1): id, RD, one question, one additional record; then the name and type A, class IN.
        let head = [0x12, 0x34, 0x01, 0, 0, 1, 0, 0, 0, 0, 0, 1];
        assert_eq!(bytes[..12], head);
        assert_eq!(&bytes[12..], b"\x01a\x07example\x03net\x00\x00\x01\x00\x01\x00\x00\x29\x04\xd0\x00\x00\x00\x00\x00\x00");
        assert_eq!(query(1, &"x".repeat(64)), None, "labels hold 63 octets (RFC 1035 section 2.3.4)");
        assert_eq!(parse(&bytes), Err(Flaw::NotAnAnswer));
    }

    #[test]
    fn an_answer_tells_code_truncation_and_addresses() {
        let mut bytes = query(7, "a.example.net").unwrap();
        bytes.truncate(31);
        (bytes[2], bytes[3], bytes[7], bytes[11]) = (0x87, 0x80, 1, 0);
        bytes.extend(*b"\xc0\x0c\x00\x01\x00\x01\x00\x00\x00\x3c\x00\x04\xc6\x12\x00\x01");
        let reply = parse(&bytes).unwrap();
        let want = Reply {
            id: 7,
            name: "a.example.net.".to_owned(),
            code: Code::NoError,
            is_truncated: true,
            addresses: vec!["198.18.0.1".parse().unwrap()],
            answers: 1,
        };
        assert_eq!(reply, want);
        for code in [(3, Code::NoSuchName), (2, Code::ServerFailure), (5, Code::Refused), (4, Code::Other(4))] {
            bytes[3] = 0x80 | code.0;
            assert_eq!(parse(&bytes).unwrap().code, code.1);
        }
        for cut in 0..bytes.len() {
            assert!(parse(&bytes[..cut]).is_err(), "{cut} octets");
        }
    }

    #[test]
    fn a_labels_address_is_its_fnv_hash_in_the_benchmarking_block() {
        // FNV-1a 32 of "a" is 0xe40c292c and of "foobar" 0xbf9cf968 (test vectors of draft-eastlake-fnv).
        assert_eq!(address_of_label("a"), Ipv4Addr::from(0xc612_0000 | (0xe40c_292c & 0x1_ffff)));
        assert_eq!(address_of_label("FooBar"), Ipv4Addr::from(0xc612_0000 | (0xbf9c_f968_u32 & 0x1_ffff)));
    }

    proptest! {
        #[test]
        fn no_octets_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let _ = parse(&bytes);
        }
    }
}
