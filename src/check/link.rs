//! The port: carrier, negotiated speed and duplex, MTU, driver, and its error counters over the visit.
//!
//! It reads what kernel and driver say and sends nothing. It must not know what rides on the port. The hard thing is to
//! blame nobody wrongly: a port slower than the service sold is the test set's limit (or that of what it is plugged
//! into), never a fault of the line.

mod figures;
mod tagged;

use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use self::figures::{Port, counted, describe};
use super::{Access, Check, Context, Finished, Holding, Learned};
use crate::net::ethtool;
use crate::net::facts::{self, Counters, Link};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::reading::{Outcome, Status};
use crate::unit::Depth;

/// Between two looks while carrier is waited for.
const LOOK_INTERVAL: Duration = Duration::from_millis(50);
/// After carrier the kernel hangs in the port's queue and only then calls it "up"; until then what is sent goes nowhere.
const QUEUE_WAIT: Duration = Duration::from_secs(1);

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct LinkCheck;

/// How long to wait for carrier. Negotiating 1000BASE-T takes 2 to 4 s after the plug went in (common practice).
fn patience(depth: Depth) -> Duration {
    match depth {
        Depth::Quick => Duration::from_secs(4),
        Depth::Handoff => Duration::from_secs(6),
        Depth::Soak => Duration::from_secs(10),
    }
}

fn cost(_: &Volume) -> Cost {
    Cost { time: Duration::from_millis(100), octets: 0 }
}

impl Check for LinkCheck {
    fn spec(&self) -> Spec {
        Spec { name: "link", needs: &[], gives: &[Need::Carrier], class: Class::Free, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        run(context).boxed()
    }
}

async fn run(context: Context) -> Finished {
    let name = context.port.name.clone();
    let looked = tokio::select! {
        looked = wait_for_carrier(&context) => looked,
        () = context.cancel.cancelled() => return Outcome::not_tested("the visit was ended").into(),
    };
    let link = match looked {
        Ok(Some(link)) => link,
        Ok(None) => return Outcome::not_tested(format!("the interface {name} is gone: is the adapter unplugged?")).into(),
        Err(error) => return Outcome::not_tested(error.to_string()).into(),
    };
    if !link.is_up {
        let reason = format!("the interface {name} is switched off on this test set: sudo ip link set dev {name} up");
        return Outcome::not_tested(reason).into();
    }
    let modes = ethtool::port_modes(&name).await;
    let driver = ethtool::driver(&name).ok().flatten();
    let outcome = describe(&Port { link: &link, modes: &modes, driver: driver.as_ref() }, &context.effort);
    let watch = PortWatch { name, index: link.index, before: link.counters, carrier_changes: link.carrier_changes };
    let mut finished = Finished { outcome, learned: Vec::new(), holdings: vec![Box::new(watch)] };
    if link.has_carrier && matches!(context.access, Access::Ethernet) && !context.vlan.is_none() {
        match tagged::enter(&context, link.mtu).await {
            Ok(carried) => {
                finished.learned.push(Learned::Interface(carried.interface()));
                finished.holdings.push(Box::new(carried));
            }
            // Without it later checks would test another network than was asked for.
            Err(error) => {
                finished.outcome.status = Status::NotTested;
                finished.outcome.reason = Some(format!("VLAN {} can't be entered: {error}", context.vlan));
            }
        }
    }
    finished
}

/// The port once it is ready to send, or as it is when patience ends.
async fn wait_for_carrier(context: &Context) -> std::io::Result<Option<Link>> {
    let give_up_at = Instant::now() + patience(context.effort.depth);
    let mut with_carrier_at = None;
    loop {
        let Some(link) = facts::link(context.port.index).await? else { return Ok(None) };
        let now = Instant::now();
        if link.carrier() == Some(true) {
            let since = *with_carrier_at.get_or_insert(now);
            // "unknown": a driver that doesn't say (RFC 2863 section 3.1.12 has it for such).
            let is_ready = matches!(link.operational, "up" | "unknown");
            if is_ready || now >= since + QUEUE_WAIT {
                return Ok(Some(link));
            }
        }
        if !link.is_up || now >= give_up_at {
            return Ok(Some(link));
        }
        tokio::time::sleep(LOOK_INTERVAL).await;
    }
}

/// Remembers the counters for the end of the visit; holds nothing.
struct PortWatch {
    name: String,
    index: u32,
    before: Counters,
    carrier_changes: Option<u32>,
}

impl Holding for PortWatch {
    fn what(&self) -> String {
        format!("the counters of {}", self.name)
    }

    fn release(self: Box<Self>) -> BoxFuture<'static, ()> {
        std::future::ready(()).boxed()
    }

    fn closing_outcome(&mut self) -> BoxFuture<'_, Option<Outcome>> {
        async move {
            let link = facts::link(self.index).await.ok()??;
            let changes = link.carrier_changes.zip(self.carrier_changes).map(|(now, then)| now.wrapping_sub(then));
            Some(counted(&link.counters.since(&self.before), changes.unwrap_or(0), link.has_carrier))
        }
        .boxed()
    }
}

#[cfg(test)]
mod tests;
