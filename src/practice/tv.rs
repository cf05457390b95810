//! TV on the practice line: what is sent, and what is wrong with it. Pure data, and which roles come of it.

use std::net::Ipv4Addr;
use std::time::Duration;

use super::roles::tv::{Feed, TvPort, TvRoleConfig};
use crate::proto::membership::Channel;
use crate::proto::membership::router::Settings;
use crate::wire::membership::Version;
use crate::wire::vlan::TagStack;

/// What becomes of memberships and channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TvService {
    /// Channels come while they are joined.
    #[default]
    Whole,
    /// The gateway keeps no memberships: it neither asks nor passes reports on.
    NoQuerier,
    /// The provider takes no reports.
    ReportsIgnored,
    /// The provider loses one datagram in thirty.
    Losing,
    /// The gateway never asks, and forgets who listens.
    Forgetting,
    /// The gateway asks with the version before the one that was sold.
    OlderVersion,
    /// The gateway has TV in a VLAN of its own, where another set watches all channels.
    OtherVlan,
}

/// TV of a line; without channels there is none.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Tv {
    /// The channels.
    pub channels: Vec<Channel>,
    /// The version that gateway and edge speak; `None` is the newest.
    pub version: Option<Version>,
    /// What becomes of it.
    pub service: TvService,
}

/// Of so many datagrams one is lost by a provider that loses: 3.3 %.
const ONE_LOST_IN: u64 = 30;
/// Where TV is that came into another VLAN *(ours)*.
const OTHER_VLAN: u16 = 11;

impl Tv {
    /// The edge on the access line, unless nothing is sent.
    pub(super) fn edge(&self, port: TvPort) -> Option<TvRoleConfig> {
        let one_lost_in = if self.service == TvService::Losing { ONE_LOST_IN } else { 0 };
        (!self.channels.is_empty()).then(|| TvRoleConfig {
            port,
            asks: self.asks(true),
            takes_reports: self.service != TvService::ReportsIgnored,
            feed: Feed::Made(self.channels.clone(), one_lost_in),
            standing: Vec::new(),
        })
    }

    /// The gateway between the home and the access line.
    pub(super) fn gateway(&self, home: TvPort, line: TvPort) -> Option<TvRoleConfig> {
        let is_moved = self.service == TvService::OtherVlan;
        let stack = if is_moved { TagStack::single(OTHER_VLAN) } else { home.stack };
        let watched = if is_moved { self.channels.as_slice() } else { &[] };
        (!self.channels.is_empty() && self.service != TvService::NoQuerier).then(|| TvRoleConfig {
            port: TvPort { stack, ..home },
            asks: match self.service {
                TvService::OlderVersion => self.asks(true).map(|asks| Settings { version: older(asks.version), ..asks }),
                service => self.asks(service != TvService::Forgetting),
            },
            takes_reports: true,
            feed: Feed::Upstream(line),
            standing: watched.iter().map(|channel| (channel.group, channel.source)).collect(),
        })
    }

    /// Shorter times than a provider's (125 s, 10 s and 1 s by default), so that a short visit sees what a long one would.
    fn asks(&self, asks: bool) -> [Settings; 2] {
        let ms = Duration::from_millis;
        let (interval, max_response) = if asks { (ms(3000), ms(1000)) } else { (ms(250), ms(500)) };
        let version = |newest: Version| self.version.filter(|version| version.family() == newest.family()).unwrap_or(newest);
        [Version::Igmp3, Version::Mld2].map(|newest| Settings {
            version: version(newest),
            interval,
            max_response,
            last_member: ms(200),
            asks,
        })
    }
}

/// The version before one; the oldest has none.
fn older(version: Version) -> Version {
    match version {
        Version::Igmp3 => Version::Igmp2,
        Version::Mld2 => Version::Mld1,
        oldest => oldest,
    }
}

/// A port of the line without tags.
pub(super) fn port(name: &str, mac: [u8; 6], ipv4: Ipv4Addr) -> TvPort {
    TvPort { name: name.to_owned(), mac: crate::wire::ethernet::Mac(mac), ipv4, stack: Default::default() }
}
