//! `farend`: opens the session with the far end that later checks measure against.
//!
//! Two times are taken from the user's clock: setting up a TCP connection (one round trip and what the host takes), and TLS
//! 1.3 with the first answer on a new connection (three round trips). A far end that can't be used is a finding about the
//! far end or the way to it, never a verdict on the line by itself. Where port and far end have both IP versions, a second session
//! is opened over the other, so that both are measured.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use serde_json::json;

use super::{Check, Context, Finished, Holding, Learned};
use crate::farend::client::{ClientError, FarEndTarget, Session, resolve};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::reading::{Outcome, Reading, Status};
use crate::unit::{Family, StampSource};

/// For a session over the other IP version: two SYNs and an answer. Whoever waits longer has no use for it.
const BESIDE_WAIT: Duration = Duration::from_secs(3);

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct FarEndCheck;

impl Check for FarEndCheck {
    fn spec(&self) -> Spec {
        Spec { name: "farend", needs: &[Need::Address], gives: &[Need::FarEnd], class: Class::Free, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        examine(context).boxed()
    }
}

fn cost(_: &Volume) -> Cost {
    // TLS handshakes and some small answers.
    Cost { time: Duration::from_millis(200), octets: 20_000 }
}

async fn examine(context: Context) -> Finished {
    let Some(target) = context.far_end.clone() else {
        return Outcome::not_tested("no far end was given (--far-end FILE)").into();
    };
    let opened = tokio::select! {
        () = context.cancel.cancelled() => return Outcome::not_tested("the visit was ended early").into(),
        opened = open(&context, &target) => opened,
    };
    let (session, more) = match opened {
        Ok(Some(opened)) => opened,
        Ok(None) => return Outcome::not_tested("the port has no address of the far end's IP version").into(),
        Err(error) => {
            let mut outcome = Outcome::failed(error.to_string());
            outcome.fact("host", target.host.as_str());
            outcome.flaw(error.code(), error.to_string(), None);
            if let Some(to) = super::web::portal_in_the_way(&context, &target).await {
                outcome.flaw("web-captive-portal", format!("a captive portal answers in the far end's place: {to}"), None);
            }
            return outcome.into();
        }
    };
    let beside = tokio::select! {
        () = context.cancel.cancelled() => None,
        beside = open_beside(&context, &target, &session, &more) => beside,
    };
    finished(Arc::new(session), beside)
}

/// A session at the first address that gives one, and the other addresses; `None` when the port can reach none of them.
async fn open(context: &Context, target: &FarEndTarget) -> Result<Option<(Session, Vec<IpAddr>)>, ClientError> {
    let (mut all, mut last) = (resolve(target).await?, None);
    // Where nothing is known of the port's addresses, the system's routes decide.
    let is_known = [Family::Ipv4, Family::Ipv6].iter().any(|family| context.known.has(*family));
    all.retain(|address| !is_known || context.known.has(Family::of(*address)));
    for address in all.clone() {
        match Session::open(target, address, &context.interface.name).await {
            Ok(session) => {
                all.retain(|other| *other != address);
                all.extend(&session.also_at);
                return Ok(Some((session, all)));
            }
            Err(error) => last = Some(error),
        }
    }
    last.map_or(Ok(None), Err)
}

/// A session over the other IP version, where port and far end both have it, or why there is none.
async fn open_beside(
    context: &Context,
    target: &FarEndTarget,
    session: &Session,
    more: &[IpAddr],
) -> Option<Result<Session, (IpAddr, String)>> {
    let is_other = |address: &&IpAddr| address.is_ipv4() != session.address.is_ipv4() && context.known.has(Family::of(**address));
    let address = *more.iter().find(is_other)?;
    let open = Session::open(target, address, &context.interface.name);
    Some(match tokio::time::timeout(BESIDE_WAIT, open).await {
        Ok(opened) => opened.map_err(|error| (address, error.to_string())),
        Err(_) => Err((address, format!("no answer within {} s", BESIDE_WAIT.as_secs()))),
    })
}

fn finished(session: Arc<Session>, beside: Option<Result<Session, (IpAddr, String)>>) -> Finished {
    let mut outcome = Outcome::new(Status::Done);
    times(&mut outcome, &session);
    outcome.fact("address", session.address.to_string());
    outcome.fact("seen_as", session.seen_as.to_string());
    outcome.fact("version", session.version.as_str());
    let mut finished = Finished::from(outcome);
    finished.holdings.push(Box::new(HeldSession(Arc::clone(&session))));
    finished.learned.push(Learned::FarEnd(session));
    match beside {
        Some(Ok(other)) => {
            let other = Arc::new(other);
            times(&mut finished.outcome, &other);
            finished.outcome.fact("other_version", json!({ "address": other.address, "seen_as": other.seen_as }));
            finished.holdings.push(Box::new(HeldSession(Arc::clone(&other))));
            finished.learned.push(Learned::FarEndBeside(other));
        }
        Some(Err((address, why))) => {
            let code = if address.is_ipv6() { "farend-ipv6-unreachable" } else { "farend-ipv4-unreachable" };
            finished.outcome.flaw(code, format!("the far end can't be reached at {address}: {why}"), None);
        }
        None => {}
    }
    finished
}

fn times(outcome: &mut Outcome, session: &Session) {
    let times = [("farend.connect_time", session.timing.connect), ("farend.hello_time", session.timing.hello)];
    for (name, time) in times {
        let reading = Reading::exact(name, time.as_secs_f64() * 1e3);
        outcome.readings.push(reading.over(Family::of(session.address)).stamped_by(StampSource::User));
    }
}

/// The session, until the visit ends.
struct HeldSession(Arc<Session>);

impl Holding for HeldSession {
    fn what(&self) -> String {
        format!("the session with the far end at {}", self.0.address)
    }

    fn release(self: Box<Self>) -> BoxFuture<'static, ()> {
        // A far end that is gone has ended it already, or will by itself.
        async move { drop(self.0.close().await) }.boxed()
    }
}
