//! Thousands of made-up visits: every fault of the catalogue, by size, under noise, and what the engine makes of them.
//!
//! A visit is not drawn from the catalogue's likelihoods, which would find itself again, but from what the fault does to packets: each
//! probe is lost or not, each point of the path sees what lies before it, each rate and delay spreads as those of healthy practice
//! lines do. Checks are left out at random, and half of the lines have something harmless that looks like a fault. Sizes and noise
//! are invented; `docs/isolation.md` says which, and holds the table.

use std::fmt::Write as _;

use rand::rngs::StdRng;
use rand::{RngExt as _, SeedableRng as _};

use super::*;
use crate::unit::Depth;

/// Visits for each fault and size, and of healthy lines.
const EACH: u64 = 25;
const HEALTHY: u64 = 1000;
/// Size of the noise of round trips and rates, as shares of the figure: standard deviations, larger than those of the practice line.
const SPREAD_OF_DELAY: f64 = 0.08;
const SPREAD_OF_RATE: f64 = 0.008;

/// A source of chance with the few distributions that are needed.
struct Chance(StdRng);

impl Chance {
    fn share(&mut self) -> f64 {
        self.0.random::<f64>()
    }

    fn happens(&mut self, probability: f64) -> bool {
        self.share() < probability
    }

    /// Normal with mean 0 and deviation 1 (Box and Muller 1958).
    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.share()).ln()).sqrt() * (std::f64::consts::TAU * self.share()).cos()
    }

    /// How many of `sent` are lost, each with probability `p` by itself: the gaps between losses are geometric.
    fn lost(&mut self, sent: u64, p: f64) -> u64 {
        if p <= 0.0 || p >= 1.0 {
            return if p <= 0.0 { 0 } else { sent };
        }
        let (mut at, mut lost) = (0.0, 0);
        loop {
            at += ((1.0 - self.share()).ln() / (1.0 - p).ln()).floor() + 1.0;
            if at > sent as f64 {
                return lost;
            }
            lost += 1;
        }
    }
}

/// Loss of each stretch (there and back), delay of each in milliseconds, and what else a fault does.
#[derive(Clone, Copy)]
struct Path {
    loss: [f64; 3],
    delay: [f64; 3],
}

impl Path {
    const SOUND: Self = Self { loss: [0.0; 3], delay: [0.6, 2.4, 6.0] };

    fn losing(stretch: usize, each_way: f64) -> Self {
        let mut path = Self::SOUND;
        path.loss[stretch] = 1.0 - (1.0 - each_way).powi(2);
        path
    }

    fn late(stretch: usize, ms: f64) -> Self {
        let mut path = Self::SOUND;
        path.delay[stretch] += ms;
        path
    }

    /// Visits of it: echoes to three points, the stream, and TCP that gives way to loss.
    fn visit(self) -> Visit {
        let through = |n: usize| 1.0 - self.loss[..n].iter().map(|p| 1.0 - p).product::<f64>();
        let upto = |n: usize| self.delay[..n].iter().sum::<f64>();
        // Large numbers: the noise draws its own counts from the shares.
        let point = |n: usize| ((through(n) * 400.0).round() as u64, upto(n));
        let one_way = 1.0 - (1.0 - through(3)).sqrt();
        let mut visit = sound().with("echo", echo(point(1), point(2), point(3))).with("twoway", twoway_of(one_way, upto(3)));
        if one_way > 0.0 {
            // M. Mathis and others, Computer Communication Review 27 (1997): MSS / RTT * 1.22 / sqrt(p), four streams, from memory.
            let tcp = 4.0 * 1448.0 * 8.0 / (upto(3) * 1e-3) * 1.22 / one_way.sqrt() / 1e6;
            visit = visit.with("throughput", throughput(tcp.min(240.0), tcp.min(48.0)));
        }
        visit
    }
}

fn twoway_of(one_way: f64, ms: f64) -> Outcome {
    let mut outcome = twoway(0, ms);
    for reading in outcome.readings.iter_mut().filter(|r| r.name == "twoway.loss_ratio") {
        reading.value = one_way;
    }
    outcome
}

/// A fault that has a size, at its three: slight (just beyond the limits of fibre-250-50), clear and heavy.
fn sized(fault: &str) -> Option<[Visit; 3]> {
    let rates =
        |down: [f64; 3], up: [f64; 3]| [0, 1, 2].map(|i| sound().with("throughput", throughput(240.0 * down[i], 48.0 * up[i])));
    let (full, low) = ([1.0; 3], [0.82, 0.68, 0.44]);
    let losing = |stretch| [0.015, 0.03, 0.06].map(|p| Path::losing(stretch, p).visit());
    let late = |stretch| [40.0, 70.0, 120.0].map(|ms| Path::late(stretch, ms).visit());
    let varies = |spread: [f64; 3]| {
        [(20, 0.4), (50, 0.7), (100, 1.0)]
            .map(|(late, of): (u64, f64)| voice::varies(late, spread.map(|ms: f64| if ms > 5.0 { ms * of } else { ms })))
    };
    let on_three = |make: &dyn Fn(f64) -> Visit, sizes: [f64; 3]| sizes.map(make);
    Some(match fault {
        "home-loss" => losing(0),
        "access-loss" => losing(1),
        "network-loss" => losing(2),
        "home-delay" => late(0),
        "access-delay" => late(1),
        "network-delay" => late(2),
        "access-slow" => rates(low, low),
        "access-slow-down" => rates(low, full),
        "access-slow-up" => rates(full, low),
        "home-jitter" => varies([90.0, 95.0, 100.0]),
        "access-jitter" => varies([0.3, 95.0, 100.0]),
        "network-jitter" => varies([0.3, 0.8, 100.0]),
        "deep-queue" => on_three(&|ms| sound().with("throughput", shaping::queues(ms, ms)), [150.0, 300.0, 900.0]),
        "deep-queue-up" => on_three(&|ms| sound().with("throughput", shaping::queues(30.0, ms)), [150.0, 300.0, 900.0]),
        "deep-queue-down" => on_three(&|ms| sound().with("throughput", shaping::queues(ms, 30.0)), [150.0, 300.0, 900.0]),
        "evening-congestion" => [(200.0, 45.0), (150.0, 60.0), (60.0, 90.0)].map(|(rate, ms)| shaping::evening(rate, ms)),
        "one-way-loses" => on_three(&|each| sound().with("path", shaping::flows(0.5, each)), [0.05, 0.1, 0.4]),
        "half-of-flows-lost" => on_three(&|bad| sound().with("path", shaping::flows(bad, 1.0)), [0.25, 0.5, 0.75]),
        "small-mtu" => on_three(&|octets| sound().beside("mtu", mtu(octets, 0.0)), [1480.0, 1440.0, 1400.0]),
        "mtu-blackhole" => {
            let lame = |octets| sound().with("throughput", throughput(0.5, 0.5)).beside("mtu", mtu(octets, 1.0));
            on_three(&lame, [1480.0, 1440.0, 1400.0])
        }
        "other-traffic" => on_three(&|share| sound().with("throughput", held(Limit::CrossTraffic, share)), [0.85, 0.7, 0.4]),
        "test-set-too-slow" => on_three(&|share| sound().with("throughput", held(Limit::TestSet, share)), [0.85, 0.7, 0.4]),
        "far-end-busy" => on_three(&|share| sound().with("throughput", held(Limit::FarEnd, share)), [0.85, 0.7, 0.4]),
        "small-policer" => on_three(
            &|share| {
                let slow = throughput(240.0 * share, 48.0);
                sound().with("throughput", slow).beside("shaping", flawed(done(Vec::new()), "policer-small-burst"))
            },
            [0.85, 0.7, 0.4],
        ),
        "resolver-slow" => on_three(
            &|ms| {
                let mut outcome = dns((0, 0.0), (0, 0.0));
                outcome.readings.push(Reading::new("dns.lookup_time_p50", ms, 40, around(ms, 0.1)).on(Target::Resolver(1)));
                sound().with("dns", outcome)
            },
            [150.0, 250.0, 450.0],
        ),
        "tv-loss" => [60, 120, 240].map(tv::losing),
        "cable-errors" => [(3.0, 0.002), (80.0, 0.01), (800.0, 0.03)]
            .map(|(errors, loss)| Path::losing(0, loss).visit().with("link", link_with("link.receive_errors", errors))),
        "duplex-mismatch" => [(20.0, 0.7), (300.0, 0.3), (2000.0, 0.1)].map(|(errors, share)| {
            let slow = throughput(240.0 * share, 48.0 * share);
            sound().with("link", link_with("link.receive_errors", errors)).with("throughput", slow)
        }),
        _ => return None,
    })
}

fn held(side: Limit, share: f64) -> Outcome {
    let mut outcome = throughput(240.0 * share, 48.0 * share);
    outcome.readings = outcome.readings.into_iter().map(|r| r.limited_by(side, "as counted")).collect();
    outcome
}

/// The same visit as chance would have it.
fn under_noise(mut visit: Visit, chance: &mut Chance) -> (Visit, Depth) {
    let depth = if chance.happens(0.5) { Depth::Quick } else { Depth::Handoff };
    // What nobody needs for the address is left out now and then, by an option, for want of time or of a far end that can.
    for check in ["ipv6", "pppoe"] {
        let is_sound = sound().checks.iter().any(|whole| visit.checks.contains(whole) && whole.0 == check);
        if chance.happens(0.1) && is_sound {
            visit = visit.without(&[check], "left out");
        }
    }
    if visit.hour.is_none() {
        visit.hour = chance.happens(0.7).then(|| chance.0.random_range(8..22));
    }
    if chance.happens(0.3) && !visit.checks.iter().any(|(name, _)| *name == "mtu") {
        visit = visit.beside("mtu", mtu(1500.0, 0.0));
    }
    if chance.happens(0.3) && !visit.checks.iter().any(|(name, _)| *name == "between") {
        visit = visit.beside("between", done(vec![Reading::exact("between.translators", 1.0).over(Family::Ipv4)]));
    }
    // Routers that answer only some echoes, or none, where packets for others pass: RFC 1812 section 4.3.2.8.
    let limits = [chance.happens(0.1), chance.happens(0.15)];
    let silent = chance.happens(0.1);
    // The home's own weather: further or nearer far ends, all points alike.
    let far = (SPREAD_OF_DELAY * chance.normal()).exp();
    // A line of its own has a trace of loss.
    let trace = if chance.happens(0.2) { 0.0005 * chance.share() } else { 0.0 };
    let rate = 1.0 - (SPREAD_OF_RATE * chance.normal()).abs();
    for (check, outcome) in &mut visit.checks {
        let dead_gateway = outcome.readings.iter().any(|r| r.name == "echo.loss_ratio" && r.value >= 1.0);
        for reading in &mut outcome.readings {
            let few = if depth == Depth::Quick { 0.3 } else { 1.0 };
            match reading.name.as_str() {
                "echo.loss_ratio"
                | "twoway.loss_ratio"
                | "voice.late_ratio"
                | "multicast.stream_loss_ratio"
                | "dns.failure_ratio" => {
                    let sent = ((reading.samples as f64 * few) as u64).max(30);
                    let mut p = (reading.value + trace).min(1.0);
                    let limited = match &reading.target {
                        Some(Target::Gateway) => limits[0],
                        Some(Target::ProviderHop) => limits[1] || silent,
                        _ => false,
                    };
                    if *check == "echo" && limited && !dead_gateway {
                        p = if silent { 1.0 } else { p.max(0.3) };
                    }
                    if reading.value >= 1.0 {
                        p = 1.0;
                    }
                    let lost = chance.lost(sent, p);
                    let interval = clopper_pearson(lost, sent, 0.95);
                    (reading.value, reading.samples) = (lost as f64 / sent as f64, sent);
                    (reading.low, reading.high) = (interval.low, interval.high);
                }
                name if name.contains("round_trip") || name.contains("lookup_time") || name.contains("delay_under_load") => {
                    scale(reading, far * (0.03 * chance.normal()).exp());
                }
                "throughput.tcp_payload_rate" => scale(reading, rate),
                _ => {}
            }
        }
    }
    (visit, depth)
}

fn scale(reading: &mut Reading, by: f64) {
    reading.value *= by;
    (reading.low, reading.high) = (reading.low.map(|low| low * by), reading.high.map(|high| high * by));
}

fn concluded(visit: &Visit, depth: Depth) -> Isolation {
    let outcomes: Vec<(&str, &Outcome)> = visit.checks.iter().map(|(name, outcome)| (*name, outcome)).collect();
    let has_tv = outcomes.iter().any(|(name, _)| *name == "multicast");
    let tier = if has_tv { "fibre-250-50-tv" } else { "fibre-250-50" };
    thread_local! {
        static TIERS: [profile::Profile; 2] = ["fibre-250-50", "fibre-250-50-tv"].map(|name| profile::load(name).unwrap());
    }
    TIERS.with(|tiers| {
        let tier = tiers.iter().find(|t| t.name == tier).unwrap();
        let at = profile::Setting { depth, position: visit.position, ..profile::Setting::default() };
        let judgements = judge(tier, at, None, &outcomes);
        isolate(&Setting { hour: visit.hour, tiers: super::tiers(), ..visit.position.into() }, &outcomes, &judgements)
    })
}

/// A seed of each case's own, so that a new fault leaves the figures of the others alone (FNV-1a).
fn seed(case: &str, turn: u64) -> u64 {
    let hash = case.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3));
    hash ^ turn.wrapping_mul(0x9e37_79b9_7f4a_7c15)
}

/// What was said of the visits of a case.
#[derive(Default, Clone)]
struct Row {
    case: String,
    visits: u64,
    segment: u64,
    fault: u64,
    not_sure: u64,
    said: std::collections::BTreeMap<String, u64>,
}

fn simulated() -> Vec<Row> {
    let mut rows: Vec<Row> = Vec::new();
    let mut seen = std::collections::BTreeSet::new();
    for (fault, visit, segment) in all_scenarios() {
        let sizes = sized(fault);
        // Of a fault with sizes one scenario is enough; of others each stands for itself.
        if sizes.is_some() && !seen.insert((fault, visit.position.is_behind_gateway())) {
            continue;
        }
        let cases: Vec<(String, Visit)> = match sizes {
            Some(sizes) => ["slight", "clear", "heavy"]
                .into_iter()
                .zip(sizes)
                .map(|(size, sized)| (format!("{fault}:{size}"), Visit { position: visit.position, ..sized }))
                .collect(),
            None => vec![(fault.to_owned(), visit)],
        };
        for (case, visit) in cases {
            let index = rows.iter().position(|row| row.case == case).unwrap_or(rows.len());
            if index == rows.len() {
                rows.push(Row { case: case.clone(), ..Row::default() });
            }
            let row = &mut rows[index];
            for turn in 0..if fault == "none-found" { HEALTHY / 4 } else { EACH } {
                let mut chance = Chance(StdRng::seed_from_u64(seed(&case, turn + 1000 * row.visits)));
                let (visit, depth) = under_noise(visit.clone(), &mut chance);
                let found = concluded(&visit, depth);
                row.visits += 1;
                row.segment += u64::from(found.segment == segment && found.fault != "not-sure");
                row.fault += u64::from(found.fault == fault);
                row.not_sure += u64::from(found.fault == "not-sure");
                *row.said.entry(found.fault).or_default() += 1;
            }
        }
    }
    rows
}

fn in_percent(part: u64, whole: u64) -> String {
    let interval = clopper_pearson(part, whole, 0.95);
    let percent = |share: Option<f64>| share.map_or_else(|| "?".into(), |share| format!("{:.1}", share * 100.0));
    let (low, high) = (percent(interval.low), percent(interval.high));
    format!("{part} of {whole}, {:.1} % ({low} to {high} %)", part as f64 / whole as f64 * 100.0)
}

#[test]
fn thousands_of_made_up_visits_are_told_apart() {
    let rows = simulated();
    let (healthy, faulty): (Vec<&Row>, Vec<&Row>) = rows.iter().partition(|row| row.case == "none-found");
    let sum = |rows: &[&Row], of: fn(&Row) -> u64| rows.iter().map(|row| of(row)).sum::<u64>();
    let (visits, not_sure) = (sum(&faulty, |r| r.visits), sum(&faulty, |r| r.not_sure));
    let (segment, fault) = (sum(&faulty, |r| r.segment), sum(&faulty, |r| r.fault));
    let sure = visits - not_sure;
    let sound = sum(&healthy, |r| r.fault);
    let all_sound = sum(&healthy, |r| r.visits);
    let mut page = format!(
        "Right segment, of those that were sure: {}. Right fault first: {}. Not sure: {}. Healthy lines found sound: {}.\n\n\
         | fault | visits | right segment | right fault | not sure | else said |\n|---|---|---|---|---|---|\n",
        in_percent(segment, sure),
        in_percent(fault, sure),
        in_percent(not_sure, visits),
        in_percent(sound, all_sound),
    );
    for row in rows.iter().filter(|row| row.fault < row.visits) {
        let own = row.case.split(':').next().unwrap_or_default();
        let else_said: Vec<String> = row
            .said
            .iter()
            .filter(|(said, _)| *said != own && *said != "not-sure")
            .map(|(said, n)| format!("{said} {n}"))
            .collect();
        let _ = writeln!(
            page,
            "| {} | {} | {} | {} | {} | {} |",
            row.case,
            row.visits,
            row.segment,
            row.fault,
            row.not_sure,
            else_said.join(", ")
        );
    }
    let whole = rows.iter().filter(|row| row.fault == row.visits).count();
    let _ = writeln!(page, "\nThe other {whole} of {} rows are right in every visit.", rows.len());
    keep(&page);
    // The lower ends of the intervals clear what is asked for, so chance does not carry it.
    let least = |part, whole| clopper_pearson(part, whole, 0.95).low.unwrap_or(0.0);
    assert!(least(segment, sure) >= 0.95 && least(fault, sure) >= 0.90, "{page}");
    assert!(not_sure as f64 <= 0.05 * visits as f64, "{page}");
    // A sound line is blamed in less than one visit in two hundred.
    assert!(least(sound, all_sound) >= 0.995, "{page}");
    for row in faulty {
        assert!(row.fault + row.not_sure >= row.visits / 2, "{}: more often something else\n{page}", row.case);
    }
}

/// Writes the table into the page between its marks, when asked to.
fn keep(table: &str) {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/isolation.md");
    if std::env::var_os("DOORSTEP_UPDATE").is_none() {
        return;
    }
    let page = std::fs::read_to_string(&path).unwrap();
    let (begin, end) = ("<!-- simulated -->\n", "<!-- end -->");
    let (before, rest) = page.split_once(begin).unwrap();
    let (_, after) = rest.split_once(end).unwrap();
    std::fs::write(&path, format!("{before}{begin}{table}{end}{after}")).unwrap();
}
