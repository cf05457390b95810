//! The vocabulary that checks, judge, isolation and record share: what one figure is, and how it was taken.
//!
//! No logic, no I/O: this room must not know who measures, judges or renders. The list of reading names is in
//! [`names`]; a figure that is not listed there can't be judged, so a check adds its names first.

pub mod names;
pub mod words;

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::unit::{Direction, Family, Interval, Layer, Load, Segment, StampSource};

/// Unit of a reading, written UCUM-style in the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum Unit {
    /// Milliseconds.
    #[serde(rename = "ms")]
    Millisecond,
    /// 10^6 bits per second.
    #[serde(rename = "Mbit/s")]
    MegabitPerSecond,
    /// A share, 0 to 1, or a plain number without a dimension.
    #[serde(rename = "1")]
    One,
    /// Octets.
    #[serde(rename = "By")]
    Octet,
    /// Seconds.
    #[serde(rename = "s")]
    Second,
    /// Events per second.
    #[serde(rename = "/s")]
    PerSecond,
    /// Events per minute.
    #[serde(rename = "/min")]
    PerMinute,
    /// Decibels: a ratio of powers.
    #[serde(rename = "dB")]
    Decibel,
    /// Decibels above a milliwatt: a power.
    #[serde(rename = "dBm")]
    DecibelMilliwatt,
}

impl Unit {
    /// The symbol as it stands in the record.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Millisecond => "ms",
            Self::MegabitPerSecond => "Mbit/s",
            Self::One => "1",
            Self::Octet => "By",
            Self::Second => "s",
            Self::PerSecond => "/s",
            Self::PerMinute => "/min",
            Self::Decibel => "dB",
            Self::DecibelMilliwatt => "dBm",
        }
    }
}

/// What a reading was taken on, where a check looks at several things.
///
/// The fixed words let criteria and isolation select without knowing addresses; the address itself goes to the facts.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Target {
    /// The next hop in the home (or the provider's edge when plugged in at the terminal).
    Gateway,
    /// The first hop that belongs to the provider.
    ProviderHop,
    /// The far end.
    FarEnd,
    /// A resolver, by its order in the hand-out, from 1.
    Resolver(u16),
    /// A hop of the path, from 1.
    Hop(u8),
    /// A DHCP server, by the order of its answer, from 1.
    Server(u16),
    /// A VLAN, by its number or by outer and inner one; 0 where there is no tag.
    Vlan(u16, u16),
    /// A class of service, by its DSCP.
    Class(u8),
    /// A public page that the profile names, by its order, from 1.
    Page(u16),
    /// A TV channel that the profile names, by its order, from 1.
    Channel(u16),
}

/// Something that bounded the figure other than the line under test.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LimitedBy {
    /// Whose limit it was.
    pub side: Limit,
    /// In words, with the figure: "port negotiated 100 Mbit/s".
    pub what: String,
}

/// Whose limit bounded a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Limit {
    /// The laptop's port, adapter or CPU.
    TestSet,
    /// The far end was busy or slow.
    FarEnd,
    /// Other traffic shared the line.
    CrossTraffic,
}

impl Limit {
    /// Each of them.
    pub const ALL: [Self; 3] = [Self::TestSet, Self::FarEnd, Self::CrossTraffic];

    /// The word as it stands in records.
    pub fn word(self) -> &'static str {
        match self {
            Self::TestSet => "test-set",
            Self::FarEnd => "far-end",
            Self::CrossTraffic => "cross-traffic",
        }
    }
}

/// How many samples were taken, where what they showed decided that.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Sequential {
    /// Samples that were planned.
    pub planned: u64,
    /// Samples at most.
    pub most: u64,
}

/// One measured figure with what is needed to defend it.
///
/// `value` is always finite. `low`/`high` bound the true value with `confidence`; a missing bound means that the
/// samples can't carry one. When the figure is exact (a negotiated port speed) `low == value == high` and confidence is 1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reading {
    /// `check.figure`, one of [`names::ALL`].
    pub name: String,
    /// Point value in `unit`.
    pub value: f64,
    /// Unit of value, low and high.
    pub unit: Unit,
    /// What it was taken on, where a check looks at several things.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub target: Option<Target>,
    /// Direction, where the figure has one; a round trip has none.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub direction: Option<Direction>,
    /// IP version, where it matters.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub family: Option<Family>,
    /// Load of the line by the agent while it was taken; missing means idle.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub load: Option<Load>,
    /// Samples behind the figure.
    pub samples: u64,
    /// Said where the samples ended once they showed enough: then low and high hold at every number of samples together, and so whenever they ended.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub sequential: Option<Sequential>,
    /// Lower bound.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub low: Option<f64>,
    /// Upper bound.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub high: Option<f64>,
    /// Confidence of low..high, 0 to 1.
    pub confidence: f64,
    /// Layer that a rate counts.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub layer: Option<Layer>,
    /// Who took the time stamps.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub stamped_by: Option<StampSource>,
    /// Congestion control of the TCP sender.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub congestion_control: Option<String>,
    /// True when the true figure exceeds `value`: the quantile lies among packets that never came back, and `value` is how
    /// long they were waited for (RFC 2681 section 4 counts them as infinite).
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub exceeds: bool,
    /// What else bounded it; empty when nothing is known to have.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub limited_by: Vec<LimitedBy>,
}

impl Reading {
    /// An estimate with its interval. The unit is that of the name's entry in [`names::ALL`].
    ///
    /// # Panics
    /// When the name is not listed or the value is not finite: both are mistakes in a check, found by its tests.
    pub fn new(name: &'static str, value: f64, samples: u64, interval: Interval) -> Self {
        let spec = names::find(name).unwrap_or_else(|| panic!("reading name {name} is not in reading::names::ALL"));
        assert!(value.is_finite(), "reading {name} is not finite");
        Self {
            name: name.to_owned(),
            value,
            unit: spec.unit,
            target: None,
            direction: None,
            family: None,
            load: None,
            samples,
            sequential: None,
            low: interval.low,
            high: interval.high,
            confidence: interval.confidence,
            layer: None,
            stamped_by: None,
            congestion_control: None,
            exceeds: false,
            limited_by: Vec::new(),
        }
    }

    /// A figure that is known exactly: a count, a negotiated value, one timed event (its stamp error is in docs/methods.md).
    pub fn exact(name: &'static str, value: f64) -> Self {
        Self::new(name, value, 1, Interval { low: Some(value), high: Some(value), confidence: 1.0 })
    }

    /// Sets the target.
    #[must_use]
    pub fn on(mut self, target: Target) -> Self {
        self.target = Some(target);
        self
    }

    /// Sets the direction.
    #[must_use]
    pub fn toward(mut self, direction: Direction) -> Self {
        self.direction = Some(direction);
        self
    }

    /// Sets the IP version.
    #[must_use]
    pub fn over(mut self, family: Family) -> Self {
        self.family = Some(family);
        self
    }

    /// Sets the load state.
    #[must_use]
    pub fn under(mut self, load: Load) -> Self {
        self.load = Some(load);
        self
    }

    /// Sets the layer.
    #[must_use]
    pub fn at(mut self, layer: Layer) -> Self {
        self.layer = Some(layer);
        self
    }

    /// Sets who took the stamps.
    #[must_use]
    pub fn stamped_by(mut self, source: StampSource) -> Self {
        self.stamped_by = Some(source);
        self
    }

    /// Says whether the true figure exceeds the value.
    #[must_use]
    pub fn exceeding(mut self, exceeds: bool) -> Self {
        self.exceeds = exceeds;
        self
    }

    /// Says that the samples ended once they showed enough.
    #[must_use]
    pub fn sequential(mut self, sequential: Option<Sequential>) -> Self {
        self.sequential = sequential;
        self
    }

    /// Adds a limit.
    #[must_use]
    pub fn limited_by(mut self, side: Limit, what: impl Into<String>) -> Self {
        self.limited_by.push(LimitedBy { side, what: what.into() });
        self
    }
}

/// Figures over time, for pictures and later analysis: a value per point, `None` where the probe was lost.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Series {
    /// A reading name or a name of the same form.
    pub name: String,
    /// Unit of the values.
    pub unit: Unit,
    /// What it was taken on.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub target: Option<Target>,
    /// Direction.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub direction: Option<Direction>,
    /// IP version, where it matters.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub family: Option<Family>,
    /// Load state; missing means idle.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub load: Option<Load>,
    /// Milliseconds from the check's start, one per value.
    pub at_ms: Vec<f64>,
    /// The values.
    pub values: Vec<Option<f64>>,
}

/// How a check ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Status {
    /// It ran and has its readings.
    Done,
    /// It ran and found that the thing does not work: no server answered, no carrier. A result, not an error.
    Failed,
    /// It did not run, or could not look; the reason says why.
    NotTested,
}

/// Something odd in what the network did, that is not a figure.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Flaw {
    /// Stable kebab-case name, for isolation: `dhcp4-server-id-missing`.
    pub code: String,
    /// In words, with the evidence.
    pub what: String,
    /// Where it lies, when the flaw itself tells.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub segment: Option<Segment>,
}

/// What one check found. A check never judges, prints or stores.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Outcome {
    /// How it ended.
    pub status: Status,
    /// Why it failed or was not tested.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub reason: Option<String>,
    /// The figures.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub readings: Vec<Reading>,
    /// Figures over time.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub series: Vec<Series>,
    /// Everything else seen, by name.
    #[serde(skip_serializing_if = "BTreeMap::is_empty", default)]
    pub facts: BTreeMap<String, serde_json::Value>,
    /// Oddities.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub flaws: Vec<Flaw>,
}

impl Outcome {
    /// An empty outcome with a status.
    pub fn new(status: Status) -> Self {
        Self { status, reason: None, readings: Vec::new(), series: Vec::new(), facts: BTreeMap::new(), flaws: Vec::new() }
    }

    /// The check did not run or could not look.
    pub fn not_tested(reason: impl Into<String>) -> Self {
        Self { reason: Some(reason.into()), ..Self::new(Status::NotTested) }
    }

    /// The thing under test does not work.
    pub fn failed(reason: impl Into<String>) -> Self {
        Self { reason: Some(reason.into()), ..Self::new(Status::Failed) }
    }

    /// Adds a fact.
    pub fn fact(&mut self, name: &str, value: impl Into<serde_json::Value>) {
        self.facts.insert(name.to_owned(), value.into());
    }

    /// Adds a flaw.
    pub fn flaw(&mut self, code: &str, what: impl Into<String>, segment: Option<Segment>) {
        self.flaws.push(Flaw { code: code.to_owned(), what: what.into(), segment });
    }
}
