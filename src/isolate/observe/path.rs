//! Symptoms of reach, loss and delay along the path: gateway, provider's first hop, what lies behind.

use super::{Evidence, Findings};
use crate::isolate::model::Symptom;
use crate::judge::Judgement;
use crate::reading::{Reading, Status, Target, words};
use crate::unit::Family;

/// A lower bound of the loss above this is loss; RFC 7680 section 4.1 expects healthy paths well below one per cent.
const LOSS_SEEN: f64 = 0.001;
/// An upper bound of the loss below this is as good as none when the question is where 1 per cent and more arise.
const LOSS_ABSENT: f64 = 0.02;
/// A flow that loses this share carries nothing that anybody can use.
const VANISHED: f64 = 0.8;
/// Less of this lost is alive.
const LIVES: f64 = 0.9;
/// A wired home adds less than 2 ms (common practice); this much before the gateway is odd.
const HOME_DELAY_MS: f64 = 10.0;
/// A stretch must add this much before it can be the cause of a delay that misses its limit.
const STRETCH_DELAY_MS: f64 = 15.0;

pub(super) fn observe(evidence: &Evidence<'_>, found: &mut Findings) {
    let reach = Reach::of(evidence);
    reach.note(evidence, found);
    loss(evidence, &reach, found);
    several_ways(evidence, found);
    delay(evidence, found);
    ipv6(evidence, &reach, found);
}

/// Which points answered at all; `None` when nothing asked.
struct Reach {
    gateway: Option<bool>,
    provider: Option<bool>,
    beyond: Option<bool>,
}

impl Reach {
    fn of(evidence: &Evidence<'_>) -> Self {
        let echo = |target: &Target| {
            evidence.idle("echo.loss_ratio").into_iter().find(|r| r.target.as_ref() == Some(target)).map(|r| r.value < 1.0)
        };
        let behind = evidence.position.is_behind_gateway();
        let provider_hop = provider_hop(evidence);
        let path_ran = evidence.ran("path").is_some();
        // A hop that gave a round trip answered.
        let hop_answered = |wanted: &dyn Fn(u8) -> bool| {
            let hops = evidence.readings("path.hop_round_trip_p50");
            hops.into_iter().any(|r| matches!(r.target, Some(Target::Hop(n)) if wanted(n)))
        };
        let beyond_tests = [
            echo(&Target::FarEnd),
            evidence.idle("twoway.loss_ratio").first().map(|r| r.value < 1.0),
            evidence.ran("farend").map(|o| o.status == Status::Done || super::far_end::answered(o)),
            path_ran.then(|| hop_answered(&|n| n > provider_hop)),
            super::names::uncached_answer(evidence),
        ];
        let beyond = any_known(&beyond_tests);
        let provider = any_known(&[
            beyond.filter(|b| *b),
            echo(&Target::ProviderHop),
            if behind { None } else { echo(&Target::Gateway) },
            path_ran.then(|| hop_answered(&|n| n >= provider_hop)),
        ]);
        let gateway = any_known(&[provider.filter(|p| *p), echo(&Target::Gateway), path_ran.then(|| hop_answered(&|_| true))]);
        Self { gateway, provider, beyond }
    }

    fn note(&self, evidence: &Evidence<'_>, found: &mut Findings) {
        let first = if evidence.position.is_behind_gateway() { "the gateway" } else { "the next hop" };
        let mut one = |symptom, answered: Option<bool>, what: &str| {
            if let Some(answered) = answered {
                let words = if answered {
                    format!("{what} answers")
                } else {
                    format!("{what} does not answer, nor does anything behind it")
                };
                found.note(symptom, !answered, words);
            }
        };
        one(Symptom::GatewaySilent, self.gateway, first);
        one(Symptom::ProviderSilent, self.provider, "the provider's first hop");
        if let Some(answered) = self.beyond {
            let words = if answered {
                "hosts behind the provider's first hop answer"
            } else {
                "nothing behind the provider's first hop answers"
            };
            found.note(Symptom::BeyondSilent, !answered, words);
        }
    }
}

/// The number of the provider's first hop: as the path check tells it, else 1 at the terminal and 2 behind a gateway.
fn provider_hop(evidence: &Evidence<'_>) -> u8 {
    let told = evidence.outcome("path").and_then(|path| {
        let hops = path.facts.get("path_ipv4").or_else(|| path.facts.get("path_ipv6"))?.get("hops")?.as_array()?;
        let hop = hops.iter().find(|h| h.get("role").and_then(|r| r.as_str()) == Some("provider-hop"))?;
        u8::try_from(hop.get("hop")?.as_u64()?).ok()
    });
    told.unwrap_or_else(|| if evidence.position.is_behind_gateway() { 2 } else { 1 })
}

/// True when any is true, false when all that are known are false.
fn any_known(answers: &[Option<bool>]) -> Option<bool> {
    answers.iter().flatten().copied().reduce(|a, b| a || b)
}

/// Where packets are lost. A point that answers nothing at all has not lost anything: it is silent.
fn loss(evidence: &Evidence<'_>, reach: &Reach, found: &mut Findings) {
    let behind_gateway = evidence.position.is_behind_gateway();
    let echo = |target: Target| {
        let readings = evidence.idle("echo.loss_ratio");
        readings.into_iter().find(|r| r.target.as_ref() == Some(&target)).filter(|r| r.value < 1.0)
    };
    let gateway = if behind_gateway { echo(Target::Gateway) } else { None };
    let provider_hop = provider_hop(evidence);
    let provider =
        echo(Target::ProviderHop).or_else(|| if behind_gateway { None } else { echo(Target::Gateway) }).or_else(|| {
            let hops = evidence.idle("path.hop_loss_ratio");
            hops.into_iter().find(|r| r.target == Some(Target::Hop(provider_hop))).filter(|r| r.value < 1.0)
        });
    // The worse direction counts. Without the far end's own packets, echoes to it must do.
    let stream = evidence.idle("twoway.loss_ratio").into_iter().max_by(|a, b| a.value.total_cmp(&b.value));
    let far = stream.filter(|r| r.value < 1.0).or_else(|| echo(Target::FarEnd)).filter(|_| reach.beyond != Some(false));

    let points = [
        (Symptom::LossToGateway, "gateway", gateway),
        (Symptom::LossToProvider, "provider's first hop", provider),
        (Symptom::LossToFarEnd, "far end", far),
    ];
    for (i, (symptom, point, reading)) in points.iter().enumerate() {
        let Some(reading) = reading else { continue };
        let behind: Vec<Option<bool>> = points[i + 1..].iter().map(|(_, _, r)| r.and_then(lossy)).collect();
        let figure = format!("{} of {} lost to the {point}", words::of(reading), words::grouped(reading.samples as f64));
        let figure = match reading.direction {
            Some(direction) => format!("{figure} ({direction})"),
            None => figure,
        };
        // A packet to the far end and back meets every loss on the way: no point before it can lose more of its own.
        let most_behind = points[i + 1..].iter().filter_map(|(_, _, r)| *r).filter_map(most_lost).reduce(f64::min);
        match lossy(reading) {
            Some(true) if any_known(&behind) == Some(true) && reading.low > most_behind => {
                // How much of it is true loss can't be told, so it says nothing of this stretch.
            }
            // RFC 1812 section 4.3.2.8 lets routers limit their ICMP: only loss that is seen behind as well is loss.
            Some(true) if any_known(&behind) == Some(false) => {
                found.note(*symptom, false, format!("{figure}, but none behind it: it limits its answers and loses nothing"));
            }
            Some(seen) => found.note(*symptom, seen, figure),
            None => {}
        }
    }
}

/// The most that may be lost there and back, by the reading's interval.
fn most_lost(reading: &Reading) -> Option<f64> {
    // One direction alone: the other may lose as much.
    reading.high.map(|high| if reading.direction.is_some() { 2.0 * high } else { high })
}

/// Whether a loss reading shows loss; `None` when its interval can't tell.
pub(super) fn lossy(reading: &Reading) -> Option<bool> {
    if reading.low.is_some_and(|low| low > LOSS_SEEN) {
        Some(true)
    } else if reading.high.is_some_and(|high| high < LOSS_ABSENT) || (reading.value == 0.0 && reading.samples >= 20) {
        Some(false)
    } else {
        None
    }
}

/// Whether one of several equal ways is bad; only where flows were counted one by one.
fn several_ways(evidence: &Evidence<'_>, found: &mut Findings) {
    let counted: Vec<_> = evidence.readings("path.bad_flow_ratio").collect();
    let is_bad = counted.iter().any(|reading| reading.value > 0.0);
    match evidence.flaw("path", &["path-way-loses", "path-flows-lose"]) {
        Some(flaw) if is_bad => {
            found.note(Symptom::OneWayLoses, true, &flaw.what);
            // Spread evenly over flows, the share lost of all is the share of bad flows times what these lose.
            let lost = evidence.readings("path.flow_loss_ratio").map(|reading| reading.value).fold(0.0, f64::max);
            let flows = counted.iter().map(|reading| reading.value).fold(0.0, f64::max);
            let percent = words::significant(lost / flows * 100.0);
            found.note(
                Symptom::FlowsVanish,
                lost >= VANISHED * flows,
                format!("flows that lose lose some {percent} % of their packets"),
            );
        }
        _ if !counted.is_empty() => found.note(Symptom::OneWayLoses, is_bad, "no flow loses more than the others"),
        _ => {}
    }
}

/// Where the delay arises, once it misses its limit.
fn delay(evidence: &Evidence<'_>, found: &mut Findings) {
    let is_delay = |j: &Judgement| {
        j.reading.starts_with("twoway.round_trip")
            || (j.reading.starts_with("echo.round_trip") && j.target == Some(Target::FarEnd))
    };
    let Some((missed, judgement)) = evidence.limit_missed(is_delay) else { return };
    found.note(Symptom::DelayTooLong, missed, format!("{}: {}", judgement.criterion, judgement.because));
    if !missed {
        return;
    }
    let median = |name: &str, target: Option<Target>| {
        evidence.idle(name).into_iter().find(|r| target.is_none() || r.target == target).map(|r| r.value)
    };
    let echo = |target: Target| median("echo.round_trip_p50", Some(target));
    let hop = |n: u8| median("path.hop_round_trip_p50", Some(Target::Hop(n)));
    let Some(far) = median("twoway.round_trip_p50", None).or_else(|| echo(Target::FarEnd)) else { return };
    let behind_gateway = evidence.position.is_behind_gateway();
    let provider = echo(Target::ProviderHop)
        .or_else(|| if behind_gateway { None } else { echo(Target::Gateway) })
        .or_else(|| hop(provider_hop(evidence)))
        // A router may be slow to answer itself: what lies behind it bounds the way to it.
        .map(|ms| ms.min(far));
    let gateway = if behind_gateway { echo(Target::Gateway).map(|ms| ms.min(provider.unwrap_or(far))) } else { Some(0.0) };
    let mut stretch = |symptom, ms: f64, floor: f64, what: &str| {
        let words = format!("{} ms of {} ms are spent {what}", words::significant(ms), words::significant(far));
        found.note(symptom, ms >= floor && ms >= far / 2.0, words);
    };
    if let (true, Some(gateway)) = (behind_gateway, gateway) {
        stretch(Symptom::DelayInHome, gateway, HOME_DELAY_MS, "before the gateway");
    }
    if let (Some(gateway), Some(provider)) = (gateway, provider) {
        let what = if behind_gateway { "between gateway and provider's first hop" } else { "before the provider's first hop" };
        stretch(Symptom::DelayInAccess, provider - gateway, STRETCH_DELAY_MS, what);
    }
    if let Some(provider) = provider {
        stretch(Symptom::DelayInNetwork, far - provider, STRETCH_DELAY_MS, "behind the provider's first hop");
    }
}

/// IPv6 beside IPv4: dead when routers advertise it and there is no address or no way out, or when every IPv6 echo is lost, while
/// IPv4 gets through.
fn ipv6(evidence: &Evidence<'_>, reach: &Reach, found: &mut Findings) {
    let four = evidence.ran("dhcp4").is_none_or(|dhcp| dhcp.status == Status::Done);
    let flaw = evidence.flaw("ipv6", &["ipv6-no-address", "ipv6-leads-nowhere", "ipv6-router-dead"]);
    let flaw = flaw.or_else(|| evidence.flaw("farend", &["farend-ipv6-unreachable"]));
    let flaw = flaw.or_else(|| evidence.flaw("twoway", &["twoway-ipv6-silent"]));
    // Whatever did not answer at first: packets that came back from far away prove the way.
    let lives = ["dns.failure_ratio", "twoway.loss_ratio"].iter().flat_map(|name| evidence.readings(name));
    let lives = lives.filter(|r| r.family == Some(Family::Ipv6)).any(|r| r.value < LIVES);
    if let Some(flaw) = flaw.filter(|_| !lives).filter(|_| four && reach.beyond == Some(true)) {
        return found.note(Symptom::Ipv6Dead, true, format!("{}, while IPv4 works", flaw.what));
    }
    let six: Vec<_> = evidence.readings("echo.loss_ratio").filter(|r| r.family == Some(Family::Ipv6)).collect();
    let four = evidence.readings("echo.loss_ratio").any(|r| r.family != Some(Family::Ipv6) && r.value < 1.0);
    // The furthest point decides: a gateway that answers on IPv6 says nothing about the line.
    let Some(furthest) = six.iter().max_by_key(|r| distance(r.target.as_ref())) else { return };
    if four && reach.beyond == Some(true) {
        let what = furthest.target.as_ref().map(words::target_words).unwrap_or_default();
        let dead = furthest.value >= 1.0;
        let words = if dead {
            format!("no IPv6 echo to the {what} is answered, while IPv4 works")
        } else {
            format!("the {what} answers on IPv6")
        };
        found.note(Symptom::Ipv6Dead, dead, words);
    }
}

fn distance(target: Option<&Target>) -> u8 {
    match target {
        Some(Target::FarEnd) => 3,
        Some(Target::ProviderHop) => 2,
        Some(Target::Gateway) => 1,
        _ => 0,
    }
}
