//! From what was found to readings, facts and flaws.

use std::time::Duration;

use serde_json::{Value, json};

use super::run::{Found, Tune};
use super::tuner::{Took, Tuned, Tuner};
use crate::check::{Context, stream};
use crate::metric::{loss_interval, quantile};
use crate::proto::membership::{Querier, is_source_specific};
use crate::reading::{Limit, Outcome, Reading, Status, Target};
use crate::unit::{Family, StampSource};

/// From here on silence proves that nobody asks: the default interval (RFC 3376 section 8.2), and time to send.
const QUERIER_PROOF: Duration = Duration::from_secs(130);

/// Says all.
pub(super) fn describe(context: &Context, tuner: &Tuner, found: &Found) -> Outcome {
    let mut outcome = Outcome::new(Status::Done);
    queriers(&mut outcome, context, tuner, found);
    unasked(&mut outcome, tuner, found);
    for (at, tune) in found.tunes.iter().enumerate() {
        // The later look is the longer one; of times the first is told, when the channel was alone.
        let is_last = !found.tunes[at + 1..].iter().any(|later| later.channel == tune.channel);
        let is_first = !found.tunes[..at].iter().any(|earlier| earlier.channel == tune.channel);
        one(&mut outcome, tuner, tune, is_first, is_last);
        if is_last {
            streams(&mut outcome, context, tuner, tune);
        }
    }
    changes(&mut outcome, context, found);
    if let Some((wanted, came)) = found.at_once {
        outcome.readings.push(Reading::exact("multicast.channels_at_once", came as f64));
        outcome.fact("channels_at_once_wanted", wanted);
    }
    wrong_tags(&mut outcome, tuner);
    outcome.fact("channels", tuner.channels.iter().map(channel).collect::<Vec<Value>>());
    outcome.fact("joined_by", if context.tv.by_kernel { "kernel" } else { "doorstep" });
    own_faults(&mut outcome, tuner);
    outcome
}

/// The target of a channel by its place in the list.
fn target(at: usize) -> Target {
    Target::Channel(u16::try_from(at + 1).unwrap_or(u16::MAX))
}

fn families(tuner: &Tuner) -> Vec<Family> {
    let has = |family: &Family| tuner.channels.iter().any(|tuned| tuned.channel.family() == *family);
    [Family::Ipv4, Family::Ipv6].into_iter().filter(has).collect()
}

fn queriers(outcome: &mut Outcome, context: &Context, tuner: &Tuner, found: &Found) {
    let mut told = Vec::new();
    for family in families(tuner) {
        let planes = (0..tuner.planes.len()).filter_map(|plane| Some((plane, tuner.member.queriers(plane, family)?)));
        let all: Vec<(usize, &Querier)> =
            planes.flat_map(|(plane, list)| list.all().iter().map(move |one| (plane, one))).collect();
        told.extend(all.iter().map(|(plane, one)| querier(&tuner.planes[*plane].to_string(), one)));
        let exact = |name, value: f64| Reading::exact(name, value).over(family);
        if !all.is_empty() || found.listened >= QUERIER_PROOF {
            outcome.readings.push(exact("multicast.querier_present", if all.is_empty() { 0.0 } else { 1.0 }));
        }
        if all.is_empty() {
            let seconds = found.listened.as_secs();
            let what = format!("no querier of {family:?} was heard in {seconds} s", family = Words(family));
            outcome.fact(&format!("no_querier_heard_{}", Words(family).key()), what.clone());
            if found.listened >= QUERIER_PROOF {
                outcome.flaw("multicast-no-querier", what, None);
            }
            continue;
        }
        outcome.readings.push(exact("multicast.queriers", all.len() as f64));
        let oldest = all.iter().map(|(_, one)| one.version.number()).min();
        outcome.readings.extend(oldest.map(|version| exact("multicast.querier_version", f64::from(version))));
        if let Some(interval) = all.iter().find_map(|(_, one)| one.interval()) {
            outcome.readings.push(exact("multicast.query_interval", interval.as_secs_f64()));
        }
        // A switch that asks in a router's place is no second one (RFC 4541 section 2.1.1).
        let mut routers: Vec<String> =
            all.iter().filter(|(_, one)| !one.address.is_unspecified()).map(|(_, one)| one.address.to_string()).collect();
        routers.dedup();
        if routers.len() > 1 {
            let what =
                format!("{} routers ask for memberships ({}); one of them is to be left", routers.len(), routers.join(", "));
            outcome.flaw("multicast-several-queriers", what, None);
        }
        let older = all.iter().find(|(_, one)| context.tv.version.is_some_and(|w| w.family() == family && one.version < w));
        if let (Some((_, one)), Some(wanted)) = (older, context.tv.version) {
            let what = format!("{} asks with {}, and the service is sold with {wanted}", one.address, one.version);
            outcome.flaw("multicast-older-version", what, None);
        }
    }
    outcome.fact("queriers", told);
}

/// An IP version in words.
struct Words(Family);

impl Words {
    fn key(&self) -> &'static str {
        match self.0 {
            Family::Ipv4 => "ipv4",
            Family::Ipv6 => "ipv6",
        }
    }
}

impl std::fmt::Debug for Words {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self.0 {
            Family::Ipv4 => "IPv4",
            Family::Ipv6 => "IPv6",
        })
    }
}

fn querier(place: &str, querier: &Querier) -> Value {
    let seconds = |time: Option<Duration>| time.map(|time| time.as_secs_f64());
    json!({
        "vlan": place,
        "address": querier.address.to_string(),
        "version": querier.version.to_string(),
        "general_queries": querier.general,
        "group_queries": querier.specific,
        "said_interval_s": seconds(querier.said_interval),
        "seen_interval_s": seconds(querier.seen_interval),
        "max_response_s": seconds(querier.max_response),
        "robustness": querier.robustness,
        "odd": querier.flaws.iter().map(ToString::to_string).collect::<Vec<_>>(),
    })
}

fn unasked(outcome: &mut Outcome, tuner: &Tuner, found: &Found) {
    let Some((time, counts)) = &found.unasked else { return };
    for (at, count) in counts.iter().enumerate() {
        let rate = *count as f64 / time.as_secs_f64();
        let reading = Reading { samples: *count, ..Reading::exact("multicast.unasked_rate", rate) };
        outcome.readings.push(reading.on(target(at)).over(tuner.channels[at].channel.family()));
    }
    let flooded: Vec<&str> = counts
        .iter()
        .zip(&tuner.channels)
        .filter(|(count, _)| **count > 0)
        .map(|(_, tuned)| tuned.channel.name.as_str())
        .collect();
    if !flooded.is_empty() {
        let what = format!("channels arrive that nobody here has joined: {}", flooded.join(", "));
        outcome.flaw("multicast-flooded", what, None);
    }
}

fn timed(name: &'static str, took: Took, at: usize, tuned: &Tuned) -> Reading {
    Reading::exact(name, took.ms).on(target(at)).over(tuned.channel.family()).stamped_by(took.stamped_by)
}

fn one(outcome: &mut Outcome, tuner: &Tuner, tune: &Tune, is_first: bool, is_last: bool) {
    let at = tune.channel;
    let tuned = &tuner.channels[at];
    let (name, family) = (&tuned.channel.name, tuned.channel.family());
    let exact = |figure, holds: bool| Reading::exact(figure, if holds { 1.0 } else { 0.0 }).on(target(at)).over(family);
    if is_first {
        outcome.readings.extend(tune.joined.map(|took| timed("multicast.join_time", took, at, tuned)));
        outcome.readings.extend(tune.picture.map(|took| timed("multicast.first_picture_time", took, at, tuned)));
        outcome.readings.extend(tune.left.map(|took| timed("multicast.leave_time", took, at, tuned)));
    }
    if !is_last {
        return;
    }
    // What comes unasked says nothing of the join.
    if !tune.unclear {
        outcome.readings.push(exact("multicast.arrives", tune.arrived));
    }
    if !tune.arrived {
        let mode = tuner.member.mode(tuned.plane, family).map(|mode| mode.to_string()).unwrap_or_default();
        let sent = if tuned.was_told() { format!("was joined with {mode}") } else { "could not be joined".to_owned() };
        outcome.flaw("multicast-not-arriving", format!("channel {name} {sent}, and nothing came"), None);
    }
    if let Some((watched, stays)) = tune.stays {
        outcome.readings.push(exact("multicast.stays", stays));
        if !stays {
            let came = tuned.first.zip(tuned.last).map_or(0.0, |(first, last)| (last.at - first.at).as_secs_f64());
            let what = format!(
                "channel {name} came for {came:.1} s and then ended, though it was joined for {:.0} s and every query was answered",
                watched.as_secs_f64()
            );
            outcome.flaw("multicast-dropped", what, None);
        }
    }
    if let Some(stops) = tune.stops {
        outcome.readings.push(exact("multicast.stops_on_leave", stops));
        if !stops {
            outcome.flaw("multicast-does-not-stop", format!("channel {name} still comes after it was left"), None);
        }
    }
}

/// What the channel's stream showed while it was watched.
fn streams(outcome: &mut Outcome, context: &Context, tuner: &Tuner, tune: &Tune) {
    let Some(report) = &tune.stream else { return };
    let tuned = &tuner.channels[tune.channel];
    let told = stream::tell(
        report,
        &stream::Taken {
            target: target(tune.channel),
            name: tuned.channel.name.clone(),
            family: tuned.channel.family(),
            stamped_by: tuned.last.map_or(StampSource::Kernel, |last| last.stamp.source),
            confidence: context.effort.confidence,
            limits: Vec::new(),
        },
    );
    outcome.readings.extend(told.readings);
    outcome.series.extend(told.series);
    outcome.flaws.extend(told.flaws);
    outcome.fact(&format!("stream_{}", tune.channel + 1), told.facts);
}

fn changes(outcome: &mut Outcome, context: &Context, found: &Found) {
    if found.unclear_changes > 0 {
        outcome.fact("changes_not_measured", found.unclear_changes);
    }
    let confidence = context.effort.confidence;
    let mut times = |names: [&'static str; 2], all: &[Option<Took>], waited: Duration| {
        let n = all.len() as u64;
        let mut came: Vec<f64> = all.iter().flatten().map(|took| took.ms).collect();
        came.sort_by(f64::total_cmp);
        let failed = n - came.len() as u64;
        let stamped_by = all.iter().flatten().map(|took| took.stamped_by).max().unwrap_or(StampSource::Kernel);
        for (name, q) in names.into_iter().zip([0.5, 0.95]).filter(|_| n > 0) {
            let interval = quantile::interval_of_sorted(&came, failed, q, confidence);
            let value = quantile::of_sorted(&came, failed, q);
            let shown = value.unwrap_or(waited.as_secs_f64() * 1e3);
            outcome.readings.push(Reading::new(name, shown, n, interval).stamped_by(stamped_by).exceeding(value.is_none()));
        }
        (n, failed)
    };
    let names = ["multicast.change_time_p50", "multicast.change_time_p95"];
    let (n, failed) = times(names, &found.changes, super::JOIN_WAIT);
    // Of a stream that no picture is ever found in, there is nothing to time.
    if found.pictures.iter().any(Option::is_some) {
        times(["multicast.change_picture_time_p50", "multicast.change_picture_time_p95"], &found.pictures, super::PICTURE_WAIT);
    }
    if n > 0 {
        let interval = loss_interval::clopper_pearson(failed, n, confidence);
        outcome.readings.push(Reading::new("multicast.change_failure_ratio", failed as f64 / n as f64, n, interval));
    }
}

/// Channels that come in another VLAN than where they are looked for.
fn wrong_tags(outcome: &mut Outcome, tuner: &Tuner) {
    for tuned in tuner.channels.iter().filter(|tuned| tuned.packets == 0 && tuned.unasked == 0) {
        let here = tuner.planes[tuned.plane];
        let places = tuner.member.elsewhere().iter().filter(|((group, _), _)| *group == tuned.channel.group);
        for ((_, vlan), packets) in places {
            let place = if *vlan == 0 { "without a tag".to_owned() } else { format!("in VLAN {vlan}") };
            let what = format!("channel {} comes {place} ({packets} packets), not in {here}", tuned.channel.name);
            outcome.flaw("multicast-wrong-tag", what, None);
        }
    }
}

fn channel(tuned: &Tuned) -> Value {
    let channel = &tuned.channel;
    json!({
        "name": channel.name,
        "group": channel.group.to_string(),
        "source": channel.source.map(|source| source.to_string()),
        "is_source_specific": is_source_specific(channel.group),
        "port": channel.port,
        "vlan": channel.vlan.map(|vlan| vlan.to_string()),
        "packets": tuned.packets,
        "octets": tuned.octets,
    })
}

fn own_faults(outcome: &mut Outcome, tuner: &Tuner) {
    if tuner.member.failed() > 0 {
        outcome.fact("reports_unsent", tuner.member.failed());
        if let Some(error) = tuner.last_failure() {
            outcome.flaw(
                "test-set-reports-unsent",
                format!("reports could not be sent: {error}"),
                Some(crate::unit::Segment::TestSet),
            );
        }
    }
    if tuner.member.odd() > 0 {
        outcome.fact("unsound_messages", tuner.member.odd());
    }
    let drops = tuner.drops();
    if drops > 0 {
        outcome.fact("packets_dropped_by_test_set", drops);
        for reading in &mut outcome.readings {
            let what = format!("{drops} packets were dropped by this machine");
            *reading = reading.clone().limited_by(Limit::TestSet, what);
        }
    }
}
