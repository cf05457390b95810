//! The faults that the practice line can be given, each with the stretch it truly lies in.
//!
//! `demo --fault NAME` shows what the agent makes of one; tests hold the agent's conclusion against [`Fault::segment`].
//! It must not know how a fault is found.

use std::time::Duration;

use crate::unit::Segment;

use super::config::{Concentrator, DnsService, Handoff, Impairments, Ipv6Service, LineConfig, Meddler, SipService};
use super::extent::Extent;
use super::impair::Impairment;
use super::tv::TvService;

/// One fault of the catalogue.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// The gateway hands out no address.
    NoDhcp,
    /// A second DHCP server answers in the home.
    RogueDhcp,
    /// Another device has the address that the gateway hands out.
    DuplicateAddress,
    /// A second device in the home wants to be the IPv6 router, and leads nowhere.
    RogueRa,
    /// The provider delegates no IPv6 prefix.
    NoPrefix,
    /// IPv6 is advertised in the home and gets no further than the gateway, while IPv4 works.
    Ipv6Broken,
    /// Frames get lost between laptop and gateway.
    HomeLoss,
    /// Another device in the home uses a part of the line.
    CrossTraffic,
    /// The access line carries half the rate, both ways.
    SlowLine,
    /// The access line is configured for another tier: 50 Mbit/s down and 10 up, counted as IP.
    WrongTier,
    /// Frames get lost on the access line.
    AccessLoss,
    /// The access line delays far beyond its kind.
    LongDelay,
    /// The access line's buffer is far too deep.
    DeepBuffer,
    /// The access line stops now and then, and lets go what came meanwhile.
    VoiceJitter,
    /// The access line carries smaller packets than sold, and its ends say so.
    SmallMtu,
    /// The access line swallows large packets without a word.
    MtuBlackhole,
    /// Frames get lost behind the provider's edge.
    NetworkLoss,
    /// The provider translates addresses behind the gateway's translation.
    DoubleNat,
    /// The name servers take queries and never answer.
    DnsDead,
    /// One of the two name servers takes queries and never answers.
    OneResolverDead,
    /// The name servers give names that do not exist an address.
    DnsLying,
    /// A portal at the provider's edge answers plain HTTP in everybody's place; all else passes.
    Portal,
    /// A proxy at the provider's edge takes part in plain HTTP unasked.
    MeddlingProxy,
    /// The gateway writes its own address into SIP that passes.
    SipRewrite,
    /// The SIP registrar takes packets and connections and never answers.
    SipDead,
    /// Nothing passes behind the provider's edge.
    NetworkDead,
    /// The far end's service is gone; its host still answers pings and refuses connections.
    FarEndGone,
    /// A PPPoE line without a concentrator.
    NoConcentrator,
    /// A PPPoE line whose concentrator refuses the account.
    LoginRefused,
    /// The gateway keeps no memberships of TV channels.
    TvNoQuerier,
    /// The provider takes no reports of TV channels.
    TvReportsIgnored,
    /// The provider loses packets of TV channels.
    TvLoss,
    /// The gateway forgets who listens to TV channels.
    TvForgotten,
    /// The gateway asks for TV channels in an older version of IGMP and MLD than was sold.
    TvOlderVersion,
    /// TV channels come in another VLAN than the one they are looked for in.
    TvOtherVlan,
}

/// From the end of one stop of the line to the next one's start, on average.
const STALL_AFTER: Duration = Duration::from_millis(400);

impl Fault {
    /// All faults, from the laptop on.
    pub const ALL: [Self; 35] = [
        Self::NoDhcp,
        Self::RogueDhcp,
        Self::DuplicateAddress,
        Self::RogueRa,
        Self::NoPrefix,
        Self::Ipv6Broken,
        Self::HomeLoss,
        Self::CrossTraffic,
        Self::SlowLine,
        Self::WrongTier,
        Self::AccessLoss,
        Self::LongDelay,
        Self::DeepBuffer,
        Self::VoiceJitter,
        Self::SmallMtu,
        Self::MtuBlackhole,
        Self::NetworkLoss,
        Self::DoubleNat,
        Self::DnsDead,
        Self::OneResolverDead,
        Self::DnsLying,
        Self::Portal,
        Self::MeddlingProxy,
        Self::SipRewrite,
        Self::SipDead,
        Self::NetworkDead,
        Self::FarEndGone,
        Self::NoConcentrator,
        Self::LoginRefused,
        Self::TvNoQuerier,
        Self::TvReportsIgnored,
        Self::TvLoss,
        Self::TvForgotten,
        Self::TvOlderVersion,
        Self::TvOtherVlan,
    ];

    /// The name on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::NoDhcp => "no-dhcp",
            Self::RogueDhcp => "rogue-dhcp",
            Self::DuplicateAddress => "duplicate-address",
            Self::RogueRa => "rogue-ra",
            Self::NoPrefix => "no-prefix",
            Self::Ipv6Broken => "ipv6-broken",
            Self::HomeLoss => "home-loss",
            Self::CrossTraffic => "cross-traffic",
            Self::SlowLine => "slow-line",
            Self::WrongTier => "wrong-tier",
            Self::AccessLoss => "access-loss",
            Self::LongDelay => "long-delay",
            Self::DeepBuffer => "deep-buffer",
            Self::VoiceJitter => "voice-jitter",
            Self::SmallMtu => "small-mtu",
            Self::MtuBlackhole => "mtu-blackhole",
            Self::NetworkLoss => "network-loss",
            Self::DoubleNat => "double-nat",
            Self::DnsDead => "dns-dead",
            Self::OneResolverDead => "one-resolver-dead",
            Self::DnsLying => "dns-lying",
            Self::Portal => "portal",
            Self::MeddlingProxy => "meddling-proxy",
            Self::SipRewrite => "sip-rewrite",
            Self::SipDead => "sip-dead",
            Self::NetworkDead => "network-dead",
            Self::FarEndGone => "far-end-gone",
            Self::NoConcentrator => "no-concentrator",
            Self::LoginRefused => "login-refused",
            Self::TvNoQuerier => "no-querier",
            Self::TvReportsIgnored => "report-filter",
            Self::TvLoss => "tv-loss",
            Self::TvForgotten => "snooping-timeout",
            Self::TvOlderVersion => "older-membership",
            Self::TvOtherVlan => "tv-elsewhere",
        }
    }

    /// The fault of a name.
    pub fn by_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|f| f.name() == name)
    }

    /// One line in words.
    pub fn description(self) -> &'static str {
        match self {
            Self::NoDhcp => "the gateway hands out no address",
            Self::RogueDhcp => "a second DHCP server in the home hands out settings of its own",
            Self::DuplicateAddress => "another device in the home has the address that the gateway hands out",
            Self::RogueRa => "a second device in the home wants to be the IPv6 router, and leads nowhere",
            Self::NoPrefix => "the provider delegates no IPv6 prefix",
            Self::Ipv6Broken => "IPv6 gets no further than the gateway, while IPv4 works",
            Self::HomeLoss => "6 % of frames are lost between laptop and gateway, each way",
            Self::CrossTraffic => "another device in the home uses 30 % of the line, each way",
            Self::SlowLine => "the access line carries half the rate sold, both ways",
            Self::WrongTier => "the access line is configured for 50 Mbit/s down and 10 up",
            Self::AccessLoss => "6 % of frames are lost on the access line, each way",
            Self::LongDelay => "the access line delays each frame by 60 ms, each way",
            Self::DeepBuffer => "the access line's buffers hold half a second",
            Self::VoiceJitter => {
                "the access line stops for 200 ms, twice a second or so, each way: no telephone's buffer holds that"
            }
            Self::SmallMtu => "the access line carries packets of 1400 octets at most, and routers say so",
            Self::MtuBlackhole => "packets above 1400 octets vanish on the access line, each way",
            Self::DoubleNat => "the provider translates addresses too: two translators in a row",
            Self::NetworkLoss => "6 % of frames are lost behind the provider's edge, each way",
            Self::DnsDead => "the name servers never answer",
            Self::OneResolverDead => "the second of the two name servers never answers",
            Self::DnsLying => "the name servers give names that do not exist an address",
            Self::Portal => "a captive portal answers plain HTTP in everybody's place (looked for from handoff depth on)",
            Self::MeddlingProxy => "a proxy takes part in plain HTTP unasked (looked for from handoff depth on)",
            Self::SipRewrite => "the gateway writes its own address into SIP that passes (brings the tier telephony-50-10)",
            Self::SipDead => "the SIP registrar never answers (brings the tier telephony-50-10)",
            Self::NetworkDead => "nothing passes behind the provider's edge",
            Self::FarEndGone => "the far end's service is gone, its host still answers pings",
            Self::NoConcentrator => "a PPPoE line on which no concentrator answers",
            Self::LoginRefused => "a PPPoE line whose concentrator refuses the account",
            Self::TvNoQuerier => "the gateway neither asks for memberships of TV channels nor passes them on (a tier with TV)",
            Self::TvReportsIgnored => "the provider ignores reports of TV channels (a tier with TV)",
            Self::TvLoss => "one packet in thirty of TV channels is lost in the network (a tier with TV)",
            Self::TvForgotten => "the gateway never asks and forgets who listens to TV channels (a tier with TV)",
            Self::TvOlderVersion => "the gateway speaks IGMPv2 and MLDv1 where the tier is sold with IGMPv3 (a tier with TV)",
            Self::TvOtherVlan => "TV channels come in VLAN 11, where nobody was told to look for them (a tier with TV)",
        }
    }

    /// The stretch it lies in: the ground truth.
    pub fn segment(self) -> Segment {
        match self {
            Self::SlowLine | Self::AccessLoss | Self::LongDelay | Self::DeepBuffer | Self::Ipv6Broken | Self::NoConcentrator => {
                Segment::Access
            }
            // The account is the provider's: nothing on the line is broken.
            Self::LoginRefused | Self::WrongTier | Self::TvReportsIgnored | Self::TvLoss => Segment::Network,
            Self::TvNoQuerier | Self::TvForgotten | Self::TvOlderVersion => Segment::Home,
            // Which VLAN a service has at the port is set for the line.
            Self::TvOtherVlan => Segment::Access,
            Self::NoDhcp
            | Self::RogueDhcp
            | Self::DuplicateAddress
            | Self::RogueRa
            | Self::HomeLoss
            | Self::CrossTraffic
            | Self::SipRewrite => Segment::Home,
            Self::SmallMtu | Self::MtuBlackhole | Self::VoiceJitter => Segment::Access,
            Self::NoPrefix
            | Self::NetworkLoss
            | Self::DoubleNat
            | Self::DnsDead
            | Self::OneResolverDead
            | Self::DnsLying
            | Self::Portal
            | Self::MeddlingProxy
            | Self::SipDead
            | Self::NetworkDead => Segment::Network,
            Self::FarEndGone => Segment::FarEnd,
        }
    }

    /// True for a fault of TV: it shows only on a tier with channels.
    pub fn is_of_tv(self) -> bool {
        matches!(
            self,
            Self::TvNoQuerier
                | Self::TvReportsIgnored
                | Self::TvLoss
                | Self::TvForgotten
                | Self::TvOlderVersion
                | Self::TvOtherVlan
        )
    }

    /// The handoff that a fault brings along; `None` for one that any line can have.
    pub fn handoff(self) -> Option<Handoff> {
        match self {
            Self::NoConcentrator => Some(Handoff::Pppoe(Concentrator::Absent)),
            Self::LoginRefused => Some(Handoff::Pppoe(Concentrator::Refusing)),
            _ => None,
        }
    }

    /// The tier that a fault brings along; `None` for one that shows on any.
    pub fn tier(self) -> Option<&'static str> {
        matches!(self, Self::SipRewrite | Self::SipDead).then_some("telephony-50-10")
    }

    /// Gives the line this fault, on top of what it has. Slow line and deep buffer need a shaped line to work on.
    pub fn apply(self, line: &mut LineConfig) {
        self.apply_at(Extent::default(), line);
    }

    /// The same to an extent; a fault without a size is there or not.
    pub fn apply_at(self, extent: Extent, line: &mut LineConfig) {
        let losing = Impairment::losing(extent.loss());
        match self {
            Self::NoConcentrator | Self::LoginRefused => line.handoff = self.handoff().unwrap_or(line.handoff),
            Self::RogueDhcp => line.strangers.dhcp_server = true,
            Self::DuplicateAddress => line.strangers.address_holder = true,
            Self::CrossTraffic => line.services.cross_traffic = Some(extent.others()),
            // Of either version.
            Self::NoDhcp => {
                line.services.dhcp = false;
                line.services.ipv6 = Some(Ipv6Service::Silent);
            }
            Self::RogueRa => line.services.ipv6 = Some(Ipv6Service::RogueBeside),
            Self::NoPrefix => line.services.ipv6 = Some(Ipv6Service::NoPrefix),
            Self::Ipv6Broken => line.services.ipv6 = Some(Ipv6Service::DeadBehindGateway),
            Self::HomeLoss => add(&mut line.home, |i| i.loss = losing.loss),
            Self::AccessLoss => add(&mut line.access, |i| i.loss = losing.loss),
            Self::NetworkLoss => add(&mut line.network, |i| i.loss = losing.loss),
            Self::NetworkDead => add(&mut line.network, |i| i.blackhole = true),
            Self::LongDelay => add(&mut line.access, |i| i.delay += extent.delay()),
            Self::SlowLine => {
                for shape in [&mut line.down, &mut line.up].into_iter().flatten() {
                    *shape = shape.scaled(extent.rate_left());
                }
            }
            Self::WrongTier => {
                if let Some(other) = LineConfig::sold_at_ip(50.0, 10.0) {
                    (line.down, line.up) = (line.down.and(other.down), line.up.and(other.up));
                }
            }
            Self::DeepBuffer => {
                for shape in [&mut line.down, &mut line.up].into_iter().flatten() {
                    shape.queue = extent.queue();
                }
            }
            Self::VoiceJitter => {
                add(&mut line.access, |i| (i.stall, i.stall_after) = (extent.stall(), STALL_AFTER));
            }
            Self::SmallMtu => line.access_mtu = Some(extent.packet()),
            Self::MtuBlackhole => add(&mut line.access, |i| i.longest = Some(extent.packet())),
            Self::DoubleNat => line.carrier_translation = true,
            Self::DnsDead => line.services.dns = Some(DnsService::Silent),
            Self::OneResolverDead => line.services.dns = Some(DnsService::SecondSilent),
            Self::DnsLying => line.services.dns = Some(DnsService::Lying),
            Self::Portal => line.services.meddler = Some(Meddler::Portal),
            Self::MeddlingProxy => line.services.meddler = Some(Meddler::Proxy),
            Self::SipRewrite => line.services.rewrites_sip = true,
            Self::SipDead => line.services.sip = Some(SipService::Silent),
            Self::FarEndGone => line.services.far_end = false,
            Self::TvNoQuerier => line.tv.service = TvService::NoQuerier,
            Self::TvReportsIgnored => line.tv.service = TvService::ReportsIgnored,
            Self::TvLoss => line.tv.service = TvService::Losing,
            Self::TvForgotten => line.tv.service = TvService::Forgetting,
            Self::TvOlderVersion => line.tv.service = TvService::OlderVersion,
            Self::TvOtherVlan => line.tv.service = TvService::OtherVlan,
        }
    }
}

/// Changes both directions.
fn add(impairments: &mut Impairments, change: impl Fn(&mut Impairment)) {
    change(&mut impairments.down);
    change(&mut impairments.up);
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_fault_has_a_kebab_case_name_of_its_own_and_changes_a_sold_line() {
        let sold = LineConfig::shaped(100.0, 20.0).expect("rates");
        let mut names = BTreeSet::new();
        for fault in Fault::ALL {
            let name = fault.name();
            assert!(name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-'), "{name}");
            assert!(names.insert(name));
            assert_eq!(Fault::by_name(name), Some(fault));
            let mut faulty = sold.clone();
            fault.apply(&mut faulty);
            assert_ne!(faulty, sold, "{name}");
        }
    }

    #[test]
    fn an_impairing_fault_touches_the_stretch_that_it_claims_and_no_other() {
        for fault in Fault::ALL {
            let mut line = LineConfig::default();
            fault.apply(&mut line);
            for segment in [Segment::Home, Segment::Access, Segment::Network, Segment::FarEnd] {
                let impaired = !line.impairments(segment).is_none();
                assert!(!impaired || segment == fault.segment(), "{fault} touches {segment}");
            }
        }
    }

    #[test]
    fn a_fault_comes_on_top_of_what_the_line_has() {
        let mut line =
            LineConfig { access: Impairments::both(Impairment::delayed(Duration::from_millis(5))), ..LineConfig::default() };
        Fault::LongDelay.apply(&mut line);
        Fault::AccessLoss.apply(&mut line);
        assert_eq!(line.access.up.delay, Duration::from_millis(65));
        assert_eq!(line.access.down.loss, Extent::Heavy.loss());
    }
}
