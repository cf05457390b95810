//! The provider's name servers on the practice line: caching resolvers that ask the far end for names of its zone.
//!
//! They know a few names of the line's own world and that all others do not exist; nothing is asked outside the line. A full
//! recursor has nothing to recurse through here, so the library's server answers and one query to the zone's authority is
//! made by hand. Modes other than the truthful one are faults.

use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use async_trait::async_trait;
use hickory_proto::op::{Message, Query, ResponseCode};
use hickory_proto::rr::rdata::{A, AAAA, NAPTR, SRV};
use hickory_proto::rr::{Name, RData, Record, RecordType};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpStream, UdpSocket};
use tokio::runtime::Runtime;

use crate::net::dns_service::{Answers, Asker, DnsService, reply};
use crate::net::netns::Namespace;
use crate::practice::roles::registrar;
use crate::practice::topology::{RESOLVERS_V4, RESOLVERS_V6};
use crate::wire::sip::PORT;

/// Where a lying resolver sends those who mistype (an address of the documentation range, RFC 5737).
const LIE: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 80);
/// Names of the line's own world.
const LOCAL: [(&str, Ipv4Addr); 2] =
    [("www.example.net.", Ipv4Addr::new(203, 0, 113, 10)), ("portal.example.test.", Ipv4Addr::new(203, 0, 113, 10))];
/// What the authority has to answer.
const AUTHORITY_WAIT: Duration = Duration::from_secs(1);
const TTL: u32 = 60;

/// How a resolver behaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    /// Truthful.
    Truthful,
    /// Names that do not exist are given an address.
    Lying,
    /// Every lookup fails.
    Failing,
}

/// Running resolvers.
#[derive(Debug)]
pub struct DnsRole {
    runtime: Option<Runtime>,
    _service: DnsService,
}

impl DnsRole {
    /// Starts resolvers at these addresses of a place; names of `zone` are asked from `authority`.
    ///
    /// # Errors
    /// When the runtime or port 53 can't be had.
    pub fn start(
        place: &Namespace,
        addresses: Vec<IpAddr>,
        zone: &str,
        authority: SocketAddr,
        manner: Manner,
    ) -> io::Result<Self> {
        let zone = Name::from_ascii(zone).map_err(io::Error::other)?.to_lowercase();
        let resolver = Resolver { zone, authority, manner, cache: Mutex::default() };
        let runtime = place.runtime(1)?;
        // On a worker, which is inside the place; this thread is not.
        let start = runtime.spawn(async move { DnsService::start(&addresses, 53, Arc::new(resolver)).await });
        let service = runtime.block_on(start).map_err(io::Error::other)??;
        Ok(Self { runtime: Some(runtime), _service: service })
    }
}

impl Drop for DnsRole {
    fn drop(&mut self) {
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_timeout(Duration::from_secs(2));
        }
    }
}

struct Resolver {
    zone: Name,
    authority: SocketAddr,
    manner: Manner,
    cache: Mutex<HashMap<(Name, RecordType), (Message, Instant)>>,
}

#[async_trait]
impl Answers for Resolver {
    async fn answer(&self, question: &Query, _: &Asker) -> Option<Message> {
        if self.manner == Manner::Failing {
            return Some(reply(ResponseCode::ServFail));
        }
        let mut message = self.truth(question).await;
        let is_missing = message.metadata.response_code == ResponseCode::NXDomain;
        if self.manner == Manner::Lying && is_missing && question.query_type() == RecordType::A {
            message = reply(ResponseCode::NoError);
            message.add_answer(Record::from_rdata(question.name().clone(), TTL, RData::A(A(LIE))));
        }
        message.metadata.recursion_available = true;
        message.metadata.authoritative = false;
        Some(message)
    }
}

impl Resolver {
    async fn truth(&self, question: &Query) -> Message {
        let name = question.name().to_lowercase();
        let key = (name.clone(), question.query_type());
        let now = Instant::now();
        if let Some((message, until)) = self.cache().get(&key)
            && *until > now
        {
            return message.clone();
        }
        let message = if self.zone.zone_of(&name) { self.ask_authority(question).await } else { local(&name, question) };
        // RFC 9520: a failure may be kept for a while too, but then a practice line's fault would outlast its end.
        if message.metadata.response_code != ResponseCode::ServFail {
            let ttl = message.answers.iter().chain(&message.authorities).map(|record| record.ttl).min().unwrap_or(0);
            self.cache().insert(key, (message.clone(), now + Duration::from_secs(u64::from(ttl))));
        }
        message
    }

    async fn ask_authority(&self, question: &Query) -> Message {
        let mut query = Message::query();
        query.metadata.id = rand::random();
        query.add_query(question.clone());
        let exchange = async {
            let octets = query.to_vec().map_err(io::Error::other)?;
            let local: IpAddr =
                if self.authority.is_ipv4() { Ipv4Addr::UNSPECIFIED.into() } else { std::net::Ipv6Addr::UNSPECIFIED.into() };
            let socket = UdpSocket::bind((local, 0)).await?;
            socket.connect(self.authority).await?;
            socket.send(&octets).await?;
            let mut buffer = vec![0; 4096];
            let len = socket.recv(&mut buffer).await?;
            let mut answer = Message::from_vec(&buffer[..len]).map_err(io::Error::other)?;
            if answer.metadata.truncation {
                answer = self.ask_over_tcp(&octets).await?;
            }
            if answer.metadata.id == query.metadata.id { Ok(answer) } else { Err(io::Error::other("another question's answer")) }
        };
        match tokio::time::timeout(AUTHORITY_WAIT, exchange).await {
            Ok(Ok(answer)) => answer,
            Ok(Err(_)) | Err(_) => reply(ResponseCode::ServFail),
        }
    }

    /// RFC 7766 section 5: what was cut is asked for again over TCP.
    async fn ask_over_tcp(&self, query: &[u8]) -> io::Result<Message> {
        let mut stream = TcpStream::connect(self.authority).await?;
        stream.write_all(&[&(query.len() as u16).to_be_bytes(), query].concat()).await?;
        let mut answer = vec![0; usize::from(stream.read_u16().await?)];
        stream.read_exact(&mut answer).await?;
        Message::from_vec(&answer).map_err(io::Error::other)
    }

    fn cache(&self) -> std::sync::MutexGuard<'_, HashMap<(Name, RecordType), (Message, Instant)>> {
        self.cache.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What the zone of the SIP service has (RFC 3263 section 4.1): NAPTR and addresses at its domain, SRV below, and the host; `None` for other names.
fn of_sip(name: &Name) -> Option<Vec<RData>> {
    let domain = registrar::DOMAIN;
    let known = |text: String| Name::from_ascii(text).ok();
    let host = known(format!("sip1.{domain}."))?;
    let addresses = [RData::A(A(RESOLVERS_V4[0])), RData::AAAA(AAAA(RESOLVERS_V6[0]))];
    let transports = [("SIP+D2U", "_sip._udp", 50), ("SIP+D2T", "_sip._tcp", 60)];
    if *name == known(format!("{domain}."))? {
        let rule = |(services, label, preference): (&str, &str, u16)| {
            let to = known(format!("{label}.{domain}."))?;
            let empty = Vec::new().into_boxed_slice();
            Some(RData::NAPTR(NAPTR::new(100, preference, b"s".to_vec().into(), services.as_bytes().to_vec().into(), empty, to)))
        };
        let rules = transports.into_iter().filter_map(rule);
        return Some(addresses.into_iter().chain(rules).collect());
    }
    if *name == host {
        return Some(addresses.to_vec());
    }
    let is_pointer = transports.iter().any(|(_, label, _)| known(format!("{label}.{domain}.")).as_ref() == Some(name));
    is_pointer.then(|| vec![RData::SRV(SRV::new(10, 100, PORT, host))])
}

/// Names of the line's own world; all others do not exist.
fn local(name: &Name, question: &Query) -> Message {
    if let Some(records) = of_sip(name) {
        let mut message = reply(ResponseCode::NoError);
        for record in records.into_iter().filter(|record| record.record_type() == question.query_type()) {
            message.add_answer(Record::from_rdata(name.clone(), TTL, record));
        }
        return message;
    }
    let Some((_, address)) = LOCAL.iter().find(|(known, _)| Name::from_ascii(known).is_ok_and(|known| known == *name)) else {
        return reply(ResponseCode::NXDomain);
    };
    let mut message = reply(ResponseCode::NoError);
    if question.query_type() == RecordType::A {
        message.add_answer(Record::from_rdata(name.clone(), TTL, RData::A(A(*address))));
    }
    message
}
