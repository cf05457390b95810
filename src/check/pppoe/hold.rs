//! The session for the time of the visit: kept alive, watched, and ended.
//!
//! One task, owned by the [`SessionHolding`]: it answers the peer's echoes and hears when the peer ends the session. However
//! the visit ends, the last thing sent is a PADT: in order, or by [`Open`] when it is dropped.

use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::login::ending_in_words;
use crate::check::{Holding, carried};
use crate::net::carry::Carrier;
use crate::net::drive::{Driver, Port};
use crate::net::offload::WholeFrames;
use crate::net::tagged::TaggedPort;
use crate::proto::ppp::{Ending, Event, Phase, Session};
use crate::proto::pppoe::{Access, Subscriber};
use crate::reading::Outcome;

/// For Terminate-Request, its answer, and both PADTs.
const CLOSING: Duration = Duration::from_millis(1200);

/// A driver and what it drives; a session that is open when this is dropped is ended by a PADT.
pub(super) struct Open {
    pub(super) driver: Driver<TaggedPort>,
    pub(super) subscriber: Subscriber,
}

impl Open {
    fn is_open(&self) -> bool {
        self.subscriber.session().is_some_and(|session| session.phase() != Phase::Over)
    }

    /// Ends what is open, in order. Bounded.
    pub(super) async fn close(&mut self) {
        self.subscriber.end(Instant::now());
        let closing = self.driver.run(&mut self.subscriber, |_, event| match event {
            Access::Session(Event::Over(_)) | Access::NoSession(_) => ControlFlow::Break(()),
            _ => ControlFlow::Continue(()),
        });
        // Whatever comes of it: what is still open then is ended by Drop.
        let _ = tokio::time::timeout(CLOSING, closing).await;
    }
}

impl Drop for Open {
    fn drop(&mut self) {
        if self.is_open()
            && let Some(frame) = self.subscriber.session().map(Session::farewell)
        {
            let _ = self.driver.port().send(&frame);
        }
    }
}

/// A session that carries the visit.
pub(super) struct SessionHolding {
    stop: CancellationToken,
    /// `None` once it was stopped.
    keeper: Option<JoinHandle<(Open, Option<Ending>)>>,
    stopped: Option<(Open, Option<Ending>)>,
    carrier: Carrier,
    _whole_frames: WholeFrames,
}

impl SessionHolding {
    /// Begins to keep; `over` is the ending of a session that ended before.
    pub(super) fn new(open: Open, over: Option<Ending>, carrier: Carrier, whole_frames: WholeFrames) -> Self {
        let stop = CancellationToken::new();
        let (keeper, stopped) = match over {
            None => (Some(tokio::spawn(keep(open, stop.clone()))), None),
            over => (None, Some((open, over))),
        };
        Self { stop, keeper, stopped, carrier, _whole_frames: whole_frames }
    }

    async fn stop(&mut self) -> Option<&mut (Open, Option<Ending>)> {
        self.stop.cancel();
        if let Some(keeper) = self.keeper.take() {
            self.stopped = keeper.await.ok();
        }
        self.stopped.as_mut()
    }
}

impl Drop for SessionHolding {
    fn drop(&mut self) {
        if let Some(keeper) = &self.keeper {
            keeper.abort();
        }
    }
}

/// Until told to stop, or the session is over.
async fn keep(mut open: Open, stop: CancellationToken) -> (Open, Option<Ending>) {
    let watch = |_: &mut Subscriber, event| match event {
        Access::Session(Event::Over(ending)) => ControlFlow::Break(ending),
        _ => ControlFlow::Continue(()),
    };
    // Cancel safe: the driver stops between two events.
    let over = tokio::select! {
        over = open.driver.run(&mut open.subscriber, watch) => over.ok(),
        () = stop.cancelled() => None,
    };
    (open, over)
}

impl Holding for SessionHolding {
    fn what(&self) -> String {
        format!("the PPPoE session behind {}", self.carrier.port().0)
    }

    fn closing_outcome(&mut self) -> BoxFuture<'_, Option<Outcome>> {
        async move {
            let mut outcome = carried::outcome(&self.carrier);
            let lost = self.stop().await.and_then(|(_, ending)| ending.clone());
            if let Some(ending) = lost {
                let what = format!("the session ended during the visit: {}", ending_in_words(&ending));
                outcome.flaw("pppoe-session-lost", what, None);
            }
            Some(outcome)
        }
        .boxed()
    }

    fn release(mut self: Box<Self>) -> BoxFuture<'static, ()> {
        async move {
            if let Some((open, _)) = self.stop().await {
                open.close().await;
            }
        }
        .boxed()
    }
}
