//! A line's history as it might have been: invented, from a seed. Every visit is the kept record `tests/golden/pass.json` with figures of its own; the circuit
//! is EV-0001 of Example Valley Broadband, which does not exist.
//!
//! What is planted, so that tests can look for it: evening congestion in the round trip and the rate, a change of the resolver's time half-way, outages of known
//! length, a slow drift of the first hop's round trip.

#![allow(dead_code, reason = "each file uses a part of it")]

use doorstep::reading::{Series, Unit};
use doorstep::record::{Record, Verdict};

/// Visits every five minutes.
pub(crate) const INTERVAL_MS: i64 = 300_000;
/// 2026-01-05 00:00 UTC, a Monday.
pub(crate) const BEGIN_MS: i64 = 1_767_571_200_000;
/// Samples of a delay series.
const SAMPLES: usize = 200;

/// Chance from a seed.
struct Chance(u64);

impl Chance {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// The generator.
pub(crate) struct Repeats {
    template: Record,
    chance: Chance,
    visits: usize,
}

impl Repeats {
    /// Of so many visits.
    pub(crate) fn new(seed: u64, visits: usize) -> Self {
        let text = include_str!("../golden/pass.json");
        Self { template: serde_json::from_str(text).expect("a kept record"), chance: Chance(seed), visits }
    }

    /// Whether visit `n` finds the line down: three visits from 100 on, and twelve in the middle.
    pub(crate) fn is_down(&self, n: usize) -> bool {
        (100..103).contains(&n) || (self.visits / 2..self.visits / 2 + 12).contains(&n)
    }

    /// Where the resolver's time changes from 5 to 9 ms.
    pub(crate) fn change(&self) -> usize {
        self.visits / 3
    }

    /// Visit `n`.
    pub(crate) fn visit(&mut self, n: usize) -> Record {
        let at = BEGIN_MS + n as i64 * INTERVAL_MS;
        let moment = |ms: i64| jiff::Timestamp::from_millisecond(ms).expect("in range");
        let hour = at / 3_600_000 % 24;
        let evening = (19..23).contains(&hour);
        let mut record = self.template.clone();
        record.id = uuid::Uuid::from_u128((u128::from(at as u64) << 80) | 0x7000_8000_0000_0000_0000 | n as u128);
        record.started = moment(at);
        record.finished = Some(moment(at + 42_000));
        let down = self.is_down(n);
        record.verdict = if down || evening { Verdict::Fail } else { Verdict::Pass };
        if let Some(isolation) = record.isolation.as_mut().filter(|_| down) {
            isolation.fault = "invented-fault".to_owned();
        }
        for check in &mut record.checks {
            for reading in &mut check.outcome.readings {
                let noise = self.chance.normal();
                let value = match reading.name.as_str() {
                    "twoway.loss_ratio" | "echo.loss_ratio" => f64::from(u8::from(down)),
                    "twoway.round_trip_p50" => 12.0 + if evening { 15.0 } else { 0.0 } + 0.3 * noise,
                    "throughput.tcp_payload_rate" => reading.value * (if evening { 0.6 } else { 1.0 } + 0.01 * noise),
                    "dns.lookup_time_p50" => (if n < self.visits / 3 { 5.0 } else { 9.0 }) + 0.3 * noise,
                    "echo.round_trip_p50" => 2.0 + 0.5 * n as f64 / self.visits as f64 + 0.05 * noise,
                    _ if reading.value == 0.0 || reading.low == reading.high => continue,
                    _ => reading.value * (1.0 + 0.02 * noise),
                };
                let by = value - reading.value;
                (reading.value, reading.low, reading.high) =
                    (value, reading.low.map(|low| low + by), reading.high.map(|high| high + by));
            }
        }
        for judgement in record.judgements.iter_mut().filter(|judgement| judgement.reading == "throughput.tcp_payload_rate") {
            judgement.verdict = if evening { Verdict::Fail } else { Verdict::Pass };
        }
        for name in ["twoway.round_trip", "twoway.delay_variation", "echo.round_trip", "voice.round_trip"] {
            let series = self.series(name, if evening { 27.0 } else { 12.0 });
            record.checks.last_mut().expect("checks").outcome.series.push(series);
        }
        record
    }

    fn series(&mut self, name: &str, middle: f64) -> Series {
        let values = (0..SAMPLES)
            .map(|_| Some(middle * (1.0 + 0.02 * self.chance.normal().abs()) + 4.0 * self.chance.uniform().powi(8)))
            .collect();
        let at_ms = (0..SAMPLES).map(|i| i as f64 * 20.0).collect();
        Series {
            name: name.to_owned(),
            unit: Unit::Millisecond,
            target: None,
            direction: None,
            family: None,
            load: None,
            at_ms,
            values,
        }
    }
}
