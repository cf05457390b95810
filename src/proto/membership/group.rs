//! One group of a host: what it listens to, what is still to be told of changes, and which answer is due (RFC 3376 sections 5.1 and 5.2,
//! RFC 3810 sections 6.1 to 6.3).
//!
//! A host here listens to any source or to named ones; it never shuts sources out, so that its EXCLUDE lists are empty.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;
use std::time::Instant;

use crate::wire::membership::{Record, RecordKind};

/// What a host listens to in a group: the interface state of RFC 3376 section 3.2.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Listens {
    /// To all sources: EXCLUDE {}.
    pub(super) any: bool,
    /// To these: INCLUDE {...}; without meaning while `any`.
    pub(super) sources: BTreeSet<IpAddr>,
}

impl Listens {
    /// To nothing: the same as not knowing the group.
    pub(super) fn is_none(&self) -> bool {
        !self.any && self.sources.is_empty()
    }
}

/// An answer that is due.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Answer {
    pub(super) at: Instant,
    /// Those asked for; empty: the whole group was.
    pub(super) sources: BTreeSet<IpAddr>,
}

/// The state.
#[derive(Debug, Clone, Default)]
pub(super) struct Group {
    pub(super) listens: Listens,
    /// When the change is to be told next.
    pub(super) change_at: Option<Instant>,
    /// How often a change of the filter mode is still to be told.
    mode_left: u32,
    /// How often each source's change is still to be told.
    sources_left: BTreeMap<IpAddr, u32>,
    /// True until the change was told once.
    pub(super) is_news: bool,
    /// Answer to a query for this group.
    pub(super) answer: Option<Answer>,
    /// Versions without sources: when to report, and how often the join is still to be told.
    pub(super) report_at: Option<Instant>,
    pub(super) reports_left: u32,
}

impl Group {
    /// Takes a new state; the change is to be told so often, from now on.
    pub(super) fn change(&mut self, now: Instant, to: Listens, robustness: u32) {
        if to == self.listens {
            return;
        }
        // Section 5.1: the table of states old and new. A record of a new mode tells the whole state. Who listens to any source changes
        // nothing by a named one.
        if to.any && self.listens.any {
            self.listens = to;
            return;
        }
        if to.any == self.listens.any {
            for source in to.sources.symmetric_difference(&self.listens.sources) {
                self.sources_left.insert(*source, robustness);
            }
        } else {
            self.mode_left = robustness;
            self.sources_left.clear();
        }
        self.listens = to;
        self.change_at = Some(now);
        self.is_news = true;
        // What was asked about the old state is answered by the change.
        self.answer = None;
    }

    /// The records of a change that are to be told now; counts them as told.
    pub(super) fn take_change(&mut self, group: IpAddr) -> Vec<Record> {
        self.change_at = None;
        self.is_news = false;
        let record = |kind, sources: Vec<IpAddr>| Record { kind, group, sources };
        if self.mode_left > 0 {
            self.mode_left -= 1;
            let kind = if self.listens.any { RecordKind::ToExclude } else { RecordKind::ToInclude };
            return vec![record(kind, self.named())];
        }
        let (allowed, blocked): (Vec<IpAddr>, Vec<IpAddr>) =
            self.sources_left.keys().copied().partition(|source| self.listens.any || self.listens.sources.contains(source));
        self.sources_left.values_mut().for_each(|left| *left = left.saturating_sub(1));
        self.sources_left.retain(|_, left| *left > 0);
        let both = [(RecordKind::Allow, allowed), (RecordKind::Block, blocked)];
        both.into_iter().filter(|(_, sources)| !sources.is_empty()).map(|(kind, sources)| record(kind, sources)).collect()
    }

    /// True while a change is still to be told.
    pub(super) fn has_change_left(&self) -> bool {
        self.mode_left > 0 || !self.sources_left.is_empty()
    }

    /// Forgets all that is due: the compatibility mode changed (RFC 3376 section 7.2.1). What was never told stays news.
    pub(super) fn forget_due(&mut self) {
        *self = Self { listens: std::mem::take(&mut self.listens), is_news: self.is_news, ..Self::default() };
    }

    /// The state as it is told to who asks for all groups, or for this one.
    pub(super) fn current(&self, group: IpAddr) -> Option<Record> {
        let kind = if self.listens.any { RecordKind::IsExclude } else { RecordKind::IsInclude };
        (!self.listens.is_none()).then(|| Record { kind, group, sources: self.named() })
    }

    /// The answer to a query for this group, or for sources of it (section 5.2, the table).
    pub(super) fn take_answer(&mut self, group: IpAddr) -> Option<Record> {
        let asked = self.answer.take()?.sources;
        if asked.is_empty() {
            return self.current(group);
        }
        let sources: Vec<IpAddr> =
            asked.into_iter().filter(|source| self.listens.any || self.listens.sources.contains(source)).collect();
        (!sources.is_empty()).then_some(Record { kind: RecordKind::IsInclude, group, sources })
    }

    /// True when the group can be forgotten.
    pub(super) fn is_over(&self) -> bool {
        self.listens.is_none() && !self.has_change_left() && self.change_at.is_none()
    }

    fn named(&self) -> Vec<IpAddr> {
        if self.listens.any { Vec::new() } else { self.listens.sources.iter().copied().collect() }
    }
}
