//! Asking DNS where a domain's SIP is: NAPTR, SRV, addresses, at the line's own resolvers.

use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use futures_util::future::join_all;

use super::super::Context;
use super::super::dns::exchange;
use super::channel::is_usable;
use crate::proto::sip::lookup::{Candidate, Pointer, direct, is_direct, ordered, pointers, usual_pointers};
use crate::proto::sip::service::Service;
use crate::unit::Family;
use crate::wire::dns::closer::{self, Closer, Kind, Question};

const DNS_PORT: u16 = 53;
/// Servers of one transport that are looked at, of those that DNS names (ours).
const SERVERS: usize = 2;

/// What DNS says.
#[derive(Debug, Default)]
pub(super) struct Found {
    /// In the order in which a client has to try them.
    pub(super) candidates: Vec<Candidate>,
    /// From the first question to the last answer; `None` where nothing had to be asked.
    pub(super) took: Option<Duration>,
    /// Whether NAPTR, and SRV, were there; `None` where they are not asked.
    pub(super) has_naptr: Option<bool>,
    pub(super) has_srv: Option<bool>,
    /// No resolver answered, so that nothing is known of the service.
    pub(super) is_unanswered: bool,
    /// Why nothing is known.
    pub(super) why: Option<String>,
}

pub(super) async fn find(context: &Context, service: &Service) -> Found {
    let (domain, wanted) = (&service.domain, service.transports.as_slice());
    let begun = Instant::now();
    let mut found = Found::default();
    if is_direct(domain) {
        found.candidates = direct(domain, wanted);
        if domain.address().is_some() {
            found.candidates.iter_mut().for_each(|candidate| candidate.addresses.retain(|one| is_usable(context, *one)));
            return found;
        }
    } else {
        let Some(answer) = ask(context, &format!("{}.", domain.host), Kind::Naptr).await else {
            found.is_unanswered = true;
            found.why = Some("no resolver of this line answers for the domain".to_owned());
            return found;
        };
        let published = pointers(&answer.naptrs, wanted);
        found.has_naptr = Some(!published.is_empty());
        let pointers = if published.is_empty() { usual_pointers(domain, wanted) } else { published };
        found.candidates = servers(context, &pointers).await;
        found.has_srv = Some(!found.candidates.is_empty());
        if found.candidates.is_empty() {
            found.candidates = direct(domain, wanted);
        }
    }
    add_addresses(context, &mut found.candidates).await;
    found.took = Some(begun.elapsed());
    if found.candidates.iter().all(|candidate| candidate.addresses.is_empty()) {
        found.why = Some("DNS names no host with an address that this line can use".to_owned());
    }
    found
}

async fn servers(context: &Context, pointers: &[Pointer]) -> Vec<Candidate> {
    let answers = join_all(pointers.iter().map(|pointer| ask(context, &pointer.name, Kind::Srv))).await;
    let mut candidates = Vec::new();
    for (pointer, answer) in pointers.iter().zip(answers) {
        let records = answer.map(|answer| answer.srvs).unwrap_or_default();
        let order = ordered(&records, |most| rand::random_range(0..=most));
        candidates.extend(order.into_iter().take(SERVERS).map(|record| Candidate {
            transport: pointer.transport,
            target: record.target,
            port: record.port,
            addresses: Vec::new(),
        }));
    }
    candidates
}

/// Of the IP versions that the line has; IPv6 first, as hosts prefer it (RFC 6724 section 2.1).
async fn add_addresses(context: &Context, candidates: &mut [Candidate]) {
    let mut names: Vec<String> = candidates.iter().map(|candidate| candidate.target.clone()).collect();
    names.sort();
    names.dedup();
    let known = join_all(names.iter().map(|name| addresses(context, name))).await;
    for candidate in candidates {
        let at = names.iter().position(|name| *name == candidate.target);
        candidate.addresses = at.map(|at| known[at].clone()).unwrap_or_default();
    }
}

async fn addresses(context: &Context, name: &str) -> Vec<IpAddr> {
    let name = format!("{}.", name.trim_end_matches('.'));
    let kinds = [(Family::Ipv6, Kind::Aaaa), (Family::Ipv4, Kind::A)];
    let asked = kinds.into_iter().filter(|(family, _)| context.known.has(*family)).map(|(family, kind)| {
        let name = name.as_str();
        async move {
            let answer = ask(context, name, kind).await;
            let all = answer.map(|answer| answer.reply.addresses).unwrap_or_default();
            all.into_iter().filter(|address| Family::of(*address) == family).collect::<Vec<_>>()
        }
    });
    join_all(asked).await.concat()
}

/// The answer of the first resolver that gives one that can be used; cut ones are asked for again over TCP (RFC 7766 section 5).
async fn ask(context: &Context, name: &str, kind: Kind) -> Option<Closer> {
    for resolver in &context.known.resolvers {
        let to = SocketAddr::new(*resolver, DNS_PORT);
        let query = closer::query(rand::random(), &Question::new(name.to_owned(), kind))?;
        let device = context.interface.name.as_str();
        let Some(answer) = exchange::over_udp(to, device, &query, 1).await else { continue };
        let mut read = closer::parse(&answer).ok();
        if read.as_ref().is_some_and(|read| read.reply.is_truncated) {
            let whole = exchange::over_tcp(to, device, &query).await.ok();
            read = whole.and_then(|(octets, _)| closer::parse(&octets).ok());
        }
        if let Some(read) = read.filter(|read| read.reply.is_usable()) {
            return Some(read);
        }
    }
    None
}
