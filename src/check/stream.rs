//! From what a channel's watcher found to readings, series, flaws and facts. The check of multicast calls it for each channel that it watched; it must not
//! know how the datagrams were had. [`receive`] has them from sockets.

pub mod receive;

use serde_json::{Value, json};

use crate::metric::loss_interval::clustered;
use crate::metric::quantile::DelayHistogram;
use crate::proto::channel_watch::flow;
use crate::proto::channel_watch::transport::ProgramReport;
use crate::proto::channel_watch::{Envelope, Report};
use crate::reading::{Flaw, LimitedBy, Reading, Series, Target, Unit};
use crate::unit::{Family, Interval, Layer, Segment, StampSource};
use crate::wire::rtp::fec::Fec;
use crate::wire::ts::framing::Framing;
use crate::wire::udp;

/// How a channel was watched.
#[derive(Debug, Clone)]
pub struct Taken {
    /// Which channel.
    pub target: Target,
    /// What flaws call it: its name, or group and port.
    pub name: String,
    /// IP version.
    pub family: Family,
    /// Who stamped the datagrams.
    pub stamped_by: StampSource,
    /// Confidence of intervals.
    pub confidence: f64,
    /// What bounded the figures other than the line: drops of the receive queue, for instance.
    pub limits: Vec<LimitedBy>,
}

/// What there is to tell of one channel.
#[derive(Debug, Clone, Default)]
pub struct Told {
    /// Figures.
    pub readings: Vec<Reading>,
    /// Delay factor, loss and rate over time.
    pub series: Vec<Series>,
    /// Oddities.
    pub flaws: Vec<Flaw>,
    /// What the channel is made of.
    pub facts: Value,
}

/// Puts a report into words and figures. A channel of which nothing came has none.
pub fn tell(report: &Report, taken: &Taken) -> Told {
    if report.datagrams == 0 {
        return Told::default();
    }
    let mut readings = Vec::new();
    transfer(report, taken, &mut readings);
    if let Some(flow) = &report.flow {
        readings.extend(numbered(flow, taken.confidence));
    }
    if report.transport.counts.packets > 0 {
        delivery(report, &mut readings);
        transport(report, &mut readings);
    }
    for reading in &mut readings {
        reading.target = Some(taken.target.clone());
        reading.family = Some(taken.family);
        reading.stamped_by.get_or_insert(taken.stamped_by);
        reading.limited_by.extend(taken.limits.iter().cloned());
    }
    Told { readings, series: series(report, taken), flaws: flaws(report, &taken.name), facts: facts(report) }
}

fn ms(ns: i64) -> f64 {
    ns as f64 / 1e6
}

fn transfer(report: &Report, taken: &Taken, readings: &mut Vec<Reading>) {
    let octets = report.octets + report.datagrams * u64::from(udp::headers(taken.family));
    // The last datagram ends the span, so it is not among what passed in it.
    let passed = octets as f64 * (report.datagrams - 1) as f64 / report.datagrams as f64;
    if report.span_ns > 0 {
        let mbit = passed * 8e3 / report.span_ns as f64;
        let interval = Interval { low: Some(mbit), high: Some(mbit), confidence: 1.0 };
        readings.push(Reading::new("multicast.stream_rate", mbit, report.datagrams, interval).at(Layer::Ip));
    }
    readings.push(Reading::exact("multicast.stream_longest_gap", ms(report.longest_gap_ns)));
}

/// What RTP tells.
fn numbered(flow: &flow::Report, confidence: f64) -> Vec<Reading> {
    let share = |name, part: u64, whole: u64, effect: f64| {
        let ratio = part as f64 / whole.max(1) as f64;
        Reading::new(name, ratio, whole, clustered(part, whole, effect, confidence))
    };
    let copies = flow.duplication;
    let exact = |name, value: f64, samples: u64| {
        Reading::new(name, value, samples, Interval { low: Some(value), high: Some(value), confidence: 1.0 })
    };
    let mut readings = vec![
        share("multicast.stream_loss_ratio", flow.lost, flow.expected, flow.loss_effect),
        share("multicast.stream_reordered_ratio", flow.reordered, copies.distinct, 1.0),
    ];
    readings.extend(copies.fraction().map(|fraction| exact("multicast.stream_duplicate_ratio", fraction, copies.distinct)));
    if let Some((jitter, Interval { low, high, confidence })) = flow.jitter_ns {
        let in_ms = |bound: Option<f64>| bound.map(|bound| bound / 1e6);
        let interval = Interval { low: in_ms(low), high: in_ms(high), confidence };
        readings.push(Reading::new("multicast.stream_jitter", jitter / 1e6, copies.distinct, interval));
    }
    readings
}

/// The media delivery index.
fn delivery(report: &Report, readings: &mut Vec<Reading>) {
    let found = &report.delivery;
    let counted = |name, value: f64| {
        Reading::new(name, value, found.seconds, Interval { low: Some(value), high: Some(value), confidence: 1.0 })
    };
    readings.extend(found.delay_factor.max().map(|worst| counted("multicast.stream_delay_factor", worst)));
    readings.push(counted("multicast.stream_media_loss_rate", found.worst_loss_rate));
    readings.push(counted("multicast.stream_media_lost", found.lost as f64));
    if found.seconds > 0 {
        let share = found.seconds_with_loss as f64 / found.seconds as f64;
        readings.push(counted("multicast.stream_seconds_with_loss_ratio", share));
    }
}

/// What TR 101 290 counts. Of several programs the one that is worst off is told.
fn transport(report: &Report, readings: &mut Vec<Reading>) {
    let (counts, packets) = (&report.transport.counts, report.transport.counts.packets);
    let counted =
        |name, value: f64| Reading::new(name, value, packets, Interval { low: Some(value), high: Some(value), confidence: 1.0 });
    let media = packets - counts.null - counts.out_of_sync.min(packets - counts.null);
    let scrambled = if media > 0 { counts.scrambled as f64 / media as f64 } else { 0.0 };
    let programs = &report.transport.programs;
    let missing: usize = programs.iter().map(|program| program.missing.len()).sum();
    let pat = report.transport.pat_seen;
    readings.extend([
        counted("multicast.stream_sync_losses", counts.sync_losses as f64),
        counted("multicast.stream_sync_octet_errors", counts.sync_octet_errors as f64),
        counted("multicast.stream_continuity_errors", counts.continuity_errors as f64),
        counted("multicast.stream_transport_errors", counts.transport_errors as f64),
        counted("multicast.stream_crc_errors", counts.crc_errors as f64),
        counted("multicast.stream_pat_errors", (pat.exceeded + counts.table_errors) as f64),
        counted("multicast.stream_missing_pids", missing as f64),
        counted("multicast.stream_scrambled_ratio", scrambled),
        counted("multicast.stream_fec", f64::from(u8::from(!report.repair.is_empty()))),
    ]);
    let mut times = Vec::new();
    if pat.count > 1 || pat.exceeded > 0 {
        times.push(("multicast.stream_pat_interval", ms(pat.longest_ns)));
    }
    let worst = |name, of: &dyn Fn(&ProgramReport) -> Option<f64>| {
        programs.iter().filter_map(of).reduce(f64::max).map(|value| (name, value))
    };
    let clock = |program: &ProgramReport| program.clock.clone().filter(|clock| clock.count > 1);
    let looked_at = |program: &ProgramReport| clock(program).filter(|clock| clock.accuracy_looked_at > 0);
    let seen =
        |program: &ProgramReport| (program.map_seen.count > 1 || program.map_seen.exceeded > 0).then_some(program.map_seen);
    times.extend(worst("multicast.stream_pmt_interval", &|program| Some(ms(seen(program)?.longest_ns))));
    times.extend(worst("multicast.stream_pmt_errors", &|program| Some(program.map_seen.exceeded as f64)));
    times.extend(worst("multicast.stream_pts_interval", &|program| Some(ms(program.stamps?.longest_ns))));
    times.extend(worst("multicast.stream_pts_errors", &|program| Some(program.stamps?.exceeded as f64)));
    times.extend(worst("multicast.stream_random_access_interval", &|program| {
        (program.random_access.count > 1).then(|| ms(program.random_access.longest_ns))
    }));
    times.extend(worst("multicast.stream_pcr_interval", &|program| Some(clock(program)?.longest_ticks as f64 / 27e3)));
    times.extend(worst("multicast.stream_pcr_interval_errors", &|program| Some(clock(program)?.repetition_errors as f64)));
    times.extend(worst("multicast.stream_pcr_discontinuities", &|program| Some(clock(program)?.discontinuity_errors as f64)));
    times.extend(worst("multicast.stream_pcr_accuracy", &|program| Some(looked_at(program)?.accuracy_worst_ns / 1e6)));
    times.extend(worst("multicast.stream_pcr_accuracy_errors", &|program| Some(looked_at(program)?.accuracy_errors as f64)));
    times.extend(worst("multicast.stream_pcr_jitter", &|program| {
        let arrival: DelayHistogram = clock(program)?.arrival;
        arrival.quantile(0.95)
    }));
    times.extend(worst("multicast.stream_clock_rate", &|program| Some(clock(program)?.rate()? / 1e6)));
    readings.extend(times.into_iter().map(|(name, value)| counted(name, value)));
}

fn series(report: &Report, taken: &Taken) -> Vec<Series> {
    let entries = &report.delivery.entries;
    if entries.len() < 2 {
        return Vec::new();
    }
    let at_ms: Vec<f64> = entries.iter().map(|entry| entry.at_s as f64 * 1e3).collect();
    let of = |name: &str, unit, values: Vec<Option<f64>>| Series {
        name: name.to_owned(),
        unit,
        target: Some(taken.target.clone()),
        direction: None,
        family: Some(taken.family),
        load: None,
        at_ms: at_ms.clone(),
        values,
    };
    let per_second = |of: f64, seconds: u64| of / seconds.max(1) as f64;
    vec![
        of("multicast.stream_delay_factor", Unit::Millisecond, entries.iter().map(|entry| entry.delay_factor_ms).collect()),
        of(
            "multicast.stream_media_loss_rate",
            Unit::PerSecond,
            entries.iter().map(|entry| Some(per_second(entry.lost as f64, entry.seconds))).collect(),
        ),
        of(
            "multicast.stream_media_rate",
            Unit::MegabitPerSecond,
            entries.iter().map(|entry| Some(per_second(entry.bits / 1e6, entry.seconds))).collect(),
        ),
    ]
}

fn flaws(report: &Report, name: &str) -> Vec<Flaw> {
    let mut found = Vec::new();
    let mut flaw = |code: &str, what: String, segment| {
        found.push(Flaw { code: format!("multicast-stream-{code}"), what: format!("{name}: {what}"), segment });
    };
    let counts = &report.transport.counts;
    if counts.packets == 0 {
        return vec![Flaw {
            code: "multicast-stream-unreadable".to_owned(),
            what: format!("{name}: {} datagrams came, and none of them is a transport stream", report.datagrams),
            segment: None,
        }];
    }
    if let Some(flow) = &report.flow {
        if flow.lost == 0 && flow.reordered == 0 && flow.restarts == 0 && counts.continuity_errors > 0 {
            let what = format!(
                "{} continuity errors, while no RTP packet was lost: the stream was damaged before it was put into RTP",
                counts.continuity_errors
            );
            flaw("damaged-at-source", what, Some(Segment::Network));
        }
        let copies = flow.duplication;
        if copies.replicated > 0 {
            let what = format!(
                "{} of {} RTP packets came more than once: somebody sends or forwards them twice",
                copies.replicated, copies.distinct
            );
            flaw("doubled", what, None);
        }
        if flow.restarts > 0 {
            flaw("restarted", format!("another RTP source or sequence began {} times", flow.restarts), None);
        }
    }
    for program in &report.transport.programs {
        let number = program.number;
        if program.map.is_none() {
            flaw("no-map", format!("program {number} has no program map: no receiver can show it"), Some(Segment::Network));
        }
        if !program.missing.is_empty() {
            let pids: Vec<String> = program.missing.iter().map(u16::to_string).collect();
            let what = format!("program {number} names PID {}, which does not come", pids.join(", "));
            flaw("pid-missing", what, Some(Segment::Network));
        }
        let Some(clock) = &program.clock else { continue };
        if clock.accuracy_errors > 0 {
            let what = format!(
                "{} of {} clock references of program {number} are off by more than 500 ns, {:.1} us at most: made so, since no network changes them",
                clock.accuracy_errors,
                clock.accuracy_looked_at,
                clock.accuracy_worst_ns / 1e3
            );
            flaw("clock-inaccurate", what, Some(Segment::Network));
        }
    }
    if report.transport.pat_seen.count == 0 {
        flaw(
            "no-programs",
            "no program association table came: no receiver can find a program".to_owned(),
            Some(Segment::Network),
        );
    }
    found
}

fn facts(report: &Report) -> Value {
    let programs: Vec<Value> = report.transport.programs.iter().map(of_program).collect();
    let repair = report.repair.iter().map(|(kind, count)| json!({ "kind": word(*kind), "packets": count })).collect::<Vec<_>>();
    let counts = &report.transport.counts;
    let mut facts = json!({
        "datagrams": report.datagrams,
        "carried_in": match report.envelope {
            Some(Envelope::Rtp) => "RTP",
            Some(Envelope::Udp) => "UDP",
            None => "unknown",
        },
        "transport_packet_octets": Framing::stride(report.framing),
        "transport_packets": counts.packets,
        "null_packets": counts.null,
        "programs": programs,
    });
    if !repair.is_empty() {
        facts["repair"] = json!(repair);
    }
    if let Some(flow) = &report.flow {
        facts["rtp_source"] = json!(format!("{:08x}", flow.ssrc));
        facts["rtp_payload_type"] = json!(flow.payload_type);
        facts["rtp_packets_lost"] = json!(flow.lost);
        facts["rtp_lost_as_receiver_reports_count"] = json!(flow.counted.lost_field());
        facts["rtp_longest_loss"] = json!(flow.longest_loss);
        facts["rtp_reordering_extent"] = json!(flow.reordering_extent);
    }
    if report.strange > 0 {
        facts["datagrams_of_no_known_kind"] = json!(report.strange);
    }
    facts
}

fn of_program(program: &ProgramReport) -> Value {
    let streams = program.map.iter().flat_map(|map| &map.streams);
    let streams: Vec<Value> =
        streams.map(|stream| json!({ "pid": stream.pid, "kind": format!("{:#04x}", stream.kind) })).collect();
    json!({ "number": program.number, "map_pid": program.map_pid, "clock_pid": program.map.as_ref().map(|map| map.pcr_pid), "streams": streams })
}

fn word(kind: Fec) -> &'static str {
    match kind {
        Fec::UnevenLevel => "uneven level protection (RFC 5109)",
        Fec::Column => "columns (SMPTE 2022-1)",
        Fec::Row => "rows (SMPTE 2022-1)",
        Fec::Flexible => "flexible parity (RFC 8627)",
    }
}

#[cfg(test)]
mod tests;
