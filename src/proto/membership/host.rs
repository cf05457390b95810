//! The host's part of IGMP and MLD for one IP version (RFC 3376 sections 5 and 7.2, RFC 3810 sections 6 and 8.2, RFC 2236 section 6,
//! RFC 2710 section 5).
//!
//! It knows no frame and no socket: messages in, messages out, with the time as an argument. The hard thing: an older querier makes a
//! host speak its version, and whatever was due then is forgotten.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::net::IpAddr;
use std::time::{Duration, Instant};

use super::group::{Answer, Group, Listens};
use crate::proto::echo::schedule::Seed;
use crate::unit::Family;
use crate::wire::membership::{Message, Query, Record, Version};

/// How often changes are told (RFC 3376 section 8.1, RFC 3810 section 9.1).
const ROBUSTNESS: u32 = 2;
/// Query interval, until a querier says its own (section 8.2).
const QUERY_INTERVAL: Duration = Duration::from_secs(125);
/// Between two tellings of a change (RFC 3376 section 8.11, RFC 3810 section 9.11; RFC 2710 section 7.10 has 10 s like RFC 2236).
const UNSOLICITED_INTERVAL: Duration = Duration::from_secs(1);
const UNSOLICITED_INTERVAL_OLD: Duration = Duration::from_secs(10);
/// What a query of IGMPv1 gives to answer, which does not say (RFC 2236 section 4).
const RESPONSE_IGMP1: Duration = Duration::from_secs(10);
/// Records of one report: it must fit a packet (RFC 3376 section 4.2.16); so many of one source each fit 1280 octets of IPv6.
const MOST_RECORDS: usize = 30;

/// A message to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Out {
    /// The message.
    pub message: Message,
    /// Groups of which it tells a change for the first time.
    pub news: Vec<IpAddr>,
}

/// One IP version's memberships.
#[derive(Debug)]
pub struct Host {
    family: Family,
    wanted: Version,
    /// Until when a querier of an older version is believed to be there.
    older: BTreeMap<Version, Instant>,
    mode: Version,
    query_interval: Duration,
    robustness: u32,
    groups: BTreeMap<IpAddr, Group>,
    /// Answer to a general query.
    general_at: Option<Instant>,
    out: VecDeque<Out>,
    seed: Seed,
}

impl Host {
    /// A host without groups. `wanted` is the version that it speaks while no older querier is there; `None` is the newest.
    pub fn new(family: Family, wanted: Option<Version>, seed: u64) -> Self {
        let newest = Version::newest(family);
        let wanted = wanted.filter(|version| version.family() == family).unwrap_or(newest);
        Self {
            family,
            wanted,
            older: BTreeMap::new(),
            mode: wanted,
            query_interval: QUERY_INTERVAL,
            robustness: ROBUSTNESS,
            groups: BTreeMap::new(),
            general_at: None,
            out: VecDeque::new(),
            seed: Seed(seed),
        }
    }

    /// The version that it speaks now.
    pub fn mode(&self) -> Version {
        self.mode
    }

    /// Begins to listen to a source of a group, or to any. What it listens to already stays.
    pub fn join(&mut self, now: Instant, group: IpAddr, source: Option<IpAddr>) {
        self.change(now, group, |listens| match source {
            Some(source) => drop(listens.sources.insert(source)),
            None => listens.any = true,
        });
    }

    /// Ends to listen to a source, or to any.
    pub fn leave(&mut self, now: Instant, group: IpAddr, source: Option<IpAddr>) {
        self.change(now, group, |listens| match source {
            Some(source) => drop(listens.sources.remove(&source)),
            None => listens.any = false,
        });
    }

    /// True while it listens to something of the group.
    pub fn is_member(&self, group: IpAddr) -> bool {
        self.groups.get(&group).is_some_and(|state| !state.listens.is_none())
    }

    fn change(&mut self, now: Instant, group: IpAddr, by: impl FnOnce(&mut Listens)) {
        if Family::of(group) != self.family || !group.is_multicast() || super::is_local(group) {
            return;
        }
        self.settle_mode(now);
        let state = self.groups.entry(group).or_default();
        let was_member = !state.listens.is_none();
        let mut listens = state.listens.clone();
        by(&mut listens);
        let is_member = !listens.is_none();
        if self.mode.has_sources() {
            state.change(now, listens, self.robustness);
        } else {
            state.listens = listens;
            match (was_member, is_member) {
                (false, true) => (state.report_at, state.reports_left, state.is_news) = (Some(now), self.robustness, true),
                (true, false) => {
                    // RFC 2236 section 3: who did not report last may leave in silence; a router bears more. Version 1 has no leave.
                    if self.mode != Version::Igmp1 {
                        self.out.push_back(Out { message: Message::Leave(group), news: vec![group] });
                    }
                }
                (true, true) | (false, false) => {}
            }
        }
        self.groups.retain(|_, state| !state.is_over());
    }

    /// Takes a message that came in: a router's query, or another host's report.
    pub fn on_message(&mut self, now: Instant, message: &Message) {
        match message {
            Message::Query(query) if query.version.family() == self.family => self.on_query(now, query),
            // Section 7.2.2 and RFC 2236 section 6: in versions without sources one report is enough for all.
            Message::Report { group, .. } => {
                self.settle_mode(now);
                if !self.mode.has_sources()
                    && let Some(state) = self.groups.get_mut(group)
                    && !state.is_news
                {
                    (state.report_at, state.reports_left) = (None, 0);
                }
            }
            Message::Query(_) | Message::Leave(_) | Message::Records(_) | Message::Other(_) => {}
        }
    }

    fn on_query(&mut self, now: Instant, query: &Query) {
        self.settle_mode(now);
        if query.version < Version::newest(self.family) {
            // "Older Version Querier Present Timeout" (RFC 3376 section 8.12, RFC 3810 section 9.12).
            let until = now + self.query_interval * self.robustness + query.max_response.max(Duration::from_secs(1));
            self.older.insert(query.version, until);
            self.settle_mode(now);
        } else {
            if let Some(interval) = query.interval.filter(|interval| !interval.is_zero()) {
                self.query_interval = interval;
            }
            // Section 4.1.6: hosts take over the querier's robustness; zero leaves it open. One is told in section 8.1 to be no choice.
            if query.robustness > 1 {
                self.robustness = query.robustness.into();
            }
        }
        let within = if query.version == Version::Igmp1 { RESPONSE_IGMP1 } else { query.max_response };
        if self.mode.has_sources() { self.schedule(now, query, within) } else { self.schedule_old(now, query, within) }
    }

    /// The five rules of RFC 3376 section 5.2 (RFC 3810 section 6.2).
    fn schedule(&mut self, now: Instant, query: &Query, within: Duration) {
        let at = now + within.mul_f64(self.seed.uniform());
        // 1. An answer to a general query that comes sooner tells all.
        if self.general_at.is_some_and(|general| general <= at) {
            return;
        }
        let Some(group) = query.group else {
            // 2. A general query takes the place of the one before.
            if self.groups.values().any(|state| !state.listens.is_none()) {
                self.general_at = Some(at);
            }
            return;
        };
        let Some(state) = self.groups.get_mut(&group).filter(|state| !state.listens.is_none()) else { return };
        let asked: BTreeSet<IpAddr> = query.sources.iter().copied().collect();
        state.answer = Some(match state.answer.take() {
            // 3. Nothing is due for the group.
            None => Answer { at, sources: asked },
            // 4. The whole group was asked for, then or now.
            Some(due) if asked.is_empty() || due.sources.is_empty() => Answer { at: at.min(due.at), sources: BTreeSet::new() },
            // 5. Other sources.
            Some(due) => Answer { at: at.min(due.at), sources: due.sources.union(&asked).copied().collect() },
        });
    }

    /// RFC 2236 section 6, RFC 2710 section 5: a timer for each group; one that runs is only ever shortened.
    fn schedule_old(&mut self, now: Instant, query: &Query, within: Duration) {
        for (_, state) in self.groups.iter_mut().filter(|(group, _)| query.group.is_none_or(|asked| asked == **group)) {
            let at = now + within.mul_f64(self.seed.uniform());
            if !state.listens.is_none() && state.report_at.is_none_or(|due| due > now + within) {
                state.report_at = Some(at);
            }
        }
    }

    /// Sets the mode by who is there; a change of it forgets all that is due.
    fn settle_mode(&mut self, now: Instant) {
        self.older.retain(|_, until| *until > now);
        let oldest = self.older.keys().next().copied();
        let mode = oldest.map_or(self.wanted, |oldest| oldest.min(self.wanted));
        if mode != self.mode {
            self.mode = mode;
            self.general_at = None;
            self.groups.values_mut().for_each(Group::forget_due);
            self.groups.retain(|_, state| !state.is_over());
        }
    }

    /// The next message to send now.
    pub fn transmit(&mut self, now: Instant) -> Option<Out> {
        self.settle_mode(now);
        if self.out.is_empty() {
            if self.mode.has_sources() {
                self.due_records(now)
            } else {
                self.due_reports(now)
            }
            self.groups.retain(|_, state| !state.is_over());
        }
        self.out.pop_front()
    }

    fn due_records(&mut self, now: Instant) {
        let is_due = |at: Option<Instant>| at.is_some_and(|at| at <= now);
        let (mut changes, mut answers, mut news) = (Vec::new(), Vec::new(), Vec::new());
        let tells_all = is_due(self.general_at);
        if tells_all {
            self.general_at = None;
        }
        for (group, state) in &mut self.groups {
            if is_due(state.change_at) {
                if state.is_news {
                    news.push(*group);
                }
                changes.extend(state.take_change(*group));
                state.change_at = state.has_change_left().then(|| now + UNSOLICITED_INTERVAL.mul_f64(self.seed.uniform()));
            }
            if tells_all {
                answers.extend(state.current(*group));
            } else if is_due(state.answer.as_ref().map(|answer| answer.at)) {
                answers.extend(state.take_answer(*group));
            }
        }
        let mut put = |records: Vec<Record>, news: &[IpAddr]| {
            for part in records.chunks(MOST_RECORDS) {
                let told = news.iter().filter(|group| part.iter().any(|record| record.group == **group)).copied().collect();
                self.out.push_back(Out { message: Message::Records(part.to_vec()), news: told });
            }
        };
        put(changes, &news);
        put(answers, &[]);
    }

    fn due_reports(&mut self, now: Instant) {
        for (group, state) in self.groups.iter_mut().filter(|(_, state)| state.report_at.is_some_and(|at| at <= now)) {
            let news = if std::mem::take(&mut state.is_news) { vec![*group] } else { Vec::new() };
            self.out.push_back(Out { message: Message::Report { version: self.mode, group: *group }, news });
            state.reports_left = state.reports_left.saturating_sub(1);
            state.report_at = (state.reports_left > 0).then(|| now + UNSOLICITED_INTERVAL_OLD.mul_f64(self.seed.uniform()));
        }
    }

    /// When there is something to send next; in the past when there is now.
    pub fn next_wake(&self) -> Option<Instant> {
        let due = self
            .groups
            .values()
            .flat_map(|state| [state.change_at, state.answer.as_ref().map(|answer| answer.at), state.report_at]);
        due.chain([self.general_at]).flatten().min()
    }
}

#[cfg(test)]
mod tests;
