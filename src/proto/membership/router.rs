//! The router's part of IGMP and MLD for one IP version, as far as a practice line needs it: it asks, keeps who listens to what, and
//! forgets who does not answer (RFC 3376 section 6, RFC 3810 section 7, RFC 2236 section 3).
//!
//! It knows no frame and no socket. Departures: it is alone on its link and holds no election; it asks for groups, never for
//! sources; and it takes a leave of the older versions from whoever sends it.

use std::collections::{BTreeMap, VecDeque};
use std::net::IpAddr;
use std::time::{Duration, Instant};

use crate::wire::membership::{Message, Query, RecordKind, Version};

/// How it asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settings {
    /// The version that it speaks.
    pub version: Version,
    /// Between two general queries (RFC 3376 section 8.2: 125 s).
    pub interval: Duration,
    /// Time to answer them (section 8.3: 10 s).
    pub max_response: Duration,
    /// Time to answer a query that follows a leave, twice (section 8.8: 1 s).
    pub last_member: Duration,
    /// False: it never asks, and so forgets every member in the end.
    pub asks: bool,
}

/// Section 8.1.
const ROBUSTNESS: u8 = 2;

#[derive(Debug, Default)]
struct Members {
    /// Until when somebody listens to any source.
    any: Option<Instant>,
    /// Until when to these.
    sources: BTreeMap<IpAddr, Instant>,
    /// Queries that still follow a leave.
    asks_left: u8,
    ask_at: Option<Instant>,
}

/// The memberships of a link.
#[derive(Debug)]
pub struct Router {
    settings: Settings,
    groups: BTreeMap<IpAddr, Members>,
    general_at: Instant,
    startup_left: u8,
    out: VecDeque<Message>,
}

impl Router {
    /// Begins: the first query is wanted at once.
    pub fn new(settings: Settings, now: Instant) -> Self {
        Self { settings, groups: BTreeMap::new(), general_at: now, startup_left: ROBUSTNESS, out: VecDeque::new() }
    }

    /// How long a membership lasts without being told again (section 8.4).
    fn lasts(&self) -> Duration {
        self.settings.interval * u32::from(ROBUSTNESS) + self.settings.max_response
    }

    /// Takes a host's message.
    pub fn on_message(&mut self, now: Instant, message: &Message) {
        let until = now + self.lasts();
        match message {
            Message::Report { group, .. } => self.groups.entry(*group).or_default().listens(&[], until),
            Message::Leave(group) => self.left(now, *group),
            Message::Records(records) => {
                for record in records {
                    let group = record.group;
                    match record.kind {
                        RecordKind::IsExclude | RecordKind::ToExclude => {
                            self.groups.entry(group).or_default().listens(&[], until)
                        }
                        RecordKind::IsInclude | RecordKind::Allow if !record.sources.is_empty() => {
                            self.groups.entry(group).or_default().listens(&record.sources, until);
                        }
                        RecordKind::ToInclude => {
                            if !record.sources.is_empty() {
                                self.groups.entry(group).or_default().listens(&record.sources, until);
                            }
                            self.left(now, group);
                        }
                        RecordKind::Block => self.left(now, group),
                        RecordKind::IsInclude | RecordKind::Allow | RecordKind::Other(_) => {}
                    }
                }
            }
            Message::Query(_) | Message::Other(_) => {}
        }
    }

    /// Who left may have been the last: the rest is asked, and has the time of two answers (section 6.6.3, section 8.10).
    fn left(&mut self, now: Instant, group: IpAddr) {
        let soon = now + self.settings.last_member * u32::from(ROBUSTNESS);
        let Some(members) = self.groups.get_mut(&group) else { return };
        members.any = members.any.map(|until| until.min(soon));
        members.sources.values_mut().for_each(|until| *until = soon.min(*until));
        (members.asks_left, members.ask_at) = (ROBUSTNESS, Some(now));
    }

    /// True while somebody listens to this source of the group.
    pub fn wants(&self, now: Instant, group: IpAddr, source: IpAddr) -> bool {
        let is_on = |until: &Instant| *until > now;
        self.groups
            .get(&group)
            .is_some_and(|members| members.any.as_ref().is_some_and(is_on) || members.sources.get(&source).is_some_and(is_on))
    }

    /// What somebody listens to: groups with a source, or with none where it is any.
    pub fn wanted(&self, now: Instant) -> Vec<(IpAddr, Option<IpAddr>)> {
        let of = |(group, members): (&IpAddr, &Members)| {
            let sources = members.sources.iter().map(|(source, until)| (Some(*source), *until));
            let all = members.any.map(|until| (None, until)).into_iter().chain(sources);
            all.filter(|(_, until)| *until > now).map(|(source, _)| (*group, source)).collect::<Vec<_>>()
        };
        self.groups.iter().flat_map(of).collect()
    }

    /// The next query to send now.
    pub fn transmit(&mut self, now: Instant) -> Option<Message> {
        let asks = self.settings.asks;
        if self.general_at <= now {
            // At the start it asks more often (sections 8.6 and 8.7).
            let gap = if self.startup_left > 1 { self.settings.interval / 4 } else { self.settings.interval };
            self.startup_left = self.startup_left.saturating_sub(1);
            self.general_at = now + gap;
            if asks {
                let query = self.query(None, self.settings.max_response);
                self.out.push_back(query);
            }
        }
        let mut due = Vec::new();
        for (group, members) in &mut self.groups {
            if members.ask_at.is_some_and(|at| at <= now) {
                members.asks_left = members.asks_left.saturating_sub(1);
                members.ask_at = (members.asks_left > 0).then(|| now + self.settings.last_member);
                due.push(*group);
            }
        }
        for group in due.into_iter().filter(|_| asks && self.settings.version != Version::Igmp1) {
            let query = self.query(Some(group), self.settings.last_member);
            self.out.push_back(query);
        }
        self.groups.retain(|_, members| members.is_kept(now));
        self.out.pop_front()
    }

    fn query(&self, group: Option<IpAddr>, max_response: Duration) -> Message {
        let version = self.settings.version;
        let interval = version.has_sources().then_some(self.settings.interval);
        Message::Query(Query {
            version,
            group,
            max_response,
            suppress: false,
            robustness: ROBUSTNESS,
            interval,
            sources: Vec::new(),
        })
    }

    /// When it wants to send or to forget next.
    pub fn next_wake(&self) -> Instant {
        let due =
            self.groups.values().flat_map(|members| members.ask_at.iter().chain(&members.any).chain(members.sources.values()));
        due.copied().chain([self.general_at]).min().unwrap_or(self.general_at)
    }
}

impl Members {
    /// Somebody listens to these until then, or to any where none is named; what was asked is answered.
    fn listens(&mut self, sources: &[IpAddr], until: Instant) {
        if sources.is_empty() {
            self.any = Some(until);
        }
        self.sources.extend(sources.iter().map(|source| (*source, until)));
        (self.asks_left, self.ask_at) = (0, None);
    }

    /// Forgets what is over; true while something is left.
    fn is_kept(&mut self, now: Instant) -> bool {
        self.any = self.any.filter(|until| *until > now);
        self.sources.retain(|_, until| *until > now);
        self.any.is_some() || !self.sources.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::proto::membership::Host;
    use crate::unit::Family;

    fn settings(version: Version, asks: bool) -> Settings {
        let ms = Duration::from_millis;
        Settings { version, interval: ms(2000), max_response: ms(500), last_member: ms(300), asks }
    }

    /// A host and a router on one link; time goes by to the next that either has to do.
    struct Link {
        host: Host,
        router: Router,
        now: Instant,
    }

    impl Link {
        fn new(version: Version, asks: bool) -> Self {
            let now = Instant::now();
            Self { host: Host::new(Family::Ipv4, None, 5), router: Router::new(settings(version, asks), now), now }
        }

        /// Lets time pass; gives how many queries were sent.
        fn pass(&mut self, time: Duration) -> usize {
            let end = self.now + time;
            let mut queries = 0;
            loop {
                while let Some(query) = self.router.transmit(self.now) {
                    queries += 1;
                    self.host.on_message(self.now, &query);
                }
                while let Some(out) = self.host.transmit(self.now) {
                    self.router.on_message(self.now, &out.message);
                }
                let next = self.host.next_wake().into_iter().chain([self.router.next_wake()]).min().unwrap_or(end);
                if next > end {
                    self.now = end;
                    return queries;
                }
                self.now = next.max(self.now + Duration::from_micros(1));
            }
        }

        fn wants(&self) -> bool {
            self.router.wants(self.now, group(), source())
        }
    }

    fn group() -> IpAddr {
        "233.252.0.1".parse().unwrap()
    }

    fn source() -> IpAddr {
        "192.0.2.9".parse().unwrap()
    }

    #[test]
    fn a_member_is_kept_while_it_answers_and_gone_soon_after_it_left() {
        for (version, from) in [(Version::Igmp3, Some(source())), (Version::Igmp3, None), (Version::Igmp2, None)] {
            let mut link = Link::new(version, true);
            link.pass(Duration::from_millis(10));
            link.host.join(link.now, group(), from);
            link.pass(Duration::from_millis(600));
            assert!(link.wants(), "{version}");
            // Far longer than a membership lasts.
            let queries = link.pass(Duration::from_secs(20));
            assert!((9..=11).contains(&queries) && link.wants(), "{version}: {queries}");
            assert_eq!(link.router.wanted(link.now), [(group(), from.filter(|_| version.has_sources()))]);
            link.host.leave(link.now, group(), from);
            link.pass(Duration::from_millis(100));
            assert!(link.wants(), "somebody else may be there");
            link.pass(Duration::from_millis(600));
            assert!(!link.wants(), "{version}");
        }
    }

    #[test]
    fn who_leaves_while_another_stays_takes_nothing_away() {
        let mut link = Link::new(Version::Igmp3, true);
        link.host.join(link.now, group(), None);
        link.pass(Duration::from_secs(5));
        link.router.on_message(link.now, &Message::Leave(group()));
        link.pass(Duration::from_secs(3));
        assert!(link.wants());
    }

    #[test]
    fn who_never_asks_forgets() {
        let mut link = Link::new(Version::Igmp3, false);
        link.host.join(link.now, group(), None);
        link.pass(Duration::from_secs(2));
        assert!(link.wants());
        // 2 x 2 + 0.5 s after the latest of two reports, which are a second apart at most.
        assert_eq!(link.pass(Duration::from_secs(4)), 0);
        assert!(!link.wants());
    }
}
