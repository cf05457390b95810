//! The largest packet that the path carries, each way, and whether anybody says so; TCP's segment size as the far end sees it.
//!
//! Packets leave whole or not at all, of sizes that [`crate::proto::mtu_search`] names. Up: a large request and a small answer. Down:
//! small requests that pay for one large answer. It must not judge. The hard thing: a lossy line must not look like one that
//! swallows large packets, so each size has several tries, and nothing is tried while the agent itself fills the line.

use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::BoxFuture;
use serde_json::json;

use super::asking::{Asker, Heard, PLAIN, Question, TRIES};
use super::between::own_address;
use super::{Check, Context, Finished, Learned};
use crate::farend::client::{Session, ViewOffer};
use crate::net::facts;
use crate::plan::{Class, Cost, Need, Spec, Volume};
use crate::proto::mtu_search::{Found, MtuSearch};
use crate::reading::{Outcome, Reading, Status};
use crate::unit::{Direction, Family};
use crate::wire::stun::Attribute;

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct MtuCheck;

impl Check for MtuCheck {
    fn spec(&self) -> Spec {
        Spec { name: "mtu", needs: &[Need::FarEnd], gives: &[], class: Class::Quiet, cost }
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        async move {
            let cancel = context.cancel.clone();
            tokio::select! {
                () = cancel.cancelled() => Outcome::not_tested("the visit was ended early").into(),
                outcome = examine(context) => with_learned(outcome),
            }
        }
        .boxed()
    }
}

/// What both directions carry, for whoever chooses sizes later.
fn with_learned(outcome: Outcome) -> Finished {
    let sizes = outcome.readings.iter().filter(|reading| reading.name == "mtu.path_mtu").map(|reading| reading.value as u32);
    let sizes: Vec<u32> = sizes.collect();
    let learned = if sizes.len() == 2 { sizes.into_iter().min().map(Learned::PathMtu) } else { None };
    Finished { learned: learned.into_iter().collect(), ..Finished::from(outcome) }
}

fn cost(_: &Volume) -> Cost {
    // Two sizes each way on a healthy path, less than ten on any other.
    Cost { time: Duration::from_millis(300), octets: 60_000 }
}

async fn examine(context: Context) -> Outcome {
    let Some(session) = context.known.far_end.clone() else { return Outcome::not_tested("no session with the far end") };
    let Some(offer) = session.view.clone() else {
        return Outcome::not_tested("the far end does not answer packets of a chosen size: it is older, or runs without");
    };
    match look(&context, &session, &offer).await {
        Ok(outcome) => outcome,
        Err(error) => Outcome::not_tested(format!("probing the path's MTU on {}: {error}", context.interface.name)),
    }
}

async fn look(context: &Context, session: &Session, offer: &ViewOffer) -> std::io::Result<Outcome> {
    let Some(from) = own_address(context, session) else {
        return Ok(Outcome::not_tested("the interface has no address of the far end's IP version"));
    };
    let Some(link) = facts::link(context.interface.index).await? else {
        return Ok(Outcome::not_tested("the interface is gone"));
    };
    let family = Family::of(session.address);
    let ceiling = u16::try_from(link.mtu).unwrap_or(u16::MAX).min(LARGEST);
    let mut outcome = Outcome::new(Status::Done);
    outcome.fact("interface_mtu", link.mtu);
    for direction in [Direction::Up, Direction::Down] {
        let mut asker = Asker::open(offer, from, &context.interface.name)?;
        if !matches!(asker.ask(&Question::default()).await?, Heard::Answer(_)) {
            return Ok(Outcome::failed("the far end's view answers no UDP"));
        }
        let mut probe = Probe { asker, direction, headers: headers(family), router: None };
        let mut search = MtuSearch::new(floor(family), ceiling);
        while let Some(size) = search.size() {
            probe.try_size(&mut search, size).await?;
        }
        match search.found() {
            Some(found) => note(&mut outcome, &found, direction, family, probe.router),
            None => {
                let what = format!("packets of {} octets, which every host must take, do not arrive {direction}", floor(family));
                outcome.flaw("mtu-below-least", what, None);
            }
        }
    }
    segments(&mut outcome, session, family);
    Ok(outcome)
}

/// What a direction's search asks with.
struct Probe {
    asker: Asker,
    direction: Direction,
    /// Octets of IP and UDP header.
    headers: u16,
    /// Who refused a large packet, where that was told to us.
    router: Option<std::net::IpAddr>,
}

impl Probe {
    /// Tries a size until it arrives, is refused, or is lost in all tries.
    async fn try_size(&mut self, search: &mut MtuSearch, size: u16) -> std::io::Result<()> {
        let payload = usize::from(size - self.headers);
        match self.direction {
            Direction::Up => match self.asker.ask(&Question { size: payload, ..Question::default() }).await? {
                Heard::Answer(_) => search.on_passed(size),
                Heard::Router { from, kind, code, mtu } if is_too_big(from.is_ipv4(), kind, code) => {
                    self.router = Some(from);
                    search.on_refused(size, u16::try_from(mtu).unwrap_or(u16::MAX));
                }
                // Larger than the interface itself sends: nobody's word, and not the path's.
                Heard::Router { .. } | Heard::NotSent | Heard::Silence => search.on_lost(size),
            },
            Direction::Down => self.try_down(search, size, payload).await?,
        }
        Ok(())
    }

    async fn try_down(&mut self, search: &mut MtuSearch, size: u16, payload: usize) -> std::io::Result<()> {
        let mut told = None;
        for _ in 0..TRIES {
            // Each of these has a small answer, which costs a part of what it pays.
            for _ in 0..payload.div_ceil(PAID - PLAIN) {
                if let Heard::Answer(answer) = self.asker.ask(&Question { size: PAID, ..Question::default() }).await? {
                    told = answer.too_big.or(told);
                }
            }
            let wishes = vec![Attribute::ReplySize(payload as u16)];
            match self.asker.ask_times(&Question { size: PAID, wishes, ..Question::default() }, 1).await? {
                Heard::Answer(_) => {
                    search.on_passed(size);
                    return Ok(());
                }
                _ => {
                    if let Heard::Answer(answer) = self.asker.ask(&Question::default()).await? {
                        told = answer.too_big.or(told);
                    }
                }
            }
            if let Some(mtu) = told.filter(|mtu| *mtu < size) {
                search.on_refused(size, mtu);
                return Ok(());
            }
        }
        search.on_lost(size);
        Ok(())
    }
}

/// "Fragmentation needed" (RFC 792, RFC 1191) and "packet too big" (RFC 4443 section 3.2).
fn is_too_big(is_v4: bool, kind: u8, code: u8) -> bool {
    if is_v4 { (kind, code) == (3, 4) } else { kind == 2 }
}

fn note(outcome: &mut Outcome, found: &Found, direction: Direction, family: Family, router: Option<std::net::IpAddr>) {
    let reading = |name, value: f64| Reading::exact(name, value).toward(direction).over(family);
    outcome.readings.push(reading("mtu.path_mtu", f64::from(found.mtu)));
    outcome.readings.push(reading("mtu.blackhole", f64::from(u8::from(found.is_blackhole()))));
    let told = found.told.map(|mtu| json!({ "mtu": mtu, "by": router.map(|router| router.to_string()) }));
    outcome
        .fact(&format!("path_{direction}"), json!({ "mtu": found.mtu, "larger_asked_about": !found.at_ceiling, "told": told }));
    if found.is_blackhole() {
        let what = format!("packets above {} octets vanish {direction}, and no router says so", found.mtu);
        outcome.flaw("mtu-blackhole", what, None);
    }
}

/// What the SYN of the control connection asked for, as sent and as it arrived (RFC 9293 section 3.7.1).
fn segments(outcome: &mut Outcome, session: &Session, family: Family) {
    let (Some(sent), Some(seen)) = (session.segment_size_sent, session.segment_size_seen) else { return };
    for (name, value) in [("mtu.segment_size", f64::from(seen)), ("mtu.segment_clamped", f64::from(u8::from(seen < sent)))] {
        outcome.readings.push(Reading::exact(name, value).toward(Direction::Up).over(family));
    }
    outcome.fact("segment_size", json!({ "sent": sent, "seen_at_far_end": seen }));
}

fn headers(family: Family) -> u16 {
    match family {
        Family::Ipv4 => 20 + 8,
        Family::Ipv6 => 40 + 8,
    }
}

/// What every host takes: RFC 791 section 3.1, RFC 8200 section 5.
fn floor(family: Family) -> u16 {
    match family {
        Family::Ipv4 => 576,
        Family::Ipv6 => 1280,
    }
}

/// The common jumbo size: nothing larger is asked about.
const LARGEST: u16 = 9000;
/// Octets of payload of a request that pays for a large answer: passes wherever the smallest size does.
const PAID: usize = 540;
