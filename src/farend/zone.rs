//! The zone that a far end is the authority of, so that agents can hold resolvers against known truth.
//!
//! `LABEL.u.ZONE` has the address of [`address_of_label`]: an agent asks for labels that nobody has asked for before, so no
//! cache can answer, and knows the answer. `LABEL.big.ZONE` has so many addresses that they do not fit a UDP answer. All else
//! does not exist. Only names of the zone are answered; it must not know who asks.

use std::io;
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;

use async_trait::async_trait;
use hickory_proto::op::{Message, Query, ResponseCode};
use hickory_proto::rr::rdata::{A, SOA};
use hickory_proto::rr::{Name, RData, Record, RecordType};

use crate::net::dns_service::{Answers, DnsService, reply};
use crate::wire::dns::address_of_label;

/// Seconds that answers may be kept: long enough for the cached lookups of one visit.
const TTL: u32 = 60;
/// Seconds that a missing name may be kept (RFC 2308 section 5).
const NEGATIVE_TTL: u32 = 5;
/// Addresses of a name below `big`: 16 octets each (RFC 1035 section 4.1.3, the name compressed), so more than 1232 in all.
const BIG: u8 = 100;

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
    pub async fn start(addresses: &[IpAddr], port: u16, zone: &str) -> io::Result<Self> {
        let truth =
            Truth::new(zone).ok_or_else(|| io::Error::new(io::ErrorKind::InvalidInput, format!("`{zone}` is no domain name")))?;
        Ok(Self { _service: DnsService::start(addresses, port, Arc::new(truth)).await? })
    }
}

/// What the zone holds.
struct Truth {
    zone: Name,
    unique: Name,
    big: Name,
}

impl Truth {
    fn new(zone: &str) -> Option<Self> {
        let mut zone = Name::from_ascii(zone).ok()?.to_lowercase();
        zone.set_fqdn(true);
        let child = |label: &str| Name::from_ascii(label).ok()?.append_domain(&zone).ok();
        Some(Self { unique: child("u")?, big: child("big")?, zone })
    }

    fn look_up(&self, question: &Query) -> Message {
        let name = question.name().to_lowercase();
        if !self.zone.zone_of(&name) {
            return reply(ResponseCode::Refused);
        }
        let is_below = |parent: &Name| parent.zone_of(&name) && name.num_labels() == parent.num_labels() + 1;
        let (is_unique, is_big) = (is_below(&self.unique), is_below(&self.big));
        let exists = is_unique || is_big || [&self.zone, &self.unique, &self.big].contains(&&name);
        let mut message = reply(if exists { ResponseCode::NoError } else { ResponseCode::NXDomain });
        message.metadata.authoritative = true;
        let one = |data| vec![data];
        let data = match question.query_type() {
            RecordType::A if is_unique => {
                let label = name.iter().next().map(|l| String::from_utf8_lossy(l).into_owned()).unwrap_or_default();
                one(RData::A(A(address_of_label(&label))))
            }
            RecordType::A if is_big => (0..BIG).map(|n| RData::A(A(Ipv4Addr::new(198, 18, 0, n)))).collect(),
            RecordType::SOA if name == self.zone => one(self.start_of_authority()),
            _ => Vec::new(),
        };
        if data.is_empty() {
            // RFC 2308 section 3: what does not exist comes with the start of authority.
            message.add_authority(Record::from_rdata(self.zone.clone(), NEGATIVE_TTL, self.start_of_authority()));
        }
        for data in data {
            message.add_answer(Record::from_rdata(name.clone(), TTL, data));
        }
        message
    }

    fn start_of_authority(&self) -> RData {
        RData::SOA(SOA::new(self.zone.clone(), self.zone.clone(), 1, 3600, 600, 86_400, NEGATIVE_TTL))
    }
}

#[async_trait]
impl Answers for Truth {
    async fn answer(&self, question: &Query) -> Option<Message> {
        Some(self.look_up(question))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unique_labels_have_their_address_and_all_else_does_not_exist() {
        let truth = Truth::new("probe.example.net").unwrap();
        let ask = |name: &str, kind| truth.look_up(&Query::query(Name::from_ascii(name).unwrap(), kind));
        let found = ask("Abc.u.probe.example.net.", RecordType::A);
        assert_eq!(found.answers[0].data, RData::A(A(address_of_label("abc"))));
        assert!(found.metadata.authoritative);
        assert_eq!(ask("nothing.probe.example.net.", RecordType::A).metadata.response_code, ResponseCode::NXDomain);
        assert_eq!(ask("a.b.u.probe.example.net.", RecordType::A).metadata.response_code, ResponseCode::NXDomain);
        let empty = ask("abc.u.probe.example.net.", RecordType::AAAA);
        assert_eq!((empty.metadata.response_code, empty.answers.len()), (ResponseCode::NoError, 0));
        assert_eq!(ask("www.example.org.", RecordType::A).metadata.response_code, ResponseCode::Refused);
        assert!(ask("abc.big.probe.example.net.", RecordType::A).to_vec().unwrap().len() > 1232);
    }
}
