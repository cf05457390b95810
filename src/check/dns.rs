//! `dns`: whether each resolver that was handed out answers, how fast, and truthfully.
//!
//! Every resolver gets the same lookups side by side: unique names of the far end's zone (no cache can hold them, and their
//! answer is known), one name again and again (cached after the first), and names that must not exist (RFC 6761 section 6.4
//! keeps `invalid` for that). UDP lookups are sent once and timed by kernel stamps; some go over TCP, set-up included. NXDOMAIN
//! is an answer, not a failure; SERVFAIL, REFUSED and silence are failures (RFC 9520 section 2). Where a resolver answers for
//! every other name and for none of the zone, the far end is out of its reach, and those lookups are left out of its figures. Without a zone the timed
//! names are ones that do not exist, and truth is tested on those alone. From handoff depth on a closer look is taken beside them.

mod closer;
pub(super) mod exchange;
mod figures;
mod questions;
mod run;

use std::net::IpAddr;
use std::time::Duration;

use futures_util::FutureExt;
use futures_util::future::{BoxFuture, join_all};

use self::questions::Questions;
use self::run::Closely;
use super::{Check, Context, Finished, LiveFigure};
use crate::plan::{Class, Cost, Need, Sizes, Spec, Volume, sizes};
use crate::reading::{Outcome, Status};
use crate::unit::Depth;

/// Resolvers that are looked at; hosts use three at most (common practice).
const RESOLVERS: usize = 4;
/// Domains to complete names by that are looked at; long lists were cut at six by common stub resolvers (common practice).
const DOMAINS: usize = 6;
/// Pace of the lookups to one resolver.
const INTERVAL: Duration = Duration::from_millis(50);
/// A resolver has so long to answer: the least that RFC 1035 section 4.2.1 lets a client wait before it asks again (2 to 5 s).
const WAIT: Duration = Duration::from_secs(2);

/// The check.
#[derive(Debug, Clone, Copy, Default)]
pub struct Dns;

/// Lookups of each kind for one resolver.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Counts {
    uncached: usize,
    cached: usize,
    nonexistent: usize,
    over_tcp: usize,
}

/// The lookups of a depth, enlarged.
fn sized(depth: Depth, sizes: &Sizes) -> Counts {
    let Counts { uncached, cached, nonexistent, over_tcp } = counts(depth);
    let count = |usual: usize| usize::try_from(sizes.count("dns", usual as u64)).unwrap_or(usual);
    // Lookups over TCP are not what is short: they stay as many.
    Counts { uncached: count(uncached), cached: count(cached), nonexistent: count(nonexistent), over_tcp }
}

fn counts(depth: Depth) -> Counts {
    match depth {
        Depth::Quick => Counts { uncached: 30, cached: 10, nonexistent: 8, over_tcp: 3 },
        // 80: a 95th percentile has an upper bound from 72 samples on.
        Depth::Handoff => Counts { uncached: 80, cached: 30, nonexistent: 8, over_tcp: 6 },
        Depth::Soak => Counts { uncached: 400, cached: 100, nonexistent: 20, over_tcp: 20 },
    }
}

impl Check for Dns {
    fn spec(&self) -> Spec {
        Spec { name: "dns", needs: &[Need::Address], gives: &[], class: Class::Quiet, cost }
    }

    fn samples(&self, reading: &str, depth: Depth) -> Option<u64> {
        let Counts { uncached, cached, nonexistent, over_tcp } = counts(depth);
        let count = match reading {
            "dns.lookup_time_p50" | "dns.lookup_time_p95" => uncached,
            "dns.cached_time_p50" | "dns.cached_time_min" => cached,
            "dns.tcp_time_p50" => over_tcp,
            // One more fills the cache.
            "dns.failure_ratio" => 1 + uncached + cached + nonexistent,
            _ => return None,
        };
        Some(count as u64)
    }

    fn most(&self, volume: &Volume) -> f64 {
        let Counts { uncached, cached, nonexistent, .. } = counts(volume.depth);
        // Message numbers are of 16 bits, and each is used once: far above what the time allows.
        sizes::most(INTERVAL * (uncached + cached + nonexistent) as u32)
    }

    fn run(&self, context: Context) -> BoxFuture<'static, Finished> {
        async move { Finished::from(examine(context).await) }.boxed()
    }
}

fn cost(volume: &Volume) -> Cost {
    let Counts { uncached, cached, nonexistent, over_tcp } = sized(volume.depth, &volume.sizes);
    let over_udp = uncached + cached + nonexistent;
    // About 100 octets each way, a TCP lookup about ten packets; two resolvers are usual. Of the closer look the answers of
    // set sizes and two handshakes of TLS count.
    let closer = if looks_closer(volume.depth) { 60_000 } else { 0 };
    let octets = 2 * (over_udp * 200 + over_tcp * 800 + closer);
    Cost { time: INTERVAL * over_udp as u32 + Duration::from_millis(200), octets: octets as u64 }
}

/// Not at quick depth, which is short: a closer look at a resolver that is silent to some of it takes seconds.
fn looks_closer(depth: Depth) -> bool {
    match depth {
        Depth::Quick => false,
        Depth::Handoff | Depth::Soak => true,
    }
}

async fn examine(context: Context) -> Outcome {
    let resolvers: Vec<IpAddr> = context.known.resolvers.iter().copied().take(RESOLVERS).collect();
    if resolvers.is_empty() {
        let mut outcome = Outcome::failed("no resolver was handed out, and the test set has none of its own");
        outcome.flaw("dns-no-resolver", "no resolver was handed out", None);
        return outcome;
    }
    let zone = context.far_end.as_ref().and_then(|far_end| far_end.zone.clone());
    let counts = sized(context.effort.depth, &context.effort.sizes);
    let device = context.interface.name.as_str();
    let live = |done: usize| {
        let text = format!("{} resolver(s), {done} lookups sent", resolvers.len());
        (context.live)(LiveFigure::new("dns", text));
    };
    let domains: Vec<&str> = context.known.completion.domains().into_iter().take(DOMAINS).collect();
    let runs = resolvers.iter().enumerate().map(|(number, address)| {
        // Names of their own for each resolver: two resolvers may share a cache.
        let run = rand::random();
        let questions = Questions::new(run, zone.as_deref(), counts, rand::random);
        let closely = looks_closer(context.effort.depth).then_some(Closely { zone: zone.as_deref(), run, completion: &domains });
        let is_first = number == 0;
        let tell = move |done| {
            if is_first {
                live(done)
            }
        };
        run::resolver(*address, questions, closely, device, &context.cancel, tell)
    });
    let examined = join_all(runs).await;
    let own = context.known.far_end.as_ref().map(|session| session.seen_as);
    let mut outcome = figures::outcome(&resolvers, &examined, context.effort.confidence, own);
    let completion = &context.known.completion;
    outcome.fact("completion", serde_json::json!({ "domain": completion.domain, "search": completion.search }));
    if zone.is_none() && outcome.status == Status::Done {
        outcome.reason = Some("without a far end's zone, answers were held against names that must not exist only".to_owned());
    }
    outcome
}
