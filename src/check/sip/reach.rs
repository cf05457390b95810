//! Whether each server answers OPTIONS (RFC 3261 section 11), over each transport and IP version.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use futures_util::future::join_all;

use super::super::Context;
use super::TIMERS;
use super::channel::Channel;
use crate::proto::sip::Conversation;
use crate::proto::sip::lookup::Candidate;
use crate::proto::sip::service::Service;
use crate::proto::sip::speaker::Speaker;
use crate::proto::sip::transaction::{Ending, Transaction};
use crate::unit::Family;
use crate::wire::sip::{Message, Method, Transport};

/// Addresses of one server that are asked: one of each IP version (ours).
const ADDRESSES: usize = 2;

/// What one address showed over one transport.
#[derive(Debug)]
pub(super) struct Attempt {
    pub(super) transport: Transport,
    pub(super) target: String,
    pub(super) at: SocketAddr,
    /// Whether the way could be opened; datagrams need none.
    pub(super) is_open: bool,
    pub(super) connect: Option<Duration>,
    pub(super) secure: Option<Duration>,
    /// The answer, and how long after the request was first sent.
    pub(super) answer: Option<(Message, Duration)>,
    /// Times that the request was sent.
    pub(super) sendings: u32,
    /// Over TLS: whether the certificate is the domain's and of a trusted authority.
    pub(super) is_certified: Option<bool>,
    pub(super) why: Option<String>,
    /// The test set can't speak what the server wants.
    pub(super) is_beyond_us: bool,
    /// The own end's address.
    pub(super) local: Option<SocketAddr>,
}

/// Asks all side by side.
pub(super) async fn all(context: &Context, service: &Service, candidates: &[Candidate]) -> Vec<Attempt> {
    let places = candidates.iter().flat_map(|candidate| {
        let first = |family| candidate.addresses.iter().find(move |address| Family::of(**address) == family);
        let both = [first(Family::Ipv6), first(Family::Ipv4)].into_iter().flatten().take(ADDRESSES);
        both.map(move |address| (candidate, SocketAddr::new(*address, candidate.port)))
    });
    join_all(places.map(|(candidate, at)| one(context, service, candidate, at))).await
}

async fn one(context: &Context, service: &Service, candidate: &Candidate, at: SocketAddr) -> Attempt {
    let transport = candidate.transport;
    let mut attempt = Attempt {
        transport,
        target: candidate.target.clone(),
        at,
        is_open: false,
        connect: None,
        secure: None,
        answer: None,
        sendings: 0,
        is_certified: None,
        why: None,
        is_beyond_us: false,
        local: None,
    };
    let opened = tokio::select! {
        () = context.cancel.cancelled() => return Attempt { why: Some("the visit was ended early".to_owned()), ..attempt },
        opened = Channel::open(context, service, transport, at) => opened,
    };
    let mut channel = match opened {
        Ok(channel) => channel,
        Err(closed) => {
            attempt.is_certified = closed.is_certificate.then_some(false);
            return Attempt { why: Some(closed.why), is_beyond_us: closed.is_beyond_us, ..attempt };
        }
    };
    (attempt.is_open, attempt.connect, attempt.secure) = (true, channel.connect, channel.secure);
    attempt.is_certified = channel.secure.map(|_| true);
    attempt.local = Some(channel.local());
    let mut speaker = Speaker::new(transport, channel.local(), rand::random());
    let domain = format!("sip:{}", service.domain.in_uri());
    let more = [("Contact", speaker.contact()), ("Accept", "application/sdp".to_owned())];
    let request = speaker.ask(Method::Options, &domain, [&domain, &domain], &more);
    let mut asking = Transaction::new(request, transport, TIMERS);
    channel.converse(&mut asking, &context.cancel).await;
    asking.on_wake(Instant::now());
    attempt.sendings = asking.sendings();
    match asking.ending() {
        Some(Ending::Answered(message, took)) => attempt.answer = Some(((**message).clone(), *took)),
        Some(Ending::Silent) => attempt.why = Some(format!("no answer within {} s", TIMERS.give_up.as_secs())),
        Some(Ending::Broken(why)) => attempt.why = Some(why.clone()),
        None => attempt.why = Some("the visit was ended early".to_owned()),
    }
    attempt
}
