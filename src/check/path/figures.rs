//! Readings, facts and flaws out of what was found on the way.

use std::net::IpAddr;
use std::time::Duration;

use serde_json::{Value, json};

use super::super::Context;
use super::super::echo::targets::{Destination, provider_hop};
use super::super::probing::OwnFaults;
use super::rewritten;
use super::several::{self, Several};
use super::{hop_mtu, pace, way_back};
use crate::metric::loss_interval::clopper_pearson;
use crate::metric::quantile::{interval_of_sorted, of_sorted};
use crate::proto::path::{Answer, Change, HopAddress, HopReport, PathEnd, PathReport, Place};
use crate::proto::path_mtu::HopMtu;
use crate::proto::path_pace::{HopPace, Pattern};
use crate::reading::{Limit, Outcome, Reading, Status, Target};
use crate::unit::{Family, Position};

/// One family's walk.
#[derive(Debug, Clone)]
pub(super) struct Walk {
    pub(super) family: Family,
    pub(super) to: Destination,
    pub(super) gateway: Option<IpAddr>,
    pub(super) waiting_time: Duration,
    /// What the marked rounds carried, if there were any.
    pub(super) marked: Option<u8>,
    /// True when their DSCP is the visit's class and not one that was chosen for want of it.
    pub(super) class_is_asked_for: bool,
    pub(super) took: Duration,
    /// The several ways, where they were looked for, or why they were not.
    pub(super) several: Option<Result<Several, String>>,
    /// Hops that were asked at two paces.
    pub(super) paces: Vec<HopPace>,
    /// What gets to each hop, where that was asked.
    pub(super) mtus: Option<Vec<HopMtu>>,
    /// What the far end's own probes found, where there is a session.
    pub(super) way_back: Option<way_back::Looked>,
    pub(super) result: Result<(PathReport, OwnFaults), String>,
}

impl Walk {
    /// Whether a hop was seen to give the same number of answers a second at two paces.
    fn limits(&self, hop: u8) -> bool {
        self.paces.iter().any(|pace| pace.hop == hop && pace.pattern() == Pattern::Limits)
    }
}

/// The outcome over both families.
pub(super) fn outcome(walks: &[Walk], context: &Context) -> Outcome {
    let has_session = context.known.far_end.is_some();
    from_walks(walks, context.position, has_session, context.effort.confidence)
}

fn from_walks(walks: &[Walk], position: Position, has_session: bool, confidence: f64) -> Outcome {
    let seen: Vec<(&Walk, &PathReport, &OwnFaults)> =
        walks.iter().filter_map(|w| w.result.as_ref().ok().map(|(path, faults)| (w, path, faults))).collect();
    let mut outcome = if walks.is_empty() {
        return Outcome::not_tested("there is neither a far end nor a resolver outside the home to look toward");
    } else if seen.is_empty() {
        let why: Vec<&str> = walks.iter().filter_map(|w| w.result.as_ref().err().map(String::as_str)).collect();
        return Outcome::not_tested(why.join("; "));
    } else if seen.iter().all(|(_, path, _)| path.end == PathEnd::Silent { last_hop: None }) {
        Outcome::failed("no hop answers, not even the first")
    } else {
        Outcome::new(Status::Done)
    };
    for (walk, path, faults) in seen {
        let provider = provider_hop(position, path);
        readings(walk, path, faults, confidence, &mut outcome);
        flaws(walk, path, has_session, &mut outcome);
        rewritten::note(walk, path, &mut outcome);
        several::note(walk, confidence, &mut outcome);
        way_back::note(walk, &mut outcome);
        hop_mtu::note(walk.mtus.as_deref().unwrap_or_default(), path, walk.family, &mut outcome);
        let name = if walk.family == Family::Ipv4 { "path_ipv4" } else { "path_ipv6" };
        outcome.fact(name, path_fact(walk, path, faults, provider, position));
    }
    outcome
}

fn readings(walk: &Walk, path: &PathReport, faults: &OwnFaults, confidence: f64, outcome: &mut Outcome) {
    let mut add = |reading: Reading| {
        let mut reading = reading.over(walk.family);
        if faults.receive_drops > 0 {
            let what = format!("{} packets dropped in the test set's own receive buffer", faults.receive_drops);
            reading = reading.limited_by(Limit::TestSet, what);
        }
        outcome.readings.push(reading);
    };
    if let PathEnd::Reached { hops, .. } = path.end {
        let reading = Reading::exact("path.hops", f64::from(hops));
        add(match walk.to.resolver {
            Some(number) => reading.on(Target::Resolver(number)),
            None => reading,
        });
        if let Some(back) = path.hops_back {
            let reading = Reading::exact("path.hops_back", f64::from(back));
            add(match walk.to.resolver {
                Some(number) => reading.on(Target::Resolver(number)),
                None => reading,
            });
        }
    }
    if path.hops.iter().any(|hop| !hop.is_silent()) {
        add(Reading::exact("path.changed", f64::from(u8::from(path.change.is_some()))));
    }
    for hop in &path.hops {
        let target = Target::Hop(hop.hop);
        // A router that was seen to limit its answers, and nobody behind it to say what the line loses.
        let says_nothing = |lost: &(u64, u64)| lost.0 > 0 && walk.limits(hop.hop);
        if let Some((lost, sent)) = path.loss_to(hop.hop).filter(|loss| !says_nothing(loss)) {
            let interval = clopper_pearson(lost, sent, confidence);
            add(Reading::new("path.hop_loss_ratio", lost as f64 / sent as f64, sent, interval).on(target.clone()));
        }
        let mut sorted: Vec<f64> = hop.round_trips.iter().map(|t| t.as_secs_f64() * 1e3).collect();
        sorted.sort_by(f64::total_cmp);
        // Unanswered probes have no part in it: a router that keeps answers back does not delay anybody's packets.
        if let (Some(value), Some(source)) = (of_sorted(&sorted, 0, 0.5), hop.stamped_by) {
            let interval = interval_of_sorted(&sorted, 0, 0.5, confidence);
            let reading = Reading::new("path.hop_round_trip_p50", value, sorted.len() as u64, interval);
            add(reading.on(target).stamped_by(source));
        }
    }
}

fn flaws(walk: &Walk, path: &PathReport, has_session: bool, outcome: &mut Outcome) {
    let to = walk.to.address;
    match path.end {
        PathEnd::Reached { .. } => {}
        PathEnd::Refused { offender, meaning, hop } => outcome.flaw(
            &format!("path-{}", meaning.slug()),
            format!("hop {hop}, {offender}, does not carry packets on to {to}: {}", meaning.words()),
            None,
        ),
        PathEnd::Silent { last_hop } => {
            let last = last_hop.and_then(|n| path.hops.iter().find(|h| h.hop == n));
            let last = last.and_then(|h| Some(format!("hop {}, {}", h.hop, h.address()?)));
            match last {
                // Packets do arrive; the far end or a filter before it just doesn't answer probes.
                Some(last) if has_session && walk.to.is_far_end() => outcome.flaw(
                    "path-far-end-silent",
                    format!("nobody answers probes behind {last}, though the far end {to} is in session"),
                    None,
                ),
                Some(last) => outcome.flaw("path-ends-early", format!("nobody answers behind {last}, on the way to {to}"), None),
                None => outcome.flaw("path-no-hop-answers", format!("no hop answers on the way to {to}"), None),
            }
        }
    }
    if let Some(change) = &path.change {
        let what = change_words(to, change);
        outcome.flaw("path-changed", what, None);
    }
    if let Some(address) = path.loop_address() {
        outcome.flaw("path-loop", format!("packets to {to} go round: {address} answers at more than one hop"), None);
    }
}

/// A change in words.
pub(super) fn change_words(to: IpAddr, change: &Change) -> String {
    let hop = |(was, is): (&Place, &Place)| format!("hop {} was {} and is {}", was.hop, was.address, is.address);
    let hops: Vec<String> = change.was.iter().zip(&change.is).map(hop).collect();
    let (after, before) = (change.after.as_secs_f64(), change.before.as_secs_f64());
    format!("the path to {to} changed between {after:.1} s and {before:.1} s after the check began: {}", hops.join(", "))
}

fn change_fact(change: &Change) -> Value {
    let ms = |at: Duration| (at.as_secs_f64() * 1e3).round();
    let hops: Vec<Value> = change
        .was
        .iter()
        .zip(&change.is)
        .map(|(was, is)| json!({ "hop": was.hop, "was": was.address, "is": is.address }))
        .collect();
    json!({ "after_ms": ms(change.after), "before_ms": ms(change.before), "hops": hops })
}

fn path_fact(walk: &Walk, path: &PathReport, faults: &OwnFaults, provider: Option<u8>, position: Position) -> Value {
    let hops: Vec<Value> = path.hops.iter().map(|hop| hop_fact(walk, path, hop, provider, position)).collect();
    let (end, detail) = match path.end {
        PathEnd::Reached { by, .. } => ("reached", words_of(by).to_owned()),
        PathEnd::Refused { offender, meaning, .. } => ("refused", format!("{} says {offender}", meaning.words())),
        PathEnd::Silent { .. } => ("silent", "nobody answers behind the last hop".to_owned()),
    };
    let last = path.hops.iter().rev().find(|h| !h.is_silent());
    json!({
        "destination": walk.to.address,
        "is_far_end": walk.to.is_far_end(),
        "end": end,
        "end_detail": detail,
        "last_answering_hop": last.map(|h| h.hop),
        "last_answering_role": last.map(|h| role(walk, h, provider, position)),
        "hops": hops,
        "rewritten": rewritten::facts(path),
        "hop_mtus": walk.mtus.as_ref().map(|found| hop_mtu::fact(found, path)),
        "hops_backward": way_back::hops(walk),
        "way_back": way_back::fact(walk, path),
        "changed": path.change.as_ref().map(change_fact),
        "several": several::fact(walk),
        "marked_class": walk.marked,
        "congestion_marks": path.congestion_marks.map(|m| json!({ "hop": m.hop, "marked": m.marked, "of": m.of })),
        "waiting_time_ms": walk.waiting_time.as_secs_f64() * 1e3,
        "took_ms": (walk.took.as_secs_f64() * 1e3).round(),
        "receive_drops": faults.receive_drops,
        "send_errors": faults.send_errors,
    })
}

fn hop_fact(walk: &Walk, path: &PathReport, hop: &HopReport, provider: Option<u8>, position: Position) -> Value {
    let addresses: Vec<Value> = hop.addresses.iter().map(address_fact).collect();
    let [icmp, udp] = hop.counts;
    json!({
        "hop": hop.hop,
        "role": role(walk, hop, provider, position),
        "silent": hop.is_silent(),
        "addresses": addresses,
        "icmp": { "sent": icmp.sent, "answered": icmp.answered },
        "udp": { "sent": udp.sent, "answered": udp.answered },
        "limits_answers": path.limits_answers(hop.hop) || walk.limits(hop.hop),
        "asked_at_two_paces": walk.paces.iter().find(|p| p.hop == hop.hop).map(pace::fact),
        // In the order of sending, to the nanosecond.
        "round_trips_ms": hop.round_trips.iter().map(|t| t.as_nanos() as f64 / 1e6).collect::<Vec<_>>(),
        "discarded": hop.discarded,
    })
}

fn address_fact(address: &HopAddress) -> Value {
    let labels: Vec<Value> = address
        .mpls
        .iter()
        .map(|e| json!({ "label": e.label, "traffic_class": e.traffic_class, "bottom": e.bottom, "ttl": e.ttl }))
        .collect();
    let kinds: Vec<&str> = address.kinds.iter().map(|k| words_of(*k)).collect();
    json!({ "address": address.address, "answers": address.answers, "kinds": kinds, "mpls": labels })
}

fn words_of(answer: Answer) -> &'static str {
    match answer {
        Answer::HopLimitExceeded => "hop limit exceeded",
        Answer::EchoReply => "echo reply",
        Answer::Port => "port unreachable",
        Answer::Refused(meaning) => meaning.words(),
    }
}

/// What a hop is in the path; at the terminal the gateway of the default route is the provider's first hop.
fn role(walk: &Walk, hop: &HopReport, provider: Option<u8>, position: Position) -> &'static str {
    let is_at = |address: Option<IpAddr>| address.is_some() && hop.addresses.iter().any(|a| Some(a.address) == address);
    if is_at(Some(walk.to.address)) {
        if walk.to.is_far_end() { "far-end" } else { "destination" }
    } else if provider == Some(hop.hop) {
        "provider-hop"
    } else if position.is_behind_gateway() && (is_at(walk.gateway) || hop.hop == 1) {
        "gateway"
    } else {
        "router"
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::proto::path::KindCount;
    use crate::unit::StampSource;

    const FAR_END: &str = "203.0.113.10";

    fn hop(hop: u8, address: Option<&str>, answer: Answer, answered: u32) -> HopReport {
        HopReport {
            hop,
            addresses: address
                .map(|a| HopAddress { address: a.parse().unwrap(), answers: 2 * answered, kinds: vec![answer], mpls: vec![] })
                .into_iter()
                .collect(),
            counts: [KindCount { sent: 3, answered }; 2],
            round_trips: vec![Duration::from_millis(u64::from(hop)); 2 * answered as usize],
            discarded: 0,
            stamped_by: (answered > 0).then_some(StampSource::Kernel),
        }
    }

    fn walk(hops: Vec<HopReport>, end: PathEnd) -> Walk {
        Walk {
            family: Family::Ipv4,
            to: Destination { address: FAR_END.parse().unwrap(), resolver: None },
            gateway: Some("192.0.2.1".parse().unwrap()),
            waiting_time: Duration::from_secs(1),
            marked: Some(0xba),
            class_is_asked_for: true,
            took: Duration::from_secs(4),
            several: None,
            paces: vec![],
            mtus: None,
            way_back: None,
            result: Ok((
                PathReport { hops, end, rewrites: vec![], congestion_marks: None, change: None, hops_back: None },
                OwnFaults::default(),
            )),
        }
    }

    fn whole() -> Walk {
        let exceeded = Answer::HopLimitExceeded;
        let hops = vec![
            hop(1, Some("192.0.2.1"), exceeded, 3),
            hop(2, Some("198.51.100.1"), exceeded, 2),
            hop(3, None, exceeded, 0),
            hop(4, Some(FAR_END), Answer::EchoReply, 3),
        ];
        walk(hops, PathEnd::Reached { hops: 4, by: Answer::EchoReply })
    }

    fn values<'a>(outcome: &'a Outcome, name: &'a str) -> impl Iterator<Item = (Option<Target>, f64, u64)> + 'a {
        outcome.readings.iter().filter(move |r| r.name == name).map(|r| (r.target.clone(), r.value, r.samples))
    }

    #[test]
    fn a_whole_path_gives_hops_roles_and_readings() {
        let outcome = from_walks(&[whole()], Position::Gateway, false, 0.95);
        assert_eq!(outcome.status, Status::Done);
        assert_eq!(values(&outcome, "path.hops").collect::<Vec<_>>(), [(None, 4.0, 1)]);
        let path = &outcome.facts["path_ipv4"];
        let roles: Vec<&str> = path["hops"].as_array().unwrap().iter().map(|h| h["role"].as_str().unwrap()).collect();
        assert_eq!(roles, ["gateway", "provider-hop", "router", "far-end"]);
        assert_eq!((&path["end"], &path["hops"][2]["silent"]), (&json!("reached"), &json!(true)));
        let median: Vec<_> = values(&outcome, "path.hop_round_trip_p50").map(|(t, v, _)| (t.unwrap(), v)).collect();
        assert_eq!(median, [(Target::Hop(1), 1.0), (Target::Hop(2), 2.0), (Target::Hop(4), 4.0)]);
    }

    #[test]
    fn a_hop_that_answers_seldom_shows_the_loss_of_those_behind_it() {
        let outcome = from_walks(&[whole()], Position::Gateway, false, 0.95);
        let loss: Vec<_> = values(&outcome, "path.hop_loss_ratio").map(|(t, v, _)| (t.unwrap(), v)).collect();
        assert_eq!(loss, [(Target::Hop(1), 0.0), (Target::Hop(2), 0.0), (Target::Hop(4), 0.0)]);
        let hops = outcome.facts["path_ipv4"]["hops"].as_array().unwrap();
        assert_eq!((&hops[0]["limits_answers"], &hops[1]["limits_answers"]), (&json!(false), &json!(true)));
    }

    #[test]
    fn a_path_that_ends_early_says_how_far_it_got() {
        let hops = vec![hop(1, Some("192.0.2.1"), Answer::HopLimitExceeded, 3)];
        let walks = [walk(hops, PathEnd::Silent { last_hop: Some(1) })];
        let outcome = from_walks(&walks, Position::Gateway, false, 0.95);
        assert_eq!(outcome.flaws[0].code, "path-ends-early");
        let path = &outcome.facts["path_ipv4"];
        assert_eq!((&path["last_answering_hop"], &path["last_answering_role"]), (&json!(1), &json!("gateway")));
        assert_eq!(values(&outcome, "path.hops").count(), 0);
        let in_session = from_walks(&walks, Position::Gateway, true, 0.95);
        assert_eq!(in_session.flaws[0].code, "path-far-end-silent");
    }

    #[test]
    fn a_dead_line_is_a_failed_check_and_no_sockets_a_check_not_done() {
        let dead = from_walks(&[walk(vec![], PathEnd::Silent { last_hop: None })], Position::Gateway, false, 0.95);
        assert_eq!((dead.status, dead.flaws[0].code.as_str()), (Status::Failed, "path-no-hop-answers"));
        let blind = Walk { result: Err("no rights".to_owned()), ..whole() };
        assert_eq!(from_walks(&[blind], Position::Gateway, false, 0.95).reason.as_deref(), Some("no rights"));
        assert_eq!(from_walks(&[], Position::Gateway, false, 0.95).status, Status::NotTested);
    }

    #[test]
    fn a_loop_is_told() {
        let exceeded = Answer::HopLimitExceeded;
        let addresses = ["192.0.2.1", "198.51.100.1", "100.64.0.2", "198.51.100.1"];
        let hops = (1..).zip(addresses).map(|(n, a)| hop(n, Some(a), exceeded, 3)).collect();
        let outcome = from_walks(&[walk(hops, PathEnd::Silent { last_hop: Some(4) })], Position::Gateway, false, 0.95);
        assert!(outcome.flaws.iter().any(|f| f.code == "path-loop"));
    }
}
