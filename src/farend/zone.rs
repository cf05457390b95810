//! The zone that a far end is the authority of, so that agents can hold resolvers against known truth.
//!
//! | name | what it holds |
//! | --- | --- |
//! | `LABEL.u.ZONE` | the address of [`address_of_label`]: labels that nobody has asked for before are in no cache, and their answer is known |
//! | `LABEL.big.ZONE` | so many addresses that they do not fit a UDP answer |
//! | `LABEL.t1200.ZONE`, `t1400`, `t3000` | text that makes an answer without signatures so many octets long |
//! | `LABEL.RUN.who.ZONE` | text: where the query came from and how ([`wire::dns::facts`](crate::wire::dns::facts)) |
//! | `LABEL.seen.ZONE` | text: how many queries came for `LABEL.u.ZONE`, and from where |
//! | `LABEL.bad.ZONE` | the address of the label, with a signature that is spoiled |
//! | `LABEL.plain.ZONE` | the address of the label, in a zone of its own that is not signed |
//!
//! All else does not exist. The zone is signed (RFC 4035) by the key of [`key`]; what does not exist is denied by NSEC records that
//! are made for the question (RFC 4470). Only names of the zone are answered.

pub mod key;

mod journal;
mod place;

use std::io;
use std::net::{IpAddr, Ipv4Addr};
use std::sync::{Arc, Mutex, PoisonError};

use async_trait::async_trait;
use hickory_proto::dnssec::rdata::{DNSSECRData, NSEC};
use hickory_proto::op::{Message, Query, ResponseCode};
use hickory_proto::rr::rdata::{A, SOA, TXT};
use hickory_proto::rr::{Name, RData, Record, RecordType};

use self::journal::Journal;
use self::key::ZoneKey;
use self::place::{Place, locate, next_beside, next_closer, predecessor, successor};
use crate::net::dns_service::{Answers, Asker, DnsService, reply};
use crate::wire::dns::address_of_label;
use crate::wire::dns::facts::{Arrivals, AskedFrom};

/// Seconds that answers may be kept: long enough for the cached lookups of one visit.
const TTL: u32 = 60;
/// Seconds that a missing name may be kept (RFC 2308 section 5).
const NEGATIVE_TTL: u32 = 5;
/// Addresses of a name below `big`: 16 octets each (RFC 1035 section 4.1.3, the name compressed), so more than 1232 in all.
const BIG: u8 = 100;

/// A zone to serve.
#[derive(Debug)]
pub struct ZoneOptions {
    /// Its name.
    pub name: String,
    /// UDP and TCP port.
    pub port: u16,
    /// What signs it.
    pub key: ZoneKey,
}

/// A running authority; ends when dropped.
#[derive(Debug)]
pub struct Zone {
    _service: DnsService,
}

impl Zone {
    /// Serves a zone at these addresses in the current runtime.
    ///
    /// # Errors
    /// When the name is no domain name or a port can't be had.
    pub async fn start(addresses: &[IpAddr], options: ZoneOptions) -> io::Result<Self> {
        let ZoneOptions { name, port, key } = options;
        let truth = Truth::new(&name, key)
            .ok_or_else(|| io::Error::new(io::ErrorKind::InvalidInput, format!("`{name}` is no domain name")))?;
        Ok(Self { _service: DnsService::start(addresses, port, Arc::new(truth)).await? })
    }
}

/// What the zone holds.
struct Truth {
    zone: Name,
    plain: Name,
    key: ZoneKey,
    journal: Mutex<Journal>,
}

impl Truth {
    fn new(zone: &str, key: ZoneKey) -> Option<Self> {
        let mut zone = Name::from_ascii(zone).ok()?.to_lowercase();
        zone.set_fqdn(true);
        let plain = zone.prepend_label("plain").ok()?;
        Some(Self { zone, plain, key, journal: Mutex::default() })
    }

    fn look_up(&self, question: &Query, asker: &Asker) -> Message {
        let (name, kind) = (question.name().to_lowercase(), question.query_type());
        if !self.zone.zone_of(&name) {
            return reply(ResponseCode::Refused);
        }
        let place = locate(&self.zone, &name);
        let mut message = reply(if place == Place::Nowhere { ResponseCode::NXDomain } else { ResponseCode::NoError });
        message.metadata.authoritative = true;
        // The parent's side of a zone cut answers for DS (RFC 4035 section 3.1.4.1).
        let is_plain = self.plain.zone_of(&name) && !(name == self.plain && kind == RecordType::DS);
        let key = Some(&self.key).filter(|_| asker.wants_signatures && !is_plain);
        let signed = |records: Vec<Record>, is_true: bool| {
            let signature = key.and_then(|key| key.sign(&self.zone, &records, is_true));
            records.into_iter().chain(signature).collect::<Vec<_>>()
        };
        let data = self.data(&place, &name, kind, asker);
        if data.is_empty() {
            // RFC 2308 section 3: what does not exist comes with the start of authority.
            let owner = if is_plain { &self.plain } else { &self.zone };
            let start = Record::from_rdata(owner.clone(), NEGATIVE_TTL, start_of_authority(owner));
            message.authorities.extend(signed(vec![start], true));
            if key.is_some() {
                self.denial(&place, &name).into_iter().for_each(|record| message.authorities.extend(signed(vec![record], true)));
            }
        } else {
            // What is told of the question itself is true once.
            let ttl = if matches!(place, Place::Who { .. } | Place::Seen(_)) { 0 } else { TTL };
            let records = data.into_iter().map(|data| Record::from_rdata(name.clone(), ttl, data)).collect();
            message.answers.extend(signed(records, !matches!(place, Place::Bad(_))));
        }
        self.journal().note(&name.to_ascii(), asker.from);
        message
    }

    fn data(&self, place: &Place, name: &Name, kind: RecordType, asker: &Asker) -> Vec<RData> {
        let one = |data| vec![data];
        match (kind, place) {
            (RecordType::A, Place::Unique(label) | Place::Bad(label) | Place::Plain(label)) => {
                one(RData::A(A(address_of_label(label))))
            }
            (RecordType::A, Place::Big) => (0..BIG).map(|n| RData::A(A(Ipv4Addr::new(198, 18, 0, n)))).collect(),
            (RecordType::TXT, Place::Text(octets)) => one(RData::TXT(filling(*octets, name))),
            (RecordType::TXT, Place::Who { parent }) => {
                let told = AskedFrom {
                    from: asker.from,
                    is_over_tcp: asker.is_over_tcp,
                    edns_octets: asker.edns_octets,
                    wants_signatures: asker.wants_signatures,
                    client_subnet: asker.client_subnet,
                    is_minimised: self.journal().of(&parent.to_ascii()).queries > 0,
                };
                one(RData::TXT(TXT::new(told.to_texts())))
            }
            (RecordType::TXT, Place::Seen(label)) => {
                let unique = format!("{label}.u.{}", self.zone.to_ascii());
                let seen = self.journal().of(&unique);
                one(RData::TXT(TXT::new(Arrivals { queries: seen.queries, from: seen.askers }.to_texts())))
            }
            (RecordType::SOA, Place::Apex) => one(start_of_authority(&self.zone)),
            (RecordType::SOA, Place::PlainApex) => one(start_of_authority(&self.plain)),
            (RecordType::DNSKEY, Place::Apex) => one(self.key.dnskey()),
            _ => Vec::new(),
        }
    }

    /// The NSEC records that prove that there is no such record: of the name itself where it exists, else around the name
    /// that would have to exist and around the wildcard (RFC 4035 section 3.1.3, RFC 4470 section 4).
    fn denial(&self, place: &Place, name: &Name) -> Vec<Record> {
        let nsec = |owner: Name, next: Option<Name>, kinds: &[RecordType]| {
            let data = NSEC::new_cover_self(next?, kinds.iter().copied());
            Some(Record::from_rdata(owner, NEGATIVE_TTL, RData::DNSSEC(DNSSECRData::NSEC(data))))
        };
        if *place != Place::Nowhere {
            return nsec(name.clone(), successor(name), place.kinds()).into_iter().collect();
        }
        let Some(missing) = next_closer(&self.zone, name) else { return Vec::new() };
        let wildcard = missing.base_name().prepend_label("*").ok();
        let around = |name: Name| nsec(predecessor(&name)?, next_beside(&name), &[]);
        [Some(missing), wildcard].into_iter().flatten().filter_map(around).collect()
    }

    fn journal(&self) -> std::sync::MutexGuard<'_, Journal> {
        self.journal.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn start_of_authority(zone: &Name) -> RData {
    RData::SOA(SOA::new(zone.clone(), zone.clone(), 1, 3600, 600, 86_400, NEGATIVE_TTL))
}

/// Text that makes the answer to a question for this name `octets` long: header 12, question name and 4, record 12 (its name
/// compressed) and OPT 11 (RFC 1035 section 4.1, RFC 6891 section 6.1.2); each string has an octet of length.
fn filling(octets: u16, name: &Name) -> TXT {
    // The library's length leaves out the octet of the root.
    let around = 12 + name.len() + 1 + 4 + 12 + 11;
    let mut rest = usize::from(octets).saturating_sub(around);
    let mut texts = Vec::new();
    while rest > 0 {
        let text = (rest - 1).min(255);
        texts.push("x".repeat(text));
        rest -= text + 1;
    }
    TXT::new(texts)
}

#[async_trait]
impl Answers for Truth {
    async fn answer(&self, question: &Query, asker: &Asker) -> Option<Message> {
        Some(self.look_up(question, asker))
    }
}

#[cfg(test)]
mod tests;
