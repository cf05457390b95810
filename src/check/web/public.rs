//! Pages of public hosts that a profile names: what fetching each took, and from where.
//!
//! A stranger's host vouches for nothing: what it does is never held against the line, so there are figures and facts and no flaw. Names are
//! asked from the line's own resolvers, certificates are held against those that this system trusts.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use futures_util::future::join_all;
use http_body_util::{BodyExt, Empty};
use hyper::Request;
use hyper::body::Bytes;
use hyper::client::conn::http1;
use hyper::header::{ACCEPT, HOST, USER_AGENT};
use hyper_util::rt::TokioIo;
use rustls::client::Resumption;
use rustls::{ClientConfig, RootCertStore};
use rustls_pki_types::ServerName;
use serde_json::{Value, json};
use tokio_rustls::TlsConnector;

use super::super::Context;
use super::super::dns::exchange;
use crate::net::bound;
use crate::proto::web::page::PublicPage;
use crate::reading::{Outcome, Reading, Target};
use crate::unit::{Family, StampSource};
use crate::wire::dns::closer::{self, Kind, Question};

/// Everything about one page ends after this.
const WAIT: Duration = Duration::from_secs(5);
/// A connection to one of a host's addresses is waited for so long, then the next is tried.
const CONNECT_WAIT: Duration = Duration::from_secs(1);
/// Octets of a page that are taken: beside other checks, and from a stranger.
const MOST: usize = 64 * 1024;
const DNS_PORT: u16 = 53;

/// Which pages to fetch, and whose certificates are trusted.
#[derive(Debug, Clone, Default)]
pub struct PublicPages {
    /// The pages, in order.
    pub pages: Vec<PublicPage>,
    /// Certificates that hosts' are held against; `None` takes those that this system trusts.
    pub trusted: Option<Arc<RootCertStore>>,
}

/// How far fetching a page came.
#[derive(Debug, Default)]
struct Seen {
    name: Option<Duration>,
    address: Option<IpAddr>,
    connect: Option<Duration>,
    secure: Option<Duration>,
    first: Option<Duration>,
    whole: Option<Duration>,
    status: Option<u16>,
    octets: usize,
    why: Option<String>,
}

/// Fetches all, side by side, and adds what was seen once the future's closure is called.
pub(super) async fn fetch_all(context: &Context) -> impl FnOnce(&mut Outcome) + use<> {
    let pages = context.pages.pages.clone();
    let seen = if pages.is_empty() { Vec::new() } else { examine(context, &pages).await };
    move |outcome| tell(outcome, &pages, &seen)
}

async fn examine(context: &Context, pages: &[PublicPage]) -> Vec<Seen> {
    let tls = match connector(context.pages.trusted.clone(), &[b"http/1.1"]).await {
        Ok(tls) => tls,
        Err(why) => return pages.iter().map(|_| Seen { why: Some(why.clone()), ..Seen::default() }).collect(),
    };
    let each = pages.iter().map(|page| async {
        let mut seen = Seen::default();
        seen.why = match tokio::time::timeout(WAIT, fetch(context, page, tls.clone(), &mut seen)).await {
            Ok(fetched) => fetched.err().map(|error| error.to_string()),
            Err(_) => Some(format!("not there within {} s", WAIT.as_secs())),
        };
        seen
    });
    join_all(each).await
}

/// Whole handshakes, of these application protocols (RFC 7301), trusting these certificates, or those of this system.
pub(in crate::check) async fn connector(
    trusted: Option<Arc<RootCertStore>>,
    protocols: &[&[u8]],
) -> Result<TlsConnector, String> {
    let roots = match trusted {
        Some(roots) => roots,
        None => {
            let load = tokio::task::spawn_blocking(rustls_native_certs::load_native_certs);
            let found = load.await.map_err(|error| error.to_string())?;
            let mut roots = RootCertStore::empty();
            roots.add_parsable_certificates(found.certs);
            Arc::new(roots)
        }
    };
    if roots.is_empty() {
        return Err("this system trusts no certificates: install its package of them (ca-certificates)".to_owned());
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let versions = ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions();
    let mut config = versions.map_err(|error| error.to_string())?.with_root_certificates(roots).with_no_client_auth();
    config.alpn_protocols = protocols.iter().map(|name| name.to_vec()).collect();
    config.resumption = Resumption::disabled();
    Ok(TlsConnector::from(Arc::new(config)))
}

/// What was reached stays in `seen`, also when this fails or is dropped.
async fn fetch(context: &Context, page: &PublicPage, tls: TlsConnector, seen: &mut Seen) -> io::Result<()> {
    let started = Instant::now();
    let addresses = lookup(context, &page.host).await?;
    seen.name = Some(started.elapsed());
    let (mut failed, mut made) = (None, None);
    for address in addresses {
        let begun = Instant::now();
        let connecting = bound::connect(SocketAddr::new(address, page.port), &context.interface.name);
        seen.address = Some(address);
        match tokio::time::timeout(CONNECT_WAIT, connecting).await {
            Ok(Ok(stream)) => {
                seen.connect = Some(begun.elapsed());
                made = Some(stream);
                break;
            }
            Ok(Err(error)) => failed = Some(error),
            Err(_) => failed = Some(io::Error::new(io::ErrorKind::TimedOut, "no connection in time")),
        }
    }
    let stream =
        made.ok_or_else(|| failed.unwrap_or_else(|| io::Error::other("the name has no address that this line can use")))?;
    let begun = Instant::now();
    let name = ServerName::try_from(page.host.clone()).map_err(io::Error::other)?;
    let stream = tls.connect(name, stream).await?;
    seen.secure = Some(begun.elapsed());
    let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await.map_err(io::Error::other)?;
    let request = Request::get(&page.path)
        .header(HOST, page.authority())
        .header(USER_AGENT, "doorstep")
        .header(ACCEPT, "*/*")
        .body(Empty::<Bytes>::new())
        .map_err(io::Error::other)?;
    let talk = async {
        let begun = Instant::now();
        let (head, mut body) = sender.send_request(request).await.map_err(io::Error::other)?.into_parts();
        (seen.first, seen.status) = (Some(begun.elapsed()), Some(head.status.as_u16()));
        while let Some(frame) = body.frame().await {
            seen.octets += frame.map_err(io::Error::other)?.data_ref().map_or(0, Bytes::len);
            if seen.octets > MOST {
                return Ok(());
            }
        }
        seen.whole = Some(started.elapsed());
        Ok(())
    };
    let (talk, connection) = (std::pin::pin!(talk), std::pin::pin!(connection));
    match futures_util::future::select(talk, connection).await {
        futures_util::future::Either::Left((answer, _)) => answer,
        futures_util::future::Either::Right((_, talk)) => talk.await,
    }
}

/// The host's addresses by the line's resolvers, the next where one is silent or fails; IPv6 first, as hosts prefer it (RFC 6724 section 2.1).
async fn lookup(context: &Context, host: &str) -> io::Result<Vec<IpAddr>> {
    let known = &context.known;
    let wanted = [(Family::Ipv6, Kind::Aaaa), (Family::Ipv4, Kind::A)].into_iter().filter(|(family, _)| known.has(*family));
    let wanted: Vec<_> = wanted.collect();
    let mut why = io::Error::other("no resolver was handed out");
    for resolver in &known.resolvers {
        let to = SocketAddr::new(*resolver, DNS_PORT);
        let asked = wanted.iter().map(|(family, kind)| async {
            let query = closer::query(rand::random(), &Question::new(format!("{host}."), *kind))?;
            let answer = exchange::over_udp(to, &context.interface.name, &query, 1).await?;
            let reply = closer::parse(&answer).ok().map(|answer| answer.reply).filter(|reply| reply.is_usable())?;
            Some(reply.addresses.into_iter().filter(|address| Family::of(*address) == *family).collect::<Vec<_>>())
        });
        let answers: Vec<Vec<IpAddr>> = join_all(asked).await.into_iter().flatten().collect();
        if !answers.is_empty() {
            return Ok(answers.into_iter().flatten().collect());
        }
        why = io::Error::other("no resolver answers for the name");
    }
    Err(why)
}

fn tell(outcome: &mut Outcome, pages: &[PublicPage], seen: &[Seen]) {
    for (number, one) in (1..).zip(seen) {
        let times = [
            ("web.public_name_time", one.name),
            ("web.public_connect_time", one.connect),
            ("web.public_tls_time", one.secure),
            ("web.public_first_byte_time", one.first),
            ("web.public_page_time", one.whole),
        ];
        for (name, time) in times {
            let Some(time) = time else { continue };
            let reading = Reading::exact(name, time.as_secs_f64() * 1e3).stamped_by(StampSource::User).on(Target::Page(number));
            outcome.readings.push(match one.address {
                Some(address) => reading.over(Family::of(address)),
                None => reading,
            });
        }
    }
    if !pages.is_empty() {
        outcome.fact("public_pages", pages.iter().zip(seen).map(|(page, one)| fact(page, one)).collect::<Vec<Value>>());
    }
}

fn fact(page: &PublicPage, seen: &Seen) -> Value {
    json!({
        "page": page.to_string(),
        "address": seen.address.map(|address| address.to_string()),
        "status": seen.status,
        "octets": seen.octets,
        "is_whole": seen.whole.is_some(),
        "why_not": seen.why,
    })
}
