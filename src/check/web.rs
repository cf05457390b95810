//! `web`: what fetching a page takes, over each IP version and raced (RFC 8305), and whether somebody answers plain HTTP in the far end's place.
//!
//! The page is the far end's, over HTTPS with its pinned certificate; the known answer is a question over plain HTTP. What an
//! answer shows is [`crate::proto::web`]'s to say. Public hosts that the profile names are fetched beside. This check must not judge.

mod figures;
mod public;

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::{BoxFuture, try_join_all};
use tokio::io::{AsyncReadExt, AsyncWriteExt};

pub use self::public::PublicPages;
pub(super) use self::public::connector;
use super::{Check, Context, Finished};
use crate::farend::client::objects::Opening;
use crate::farend::client::{FarEndTarget, Session, resolve};
use crate::net::bound;
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::web::{self, Finding, Question};
use crate::reading::{Outcome, Status};
use crate::unit::Family;

/// Everything about one page, or one known answer, ends after this.
const WAIT: Duration = Duration::from_secs(3);
/// Connection Attempt Delay of RFC 8305 section 5: the recommended one.
const ATTEMPT_DELAY: Duration = Duration::from_millis(250);
/// Where browsers speak plain HTTP, and portals listen.
const PLAIN: u16 = 80;

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct WebCheck;

impl Check for WebCheck {
    fn spec(&self) -> Spec {
        Spec { name: "web", needs: &[Need::FarEnd], gives: &[], class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        async move {
            let cancel = context.cancel.clone();
            tokio::select! {
                () = cancel.cancelled() => Outcome::not_tested("the visit was ended early").into(),
                outcome = examine(context) => outcome.into(),
            }
        }
        .boxed()
    }
}

fn cost(_: &Volume) -> Cost {
    // A page of 70 kB over each IP version, and handshakes.
    Cost { time: Duration::from_secs(1), octets: 170_000 }
}

/// What one page took.
struct Page {
    opening: Opening,
    first: Duration,
    whole: Duration,
    octets: u64,
}

/// What one IP version showed.
struct Seen {
    family: Family,
    page: Result<Page, String>,
    /// `None` where the far end gives no known answer.
    known: Option<Result<Finding, String>>,
}

/// Who was first with a connection.
struct Race {
    winner: Family,
    took: Duration,
}

async fn examine(context: Context) -> Outcome {
    let Some(session) = context.known.far_end.clone() else { return Outcome::not_tested("no session with the far end") };
    if !session.objects {
        return Outcome::not_tested("the far end has no page: it is older than this agent");
    }
    let looked = look_at_far_end(&context, &session);
    let ((name, seen, race), tell_public) = tokio::join!(looked, public::fetch_all(&context));
    let mut outcome = Outcome::new(Status::Done);
    figures::add(&mut outcome, name, &seen, race.as_ref());
    tell_public(&mut outcome);
    outcome
}

async fn look_at_far_end(context: &Context, session: &Arc<Session>) -> (Option<Duration>, Vec<Seen>, Option<Race>) {
    let name = context.far_end.as_ref().filter(|target| target.host.parse::<IpAddr>().is_err());
    let name = match name {
        Some(target) => lookup(target).await,
        None => None,
    };
    let beside = context.known.far_end_beside.clone();
    let mut seen = vec![look(context, session).await];
    let mut race = None;
    if let Some(other) = beside {
        seen.push(look(context, &other).await);
        race = run_race(context, session, &other).await;
    }
    (name, seen, race)
}

async fn lookup(target: &FarEndTarget) -> Option<Duration> {
    let started = Instant::now();
    resolve(target).await.ok().map(|_| started.elapsed())
}

/// The page and the known answer over one session's IP version.
async fn look(context: &Context, session: &Arc<Session>) -> Seen {
    let page = within(fetch_page(session)).await.map_err(|error| error.to_string());
    let known = match &session.known {
        Some(_) => Some(within(ask_known(context, session)).await.map_err(|error| error.to_string())),
        None => None,
    };
    Seen { family: Family::of(session.address), page, known }
}

/// One page with its parts over one connection, as a browser fetches it.
async fn fetch_page(session: &Session) -> io::Result<Page> {
    let started = Instant::now();
    let connector = session.connector().map_err(io::Error::other)?;
    let (connection, opening) = connector.open().await?;
    let page = connection.fetch(&session.page_path(None)).await?;
    let paths: Vec<String> = (0..crate::farend::api::PAGE_PARTS).map(|part| session.page_path(Some(part))).collect();
    let parts = try_join_all(paths.iter().map(|path| connection.fetch(path))).await?;
    let octets = page.octets + parts.iter().map(|part| part.octets).sum::<u64>();
    Ok(Page { opening, first: page.first, whole: started.elapsed(), octets })
}

/// Asks the far end over plain HTTP.
async fn ask_known(context: &Context, session: &Session) -> io::Result<Finding> {
    let Some(known) = &session.known else { return Ok(Finding::NoAnswer) };
    let nonce = format!("{:032x}", rand::random::<u128>());
    let sent = web::request(&known.at.to_string(), &known.id, &nonce);
    let octets = exchange(known.at, &context.interface.name, &sent).await?;
    Ok(Question { sent: &sent, nonce: &nonce, key: &known.key, seen_elsewhere: session.seen_as }.look(&octets))
}

/// Sends a request and reads the answer to its end, or to its bound.
async fn exchange(to: SocketAddr, device: &str, request: &[u8]) -> io::Result<Vec<u8>> {
    let mut stream = bound::connect(to, device).await?;
    stream.write_all(request).await?;
    let mut octets = Vec::new();
    match stream.take(web::LONGEST as u64).read_to_end(&mut octets).await {
        // Who answers and then resets has answered.
        Err(error) if octets.is_empty() => Err(error),
        _ => Ok(octets),
    }
}

/// Both versions against each other: IPv6 first, IPv4 after the delay of RFC 8305 section 5 or when IPv6 fails.
async fn run_race(context: &Context, one: &Session, other: &Session) -> Option<Race> {
    let (six, four) = if one.address.is_ipv6() { (one, other) } else { (other, one) };
    let device = context.interface.name.as_str();
    let started = Instant::now();
    let won = |winner| move |_| (winner, started.elapsed());
    let mut first = std::pin::pin!(bound::connect(six.control(), device).map(move |made| made.map(won(Family::Ipv6))));
    let race = async {
        let six_failed = match tokio::time::timeout(ATTEMPT_DELAY, &mut first).await {
            Ok(Ok(won)) => return Some(won),
            Ok(Err(_)) => true,
            Err(_) => false,
        };
        let second = bound::connect(four.control(), device).map(move |made| made.map(won(Family::Ipv4)));
        if six_failed {
            return second.await.ok();
        }
        tokio::select! {
            Ok(won) = &mut first => Some(won),
            Ok(won) = second => Some(won),
            else => None,
        }
    };
    let (winner, took) = tokio::time::timeout(WAIT, race).await.ok()??;
    Some(Race { winner, took })
}

async fn within<T>(work: impl Future<Output = io::Result<T>>) -> io::Result<T> {
    tokio::time::timeout(WAIT, work).await.unwrap_or_else(|_| Err(io::Error::from(io::ErrorKind::TimedOut)))
}

/// Whether a portal answers in the far end's place where no session could be opened: where it sends browsers. A far end answers no stranger, so
/// only what sends to another host, or says that a login is required (RFC 6585), is taken for one.
pub(super) async fn portal_in_the_way(context: &Context, target: &FarEndTarget) -> Option<String> {
    let address = resolve(target).await.ok()?.into_iter().find(|address| context.known.has(Family::of(*address)))?;
    let nobody = "0".repeat(32);
    let request = web::request(&address.to_string(), &nobody, &nobody);
    let octets = within(exchange(SocketAddr::new(address, PLAIN), &context.interface.name, &request)).await.ok()?;
    web::sends_elsewhere(&octets, &target.host)
}
