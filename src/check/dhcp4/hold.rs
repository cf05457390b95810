//! The lease for the time of the visit: kept, watched, and given back.
//!
//! One task, owned by the [`LeaseHolding`]: it renews the lease (a soak outlasts many leases), moves the kernel's
//! lifetime along, and hears late answers. It ends when told, or with the holding.

use std::ops::ControlFlow;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::port;
use super::report::closing;
use crate::check::Holding;
use crate::net::drive::Driver;
use crate::net::packet::PacketSocket;
use crate::proto::dhcp4::{Client, Ending, Event, Lease};
use crate::reading::Outcome;
use crate::unit::Position;

/// A lease on a port.
pub(super) struct LeaseHolding {
    index: u32,
    position: Position,
    lease: Lease,
    stop: CancellationToken,
    /// `None` once it was stopped.
    keeper: Option<JoinHandle<Kept>>,
    stopped: Option<Kept>,
}

/// What the keeper hands back.
struct Kept {
    driver: Driver<PacketSocket>,
    client: Client,
    /// The lease as it stands on the port.
    lease: Lease,
    /// What happened to the lease meanwhile.
    log: Log,
}

/// What happened during the visit.
#[derive(Debug, Clone, Default)]
pub(super) struct Log {
    /// Renewals that were answered.
    pub(super) renewals: u32,
    /// Why the lease was lost, if it was.
    pub(super) lost: Option<Ending>,
    /// What the kernel said to a renewed address, if it refused.
    pub(super) refused: Option<String>,
    /// Answers when the check ended; later ones are late.
    pub(super) answers_before: usize,
    /// Other stations with the address that were told when the check ended.
    pub(super) rivals_before: usize,
}

impl LeaseHolding {
    /// Begins to keep.
    pub(super) fn new(index: u32, position: Position, driver: Driver<PacketSocket>, client: Client, lease: Lease) -> Self {
        let stop = CancellationToken::new();
        let (answers_before, rivals_before) = (client.answers().len(), client.rivals().len());
        let log = Log { answers_before, rivals_before, ..Log::default() };
        let kept = Kept { driver, client, lease: lease.clone(), log };
        let keeper = tokio::spawn(keep(index, kept, stop.clone()));
        Self { index, position, lease, stop, keeper: Some(keeper), stopped: None }
    }

    /// Stops the keeper; `None` when it panicked.
    async fn stop(&mut self) -> Option<&mut Kept> {
        self.stop.cancel();
        if let Some(keeper) = self.keeper.take() {
            self.stopped = keeper.await.ok();
        }
        self.stopped.as_mut()
    }
}

impl Drop for LeaseHolding {
    fn drop(&mut self) {
        // Not given back in order: the address dies with its lifetime.
        if let Some(keeper) = &self.keeper {
            keeper.abort();
        }
    }
}

/// What the keeper does next.
enum Turn {
    Renewed,
    Lost(Ending),
}

async fn keep(index: u32, mut kept: Kept, stop: CancellationToken) -> Kept {
    loop {
        let Kept { driver, client, lease, log } = &mut kept;
        let run = driver.run(client, |_, event| match event {
            Event::Renewed => ControlFlow::Break(Turn::Renewed),
            Event::Over(ending) => ControlFlow::Break(Turn::Lost(ending)),
            _ => ControlFlow::Continue(()),
        });
        // In this order: what has come in before the stop is heard.
        let turn = tokio::select! {
            biased;
            turn = run => turn,
            () = stop.cancelled() => return kept,
        };
        match turn {
            Ok(Turn::Renewed) => {
                log.renewals += 1;
                if let Some(renewed) = client.lease().cloned() {
                    if let Err(error) = port::put_on(index, &renewed, Some(lease)).await {
                        log.refused = Some(error.to_string());
                    }
                    *lease = renewed;
                }
            }
            Ok(Turn::Lost(ending)) => {
                log.lost = Some(ending);
                // RFC 2131 section 4.4.5: a client must stop using it at once.
                port::take_off(index, lease).await;
                return kept;
            }
            // The port is gone: nothing to keep, and the end of the visit will say so.
            Err(_) => return kept,
        }
    }
}

impl Holding for LeaseHolding {
    fn what(&self) -> String {
        format!("lease of {}", self.lease.address)
    }

    fn release(mut self: Box<Self>) -> BoxFuture<'static, ()> {
        async move {
            let index = self.index;
            let mut leases = vec![self.lease.clone()];
            if let Some(kept) = self.stop().await {
                leases.push(kept.lease.clone());
                kept.client.release();
                kept.driver.flush(&mut kept.client);
            }
            for lease in &leases {
                port::take_off(index, lease).await;
            }
        }
        .boxed()
    }

    fn closing_outcome(&mut self) -> BoxFuture<'_, Option<Outcome>> {
        async move {
            let position = self.position;
            let kept = self.stop().await?;
            Some(closing(&kept.client, &kept.log, position).await)
        }
        .boxed()
    }
}
