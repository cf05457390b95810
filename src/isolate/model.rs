//! What isolation sees and what it concludes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::unit::Segment;

/// The conclusion: the likeliest explanation of all that was seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Isolation {
    /// Where it lies; missing when nothing is wrong or when the evidence does not tell.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub segment: Option<Segment>,
    /// Stable kebab-case name of the fault; `none-found` and `not-sure` are two of them.
    pub fault: String,
    /// The fault in words.
    pub title: String,
    /// Belief in this fault among all in the catalogue, 0 to 1. It rests on estimates of how often faults show which
    /// symptoms, so it orders explanations and is no measured probability.
    pub confidence: f64,
    /// The figures and events that speak for it.
    #[serde(default)]
    pub because: Vec<String>,
    /// What to do next.
    #[serde(default)]
    pub next: Vec<String>,
    /// Faults beside it that explain what it leaves unexplained.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub also: Vec<Alternative>,
    /// The next likeliest explanations in its place.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub alternatives: Vec<Alternative>,
}

/// Another explanation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Alternative {
    /// Where it would lie.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub segment: Option<Segment>,
    /// Name of the fault.
    pub fault: String,
    /// The fault in words.
    pub title: String,
    /// Belief in it, 0 to 1.
    pub confidence: f64,
    /// What to do about it.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub next: Vec<String>,
}

/// Something that a fault can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Symptom {
    /// The port has no carrier.
    NoCarrier,
    /// The port came up slower than the profile asks for.
    PortTooSlow,
    /// The port runs half duplex.
    HalfDuplex,
    /// Carrier came and went during the visit.
    CarrierLost,
    /// The port counted errored or dropped frames.
    PortErrors,
    /// No DHCP server made an offer.
    NoOffer,
    /// A server offered and then refused, or never confirmed.
    LeaseRefused,
    /// Another device uses the address handed out.
    AddressConflict,
    /// The lease was not renewed.
    LeaseLost,
    /// Answers of the address server carry a VLAN tag.
    WrongTag,
    /// No default route.
    NoRoute,
    /// More than one DHCP server answered.
    SecondServer,
    /// The gateway does not answer, and nothing behind it does.
    GatewaySilent,
    /// The provider's first hop does not answer, and nothing behind it does.
    ProviderSilent,
    /// Nothing behind the provider's first hop answers.
    BeyondSilent,
    /// Packets are lost on the way to the gateway, and behind it as well.
    LossToGateway,
    /// Packets are lost on the way to the provider's first hop, and behind it as well.
    LossToProvider,
    /// Packets are lost on the way to the far end.
    LossToFarEnd,
    /// The round trip to the far end misses its limit.
    DelayTooLong,
    /// Most of the round trip to the far end is spent before the gateway.
    DelayInHome,
    /// Most of it is spent between gateway and provider.
    DelayInAccess,
    /// Most of it is spent behind the provider's first hop.
    DelayInNetwork,
    /// The downstream rate misses its limit.
    DownTooSlow,
    /// The upstream rate misses its limit.
    UpTooSlow,
    /// The test set bounded a rate.
    BoundByTestSet,
    /// The far end bounded a rate.
    BoundByFarEnd,
    /// Other traffic shared the line.
    CrossTraffic,
    /// The delay under load misses its limit.
    DelayUnderLoad,
    /// No resolver gives usable answers.
    AllResolversDead,
    /// One resolver of several gives no usable answers.
    OneResolverDead,
    /// A resolver invents or changes answers.
    ResolverLies,
    /// Lookups miss their limit.
    ResolverSlow,
    /// The resolver handed out is the gateway itself.
    ResolverIsGateway,
    /// The far end's control port does not answer or refuses.
    FarEndSilent,
    /// The far end answers, but is full.
    FarEndBusy,
    /// The far end answers, but does not accept this agent.
    FarEndRefuses,
    /// What answers is not the far end that was asked for.
    FarEndIsAnother,
    /// The far end is in session, but its two-way reflector answers nothing.
    ReflectorSilent,
    /// Packets go round between routers.
    PathLoops,
    /// A router says that it does not carry packets on.
    RouteRefused,
    /// A setting of the test set gets in the way.
    TestSetInTheWay,
    /// IPv6 does not carry what IPv4 does.
    Ipv6Dead,
}

/// A symptom that was looked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// Which.
    pub symptom: Symptom,
    /// True when it was seen, false when it was looked for and found absent.
    pub seen: bool,
    /// The evidence, with its figures.
    pub words: String,
}
