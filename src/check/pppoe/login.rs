//! With a login: a session is opened, the account proves itself, and the visit gets its address and runs over it.
//!
//! The hard thing is what not to blame on the line: a server may throw away what comes before it is up, and the first packets
//! after the address was given; so the session counts as usable a moment after that, and nothing lost before is a loss.

use std::io;
use std::net::IpAddr;
use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use serde_json::json;

use super::hold::{Open, SessionHolding};
use super::{NAME, discovery_settings, port, report};
use crate::check::{Context, Finished, Holding, Interface, Learned, LiveFigure};
use crate::metric::quantile;
use crate::net::carry::{Carrier, Envelope};
use crate::net::configure::Route;
use crate::net::drive::Driver;
use crate::net::offload::WholeFrames;
use crate::net::tun::{Kind, Tun};
use crate::net::{configure, facts};
use crate::proto::ppp::{Addresses, Ending, Event, Login, Phase, Session, Settings};
use crate::proto::pppoe::{Access, Discovery, Ending as NoSession, Subscriber, Then};
use crate::proto::round_trip::Settled;
use crate::reading::{Outcome, Reading, Status};
use crate::unit::{Family, StampSource};
use crate::wire::ethernet::Mac;
use crate::wire::pppoe::HEADER_LEN;

/// For all phases behind discovery.
const PATIENCE: Duration = Duration::from_secs(15);
/// Information of a full Ethernet frame without PPPoE: what RFC 4638 wants to reach.
const FULL_MRU: u16 = 1500;
/// Octets of PPPoE header and PPP protocol.
const OVERHEAD: usize = HEADER_LEN + 2;
/// Since the address was given, until something else than LCP may be sent: servers raise their side only then (common
/// practice; measured with a general-purpose one, whose first packet was lost every time).
const SETTLING: Duration = Duration::from_millis(100);
/// LCP echoes: how many short ones, how many of the full size, and how far apart.
const SHORT_ECHOES: usize = 8;
const FULL_ECHOES: usize = 2;
const ECHO_INTERVAL: Duration = Duration::from_millis(20);
/// For the last echo's answer.
const ECHO_WAIT: Duration = Duration::from_millis(600);
/// Octets of an LCP echo without data.
const SHORTEST_ECHO: usize = 8;

/// Opens the session and leaves it open.
pub(super) async fn run(context: Context, account: Login) -> Finished {
    let begun = Instant::now();
    let mtu = match facts::link(context.port.index).await {
        Ok(Some(link)) => link.mtu as usize,
        Ok(None) => return Outcome::not_tested(format!("the interface {} is gone", context.port.name)).into(),
        Err(error) => return Outcome::not_tested(error.to_string()).into(),
    };
    let mru = u16::try_from(mtu.saturating_sub(OVERHEAD + context.vlan.octets_inside_mtu())).unwrap_or(FULL_MRU).min(FULL_MRU);
    let driver = match port(&context) {
        Ok(port) => Driver::new(port),
        Err(error) => return Outcome::not_tested(format!("opening a packet socket: {error}")).into(),
    };
    let discovery = Discovery::new(discovery_settings(&context, Then::Keep, (mru > 1492).then_some(mru)), begun);
    let settings = Settings {
        own: Mac(context.port.mac),
        peer: Mac::BROADCAST,
        number: 0,
        mru,
        login: Some(account),
        magic: rand::random(),
        interface_identifier: rand::random::<[u8; 8]>().map(|octet| octet | 1),
        patience: PATIENCE,
    };
    let mut open = Open { driver, subscriber: Subscriber::new(discovery, settings) };
    let ended = tokio::select! {
        ended = establish(&mut open, &context) => ended,
        () = context.cancel.cancelled() => {
            open.close().await;
            return Outcome::not_tested("the visit was ended early").into();
        }
    };
    match ended {
        Ok(None) => {}
        Ok(Some(ending)) => return failed(&open.subscriber, &ending).into(),
        Err(error) => return Outcome::not_tested(format!("the port can't be read: {error}")).into(),
    }
    let up_at = Instant::now();
    let Some(addresses) = open.subscriber.session().and_then(Session::addresses) else {
        open.close().await;
        return failed(&open.subscriber, &Ended::InSession(Ending::NoAnswer(Phase::Network))).into();
    };
    let carried = match carry(&context, &open, &addresses).await {
        Ok(carried) => carried,
        Err(error) => {
            open.close().await;
            return Outcome::not_tested(format!("the session is open, but this test set can't use it: {error}")).into();
        }
    };
    let usable_at = Instant::now();
    let over = tokio::select! {
        over = examine(&mut open, usize::from(addresses.mtu), &context) => over,
        () = context.cancel.cancelled() => None,
    };
    tokio::time::sleep_until((up_at + SETTLING).into()).await;
    let mut outcome = report::describe(open.subscriber.discovery(), NoSession::Opened);
    describe(&mut outcome, &open.subscriber, &context, Times { begun, usable_at });
    let (carrier, whole_frames, interface) = carried;
    let mut learned = vec![Learned::Interface(interface), Learned::Ipv4(addresses.own, 32)];
    learned.extend(addresses.peer.map(Learned::Gateway4));
    learned.push(Learned::Resolvers(addresses.dns.iter().copied().map(IpAddr::V4).collect()));
    let holding: Box<dyn Holding> = Box::new(SessionHolding::new(open, over, carrier, whole_frames));
    Finished { outcome, learned, holdings: vec![holding] }
}

/// Why there is no session.
enum Ended {
    Before(NoSession),
    InSession(Ending),
}

/// Until the session is open, or it is clear that there will be none.
async fn establish(open: &mut Open, context: &Context) -> io::Result<Option<Ended>> {
    open.driver
        .run(&mut open.subscriber, |_, event| match event {
            Access::NoSession(ending) => ControlFlow::Break(Some(Ended::Before(ending))),
            Access::Session(Event::Over(ending)) => ControlFlow::Break(Some(Ended::InSession(ending))),
            Access::Session(Event::Reached(Phase::Open)) => ControlFlow::Break(None),
            Access::Session(Event::Reached(phase)) => {
                (context.live)(LiveFigure::new(NAME, phase.words().to_owned()));
                ControlFlow::Continue(())
            }
            Access::Offered | Access::SessionOpened | Access::Session(Event::Answered(_)) => ControlFlow::Continue(()),
        })
        .await
}

/// Makes the port of our own over which the visit runs, with address and route.
async fn carry(context: &Context, open: &Open, addresses: &Addresses) -> io::Result<(Carrier, WholeFrames, Interface)> {
    let (peer, number) = open.subscriber.discovery().kept().ok_or(io::ErrorKind::NotConnected)?;
    let whole_frames = WholeFrames::on(&context.port.name)?;
    let tun = Tun::open(Kind::Ip)?;
    let interface = Interface { name: tun.name().to_owned(), index: tun.index(), mac: context.port.mac };
    // Before it is switched on: the link-local address is the one that was negotiated, not one of the kernel's.
    configure::without_own_link_local(&interface.name)?;
    configure::raise(interface.index, u32::from(addresses.mtu), None).await?;
    let envelope = Envelope::Session { stack: context.vlan, own: Mac(context.port.mac), peer, number };
    let carrier = Carrier::start(&context.port.name, tun, envelope)?;
    configure::set_address(interface.index, addresses.own, 32, None).await?;
    configure::set_route(interface.index, Route::default_via(addresses.peer.unwrap_or(addresses.own))).await?;
    if let Some((own, _)) = addresses.ipv6 {
        configure::set_link_local(interface.index, own).await?;
    }
    Ok((carrier, whole_frames, interface))
}

/// Sends the echoes and waits for their answers; returns the session's ending if it comes meanwhile.
async fn examine(open: &mut Open, full: usize, context: &Context) -> Option<Ending> {
    (context.live)(LiveFigure::new(NAME, "echoes in the session".to_owned()));
    let sizes = [SHORTEST_ECHO].repeat(SHORT_ECHOES).into_iter().chain([full].repeat(FULL_ECHOES));
    for octets in sizes {
        if let Some(session) = open.subscriber.session_mut() {
            session.echo(octets);
        }
        if let Some(over) = listen(open, ECHO_INTERVAL, |_| false).await {
            return Some(over);
        }
    }
    let all_answered =
        |subscriber: &Subscriber| subscriber.session().is_none_or(|session| session.echoes().all(|echo| echo.answered.is_some()));
    if all_answered(&open.subscriber) { None } else { listen(open, ECHO_WAIT, all_answered).await }
}

/// Takes in what comes until `enough`, the session's end or the time; returns the ending.
async fn listen(open: &mut Open, time: Duration, enough: impl Fn(&Subscriber) -> bool) -> Option<Ending> {
    let turn = open.driver.run(&mut open.subscriber, |subscriber, event| match event {
        Access::Session(Event::Over(ending)) => ControlFlow::Break(Some(ending)),
        _ if enough(subscriber) => ControlFlow::Break(None),
        _ => ControlFlow::Continue(()),
    });
    // Out of time, or the port can't be read: whoever keeps the session finds out.
    tokio::time::timeout(time, turn).await.ok()?.ok()?
}

/// The check's own two moments.
struct Times {
    begun: Instant,
    usable_at: Instant,
}

fn describe(outcome: &mut Outcome, subscriber: &Subscriber, context: &Context, own: Times) {
    let Some(session) = subscriber.session() else { return };
    let times = session.times();
    let ms = |span: Duration| span.as_secs_f64() * 1e3;
    let span = |from: Option<Instant>, to: Option<Instant>| Some(to?.saturating_duration_since(from?));
    let phases = [
        ("pppoe.link_time", span(Some(times.begun), times.link)),
        ("pppoe.login_time", span(times.link, times.login)),
        ("pppoe.address_time", span(times.login, times.ipv4)),
        ("pppoe.setup_time", Some(own.usable_at.saturating_duration_since(own.begun))),
    ];
    for (name, time) in phases {
        outcome.readings.extend(time.map(|time| Reading::exact(name, ms(time)).stamped_by(StampSource::User)));
    }
    echo_readings(outcome, session, context.effort.confidence);
    outcome.readings.push(Reading::exact("pppoe.address_held", 1.0).over(Family::Ipv4));
    let discovery = [subscriber.discovery().offers().first().and_then(|offer| subscriber.discovery().offer_time(offer))];
    let waits = discovery.into_iter().chain([subscriber.discovery().confirmation_time()]).flatten();
    let served: Duration =
        waits.map(|settled| if let Settled::RoundTrip(time, _) = settled { time } else { Duration::ZERO }).sum();
    let served = served + span(Some(times.begun), times.ipv4).unwrap_or_default();
    outcome.fact("own_ms", ms(own.usable_at.saturating_duration_since(own.begun).saturating_sub(served)));
    session_facts(outcome, session);
}

/// Round trip and proven size, from the echoes.
fn echo_readings(outcome: &mut Outcome, session: &Session, confidence: f64) {
    let echoes: Vec<_> = session.echoes().collect();
    let short = echoes.iter().filter(|echo| echo.octets == SHORTEST_ECHO);
    let mut lost = 0;
    let mut sorted = Vec::new();
    for echo in short {
        match echo.time {
            Settled::RoundTrip(time, _) => sorted.push(time.as_secs_f64() * 1e3),
            Settled::ClocksDisagree => {}
            Settled::NotYet => lost += 1,
        }
    }
    sorted.sort_by(f64::total_cmp);
    if let Some(median) = quantile::of_sorted(&sorted, lost, 0.5) {
        let interval = quantile::interval_of_sorted(&sorted, lost, 0.5, confidence);
        let samples = sorted.len() as u64 + lost;
        outcome.readings.push(Reading::new("pppoe.echo_time_p50", median, samples, interval).stamped_by(StampSource::Kernel));
    }
    outcome.fact("echoes", json!({ "sent": echoes.len(), "answered": echoes.iter().filter(|e| e.answered.is_some()).count() }));
    // Both ways only when the answer came back as long as it went.
    let proven = echoes.iter().filter(|echo| echo.answered == Some(echo.octets)).map(|echo| echo.octets).max();
    if let Some(proven) = proven.filter(|octets| *octets > SHORTEST_ECHO) {
        outcome.readings.push(Reading::exact("pppoe.mru", proven as f64));
    } else if let Some(asked) = echoes.iter().map(|echo| echo.octets).max().filter(|octets| *octets > SHORTEST_ECHO) {
        let one_way = echoes.iter().any(|echo| echo.octets == asked && echo.answered.is_some());
        let what = if one_way {
            format!(
                "an LCP echo of {asked} octets is answered by a shorter one: only our sending direction is proven to carry it"
            )
        } else {
            format!("no LCP echo of {asked} octets, which both sides agreed to, was answered")
        };
        outcome.flaw(if one_way { "pppoe-mru-half-proven" } else { "pppoe-mru-not-carried" }, what, None);
    }
}

fn session_facts(outcome: &mut Outcome, session: &Session) {
    let addresses = session.addresses();
    outcome.fact("proof", session.proof().map_or("none", |proof| proof.name()));
    outcome.fact("link_requests", session.link_requests());
    let (ours, theirs) = session.mru();
    outcome.fact("mru", json!({ "ours": ours, "peer": theirs }));
    if let Some(got) = addresses {
        outcome.fact("address", got.own.to_string());
        outcome.fact("peer", got.peer.map(|address| address.to_string()));
        outcome.fact("resolvers", got.dns.iter().map(ToString::to_string).collect::<Vec<_>>());
        outcome.fact("ipv6", got.ipv6.is_some());
        outcome.fact("mtu", got.mtu);
    }
}

/// What is known when there is no session: the line's answer, not an error of ours.
fn failed(subscriber: &Subscriber, ended: &Ended) -> Outcome {
    let discovery = subscriber.discovery();
    if discovery.requests_sent().0 == 0 {
        return Outcome::not_tested("no PADI could be sent");
    }
    let (ending, reason) = match ended {
        Ended::Before(ending) => (*ending, before_in_words(*ending).to_owned()),
        Ended::InSession(ending) => (NoSession::Opened, ending_in_words(ending)),
    };
    let mut outcome = report::describe(discovery, ending);
    outcome.status = Status::Failed;
    outcome.readings.push(Reading::exact("pppoe.address_held", 0.0).over(Family::Ipv4));
    if let Some(session) = subscriber.session() {
        session_facts(&mut outcome, session);
    }
    if let Ended::InSession(ending) = ended {
        let code = match ending {
            Ending::Refused(_) => "pppoe-login-refused",
            Ending::Looped => "pppoe-looped",
            Ending::Closed | Ending::ClosedByPeer(..) | Ending::NoAnswer(_) => "pppoe-no-session",
        };
        outcome.flaw(code, reason.clone(), None);
    }
    outcome.reason = Some(reason);
    outcome
}

fn before_in_words(ending: NoSession) -> &'static str {
    match ending {
        NoSession::NoOffer => "no concentrator offers a session",
        NoSession::Offered => "concentrators answer, but none with an offer that can be taken",
        NoSession::Refused => "the concentrator refuses the session",
        NoSession::NoConfirmation => "the concentrator that offered does not open the session",
        NoSession::Opened => "the session was opened and closed",
    }
}

/// An ending, for people. The peer's words are quoted.
pub(super) fn ending_in_words(ending: &Ending) -> String {
    let quoted = |words: &str| if words.is_empty() { "without a word".to_owned() } else { format!("with the words \"{words}\"") };
    match ending {
        Ending::Closed => "closed by this side".to_owned(),
        Ending::Refused(words) => format!("the concentrator refuses the login {}", quoted(words)),
        Ending::ClosedByPeer(phase, words) => format!("the concentrator closed it during {}, {}", phase.words(), quoted(words)),
        Ending::NoAnswer(phase) => format!("the concentrator opened it, and then nothing came of {}", phase.words()),
        Ending::Looped => "our own packets come back: the line is a loop".to_owned(),
    }
}
