//! Which VLANs the port answers on: DHCP, PPPoE and IPv6 routers are asked for in each of a list, and nothing is taken.
//!
//! Run on request only, not in a visit: it is for the port on which nobody answers without a tag. It must not know packets
//! ([`crate::proto::vlan_scan`]).

use std::ops::ControlFlow;
use std::time::{Duration, Instant};

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use serde_json::json;

use super::{Check, Context, Finished, LiveFigure};
use crate::net::drive::Driver;
use crate::net::packet::{Filter, PacketSocket};
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::vlan_scan::{self, Answer, Event, Service, Settings, VlanScan};
use crate::reading::{Outcome, Reading, Status, Target};
use crate::unit::StampSource;
use crate::wire::ethernet::Mac;
use crate::wire::vlan::TagStack;

const NAME: &str = "vlan";

/// VLANs that providers' handoffs are often in, besides the low numbers of laboratory and business set-ups. From memory,
/// common practice: no registry has them, every provider chooses its own.
const COMMON: [u16; 20] = [1, 2, 5, 7, 8, 10, 11, 12, 20, 21, 30, 34, 35, 40, 100, 101, 132, 200, 300, 500];

/// The check.
#[derive(Debug, Clone, Default)]
pub struct VlanCheck {
    /// Where to look; empty looks without a tag and in the common ones.
    pub stacks: Vec<TagStack>,
}

/// Without a tag, and the common ones.
fn common() -> Vec<TagStack> {
    std::iter::once(TagStack::NONE).chain(COMMON.map(TagStack::single)).collect()
}

impl Check for VlanCheck {
    fn spec(&self) -> Spec {
        Spec { name: NAME, needs: &[Need::Carrier], gives: &[], class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        let stacks = if self.stacks.is_empty() { common() } else { self.stacks.clone() };
        async move { Finished::from(search(context, stacks).await) }.boxed()
    }
}

/// Of the common ones; a longer list takes longer.
fn cost(_: &Volume) -> Cost {
    let stacks = COMMON.len() + 1;
    // Two rounds of a DISCOVER, a PADI and a solicitation.
    Cost { time: vlan_scan::duration(stacks), octets: stacks as u64 * 2 * 480 }
}

async fn search(context: Context, stacks: Vec<TagStack>) -> Outcome {
    // Everything: answers may come with any tag, and what is not asked for is thrown away by the search.
    let mut driver = match PacketSocket::open(context.port.index, Filter::All, false) {
        Ok(socket) => Driver::new(socket),
        Err(error) => return Outcome::not_tested(format!("opening a packet socket: {error}")),
    };
    let count = stacks.len();
    let settings = Settings { mac: Mac(context.port.mac), stacks, run: rand::random() };
    let mut scan = VlanScan::new(settings, Instant::now());
    let ran = tokio::select! {
        ran = driver.run(&mut scan, |scan, event| match event {
            Event::Over => ControlFlow::Break(()),
            Event::Answered => {
                let text = format!("{} answer(s)", scan.answers().len());
                (context.live)(LiveFigure::new(NAME, text));
                ControlFlow::Continue(())
            }
        }) => ran,
        () = context.cancel.cancelled() => return Outcome::not_tested("the visit was ended early"),
    };
    if let Err(error) = ran {
        return Outcome::not_tested(format!("the port can't be read: {error}"));
    }
    describe(&scan, count)
}

fn describe(scan: &VlanScan, asked: usize) -> Outcome {
    let mut outcome = Outcome::new(Status::Done);
    let ms = |time: Duration| time.as_secs_f64() * 1e3;
    let mut answering: Vec<TagStack> = scan.answers().iter().map(|answer| answer.stack).collect();
    answering.sort_by_key(ToString::to_string);
    answering.dedup();
    outcome.readings.push(Reading::exact("vlan.answering", answering.len() as f64));
    outcome.fact("asked", asked);
    let words = |answer: &Answer| {
        json!({
            "vlan": answer.stack.to_string(),
            "service": answer.service.words(),
            "mac": answer.from.to_string(),
            "name": answer.name,
            "after_ms": ms(answer.after),
        })
    };
    outcome.fact("answers", scan.answers().iter().map(words).collect::<Vec<_>>());
    for answer in scan.answers() {
        let name = match answer.service {
            Service::Dhcp => "vlan.dhcp_time",
            Service::Pppoe => "vlan.pppoe_time",
            Service::Ipv6Router => "vlan.router_time",
        };
        let (outer, inner) = answer.stack.numbers();
        outcome
            .readings
            .push(Reading::exact(name, ms(answer.after)).on(Target::Vlan(outer, inner)).stamped_by(StampSource::User));
    }
    if scan.failed() > 0 {
        outcome.fact("unsent", scan.failed());
    }
    outcome
}
