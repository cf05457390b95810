//! What isolation sees and what it concludes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::unit::{Position, Segment};

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

/// What is known of a visit beside its figures.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Setting {
    /// Where the agent was plugged in.
    pub position: Position,
    /// Hour of the day at the line when the visit began, 0 to 23; `None` where nobody noted it.
    pub hour: Option<u8>,
    /// What other tiers than the one sold would give here.
    pub tiers: Vec<Tier>,
}

impl From<Position> for Setting {
    fn from(position: Position) -> Self {
        Self { position, ..Self::default() }
    }
}

/// Rates of a tier as they would arrive at the port under test.
#[derive(Debug, Clone, PartialEq)]
pub struct Tier {
    /// Its name.
    pub name: String,
    /// Mbit/s of TCP payload downstream.
    pub down_mbit: f64,
    /// Mbit/s of TCP payload upstream.
    pub up_mbit: f64,
}

/// Something that a fault can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Symptom {
    /// The port has no carrier.
    NoCarrier,
    /// The visit's port is a radio.
    PortIsRadio,
    /// The adapter hangs on a USB that is slower than the port or the service.
    AdapterBusSlow,
    /// The test set's cores are held back, by heat or by a setting.
    CoresHeldBack,
    /// A hypervisor gives the test set's time to others.
    TimeStolen,
    /// The test set's programs take a tunnel.
    TunnelUp,
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
    /// A concentrator offers PPPoE sessions.
    PppoeOffered,
    /// A concentrator offers a PPPoE session and does not open it.
    PppoeRefused,
    /// The account was refused.
    AccountRefused,
    /// A login was wanted and no concentrator is there.
    NoConcentrator,
    /// A session was opened, and then nothing came of it, or the concentrator closed it.
    SessionBroken,
    /// A server offered and then refused, or never confirmed.
    LeaseRefused,
    /// Another device uses the address handed out.
    AddressConflict,
    /// The lease was not renewed.
    LeaseLost,
    /// Answers of the address server carry a VLAN tag.
    WrongTag,
    /// A second IPv6 router wants to be the default one and leads nowhere.
    RogueRouter,
    /// The IPv6 router that wants to be the default one does not answer.
    Ipv6RouterDead,
    /// No IPv6 prefix is delegated.
    NoPrefix,
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
    /// The delay varies more than a listener's buffer holds.
    DelayVaries,
    /// Most of the variation arises before the gateway.
    VariationInHome,
    /// Most of it arises between gateway and provider.
    VariationInAccess,
    /// Most of it arises behind the provider's first hop.
    VariationInNetwork,
    /// Speech arrives with another marking than it left with, against what was sold.
    MarkingLost,
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
    /// It misses its limit while the line is filled downstream.
    QueueDown,
    /// It misses its limit while the line is filled upstream.
    QueueUp,
    /// Both rates, of which one is too low, are those of another tier.
    RateOfAnotherTier,
    /// One stream alone is held to what each of several gets.
    SingleFlowShaped,
    /// The visit began in the hours in which homes use their lines most.
    EveningHour,
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
    /// A policer drops what is too fast, and lets little pass at once.
    PolicerCutsBursts,
    /// Packets go round between routers.
    PathLoops,
    /// Some flows lose packets where others do not.
    OneWayLoses,
    /// Flows that lose packets lose nearly all.
    FlowsVanish,
    /// A router says that it does not carry packets on.
    RouteRefused,
    /// A setting of the test set gets in the way.
    TestSetInTheWay,
    /// IPv6 does not carry what IPv4 does.
    Ipv6Dead,
    /// A second address translator stands behind the gateway, in the home.
    DoubleTranslation,
    /// The provider translates addresses too, against what was sold.
    CarrierTranslation,
    /// Large packets vanish without a router's word.
    MtuBlackhole,
    /// The path carries smaller packets than sold, and routers say so.
    SmallMtu,
    /// Somebody answers plain HTTP in the far end's place.
    CaptivePortal,
    /// Somebody in between takes part in plain HTTP.
    TransparentProxy,
    /// Nothing of the voice service answers.
    VoiceServiceSilent,
    /// The registrar does not take the account.
    VoiceAccountRefused,
    /// SIP is changed on its way.
    SipRewritten,
    /// A TV channel that was joined does not come.
    TvMissing,
    /// Nobody asks for memberships of groups.
    TvNoQuerier,
    /// A TV channel ends while it is joined.
    TvDropped,
    /// TV channels come unasked.
    TvFlooded,
    /// A TV channel goes on after it was left.
    TvDoesNotStop,
    /// A TV channel comes in another VLAN.
    TvOtherVlan,
    /// The loss of a TV channel misses its limit.
    TvLoss,
    /// Packets between here and the gateway are lost while channels are received.
    LossBesideTvHome,
    /// Packets to the far end are lost while channels are received.
    LossBesideTvLine,
    /// Memberships are asked for in an older version than was sold.
    TvOlderVersion,
    /// Several routers ask for memberships.
    TvSeveralQueriers,
    /// A TV channel's stream is damaged as its source made it.
    TvMadeWrong,
    /// A TV channel's packets come more than once.
    TvDoubled,
    /// A TV channel's stream began anew while it was watched.
    TvRestarted,
    /// The line's own rate, as typed in, is lower than what was sold.
    SyncBelowSold,
    /// The noise margin, as typed in, is small.
    LowMargin,
    /// Errored seconds, as typed in, are many.
    LineErrors,
    /// The optical power received, as typed in, lies outside of the receiver's range.
    LightOutOfRange,
}

impl Symptom {
    /// In words, for the page of faults.
    pub fn words(self) -> &'static str {
        match self {
            Self::NoCarrier => "the port has no carrier",
            Self::QueueDown => "the delay misses its limit while the line is filled downstream",
            Self::QueueUp => "the delay misses its limit while the line is filled upstream",
            Self::RateOfAnotherTier => "the rates are exactly those of another tier",
            Self::SingleFlowShaped => "a single stream gets no more than each of several",
            Self::EveningHour => "the visit began in the evening, when lines are used most",
            Self::FlowsVanish => "flows that lose packets lose nearly all of them",
            Self::PortIsRadio => "the visit's port is a radio",
            Self::AdapterBusSlow => "the adapter hangs on a USB that is slower than the port or the service sold",
            Self::CoresHeldBack => "heat or a setting holds the test set's cores back",
            Self::TimeStolen => "a hypervisor gives the test set's time to others",
            Self::TunnelUp => "the test set's programs take a tunnel",
            Self::PortTooSlow => "the port came up slower than the profile asks for",
            Self::HalfDuplex => "the port runs half duplex",
            Self::CarrierLost => "carrier came and went during the visit",
            Self::PortErrors => "the port counted errored or dropped frames",
            Self::NoOffer => "no DHCP server made an offer",
            Self::PppoeOffered => "a concentrator offers PPPoE sessions",
            Self::AccountRefused => "the concentrator refuses the account",
            Self::NoConcentrator => "a PPPoE login is to be made, and no concentrator answers",
            Self::SessionBroken => "a PPPoE session is opened and does not stay",
            Self::PppoeRefused => "a concentrator offers a PPPoE session and does not open it",
            Self::LeaseRefused => "a server offered and then refused, or never confirmed",
            Self::AddressConflict => "another device uses the address handed out",
            Self::LeaseLost => "the lease was not renewed",
            Self::WrongTag => "answers of the address server carry a VLAN tag",
            Self::RogueRouter => "a second IPv6 router wants to be the default one and leads nowhere",
            Self::Ipv6RouterDead => "the IPv6 router that wants to be the default one does not answer",
            Self::NoPrefix => "no IPv6 prefix is delegated",
            Self::NoRoute => "no default route",
            Self::SecondServer => "more than one DHCP server answered",
            Self::GatewaySilent => "the gateway does not answer, and nothing behind it does",
            Self::ProviderSilent => "the provider's first hop does not answer, and nothing behind it does",
            Self::BeyondSilent => "nothing behind the provider's first hop answers",
            Self::LossToGateway => "packets are lost on the way to the gateway, and behind it as well",
            Self::LossToProvider => "packets are lost on the way to the provider's first hop, and behind it as well",
            Self::LossToFarEnd => "packets are lost on the way to the far end",
            Self::DelayTooLong => "the round trip to the far end misses its limit",
            Self::DelayInHome => "most of the round trip to the far end is spent before the gateway",
            Self::DelayInAccess => "most of it is spent between gateway and provider",
            Self::DelayInNetwork => "most of it is spent behind the provider's first hop",
            Self::DelayVaries => "the delay varies more than a listener's buffer holds",
            Self::VariationInHome => "most of the variation arises before the gateway",
            Self::VariationInAccess => "most of it arises between gateway and provider",
            Self::VariationInNetwork => "most of it arises behind the provider's first hop",
            Self::MarkingLost => "speech arrives with another marking than it left with, against what was sold",
            Self::DownTooSlow => "the downstream rate misses its limit",
            Self::UpTooSlow => "the upstream rate misses its limit",
            Self::BoundByTestSet => "the test set bounded a rate",
            Self::BoundByFarEnd => "the far end bounded a rate",
            Self::CrossTraffic => "other traffic shared the line",
            Self::DelayUnderLoad => "the delay under load misses its limit",
            Self::AllResolversDead => "no resolver gives usable answers",
            Self::OneResolverDead => "one resolver of several gives no usable answers",
            Self::ResolverLies => "a resolver invents or changes answers",
            Self::ResolverSlow => "lookups miss their limit",
            Self::ResolverIsGateway => "the resolver handed out is the gateway itself",
            Self::FarEndSilent => "the far end's control port does not answer or refuses",
            Self::FarEndBusy => "the far end answers, but is full",
            Self::FarEndRefuses => "the far end answers, but does not accept this agent",
            Self::FarEndIsAnother => "what answers is not the far end that was asked for",
            Self::ReflectorSilent => "the far end is in session, but its two-way reflector answers nothing",
            Self::PolicerCutsBursts => "a policer with a small bucket cuts bursts",
            Self::PathLoops => "packets go round between routers",
            Self::OneWayLoses => "some flows lose packets where others do not",
            Self::RouteRefused => "a router says that it does not carry packets on",
            Self::TestSetInTheWay => "a setting of the test set gets in the way",
            Self::Ipv6Dead => "IPv6 does not carry what IPv4 does",
            Self::DoubleTranslation => "a second address translator stands behind the gateway, in the home",
            Self::CarrierTranslation => "the provider translates addresses too, against what was sold",
            Self::MtuBlackhole => "large packets vanish without a router's word",
            Self::SmallMtu => "the path carries smaller packets than sold, and routers say so",
            Self::CaptivePortal => "somebody answers plain HTTP in the far end's place",
            Self::TransparentProxy => "somebody in between takes part in plain HTTP, or changes it",
            Self::VoiceServiceSilent => "no SIP server of the voice service answers",
            Self::VoiceAccountRefused => "the registrar does not take the account",
            Self::SipRewritten => "SIP is changed on its way to the far end",
            Self::TvMissing => "a TV channel that was joined does not come",
            Self::TvNoQuerier => "nobody asks for memberships of groups (IGMP, MLD)",
            Self::TvDropped => "a TV channel ends while it is joined",
            Self::TvFlooded => "TV channels come unasked",
            Self::TvDoesNotStop => "a TV channel goes on after it was left",
            Self::TvOtherVlan => "a TV channel comes in another VLAN than the one it is looked for in",
            Self::TvLoss => "the loss of a TV channel misses its limit",
            Self::LossBesideTvHome => "packets between here and the gateway are lost while TV channels are received",
            Self::LossBesideTvLine => "packets to the far end are lost while TV channels are received",
            Self::TvOlderVersion => "memberships are asked for in an older version of IGMP or MLD than was sold",
            Self::TvSeveralQueriers => "several routers ask for memberships of groups",
            Self::TvMadeWrong => "a TV channel's stream is wrong though nothing of it was lost: it was made so",
            Self::TvDoubled => "packets of a TV channel come more than once",
            Self::TvRestarted => "a TV channel's stream began anew while it was watched",
            Self::SyncBelowSold => "the line's own rate, as typed in, is lower than what was sold",
            Self::LowMargin => "the noise margin, as typed in, is small",
            Self::LineErrors => "errored seconds, as typed in, are many",
            Self::LightOutOfRange => "the optical power received, as typed in, lies outside of the receiver's range",
        }
    }
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
