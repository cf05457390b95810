//! `sip`: whether a voice line's SIP service is there and takes the account, and whether a gateway rewrites SIP on the way.
//!
//! DNS first (RFC 3263), then OPTIONS over each transport that the profile wants, then one registration, which is removed again. Beside it the
//! far end is asked over SIP what arrived. No call is placed: the writer of requests has no INVITE. This check must not judge.

mod channel;
mod figures;
mod lookup;
mod reach;
mod rewriting;

use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use tokio_util::sync::CancellationToken;

use self::channel::Channel;
use self::reach::Attempt;
use super::{Check, Context, Finished};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::sip::Conversation;
use crate::proto::sip::account::Account;
use crate::proto::sip::registration::{Registration, Report};
use crate::proto::sip::service::Service;
use crate::proto::sip::transaction::Timers;
use crate::reading::{Outcome, Status};

/// What the visit is to look at.
#[derive(Debug, Clone, Default)]
pub struct Wanted {
    /// The service of the profile; without one the far end alone is asked.
    pub service: Option<Service>,
    /// Whom to register; without one nobody is.
    pub account: Option<Account>,
}

/// RFC 3261 table 4 but for two: nobody waits 32 s for a server that is silent, and a request is sent five times in 8 s all the same; what is
/// repeated after the answer finds a closed socket (ours).
const TIMERS: Timers = Timers { give_up: Duration::from_secs(8), t4: Duration::ZERO, ..Timers::STANDARD };

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct SipCheck;

impl Check for SipCheck {
    fn spec(&self) -> Spec {
        Spec { name: "sip", needs: &[Need::Address], gives: &[], class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        async move { examine(context).await.into() }.boxed()
    }
}

fn cost(_: &Volume) -> Cost {
    // Some lookups, six requests of half a kilobyte each way, two handshakes of TLS.
    Cost { time: Duration::from_secs(2), octets: 30_000 }
}

async fn examine(context: Context) -> Outcome {
    let service = context.sip.service.clone();
    let (looked, rewriting) = tokio::join!(
        async {
            match &service {
                Some(service) => Some(look(&context, service).await),
                None => None,
            }
        },
        rewriting::look(&context)
    );
    let mut outcome = Outcome::new(Status::Done);
    if let (Some(service), Some(looked)) = (&service, &looked) {
        figures::add(&mut outcome, service, looked, context.sip.account.is_some());
    }
    let was_asked = rewriting.add(&mut outcome);
    match (&looked, was_asked) {
        (None, false) => {
            outcome.status = Status::NotTested;
            outcome.reason = Some("the profile names no SIP service ([sip] domain), and no far end answers over SIP".to_owned());
        }
        (Some(looked), _) if !looked.is_there() => {
            outcome.status = Status::Failed;
            outcome.reason = Some("no SIP server of the domain answers".to_owned());
        }
        _ => {}
    }
    outcome
}

/// What the service showed.
struct Looked {
    found: lookup::Found,
    attempts: Vec<Attempt>,
    /// Over which attempt's server, and what came of it.
    report: Option<(usize, Report)>,
}

impl Looked {
    /// Whether any server answered, be it to OPTIONS or to the registration, or would to somebody who speaks what it speaks.
    fn is_there(&self) -> bool {
        let is_open = self.attempts.iter().any(|attempt| attempt.is_beyond_us);
        let is_registered = self.report.as_ref().is_some_and(|(_, report)| report.is_answered);
        is_open || is_registered || self.attempts.iter().any(|attempt| attempt.answer.is_some())
    }
}

async fn look(context: &Context, service: &Service) -> Looked {
    let found = lookup::find(context, service).await;
    let attempts = reach::all(context, service, &found.candidates).await;
    let report = match &context.sip.account {
        Some(account) if !context.cancel.is_cancelled() => register(context, service, account, &attempts).await,
        _ => None,
    };
    Looked { found, attempts, report }
}

/// One registration, over the first server that answered; where none did, over the first there is: some servers answer OPTIONS to nobody.
async fn register(context: &Context, service: &Service, account: &Account, attempts: &[Attempt]) -> Option<(usize, Report)> {
    let answered = attempts.iter().position(|attempt| attempt.answer.is_some());
    let at = answered.or_else(|| attempts.iter().position(|attempt| attempt.is_open))?;
    let attempt = &attempts[at];
    let mut channel = Channel::open(context, service, attempt.transport, attempt.at).await.ok()?;
    let way = (attempt.transport, channel.local());
    let mut registration = Registration::new(service.domain.clone(), account.clone(), way, rand::random(), TIMERS);
    if channel.converse(&mut registration, &context.cancel).await {
        // The visit ends early: what was bound is taken back, which is one request.
        registration.hurry();
        let to_the_end = CancellationToken::new();
        let removing = channel.converse(&mut registration, &to_the_end);
        // Beyond it the binding ends by itself.
        let _ = tokio::time::timeout(Duration::from_secs(1), removing).await;
    }
    registration.on_wake(Instant::now());
    Some((at, registration.report().clone()))
}
