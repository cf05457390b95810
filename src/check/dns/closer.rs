//! A closer look at one resolver: single questions, side by side, beside the timed lookups; from handoff depth on.
//!
//! Where its queries leave for the authority and what they carry, whether it validates, how large answers come, what it says of
//! a name without an IPv6 address, and whether it can be asked encrypted. Nothing here is in the timed figures. [`findings`]
//! says what it means.

pub(super) mod encrypted;
pub(super) mod findings;

use std::net::SocketAddr;
use std::time::Duration;

use futures_util::future::join_all;

use self::encrypted::{Absent, Times};
use super::exchange;
use super::questions::{Question as Known, Truth};
use super::run::Closely;
use crate::wire::dns::closer::{self, Closer, Kind, Question};
use crate::wire::dns::dns64::IPV4_ONLY;
use crate::wire::dns::facts::{Arrivals, AskedFrom, TEXT_OCTETS};
use crate::wire::dns::{EDNS_OCTETS, address_of_label};

/// UDP payload that resolvers offered for long (RFC 6891 section 6.2.5), which leads to fragments.
const LARGE_EDNS: u16 = 4096;
/// A question is asked twice over UDP: a datagram may be lost.
const TRIES: u32 = 2;

/// What was asked and heard; `None` of an answer is silence.
#[derive(Debug, Clone, Default)]
pub(super) struct Looked {
    /// Where the far end's authority was asked from.
    pub(super) asked_from: Option<AskedFrom>,
    /// A name with an IPv4 address alone, asked for IPv6; and its IPv4 address.
    pub(super) ipv6: Option<(Option<Closer>, std::net::Ipv4Addr)>,
    /// [`IPV4_ONLY`] asked for IPv6.
    pub(super) ipv4_only: Option<Closer>,
    /// A name of one label that can't exist.
    pub(super) one_label: Option<Closer>,
    /// A name that can't exist in each domain that hosts complete names by.
    pub(super) mistyped: Vec<(String, Option<Closer>)>,
    /// Questions about signatures.
    pub(super) signatures: Option<Signatures>,
    /// Answers of set sizes.
    pub(super) sizes: Vec<Sized>,
    /// Over TLS and over HTTPS.
    pub(super) over_tls: Option<Result<Times, Absent>>,
    pub(super) over_https: Option<Result<Times, Absent>>,
    /// The resolver names encrypted services of its own (RFC 9462).
    pub(super) designates: Vec<closer::Designated>,
    /// What the encrypted lookups asked for.
    pub(super) truth: Option<Truth>,
}

/// Answers about signatures.
#[derive(Debug, Clone, Default)]
pub(super) struct Signatures {
    /// A name that is signed well.
    pub(super) good: Option<Closer>,
    /// One with a spoiled signature.
    pub(super) bad: Option<Closer>,
    /// One with a spoiled signature, wanted unchecked.
    pub(super) unchecked: Option<Closer>,
    /// One in a zone that is not signed.
    pub(super) plain: Option<Closer>,
    /// The zone's digest in its parent.
    pub(super) parent: Option<Closer>,
}

/// A large answer.
#[derive(Debug, Clone)]
pub(super) struct Sized {
    /// Octets that the authority's answer has.
    pub(super) octets: u16,
    /// UDP payload that was offered.
    pub(super) offered: u16,
    /// Over UDP.
    pub(super) over_udp: Option<Closer>,
    /// Over TCP, asked where UDP did not bring it whole: whether it came whole.
    pub(super) over_tcp: Option<Result<Closer, String>>,
}

/// Looks.
pub(super) async fn look(to: SocketAddr, device: &str, closely: Closely<'_>) -> Looked {
    let Closely { zone, run, completion } = closely;
    let asker = Asker { to, device };
    let zone = zone.map(|zone| zone.trim_end_matches('.'));
    let name = |kind: &str, below: &str, zone: &str| format!("{kind}-{run:016x}.{below}.{zone}.");
    let of_zone = async {
        let zone = zone?;
        let label = format!("a-{run:016x}");
        let (who, ipv6, signatures, sizes) = tokio::join!(
            asker.ask(Question::new(name("w", &format!("r-{run:016x}.who"), zone), Kind::Txt)),
            asker.ask(Question::new(format!("{label}.u.{zone}."), Kind::Aaaa)),
            asker.signatures(|kind, below| name(kind, below, zone), zone),
            asker.sizes(|offered, below| name(&format!("s{offered}"), below, zone)),
        );
        let asked_from = who.and_then(|who| AskedFrom::read(&who.texts));
        Some((asked_from, (ipv6, address_of_label(&label)), signatures, sizes))
    };
    let label = format!("e-{run:016x}");
    let truth = zone.map_or(Truth::NoSuchName, |_| Truth::Address(address_of_label(&label)));
    let known = zone.map_or_else(|| format!("{label}.invalid."), |zone| format!("{label}.u.{zone}."));
    let (of_zone, mistyped, ipv4_only, one_label, (over_tls, over_https, designates)) = tokio::join!(
        of_zone,
        asker.mistyped(completion, run),
        asker.ask(Question::new(IPV4_ONLY.to_owned(), Kind::Aaaa)),
        asker.ask(Question::new(format!("d-{run:016x}."), Kind::A)),
        asker.encrypted(Question::new(known, Kind::A)),
    );
    let mut looked =
        Looked { mistyped, ipv4_only, one_label, over_tls, over_https, designates, truth: Some(truth), ..Looked::default() };
    if let Some((asked_from, ipv6, signatures, sizes)) = of_zone {
        (looked.asked_from, looked.ipv6) = (asked_from, Some(ipv6));
        (looked.signatures, looked.sizes) = (Some(signatures), sizes);
    }
    looked
}

/// How often a name that was asked for came to the authority, by the authority's own word; asked after the timed lookups.
pub(super) async fn arrivals(to: SocketAddr, device: &str, zone: &str, known: &Known) -> Option<Arrivals> {
    let label = known.name.split('.').next()?;
    let name = format!("{label}.seen.{}.", zone.trim_end_matches('.'));
    let answer = Asker { to, device }.ask(Question::new(name, Kind::Txt)).await?;
    Arrivals::read(&answer.texts)
}

struct Asker<'a> {
    to: SocketAddr,
    device: &'a str,
}

impl Asker<'_> {
    async fn ask(&self, question: Question) -> Option<Closer> {
        let query = closer::query(rand::random(), &question)?;
        let octets = exchange::over_udp(self.to, self.device, &query, TRIES).await?;
        closer::parse(&octets).ok()
    }

    /// As a host asks that completes what somebody typed.
    async fn mistyped(&self, domains: &[&str], run: u64) -> Vec<(String, Option<Closer>)> {
        let each = domains.iter().map(|domain| async move {
            let question = Question::new(format!("m-{run:016x}.{domain}."), Kind::A);
            ((*domain).to_owned(), self.ask(question).await)
        });
        join_all(each).await
    }

    async fn signatures(&self, name: impl Fn(&str, &str) -> String, zone: &str) -> Signatures {
        let signed = |name, kind| Question { wants_signatures: true, ..Question::new(name, kind) };
        let unchecked = Question { is_unchecked: true, ..signed(name("bc", "bad"), Kind::A) };
        let (good, bad, unchecked, plain, parent) = tokio::join!(
            self.ask(signed(name("g", "u"), Kind::A)),
            self.ask(signed(name("b", "bad"), Kind::A)),
            self.ask(unchecked),
            self.ask(signed(name("p", "plain"), Kind::A)),
            self.ask(signed(format!("{zone}."), Kind::Ds)),
        );
        Signatures { good, bad, unchecked, plain, parent }
    }

    async fn sizes(&self, name: impl Fn(u16, &str) -> String) -> Vec<Sized> {
        let each = TEXT_OCTETS.into_iter().flat_map(|octets| [EDNS_OCTETS, LARGE_EDNS].map(|offered| (octets, offered)));
        join_all(each.map(|(octets, offered)| {
            let name = name(offered, &format!("t{octets}"));
            self.sized(octets, Question { edns_octets: offered, ..Question::new(name, Kind::Txt) })
        }))
        .await
    }

    async fn sized(&self, octets: u16, question: Question) -> Sized {
        let offered = question.edns_octets;
        let over_udp = self.ask(question.clone()).await;
        let is_whole = over_udp.as_ref().is_some_and(|answer| !answer.reply.is_truncated);
        let over_tcp = match closer::query(rand::random(), &question).filter(|_| !is_whole) {
            Some(query) => Some(match exchange::over_tcp(self.to, self.device, &query).await {
                Ok((octets, _)) => closer::parse(&octets).map_err(|flaw| flaw.to_string()),
                Err(error) => Err(error),
            }),
            None => None,
        };
        Sized { octets, offered, over_udp, over_tcp }
    }

    /// Over TLS at once; over HTTPS when the resolver has said, or not, where (RFC 9462 section 4).
    async fn encrypted(
        &self,
        question: Question,
    ) -> (Option<Result<Times, Absent>>, Option<Result<Times, Absent>>, Vec<closer::Designated>) {
        let Some(query) = closer::query(rand::random(), &question) else { return (None, None, Vec::new()) };
        let address = self.to.ip();
        let https = async {
            let ddr = closer::query(rand::random(), &Question::new("_dns.resolver.arpa.".to_owned(), Kind::Svcb));
            let said = match &ddr {
                Some(ddr) => exchange::over_udp(self.to, self.device, ddr, 1).await,
                None => None,
            };
            let designates = said.and_then(|said| closer::parse(&said).ok()).map(|said| said.designated).unwrap_or_default();
            let h2 = designates.iter().find(|one| one.protocols.iter().any(|protocol| protocol == "h2"));
            let (port, path) = (h2.and_then(|one| one.port), h2.and_then(|one| one.path.as_deref()));
            let times = encrypted::over_https(address, self.device, port, path, &query).await;
            (times, designates)
        };
        let (over_tls, (over_https, designates)) = tokio::join!(encrypted::over_tls(address, self.device, &query), https);
        (Some(over_tls), Some(over_https), designates)
    }
}

/// Milliseconds.
fn ms(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}
