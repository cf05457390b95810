//! Who asks for memberships on a link, with which version, and how often: what a port shows without anybody being asked.

use std::net::IpAddr;
use std::time::{Duration, Instant};

use crate::wire::membership::{Flaw, Heard, Message, Query, Version};

/// Queriers that are kept.
const MOST: usize = 16;

/// One querier.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Querier {
    /// Where its queries come from; 0.0.0.0 for a switch that asks in a router's place (RFC 4541 section 2.1.1).
    pub address: IpAddr,
    /// The version of its latest query.
    pub version: Version,
    /// General queries that came.
    pub general: u64,
    /// Queries for groups that came.
    pub specific: u64,
    /// How often it says that it asks (QQIC); `None` where its version can't say.
    pub said_interval: Option<Duration>,
    /// Between its latest two general queries.
    pub seen_interval: Option<Duration>,
    /// Time that it gives to answer general queries.
    pub max_response: Option<Duration>,
    /// The robustness that it says; zero leaves it open.
    pub robustness: u8,
    /// What is odd about its queries.
    pub flaws: Vec<Flaw>,
    last_at: Option<Instant>,
}

impl Querier {
    /// How often it asks, said or else seen.
    pub fn interval(&self) -> Option<Duration> {
        self.said_interval.or(self.seen_interval)
    }
}

/// All that were heard.
#[derive(Debug, Clone, Default)]
pub struct Queriers(Vec<Querier>);

impl Queriers {
    /// Notes a query.
    pub(super) fn note(&mut self, now: Instant, heard: &Heard) {
        let Message::Query(query) = &heard.message else { return };
        let at = match self.0.iter().position(|known| known.address == heard.source) {
            Some(at) => at,
            None if self.0.len() < MOST => {
                self.0.push(unknown(heard.source, query));
                self.0.len() - 1
            }
            None => return,
        };
        let querier = &mut self.0[at];
        querier.version = query.version;
        querier.robustness = query.robustness;
        querier.said_interval = query.interval.filter(|interval| !interval.is_zero()).or(querier.said_interval);
        for flaw in &heard.flaws {
            if !querier.flaws.contains(flaw) {
                querier.flaws.push(*flaw);
            }
        }
        if query.group.is_some() {
            querier.specific += 1;
            return;
        }
        querier.general += 1;
        querier.max_response = Some(query.max_response);
        querier.seen_interval = querier.last_at.map(|last| now.saturating_duration_since(last)).or(querier.seen_interval);
        querier.last_at = Some(now);
    }

    /// In the order of their first query.
    pub fn all(&self) -> &[Querier] {
        &self.0
    }

    /// The one that all others leave the link to: that with the lowest address (RFC 2236 section 3, RFC 3376 section 6.6.2); one that asks from
    /// 0.0.0.0 or `::` takes no part in the election.
    pub fn elected(&self) -> Option<&Querier> {
        let real = self.0.iter().filter(|querier| !querier.address.is_unspecified()).min_by_key(|querier| querier.address);
        real.or_else(|| self.0.first())
    }
}

fn unknown(address: IpAddr, query: &Query) -> Querier {
    Querier {
        address,
        version: query.version,
        general: 0,
        specific: 0,
        said_interval: None,
        seen_interval: None,
        max_response: None,
        robustness: 0,
        flaws: Vec::new(),
        last_at: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn query(source: &str, version: Version, group: Option<&str>) -> Heard {
        let interval = version.has_sources().then_some(Duration::from_secs(125));
        let (group, max_response) = (group.map(|text| text.parse().unwrap()), Duration::from_secs(10));
        let query = Query { version, group, max_response, suppress: false, robustness: 2, interval, sources: Vec::new() };
        Heard {
            source: source.parse().unwrap(),
            destination: "224.0.0.1".parse().unwrap(),
            message: Message::Query(query),
            flaws: vec![Flaw::NoRouterAlert],
        }
    }

    #[test]
    fn each_querier_is_told_by_its_address_and_the_lowest_is_elected() {
        let (start, mut queriers) = (Instant::now(), Queriers::default());
        assert_eq!(queriers.elected(), None);
        let at = |seconds| start + Duration::from_secs(seconds);
        queriers.note(at(0), &query("0.0.0.0", Version::Igmp2, None));
        assert_eq!(queriers.elected().map(Querier::interval), Some(None));
        queriers.note(at(31), &query("0.0.0.0", Version::Igmp2, None));
        queriers.note(at(32), &query("192.0.2.9", Version::Igmp3, None));
        queriers.note(at(33), &query("192.0.2.1", Version::Igmp2, None));
        queriers.note(at(34), &query("192.0.2.1", Version::Igmp2, Some("233.252.0.1")));
        let seen: Vec<_> = queriers.all().iter().map(|q| (q.version, q.general, q.specific, q.interval())).collect();
        let secs = |seconds| Some(Duration::from_secs(seconds));
        assert_eq!(seen, [(Version::Igmp2, 2, 0, secs(31)), (Version::Igmp3, 1, 0, secs(125)), (Version::Igmp2, 1, 1, None)]);
        assert_eq!(queriers.elected().map(|q| q.address), Some("192.0.2.1".parse().unwrap()));
        assert_eq!(queriers.all()[0].flaws, [Flaw::NoRouterAlert]);
    }
}
