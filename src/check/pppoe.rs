//! PPPoE: which access concentrators offer sessions on this port, how fast, and whether one can be opened; with a login also
//! the session itself, over which the rest of the visit then runs.
//!
//! It must not know packets or states ([`crate::proto::pppoe`], [`crate::proto::ppp`]). Without a login nobody may answer, as
//! on a line that hands out addresses by DHCP; that is no failure of this check, and a tier that is sold over PPPoE says so
//! by a limit on `pppoe.concentrators`.

mod hold;
mod login;
mod readiness;
mod report;

use std::io;
use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;

use super::{Access, Check, Context, Finished};
use crate::net::packet::{Filter, PacketSocket};
use crate::net::tagged::TaggedPort;
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::pppoe::{Settings, Then};
use crate::unit::Depth;
use crate::wire::ethernet::Mac;

const NAME: &str = "pppoe";
/// For the confirmation of a session: servers answer from memory, within milliseconds (common practice); two requests fit.
const CONFIRMATION: Duration = Duration::from_millis(2500);
/// What a login takes on a healthy line. A server that starts a process for each session needs up to 1.3 s (measured with a
/// general-purpose one).
const USUAL_LOGIN: Duration = Duration::from_millis(1500);

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct PppoeCheck {
    /// Logs in, and so gives the visit its address.
    pub logs_in: bool,
}

/// How long the first offer is waited for, and others behind it.
fn patience(depth: Depth) -> (Duration, Duration) {
    match depth {
        // PADI at 0 and 1 s.
        Depth::Quick => (Duration::from_millis(2000), Duration::from_millis(500)),
        // And at 3 s.
        Depth::Handoff => (Duration::from_millis(5000), Duration::from_millis(1500)),
        // And at 7 and 15 s.
        Depth::Soak => (Duration::from_secs(20), Duration::from_secs(4)),
    }
}

impl Check for PppoeCheck {
    fn spec(&self) -> Spec {
        let (gives, cost): (&[Need], fn(&Volume) -> Cost) =
            if self.logs_in { (&[Need::Session, Need::Address], cost_of_login) } else { (&[], cost) };
        Spec { name: NAME, needs: &[Need::Carrier], gives, class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        async move {
            match context.access.clone() {
                Access::Pppoe(account) => login::run(context, account).await,
                Access::Ethernet => readiness::examine(context).await.into(),
            }
        }
        .boxed()
    }
}

fn cost(volume: &Volume) -> Cost {
    // A dozen short frames.
    Cost { time: patience(volume.depth).0, octets: 2000 }
}

fn cost_of_login(_: &Volume) -> Cost {
    // Some thirty short frames and three long ones.
    Cost { time: USUAL_LOGIN, octets: 12_000 }
}

/// The port under test, inside its VLAN, deaf to all but PPPoE's own packets.
fn port(context: &Context) -> io::Result<TaggedPort> {
    let socket = PacketSocket::open(context.port.index, Filter::PppoeControl(context.vlan), false)?;
    Ok(TaggedPort::new(socket, context.vlan))
}

fn discovery_settings(context: &Context, then: Then, max_payload: Option<u16>) -> Settings {
    let (patience, window) = patience(context.effort.depth);
    Settings {
        mac: Mac(context.port.mac),
        patience,
        window,
        confirmation: CONFIRMATION,
        then,
        service: Vec::new(),
        max_payload,
        run: rand::random(),
    }
}
