//! `farend`: opens the session with the far end that later checks measure against.
//!
//! Two times are taken from the user's clock: setting up a TCP connection (one round trip and what the host takes), and TLS
//! 1.3 with the first answer on a new connection (three round trips). A far end that can't be used is a finding about the
//! far end or the way to it, never a verdict on the line by itself.

use std::sync::Arc;
use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use super::{Check, Context, Finished, Holding, Learned};
use crate::farend::client::{ClientError, Session, resolve};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::reading::{Outcome, Reading, Status};
use crate::unit::{Family, StampSource};

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
    let open = async {
        let mut last = None;
        for address in resolve(&target).await? {
            match Session::open(&target, address, &context.interface.name).await {
                Ok(session) => return Ok(session),
                Err(error) => last = Some(error),
            }
        }
        Err(last.unwrap_or_else(|| ClientError::NotResolved { host: target.host.clone(), why: "it has no address".to_owned() }))
    };
    let opened = tokio::select! {
        () = context.cancel.cancelled() => return Outcome::not_tested("the visit was ended early").into(),
        opened = open => opened,
    };
    match opened {
        Ok(session) => finished(Arc::new(session)),
        Err(error) => {
            let mut outcome = Outcome::failed(error.to_string());
            outcome.fact("host", target.host.as_str());
            outcome.flaw(error.code(), error.to_string(), None);
            outcome.into()
        }
    }
}

fn finished(session: Arc<Session>) -> Finished {
    let family = Family::of(session.address);
    let mut outcome = Outcome::new(Status::Done);
    let times = [("farend.connect_time", session.timing.connect), ("farend.hello_time", session.timing.hello)];
    for (name, time) in times {
        let reading = Reading::exact(name, time.as_secs_f64() * 1e3);
        outcome.readings.push(reading.over(family).stamped_by(StampSource::User));
    }
    outcome.fact("address", session.address.to_string());
    outcome.fact("seen_as", session.seen_as.to_string());
    outcome.fact("version", session.version.as_str());
    let held = Box::new(HeldSession(Arc::clone(&session)));
    Finished { outcome, learned: vec![Learned::FarEnd(session)], holdings: vec![held] }
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
