//! Runs a round of calls at once: those that the profile asks for, and an unmarked one to compare them with where they are marked.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use futures_util::future::join_all;

use crate::check::{Context, LiveFigure, turn};
use crate::farend::api::{CallGrant, CallsRequest};
use crate::farend::call::{self, Side};
use crate::farend::client::{ClientError, Session};
use crate::net::stamped::StampedSocket;
use crate::proto::voice::Plan;
use crate::proto::voice::account::Account;
use crate::unit::{Family, Load};
use crate::wire::call::Leg;
use crate::wire::train::Secret;

/// Calls begin so far apart: telephones are not in step, and a packet each 20 ms of all at once would be a burst of our own. Of 17 calls the last
/// begins 1.4 s behind the first.
const STAGGER: Duration = Duration::from_millis(83);

/// One call.
#[derive(Debug)]
pub(super) struct Call {
    /// The agent's side, and the far end's where it told it.
    pub(super) own: Leg,
    pub(super) theirs: Leg,
}

impl Call {
    /// Whether both sides were there.
    pub(super) fn is_open(&self) -> bool {
        self.own.opened && self.theirs.opened
    }

    pub(super) fn account(&self) -> Account {
        Account::of(&self.own, &self.theirs)
    }
}

/// Calls that ran at once.
#[derive(Debug)]
pub(super) struct Round {
    pub(super) load: Load,
    pub(super) family: Family,
    /// Those that the profile asks for first; then, if there is one, the unmarked one.
    pub(super) calls: Vec<Call>,
    /// Whether the last call is there to compare with.
    pub(super) has_unmarked: bool,
    /// Why a side of a call has no figures, if one has none.
    pub(super) failures: Vec<String>,
}

/// Runs them; ends within a second or so when the visit is to end.
///
/// # Errors
/// When the far end does not admit them.
pub(super) async fn round(context: &Context, session: &Session, packets: u16, load: Load) -> Result<Round, ClientError> {
    let terms = context.effort.voice;
    let mut dscps = vec![terms.dscp; usize::from(terms.calls)];
    let has_unmarked = terms.dscp != 0;
    if has_unmarked {
        dscps.push(0);
    }
    let request = CallsRequest { payload_type: terms.codec.payload_type(), packets, dscps };
    let grant = turn::take(context, "voice", || session.admit_calls(&request)).await?;
    let open = Arc::new(AtomicUsize::new(0));
    let legs = grant.legs.iter().zip(&request.dscps).zip(0_u32..).map(|((leg, dscp), number)| {
        let open = Arc::clone(&open);
        async move {
            tokio::time::sleep(STAGGER * number).await;
            let count = open.fetch_add(1, Ordering::Relaxed) + 1;
            let state = if load == Load::Idle { "idle line" } else { "line filled both ways" };
            (context.live)(LiveFigure::new("voice", format!("{count} calls at once, {state}")));
            speak(context, session, leg, *dscp, packets).await
        }
    });
    let own = join_all(legs).await;
    // Whatever became of them, the far end lets go of what it kept; of a visit that ends early it does so by itself.
    let theirs = tokio::select! {
        theirs = session.finish_calls(&grant) => theirs,
        () = context.cancel.cancelled() => Ok(Vec::new()),
    };
    let mut failures: Vec<String> = own.iter().filter_map(|leg| Some(leg.as_ref().err()?.to_string())).collect();
    let mut theirs = theirs.unwrap_or_else(|error| {
        failures.push(error.to_string());
        Vec::new()
    });
    theirs.resize(own.len(), Leg::default());
    let calls = own.into_iter().zip(theirs).map(|(own, theirs)| Call { own: own.unwrap_or_default(), theirs }).collect();
    Ok(Round { load, family: Family::of(session.address), calls, has_unmarked, failures })
}

async fn speak(context: &Context, session: &Session, grant: &CallGrant, dscp: u8, packets: u16) -> io::Result<Leg> {
    let secret = grant.secret.octets().and_then(|octets| Secret::new(&octets));
    let secret = secret.ok_or_else(|| io::Error::other("the secret of the call is none"))?;
    let codec = context.effort.voice.codec;
    let plan = Plan { codec, packets, own: grant.from_agent.into(), other: grant.from_far_end.into() };
    let to = SocketAddr::new(session.address, grant.port);
    let local = SocketAddr::new(Family::of(to.ip()).any_address(), 0);
    let socket = StampedSocket::udp(local, Some(&context.interface.name))?;
    let side = Side { socket: &socket, secret: &secret, plan, dscp, stop: &context.cancel };
    call::run(side, to).await
}
