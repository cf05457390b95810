//! Asks one resolver: the loop around the machine over UDP, and single lookups over TCP.

use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

use tokio_util::sync::CancellationToken;

use super::closer::{self, Looked};
use super::exchange::{self, BUFFER, any_port};
use super::questions::{Purpose, Question, Questions};
use super::{INTERVAL, WAIT};
use crate::net::stamped::{SendWith, StampedEvent, StampedSocket};
use crate::proto::dns_probe::{DnsProbe, Fate};
use crate::proto::round_trip::Moment;
use crate::wire::dns::facts::Arrivals;
use crate::wire::dns::{self, Reply};

const PORT: u16 = 53;

/// What one resolver did.
#[derive(Debug, Clone, Default)]
pub(super) struct Examined {
    pub(super) questions: Vec<Question>,
    pub(super) fates: Vec<Fate>,
    pub(super) sent_after: Vec<Duration>,
    pub(super) over_tcp: Vec<TcpLookup>,
    /// An answer over UDP was cut; whether TCP then gave it whole.
    pub(super) truncated: Option<bool>,
    /// The lookup with a large answer was asked twice and not answered at all, where others were.
    pub(super) large_is_lost: bool,
    pub(super) strays: u64,
    pub(super) unreadable: u64,
    pub(super) receive_drops: u32,
    /// ICMP errors that came back for queries.
    pub(super) icmp_errors: u64,
    /// TTL or hop limit that the first answer came with.
    pub(super) hop_limit: Option<u8>,
    /// The closer look, where one was taken.
    pub(super) looked: Option<Looked>,
    /// How often the name that is asked for again and again came to the authority.
    pub(super) arrived: Option<Arrivals>,
    /// The socket could not be had or failed.
    pub(super) error: Option<String>,
}

impl Examined {
    /// The lookups over UDP that were sent, and what became of each.
    pub(super) fn asked(&self) -> impl Iterator<Item = (&Question, &Fate)> {
        let has_outcome = |(_, fate): &(&Question, &Fate)| !matches!(fate, Fate::Open | Fate::NotSent);
        self.questions.iter().zip(&self.fates).filter(has_outcome)
    }

    /// The same examination without the lookups of the far end's zone.
    pub(super) fn outside_zone(&self) -> Self {
        let mut rest = self.clone();
        let is_kept: Vec<bool> = self.questions.iter().map(|question| !question.is_of_zone).collect();
        let at = |position: usize| is_kept.get(position).copied().unwrap_or(false);
        fn keep<T>(of: &mut Vec<T>, is_kept: impl Fn(usize) -> bool) {
            let mut position = 0;
            of.retain(|_| {
                position += 1;
                is_kept(position - 1)
            });
        }
        keep(&mut rest.questions, at);
        keep(&mut rest.fates, at);
        keep(&mut rest.sent_after, at);
        rest.over_tcp.retain(|lookup| !lookup.question.is_of_zone);
        rest
    }
}

/// One lookup over TCP.
#[derive(Debug, Clone)]
pub(super) struct TcpLookup {
    pub(super) question: Question,
    pub(super) result: Result<(Reply, Duration), String>,
}

/// How closely to look, beside the timed lookups.
#[derive(Debug, Clone, Copy)]
pub(super) struct Closely<'a> {
    /// The far end's zone.
    pub(super) zone: Option<&'a str>,
    /// Makes the names unlike all others.
    pub(super) run: u64,
    /// Domains that hosts complete names by.
    pub(super) completion: &'a [&'a str],
}

/// Asks a resolver everything.
pub(super) async fn resolver(
    address: IpAddr,
    questions: Questions,
    closely: Option<Closely<'_>>,
    device: &str,
    cancel: &CancellationToken,
    tell: impl Fn(usize),
) -> Examined {
    let to = SocketAddr::new(address, PORT);
    let start = Instant::now();
    let mut examined = Examined { questions: questions.over_udp.clone(), ..Examined::default() };
    let probe = DnsProbe::new(start, questions.lookups(), INTERVAL, WAIT);
    let mut udp = Udp { probe, drops: 0, icmp_errors: 0, hop_limit: None, sent_after: Vec::new() };
    let tcp_questions = questions.over_tcp.clone();
    let look = async {
        let closely = closely?;
        tokio::select! {
            biased;
            looked = closer::look(to, device, closely) => Some(looked),
            () = cancel.cancelled() => None,
        }
    };
    let (result, over_tcp, looked) =
        tokio::join!(udp.run(to, device, start, cancel, tell), over_tcp(to, device, tcp_questions, cancel), look);
    (examined.looked, examined.hop_limit) = (looked, udp.hop_limit);
    examined.error = result.err().map(|error| error.to_string());
    examined.over_tcp = over_tcp;
    examined.fates = udp.probe.fates();
    examined.sent_after = udp.sent_after;
    (examined.strays, examined.unreadable) = (udp.probe.strays(), udp.probe.unreadable());
    (examined.receive_drops, examined.icmp_errors) = (udp.drops, udp.icmp_errors);
    let answers_for_zone = examined
        .asked()
        .any(|(question, fate)| question.is_of_zone && matches!(fate, Fate::Answered(reply, _) if reply.is_usable()));
    let is_cut = |fate: &Fate| matches!(fate, Fate::Answered(reply, _) if reply.is_truncated);
    let cut = examined.fates.iter().position(is_cut).and_then(|at| examined.questions.get(at));
    let mut cut = cut.map(|question| &question.name);
    if let Some(name) = questions.large.as_ref().filter(|_| answers_for_zone && !cancel.is_cancelled()) {
        match one_over_udp(to, device, name).await {
            Some(reply) => cut = cut.or_else(|| reply.is_truncated.then_some(name)),
            None => examined.large_is_lost = true,
        }
    }
    let again = examined.questions.iter().find(|question| question.purpose == Purpose::Cached);
    if let (Some(zone), Some(again)) = (closely.and_then(|closely| closely.zone), again)
        && answers_for_zone
        && !cancel.is_cancelled()
    {
        examined.arrived = closer::arrivals(to, device, zone, again).await;
    }
    if let Some(name) = cut {
        // RFC 7766 section 5: what was cut is asked for again over TCP.
        let whole = one_over_tcp(to, device, name).await;
        examined.truncated = Some(whole.is_ok_and(|(reply, _)| !reply.is_truncated));
    }
    examined
}

struct Udp {
    probe: DnsProbe,
    drops: u32,
    icmp_errors: u64,
    hop_limit: Option<u8>,
    sent_after: Vec<Duration>,
}

impl Udp {
    async fn run(
        &mut self,
        to: SocketAddr,
        device: &str,
        start: Instant,
        cancel: &CancellationToken,
        tell: impl Fn(usize),
    ) -> io::Result<()> {
        let socket = StampedSocket::udp(any_port(to), Some(device))?;
        let mut buffer = vec![0; BUFFER];
        let mut keys = HashMap::new();
        loop {
            self.probe.on_wake(Instant::now());
            while let Some((at, bytes)) = self.probe.transmit(Instant::now()) {
                let now = Instant::now();
                self.sent_after.push(now.duration_since(start));
                match socket.try_send_to(&bytes, to, SendWith::default()) {
                    Ok(key) => {
                        self.probe.on_sent(at, Moment { stamp: key.user_stamp(), at: now });
                        keys.insert(key, at);
                    }
                    Err(_) => self.probe.on_send_failed(at),
                }
                tell(at + 1);
            }
            let Some(wake) = self.probe.next_wake() else { return Ok(()) };
            tokio::select! {
                biased;
                event = socket.next_event(&mut buffer) => match event? {
                    StampedEvent::Received { len, from, stamp, at, ttl, receive_drops, .. } => {
                        self.drops = receive_drops;
                        if from == to {
                            self.hop_limit = self.hop_limit.or(ttl);
                            self.probe.on_packet(Moment { stamp, at }, &buffer[..len.min(BUFFER)]);
                        }
                    }
                    StampedEvent::Sent { key, stamp, at } => {
                        if let Some(position) = keys.remove(&key) {
                            self.probe.on_departure(position, Moment { stamp, at });
                        }
                    }
                    StampedEvent::IcmpError { .. } => self.icmp_errors += 1,
                },
                () = cancel.cancelled() => return Ok(()),
                () = tokio::time::sleep_until(wake.into()) => {}
            }
        }
    }
}

/// One lookup over UDP that is not timed; asked twice, since one datagram may be lost.
async fn one_over_udp(to: SocketAddr, device: &str, name: &str) -> Option<Reply> {
    let query = dns::query(rand::random(), name)?;
    dns::parse(&exchange::over_udp(to, device, &query, 2).await?).ok()
}

async fn over_tcp(to: SocketAddr, device: &str, questions: Vec<Question>, cancel: &CancellationToken) -> Vec<TcpLookup> {
    let mut done: Vec<TcpLookup> = Vec::new();
    for question in questions {
        // Two failures in a row show what a third would: a dead resolver must not cost more.
        let is_dead = done.len() >= 2 && done.iter().rev().take(2).all(|lookup| lookup.result.is_err());
        if is_dead || cancel.is_cancelled() {
            break;
        }
        let result = one_over_tcp(to, device, &question.name).await;
        done.push(TcpLookup { question, result });
    }
    done
}

/// One lookup over a connection of its own; the time includes setting it up.
async fn one_over_tcp(to: SocketAddr, device: &str, name: &str) -> Result<(Reply, Duration), String> {
    let query = dns::query(rand::random(), name).ok_or("no domain name")?;
    let (answer, time) = exchange::over_tcp(to, device, &query).await?;
    Ok((dns::parse(&answer).map_err(|flaw| flaw.to_string())?, time))
}
