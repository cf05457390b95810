//! Quantities that carry their unit: rates with their layer, ratios, intervals, directions, time stamps.
//!
//! Everything may import this room; it imports nothing of ours. It knows no clock: values of time come in.

use std::fmt;
use std::time::Duration;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

#[cfg(test)]
pub(crate) mod chance;
mod class;
pub mod digest;
mod stretch;
mod voice;

pub use class::{ClassPace, MAIN_STREAM_INTERVAL, ServiceClass};
pub use stretch::Stretch;
pub use voice::{Buffer, BufferKind, CallTerms, Codec, PACKET_TIME};

/// Which way data moves across the demarcation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// From the network to the customer.
    Down,
    /// From the customer to the network.
    Up,
}

impl Direction {
    /// The other way.
    #[must_use]
    pub fn reversed(self) -> Self {
        match self {
            Self::Down => Self::Up,
            Self::Up => Self::Down,
        }
    }
}

impl fmt::Display for Direction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Down => "down",
            Self::Up => "up",
        })
    }
}

/// The protocol layer whose octets a rate counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Layer {
    /// Physical line octets: frame, FCS, preamble and gap (1538 for a full IPv4 frame, RFC 6349 section 4.1.1).
    Line,
    /// Ethernet frame from destination address to the end of the payload, without FCS (1514).
    Ethernet,
    /// IP header and payload (1500).
    Ip,
    /// UDP payload.
    UdpPayload,
    /// TCP payload that the receiving application got (goodput).
    TcpPayload,
}

impl fmt::Display for Layer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Line => "line",
            Self::Ethernet => "Ethernet",
            Self::Ip => "IP",
            Self::UdpPayload => "UDP payload",
            Self::TcpPayload => "TCP payload",
        })
    }
}

/// A bit rate together with the layer that it counts; a rate without a layer can't be made.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Rate {
    bits_per_second: f64,
    layer: Layer,
}

impl Rate {
    /// A rate from bits per second. `None` when it is negative or not finite.
    pub fn from_bits_per_second(bits_per_second: f64, layer: Layer) -> Option<Self> {
        (bits_per_second.is_finite() && bits_per_second >= 0.0).then_some(Self { bits_per_second, layer })
    }

    /// A rate from octets counted in a span. `None` when the span is zero.
    pub fn from_octets(octets: u64, span: Duration, layer: Layer) -> Option<Self> {
        let seconds = span.as_secs_f64();
        if seconds > 0.0 { Self::from_bits_per_second(octets as f64 * 8.0 / seconds, layer) } else { None }
    }

    /// Bits per second.
    pub fn bits_per_second(self) -> f64 {
        self.bits_per_second
    }

    /// Megabits (10^6 bits) per second.
    pub fn mbit(self) -> f64 {
        self.bits_per_second / 1e6
    }

    /// The layer that is counted.
    pub fn layer(self) -> Layer {
        self.layer
    }
}

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} Mbit/s ({})", self.mbit(), self.layer)
    }
}

/// A share between 0 and 1; by default 0.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize, JsonSchema)]
pub struct Ratio(f64);

impl Ratio {
    /// A checked share; `None` outside 0..=1.
    pub fn new(value: f64) -> Option<Self> {
        (0.0..=1.0).contains(&value).then_some(Self(value))
    }

    /// The share of `part` in `whole`; `None` when `whole` is zero or smaller than `part`.
    pub fn of(part: u64, whole: u64) -> Option<Self> {
        if whole == 0 { None } else { Self::new(part as f64 / whole as f64) }
    }

    /// The value, 0..=1.
    pub fn value(self) -> f64 {
        self.0
    }
}

/// A confidence interval. A missing bound is unbounded on that side: the samples can't carry one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Interval {
    /// Lower bound, in the unit of the value.
    pub low: Option<f64>,
    /// Upper bound, in the unit of the value.
    pub high: Option<f64>,
    /// Probability with which the procedure covers the true value, for instance 0.95.
    pub confidence: f64,
}

/// IP version.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Family {
    /// IPv4.
    Ipv4,
    /// IPv6.
    Ipv6,
}

impl Family {
    /// The family of an address.
    pub fn of(address: std::net::IpAddr) -> Self {
        if address.is_ipv4() { Self::Ipv4 } else { Self::Ipv6 }
    }

    /// The address that stands for any of this machine's (RFC 1122 section 3.2.1.3, RFC 4291 section 2.5.2).
    pub fn any_address(self) -> std::net::IpAddr {
        match self {
            Self::Ipv4 => std::net::Ipv4Addr::UNSPECIFIED.into(),
            Self::Ipv6 => std::net::Ipv6Addr::UNSPECIFIED.into(),
        }
    }
}

/// Who read the clock for a time stamp.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum StampSource {
    /// The network adapter.
    Hardware,
    /// The kernel's network stack (SO_TIMESTAMPING, software).
    Kernel,
    /// This program, before the send call or after the receive call.
    User,
}

/// A time stamp on a packet: nanoseconds since the Unix epoch, and who took it.
///
/// Kernel software stamps are wall-clock time: a clock step between two stamps corrupts their difference, so users of
/// stamps compare with the monotonic span and discard what disagrees.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamp {
    /// Nanoseconds since 1970-01-01 00:00 UTC.
    pub unix_ns: i64,
    /// Who took it.
    pub source: StampSource,
    /// The adapter's stamp of the same packet, where it took one: nanoseconds of a clock of its own, which only its other stamps can be
    /// compared with.
    #[serde(default)]
    pub adapter_ns: Option<i64>,
}

impl Stamp {
    /// Nanoseconds from `earlier` to `self`; negative when the order is reversed.
    pub fn nanos_since(self, earlier: Self) -> i64 {
        self.unix_ns.saturating_sub(earlier.unix_ns)
    }

    /// The span from `earlier` to `self`, checked against `monotonic`, the same span on the monotonic clock.
    ///
    /// The two may differ by [`Stamp::SPAN_TOLERANCE`] and a thousandth of the span: the wall clock is slewed by at most
    /// 500 ppm (adjtimex(2)), the rest is the moment between reading the two clocks. More means that the clock was
    /// stepped, or the test set held up, in between: the sample is then to be discarded and counted, not used. The
    /// weaker of the two sources is returned.
    ///
    /// Where the adapter stamped both, and its clock agrees, its span is the better one: it holds nothing of this machine. One stamp of
    /// each kind is never made a span.
    pub fn span_since(self, earlier: Self, monotonic: Duration) -> StampSpan {
        let agreed = |nanos: i64| {
            let span = Duration::from_nanos(u64::try_from(nanos).ok()?);
            (span.abs_diff(monotonic) <= Self::SPAN_TOLERANCE + monotonic / 1000).then_some(span)
        };
        let both = self.adapter_ns.zip(earlier.adapter_ns);
        if let Some(span) = both.and_then(|(later, earlier)| agreed(later.saturating_sub(earlier))) {
            return StampSpan::Agreed(span, StampSource::Hardware);
        }
        match agreed(self.nanos_since(earlier)) {
            Some(span) => StampSpan::Agreed(span, self.source.max(earlier.source)),
            None => StampSpan::ClocksDisagree,
        }
    }

    /// What the clocks may disagree by without being suspected: 2 ms, above what a descheduling between two clock
    /// reads takes on a busy laptop, below what a clock step that matters would be.
    pub const SPAN_TOLERANCE: Duration = Duration::from_millis(2);
}

/// The difference of two stamps after the check against the monotonic clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StampSpan {
    /// The clocks agree: the span, and the weaker source of its ends.
    Agreed(Duration, StampSource),
    /// Wall clock and monotonic clock disagree, or the order is reversed: discard and count.
    ClocksDisagree,
}

/// A stretch of the path that a fault can lie in (see docs/architecture.md for the words).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Segment {
    /// The laptop itself: its port, CPU, adapter.
    TestSet,
    /// From the laptop to the demarcation, the customer's own equipment.
    Home,
    /// From the demarcation to the provider's edge.
    Access,
    /// Behind the provider's edge.
    Network,
    /// The counterpart that is measured against.
    FarEnd,
}

impl fmt::Display for Segment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::TestSet => "test-set",
            Self::Home => "home",
            Self::Access => "access",
            Self::Network => "network",
            Self::FarEnd => "far-end",
        })
    }
}

/// Where the agent is plugged in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Position {
    /// The optical terminal's Ethernet port.
    Ont,
    /// The modem's Ethernet port.
    Modem,
    /// A LAN port of the gateway.
    #[default]
    Gateway,
    /// Further inside the home.
    Inside,
}

impl Position {
    /// True when the customer's gateway lies between the agent and the access line.
    pub fn is_behind_gateway(self) -> bool {
        matches!(self, Self::Gateway | Self::Inside)
    }
}

impl fmt::Display for Position {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Ont => "ont",
            Self::Modem => "modem",
            Self::Gateway => "gateway",
            Self::Inside => "inside",
        })
    }
}

/// How a line gives its service.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AccessKind {
    /// On the Ethernet itself: addresses by DHCP and router advertisements.
    #[default]
    Ethernet,
    /// In a PPPoE session.
    Pppoe,
}

impl AccessKind {
    /// False for the plain one, which goes without saying.
    pub fn is_plain(&self) -> bool {
        *self == Self::Ethernet
    }
}

/// Whether the line was idle or filled by the agent when a figure was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Load {
    /// No load of the agent's own.
    Idle,
    /// Downstream filled.
    Down,
    /// Upstream filled.
    Up,
    /// Both directions filled.
    Both,
}

impl Load {
    /// The load as it tells figures apart: what was taken on the idle line may say so or say nothing.
    pub fn filled(load: Option<Self>) -> Option<Self> {
        load.filter(|load| *load != Self::Idle)
    }
}

impl From<Direction> for Load {
    /// This way filled, and no other.
    fn from(direction: Direction) -> Self {
        match direction {
            Direction::Down => Self::Down,
            Direction::Up => Self::Up,
        }
    }
}

/// How hard to test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Depth {
    /// About 15 s: is it alive and roughly right.
    Quick,
    /// About 60 s: the closing test of an install.
    #[default]
    Handoff,
    /// Minutes to hours: enough samples for small loss figures.
    Soak,
}

impl fmt::Display for Depth {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Quick => "quick",
            Self::Handoff => "handoff",
            Self::Soak => "soak",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stamp(unix_ns: i64, source: StampSource) -> Stamp {
        Stamp { unix_ns, source, adapter_ns: None }
    }

    #[test]
    fn a_span_that_the_monotonic_clock_confirms_is_kept_with_the_weaker_source() {
        let sent = stamp(1_000_000_000, StampSource::User);
        let received = stamp(1_020_000_000, StampSource::Kernel);
        assert_eq!(
            received.span_since(sent, Duration::from_micros(20_100)),
            StampSpan::Agreed(Duration::from_millis(20), StampSource::User)
        );
    }

    #[test]
    fn a_clock_step_in_either_direction_is_noticed() {
        let sent = stamp(1_000_000_000, StampSource::Kernel);
        for step_ms in [-500, -30, 30, 500] {
            let received = stamp(1_020_000_000 + step_ms * 1_000_000, StampSource::Kernel);
            let span = received.span_since(sent, Duration::from_millis(20));
            assert_eq!(span, StampSpan::ClocksDisagree, "step of {step_ms} ms");
        }
    }

    #[test]
    fn the_adapter_s_clock_is_used_only_where_it_stamped_both_ways() {
        // Its zero is its own: here it lies years away from the wall clock's.
        let by = |ms: i64, us_later: i64| Stamp {
            adapter_ns: Some(77_000_000 + ms * 1_000_000 + us_later * 1000),
            ..stamp(1_000_000_000 + ms * 1_000_000, StampSource::Kernel)
        };
        let without = |stamp: Stamp| Stamp { adapter_ns: None, ..stamp };
        let (sent, received, monotonic) = (by(0, 30), by(20, 10), Duration::from_millis(20));
        let span = StampSpan::Agreed(Duration::from_micros(19_980), StampSource::Hardware);
        assert_eq!(received.span_since(sent, monotonic), span);
        let kernel = StampSpan::Agreed(Duration::from_millis(20), StampSource::Kernel);
        for (received, sent) in [(without(received), sent), (received, without(sent)), (without(received), without(sent))] {
            assert_eq!(received.span_since(sent, monotonic), kernel);
        }
        // An adapter's clock that was set in between says nothing; the kernel's stamps are still there.
        let stepped = Stamp { adapter_ns: Some(5), ..received };
        assert_eq!(stepped.span_since(sent, monotonic), kernel);
        // The other way round: the wall clock was stepped, the adapter's was not.
        let wall = Stamp { unix_ns: 5, ..received };
        assert_eq!(wall.span_since(sent, monotonic), span);
    }

    #[test]
    fn half_a_thousandth_of_slew_over_a_long_span_is_no_step() {
        let sent = stamp(0, StampSource::Kernel);
        let received = stamp(60_030_000_000, StampSource::Kernel);
        assert!(matches!(received.span_since(sent, Duration::from_secs(60)), StampSpan::Agreed(..)));
    }
}
