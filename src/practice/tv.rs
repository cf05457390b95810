//! TV on the practice line: what is sent, and what is wrong with it. Pure data, and which roles come of it.

use std::net::Ipv4Addr;
use std::time::Duration;

use super::roles::tv::{Feed, TvPort, TvRoleConfig};
use crate::proto::membership::Channel;
use crate::proto::membership::router::Settings;
use crate::wire::membership::Version;

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

impl Tv {
    /// The edge on the access line, unless nothing is sent.
    pub(super) fn edge(&self, port: TvPort) -> Option<TvRoleConfig> {
        let one_lost_in = if self.service == TvService::Losing { ONE_LOST_IN } else { 0 };
        (!self.channels.is_empty()).then(|| TvRoleConfig {
            port,
            asks: self.asks(true),
            takes_reports: self.service != TvService::ReportsIgnored,
            feed: Feed::Made(self.channels.clone(), one_lost_in),
        })
    }

    /// The gateway between the home and the access line.
    pub(super) fn gateway(&self, home: TvPort, line: TvPort) -> Option<TvRoleConfig> {
        (!self.channels.is_empty() && self.service != TvService::NoQuerier).then(|| TvRoleConfig {
            port: home,
            asks: self.asks(self.service != TvService::Forgetting),
            takes_reports: true,
            feed: Feed::Upstream(line),
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

/// A port of the line without tags.
pub(super) fn port(name: &str, mac: [u8; 6], ipv4: Ipv4Addr) -> TvPort {
    TvPort { name: name.to_owned(), mac: crate::wire::ethernet::Mac(mac), ipv4, stack: Default::default() }
}
